"""How a cold build grows with seconds of music, with candidates and with stems: a table, and a plot of it.

    python tests/bench/bench_growth.py [PLOT.svg]

The beat of `bench_dossier.py`, with one of its sizes changed at a time.  Memory is that of the build's own process, CPU
also that of the helpers that it waited for.  `a doubling` is what each doubling of the size multiplies the wall time
by, from one row to the next (bar: 2.1).
"""

from __future__ import annotations

import math
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import bench_dossier as bench

GROWN = {
    "seconds of music, 8 stems, 24 candidates": [(s, 24, 8) for s in (30, 90, 180, 600)],
    "candidates, 8 stems of 30 s": [(30, n, 8) for n in (10, 100, 1000)],
    "stems of 90 s, 24 candidates": [(90, 24, n) for n in (1, 2, 4, 8, 16)],
}
COLOURS = ("#1b6ca8", "#b3541e", "#3f7d3a")
WIDTH, HEIGHT, EDGE = 560, 340, 52


def measured(seconds: float, candidates: int, stems: int) -> tuple[float, float, float]:
    """Wall and CPU seconds of a cold build, and MiB of its largest process."""
    with tempfile.TemporaryDirectory() as root:
        beat = Path(root, "long-table")
        # In a process of its own: a child's peak is never told as less than what its parent held when it began.
        with ProcessPoolExecutor(1) as pool:
            pool.submit(bench.write, beat, seconds, candidates, stems).result()
        command = [sys.executable, "-m", "dossier", "build", str(beat), "--out", str(Path(root, "site"))]
        start, quiet = time.perf_counter(), os.open(os.devnull, os.O_WRONLY)
        pid = os.posix_spawn(
            sys.executable, command, {**os.environ, "DOSSIER_CACHE": str(Path(root, "cache"))},
            file_actions=[(os.POSIX_SPAWN_DUP2, quiet, 1), (os.POSIX_SPAWN_DUP2, quiet, 2)],
        )  # fmt: skip
        _, status, used = os.wait4(pid, 0)  # of it and of the processes that it waited for
        os.close(quiet)
        if status:
            raise SystemExit(f"a build of {stems} stems of {seconds} s with {candidates} candidates failed")
        return time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def doubling(sizes: tuple[float, float], times: tuple[float, float]) -> float:
    return 2.0 ** (math.log(times[1] / times[0]) / math.log(sizes[1] / sizes[0]))


def plot(found: dict[str, list[tuple[float, float]]]) -> str:
    """Wall seconds over size, each size as a multiple of its least, both logarithmic."""
    points = [point for line in found.values() for point in line]
    times = [time_s for _, time_s in points]
    widest = math.log(max(size / line[0][0] for line in found.values() for size, _ in line))
    low, high = math.log(min(times)), math.log(max(times) * 1.1)

    def at(multiple: float, time_s: float) -> str:
        x = EDGE + math.log(multiple) / widest * (WIDTH - 2 * EDGE)
        y = HEIGHT - EDGE - (math.log(time_s) - low) / (high - low) * (HEIGHT - 2 * EDGE)
        return f"{x:.1f},{y:.1f}"

    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
           'font-size="11">', f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>']  # fmt: skip
    for number, ((name, line), colour) in enumerate(zip(found.items(), COLOURS, strict=True)):
        placed = [at(size / line[0][0], time_s) for size, time_s in line]
        out.append(f'<polyline fill="none" stroke="{colour}" stroke-width="2" points="{" ".join(placed)}"/>')
        for point, (size, time_s) in zip(placed, line, strict=True):
            x, y = point.split(",")
            out.append(f'<circle cx="{x}" cy="{y}" r="3" fill="{colour}"/>')
            out.append(f'<text x="{x}" y="{float(y) - 7:.1f}" text-anchor="middle">{size:g}: {time_s:.1f} s</text>')
        out.append(f'<text x="{EDGE}" y="{18 + 14 * number}" fill="{colour}">{name}</text>')
    out.append(f'<text x="{WIDTH / 2}" y="{HEIGHT - 16}" text-anchor="middle">size, as a multiple of the least; wall '
               "seconds of a cold build; both axes logarithmic</text></svg>")  # fmt: skip
    return "\n".join(out) + "\n"


def main() -> None:
    found: dict[str, list[tuple[float, float]]] = {}
    for name, cases in GROWN.items():
        axis = next(k for k in range(3) if cases[0][k] != cases[1][k])
        print(f"\n| {name} | wall s | CPU s | MiB | a doubling |\n|---|---|---|---|---|")
        line = found[name] = []
        for case in cases:
            wall, cpu, memory = measured(*case)
            line.append((case[axis], wall))
            by = f"{doubling((line[-2][0], case[axis]), (line[-2][1], wall)):.2f}" if len(line) > 1 else ""
            print(f"| {case[axis]:g} | {wall:.1f} | {cpu:.1f} | {memory:.0f} | {by} |", flush=True)
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(plot(found), encoding="utf-8")


if __name__ == "__main__":
    main()
