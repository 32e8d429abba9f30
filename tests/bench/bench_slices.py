"""CPU time of slicing a loop and of laying it through three minutes: `python tests/bench/bench_slices.py`."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import soundfile as sf

from dossier import audio
from dossier.arrange import loops, slices
from dossier.measure import loops as measure
from dossier.model.measures import Grid

DATA = Path(__file__).resolve().parents[1] / "data"
SECONDS, ROUNDS = 180, 9


def main() -> None:
    samples, rate = sf.read(DATA / "loop_compus.flac", always_2d=True)  # four bars
    sound, loop = audio.to_stereo(samples), measure.measure(samples, rate)
    assert loop.tempo_bpm is not None
    assert loop.beats is not None
    for ratio in (0.5, 0.8, 1.3, 2.0):
        tempo = loop.tempo_bpm * ratio
        grid = Grid(tempo, "beat.toml", 1.0, 0.0, "beat.toml", 1.0, 0.5, "beat.toml", 1.0, (4, 4),
                    bars=int(SECONDS * tempo / 240))  # fmt: skip
        took = []
        for _ in range(ROUNDS):
            start = time.process_time()
            cut = slices.slices_of(loop.hits, frames=len(sound), rate_hz=rate)
            made = slices.sliced(sound, rate, cut, downbeat_s=loop.downbeat_s, ratio=ratio, beats=loop.beats,
                                 tempo_bpm=tempo)  # fmt: skip
            sliced = time.process_time()
            loops.add_cycle(np.zeros((SECONDS * rate, 2), dtype=np.float32), made.samples, rate, grid)
            took.append((sliced - start, time.process_time() - sliced))
        cutting, laying = 1e3 * np.min(np.array(took), axis=0)
        print(f"{tempo:5.1f} BPM: {len(cut)} slices in {cutting:.0f} ms, laid through {SECONDS} s in {laying:.0f} ms")


if __name__ == "__main__":
    main()
