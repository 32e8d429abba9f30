"""Parts laid slice by slice."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from tests_support import grid

from dossier.arrange import one_shots
from dossier.arrange.parts import LaidParts, add_part
from dossier.arrange.pattern import parse_lines
from dossier.model.parts import DrumPart

RATE = 8_000


def parts() -> list[tuple[DrumPart, float]]:
    rng = np.random.default_rng(2)
    beat = grid(bars=3, start=0.21)
    pattern = parse_lines(["kick |X--x----X-x-----|"], steps_per_beat=4, source="test")
    voice = one_shots.voices(beat, pattern, {}, ())["kick"]
    one_shot = DrumPart("kick.wav", "one-shot", "kick", rng.standard_normal((2_500, 2)), RATE, beat, voice, None)
    loop = DrumPart("loop.wav", "loop", None, rng.standard_normal((15_999, 2)), RATE, beat, None, None)
    return [(one_shot, -3.0), (loop, 2.5)]


@pytest.mark.parametrize("piece", [61, 1_000, 16_384, 100_000])
def test_slices_join_to_what_is_laid_at_once(piece: int) -> None:
    """Analytic: the same samples, whatever the slices are."""
    frames = 7 * RATE + 3
    whole = np.zeros((frames, 2), dtype=np.float32)
    for part, gain_db in parts():
        add_part(whole, part, gain_db=gain_db)
    laid = LaidParts.at_gains(parts(), frames=frames, rate_hz=RATE)
    assert (laid.shape, laid.dtype, len(laid)) == ((frames, 2), np.float32, frames)
    joined = np.concatenate([laid[first : first + piece] for first in range(0, frames, piece)])
    np.testing.assert_array_equal(joined, whole)
    np.testing.assert_array_equal(laid[:], whole)
    assert laid[frames:].shape == (0, 2)


@pytest.mark.parametrize("piece", [1_000, 16_384])
def test_a_gain_that_moves_is_heard_slice_by_slice(piece: int) -> None:
    """Analytic: flat, then straight in decibels from corner to corner, held before the first and after the last."""
    corners = ((1.0, 0.0), (1.5, -6.0), (3.0, -6.0), (3.5, 4.0))
    times = np.arange(5 * RATE) / RATE
    by_db = np.interp(times, [at for at, _ in corners], [by for _, by in corners])[:, None]
    for part, gain_db in parts():
        flat = LaidParts.at_gains([(part, gain_db)], frames=5 * RATE, rate_hz=RATE)[:]
        moved = LaidParts.at_gains([(replace(part, moves=corners), gain_db)], frames=5 * RATE, rate_hz=RATE)
        joined = np.concatenate([moved[first : first + piece] for first in range(0, 5 * RATE, piece)])
        np.testing.assert_allclose(joined, flat * 10.0 ** (by_db / 20.0), rtol=1e-4, atol=1e-6)
