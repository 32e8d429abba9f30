"""How fast the hearing measures are: `python tests/bench/bench_hearing.py [seconds]`.  Makes its own inputs.

Prints ratios within one run, because machines differ and are shared: the front end against ffmpeg's loudness scan with
true peak of the same sound (where ffmpeg is found), growth on doubling, and each step as a share of the whole.
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

from dossier.measure import hearing, occupancy

RATE = 48000
RUNS = 5
SLOT_S = 15.0 / 92.0


def timed(work: Callable[[], object]) -> float:
    """Median seconds of a few runs, after one that warms up."""
    work()
    taken = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def noise(seconds: float) -> np.ndarray:
    rng = np.random.default_rng(1)
    return 0.1 * rng.standard_normal((round(seconds * RATE), 2), dtype=np.float32)


def scan_seconds(samples: np.ndarray) -> float | None:
    """What ffmpeg takes to scan the sound; None where there is no ffmpeg."""
    program = shutil.which("ffmpeg")
    if program is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "noise.wav"
        soundfile.write(path, samples, RATE, subtype="PCM_24")
        command = [program, "-nostdin", "-v", "quiet", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
        return timed(lambda: subprocess.run(command, check=True, capture_output=True))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 180.0
    samples = noise(seconds)
    front = timed(lambda: hearing.band_energies(samples, RATE))
    half = timed(lambda: hearing.band_energies(samples[: len(samples) // 2], RATE))
    scan = scan_seconds(samples)

    start = time.perf_counter()
    hearing.scale()
    tables = time.perf_counter() - start

    energies = hearing.band_energies(samples, RATE)
    edges = SLOT_S * np.arange(int(seconds / SLOT_S) + 1)
    powers = hearing.slot_powers(energies, edges)
    exc = hearing.excitation(powers, spl_offset_db=91.0)
    reference = occupancy.reference_loudness(-16.0, 75.0)
    loud = hearing.specific_loudness(exc)
    steps = {
        "slot powers": timed(lambda: hearing.slot_powers(energies, edges)),
        "excitation": timed(lambda: hearing.excitation(powers, spl_offset_db=91.0)),
        "specific loudness": timed(lambda: hearing.specific_loudness(exc)),
        "partial loudness": timed(lambda: hearing.partial_loudness(exc, 0.5 * exc)),
        "fill of all zones": timed(lambda: occupancy.zone_fills(loud, reference)),
    }
    print(f"{seconds:.0f} s, stereo, {RATE} Hz, {len(powers)} slots")
    print(f"front end                     {front:7.3f} s   {seconds / front:6.0f} x real time")
    if scan is not None:
        print(f"  over an ffmpeg scan         {front / scan:7.3f}")
    print(f"  growth on doubling          {front / half:7.2f}")
    print(f"tables, once                  {tables:7.3f} s   {tables / front:6.3f} of the front end")
    for name, taken in steps.items():
        print(f"{name:<29} {taken:7.4f} s   {taken / front:6.3f} of the front end")


if __name__ == "__main__":
    main()
