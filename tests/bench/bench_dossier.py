"""A whole dossier, from its folder to its page, as a ratio to ffmpeg's scan of the same stems; and built again.

    python tests/bench/bench_dossier.py [SECONDS [CANDIDATES]]

Eight stereo stems of 180 s at 48 kHz and 24 candidates, all made here.  Each build is a process of its own, as a user
starts it, with the interpreter's own cache warm; the program's cache is empty for the first, and kept for the others:
another origin of a drum, another title, one drum file changed (of those that are chosen; another one), and nothing
changed.  Dossier and ffmpeg alternate; medians by the clock and in CPU seconds are printed.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from dossier import audio

RATE, TEMPO, STEMS, SECONDS, CANDIDATES, TURNS = 48_000, 120.0, 8, 180.0, 24, 3
SETTINGS = """title = "Long Table"
tempo = 120.0
key = "A minor"
first_downbeat = 0.0

[pattern]
lines = ["kick |X-----x-X-------|", "snare |----X-------X---|", "closed-hat |x-x-x-x-x-x-x-x-|"]
"""
KINDS = ("kick", "snare", "closed-hat", "clap", "open-hat", "shaker")

Array = npt.NDArray[np.float64]


def stem(number: int, seconds: float) -> Array:
    """Struck chords that fade, one a half note, over a soft bed of noise; each stem in a register of its own."""
    rng = np.random.default_rng(number)
    time_s = np.arange(round(2.0 * RATE)) / RATE
    bar = np.zeros((len(time_s), 2))
    for half, step in enumerate((0, 3)):
        tone = sum(
            np.sin(2 * np.pi * 55.0 * 2 ** (number % 5 + (step + up) / 12.0) * partial * time_s) / partial**1.5
            for up in (0, 7) for partial in range(1, 7)
        )  # fmt: skip
        faded = 0.03 * tone * np.exp(-2.5 * time_s)
        bar[half * RATE :] += faded[: len(bar) - half * RATE, None] * (1.0, 0.7 + 0.1 * (number % 4))
    whole = np.tile(bar, (int(np.ceil(seconds / 2.0)), 1))[: round(seconds * RATE)]
    return np.asarray(whole + 0.002 * rng.standard_normal(whole.shape))


def drum(kind: str, number: int) -> Array:
    """One hit: a falling tone and a burst of noise, both as long and as high as the kind asks."""
    rng = np.random.default_rng(100 + number)
    low, length, noise = {
        "kick": (50.0, 0.35, 0.05), "snare": (190.0, 0.2, 0.5), "clap": (900.0, 0.18, 0.9),
        "closed-hat": (6000.0, 0.06, 0.9), "open-hat": (6000.0, 0.4, 0.9), "shaker": (5000.0, 0.1, 0.9),
    }[kind]  # fmt: skip
    time_s = np.arange(round(2.0 * length * RATE)) / RATE
    pitch = low * (1.0 + 0.02 * number) * (1.0 + np.exp(-time_s / 0.01))
    tone = (1.0 - noise) * np.sin(2 * np.pi * np.cumsum(pitch) / RATE)
    rough = rng.standard_normal(len(time_s) + 1)
    rough = np.diff(rough) if low > 500.0 else rough[1:]
    return np.asarray(0.5 * (tone + 0.4 * noise * rough)[:, None] * np.exp(-4.0 * time_s / length)[:, None])


def loop(number: int) -> Array:
    """Two bars of kicks, snares and hats."""
    out = np.zeros((4 * RATE, 1))
    for eighth in range(16):
        kind = "kick" if eighth % 4 == 0 else "snare" if eighth % 4 == 2 else "closed-hat"
        hit = drum(kind, number)[: len(out) - eighth * RATE // 4]
        out[eighth * RATE // 4 : eighth * RATE // 4 + len(hit)] += hit
    return out


def write(folder: Path, seconds: float, candidates: int, stems: int = STEMS) -> None:
    (folder / "stems").mkdir(parents=True)
    (folder / "drums").mkdir()
    (folder / "beat.toml").write_text(SETTINGS, encoding="utf-8")
    for number in range(stems):
        (folder / "stems" / f"stem-{number}.wav").write_bytes(audio.wav_bytes(stem(number, seconds), RATE))
    for number in range(candidates):
        kind = KINDS[number % len(KINDS)]
        sound = loop(number) if number % 8 == 7 else drum(kind, number)
        name = f"loop-{number}_120bpm" if number % 8 == 7 else f"{kind}-{number}"
        (folder / "drums" / f"{name}.wav").write_bytes(audio.wav_bytes(sound, RATE))


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock, and of the CPU in processes that were started and have ended."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return time.perf_counter() - start, cpu


def build(beat: Path, out: Path, cache: Path) -> None:
    command = [sys.executable, "-m", "dossier", "build", str(beat), "--out", str(out)]
    warm = {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": str(beat.parent / "compiled")}
    environment = {**os.environ, **warm, "DOSSIER_CACHE": str(cache)}
    subprocess.run(command, check=True, capture_output=True, env=environment)


def scan(ffmpeg: str, beat: Path) -> None:
    for path in sorted((beat / "stems").iterdir()):
        command = [ffmpeg, "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
        subprocess.run(command, check=True, capture_output=True)


def softer(path: Path) -> None:
    clip = audio.read(path, shown_as=path.name)
    path.write_bytes(audio.wav_bytes(clip.samples * 0.93, clip.rate_hz))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    candidates = int(sys.argv[2]) if len(sys.argv) > 2 else CANDIDATES
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        import imageio_ffmpeg

        ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
    found: dict[str, list[tuple[float, float]]] = {}
    with tempfile.TemporaryDirectory() as root:
        beat, out, cache = Path(root, "long-table"), Path(root, "site"), Path(root, "cache")
        write(beat, seconds, candidates)
        build(beat, out, cache)  # what is compiled at the first run is not counted
        for _ in range(TURNS):
            shutil.rmtree(out)
            shutil.rmtree(cache)
            times = {"cold": timed(lambda: build(beat, out, cache)), "ffmpeg": timed(lambda: scan(ffmpeg, beat))}
            data = json.loads((out / "long-table" / "long-table-r001.json").read_text(encoding="utf-8"))
            used = {row["file"] for row in data["balance"]["parts"] if row["chosen"]}
            files = [entry["file"] for entry in data["inputs"] if entry["kind"] == "drum"]
            origin = f'[[drums]]\nfile = "{files[0]}"\norigin = "the producer"\n'
            for name, words in (
                ("origin changed", SETTINGS + origin),
                ("title changed", SETTINGS.replace("Long Table", "Longer Table") + origin),
                ("title changed back", SETTINGS),
            ):
                (beat / "beat.toml").write_text(words, encoding="utf-8")
                times[name] = timed(lambda: build(beat, out, cache))
            for name, file in (
                ("a chosen drum changed", next(file for file in files if file in used)),
                ("another drum changed", next(file for file in files if file not in used)),
            ):
                softer(beat / file)
                times[name] = timed(lambda: build(beat, out, cache))
            times["nothing changed"] = timed(lambda: build(beat, out, cache))
            for name, value in times.items():
                found.setdefault(name, []).append(value)
    for unit, at in (("s", 0), ("s of CPU", 1)):
        middle = {name: statistics.median(value[at] for value in values) for name, values in found.items()}
        ratios = {"cold / ffmpeg": middle["cold"] / middle["ffmpeg"]}
        ratios |= {f"{name} / cold": value / middle["cold"] for name, value in middle.items() if "changed" in name}
        for name, value in {**middle, **ratios}.items():
            print(f"{name:32s}{value:8.2f} {unit if name in middle else f'({unit})'}")


if __name__ == "__main__":
    main()
