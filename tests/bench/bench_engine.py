"""Eight beats built in one process, on one worker of a cluster and on two: how much two workers gain.

    PYTHONPATH=tests:tests/stages:tests/bench python tests/bench/bench_engine.py [BEATS [SECONDS]]

The beats are those of `bench_dossier.py`, shorter, each with drums of its own.  Scheduler and workers are started with
their own two commands and have done a beat before time is taken; cache and archive are new for each run.  Two workers
that share a machine's cores gain less than two machines would.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import bench_dossier as bench
import test_engine

BEATS, SECONDS, CANDIDATES, STEMS = 8, 30.0, 24, 4


def built(beats: list[Path], root: Path, *engine: str) -> float:
    """Wall seconds of one `dossier build`, with a cache and an archive that it finds empty."""
    with tempfile.TemporaryDirectory(dir=root) as new:
        command = [sys.executable, "-m", "dossier", "build", *map(str, beats), "--out", f"{new}/site", *engine]
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env={**os.environ, "DOSSIER_CACHE": f"{new}/cache"})
        return time.perf_counter() - start


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else BEATS
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else SECONDS
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        beats = [root / f"table-{number}" for number in range(count)]
        for number, beat in enumerate(beats):
            bench.write(beat, seconds, CANDIDATES, STEMS)
            settings = bench.SETTINGS.replace("Long Table", f"Long Table {number}")
            (beat / "beat.toml").write_text(settings, encoding="utf-8")
            for path in (beat / "stems").iterdir():  # another beat, not the first one again
                sound = bench.stem(int(path.stem[-1]) + STEMS * number, seconds)
                path.write_bytes(bench.audio.wav_bytes(sound, bench.RATE))
        took = {"one process": built(beats, root, "--jobs", "1"), "this machine as it is": built(beats, root)}
        for workers in (1, 2):
            folder = root / f"cluster-{workers}"
            folder.mkdir()
            with test_engine.cluster(folder, workers=workers) as (address, _):
                engine = ("--engine", "dask", "--scheduler", address)
                built(beats[:workers], root, *engine)
                took[f"{workers} worker{'s' * (workers > 1)}"] = built(beats, root, *engine)
    for name, wall in took.items():
        print(f"{name:24s}{wall:8.1f} s")
    print(f"2 workers against 1: {took['1 worker'] / took['2 workers']:.2f} x; "
          f"against one process: {took['one process'] / took['2 workers']:.2f} x")  # fmt: skip


if __name__ == "__main__":
    main()
