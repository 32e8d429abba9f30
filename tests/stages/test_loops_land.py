"""Real loops with planted silence and pickups: laid in the beat they land where the loop without them does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from common_beats import RATE, Sound, instrumental, ranked, real, write_beat
from scipy.signal import correlate

from dossier.arrange.parts import laid
from dossier.cache import Cache

TEMPO = {"loop_industrial": 135.786, "loop_breakbeat": 126.0, "loop_compus": 148.0, "loop_safari": 120.16}


def hats(beat_s: float, length: int, channels: int) -> Sound:
    """A pickup that the loop does not have: two closed hats in sixteenths."""
    hit = 0.5 * real("drum_cymbal_closed")[: round(0.2 * beat_s * RATE)]
    out = np.zeros((length, channels))
    for at in (0, length // 2):
        end = min(length, at + len(hit))
        out[at:end] += hit[: end - at]
    return out


def lag_s(one: Sound, other: Sound) -> float:
    """How much later the second sound is, by the correlation of the sounds themselves."""
    found = correlate(other.sum(axis=1), one.sum(axis=1), mode="full", method="fft")
    return (int(np.argmax(found)) - len(one) + 1) / RATE


@pytest.mark.parametrize("name", list(TEMPO))
def test_analytic_planted_offsets_are_recovered_within_5_ms(name: str, tmp_path: Path) -> None:
    """As it is, repitched, sliced: with silence before it, with its own last half beat, with hats before it."""
    loop, bpm = real(name), TEMPO[name]
    half = round(30 / bpm * RATE)
    silence = np.zeros((round(0.137 * RATE), loop.shape[1]))
    drums = {
        "loop-plain": loop, "loop-late": np.concatenate([silence, loop]),
        "loop-lead": np.concatenate([loop[-half:], loop]),
        "loop-hats": np.concatenate([hats(60 / bpm, half, loop.shape[1]), loop]),
    }  # fmt: skip
    for ratio, means in ((1.0, "as it is"), (1.03, "repitch"), (1.3, "sliced")):
        way = f"kind = 'loop'\nmeans = '{means}'\n"
        more = "".join(f"[[drums]]\nfile = 'drums/{each}.wav'\n{way}" for each in drums)
        stems = instrumental("open", bpm * ratio, bars=4)
        folder = write_beat(tmp_path / f"x{ratio}", stems, drums, bpm=bpm * ratio, more=more)
        found = ranked(folder, Cache(tmp_path / "cache"))
        length = 4 * 240 / (bpm * ratio)
        plain = found.of("loop-plain")
        assert plain.part.loop is not None
        assert plain.part.loop.method == means
        for other in ("loop-late", "loop-lead", "loop-hats"):
            moved = found.of(other).part
            assert moved.loop is not None
            assert moved.loop.beats == plain.part.loop.beats
            assert abs(lag_s(laid(plain.part, length_s=length), laid(moved, length_s=length))) < 0.005
