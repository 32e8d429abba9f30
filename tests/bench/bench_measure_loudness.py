"""How long the loudness and stereo measures take, against ffmpeg's `ebur128=peak=true` on the same file.

    python tests/bench/bench_measure_loudness.py [seconds]

Makes its own stereo files (48 kHz, 24 bit, 180 s), lets both take turns five times and prints median ratios of wall
time: under 1 is faster than ffmpeg, whose time includes reading the file; the last column is ours with reading.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from dossier.measure import loudness, stereo

RATE = 48_000
TURNS = 5


def sounds(seconds: int) -> dict[str, np.ndarray]:
    """Music-like, the same driven into clipping, sparse hits, and white noise, which is the worst case of true peak."""
    rng = np.random.default_rng(1)
    n = seconds * RATE
    t = np.arange(n)[:, None] / RATE
    envelope = np.exp(-(t * 2 % 1) * 4)
    music = 0.3 * rng.standard_normal((n, 2)) * envelope
    for f in (55, 110, 164.8, 220, 329.6, 440, 660, 1320, 2640):
        music += np.sin(2 * np.pi * f * t + rng.uniform(0, 6.28, 2)) * (50 / f) ** 0.5 * envelope
    music *= 0.9 / np.abs(music).max()
    return {
        "music": music,
        "clipped": np.clip(6 * music, -0.98, 0.98),
        "hits": music * (t % 1.0 < 0.15),
        "white noise": rng.uniform(-0.9, 0.9, (n, 2)),
    }


def seconds_of(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 180
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        import imageio_ffmpeg

        ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
    warm = np.random.default_rng(0).standard_normal((RATE, 2))
    loudness.measure(warm, RATE)  # imports and designs
    stereo.measure(warm, RATE)
    print(f"{seconds} s stereo at 48 kHz, median of {TURNS} turns; ratios to ffmpeg's ebur128=peak=true")
    print(f"{'sound':14}{'ffmpeg s':>10}{'loudness':>10}{'+ stereo':>10}{'+ reading':>10}")
    with tempfile.TemporaryDirectory() as folder:
        for name, samples in sounds(seconds).items():
            path = Path(folder) / "sound.wav"
            soundfile.write(path, samples, RATE, subtype="PCM_24")
            command = [ffmpeg, "-nostdin", "-loglevel", "error", "-i", str(path)]
            command += ["-af", "ebur128=peak=true", "-f", "null", "-"]
            rows = []
            for _ in range(TURNS):
                theirs = seconds_of(lambda command=command: subprocess.run(command, check=True))
                start = time.perf_counter()
                x, rate_hz = soundfile.read(path, dtype="float32")
                reading = time.perf_counter() - start
                loud = seconds_of(lambda x=x, rate_hz=rate_hz: loudness.measure(x, rate_hz))
                wide = seconds_of(lambda x=x, rate_hz=rate_hz: stereo.measure(x, rate_hz))
                rows.append((theirs, loud / theirs, (loud + wide) / theirs, (loud + wide + reading) / theirs))
            medians = [statistics.median(column) for column in zip(*rows, strict=True)]
            print(f"{name:14}{medians[0]:10.2f}" + "".join(f"{ratio:10.2f}" for ratio in medians[1:]))


if __name__ == "__main__":
    main()
