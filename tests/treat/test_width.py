"""Width: mono unchanged, side scaled as told."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, level_db

from dossier.treat.width import widen


@pytest.mark.parametrize("side_db", [-60.0, -6.0, 4.0])
def test_mono_is_unchanged_to_the_bit(side_db: float) -> None:
    """Analytic: no side to scale."""
    mono = burst(channels=1)
    assert np.array_equal(widen(mono, RATE, side_db=side_db), mono)
    both = np.repeat(mono, 2, axis=1)
    assert np.array_equal(widen(both, RATE, side_db=side_db), both)


@pytest.mark.parametrize("side_db", [-12.0, -3.0, 6.0])
def test_side_moves_as_told_and_the_mono_sum_stays(side_db: float) -> None:
    """Analytic: L' - R' = g (L - R), L' + R' = L + R."""
    sound = burst()
    out = widen(sound, RATE, side_db=side_db)
    side_before, side_after = sound[:, 0] - sound[:, 1], out[:, 0] - out[:, 1]
    assert level_db(side_after) - level_db(side_before) == pytest.approx(side_db, abs=1e-9)
    assert np.allclose(out.sum(axis=1), sound.sum(axis=1), atol=1e-14)


def test_narrowed_altogether() -> None:
    """Analytic: at -60 dB both channels are the mid."""
    sound = burst()
    out = widen(sound, RATE, side_db=-60.0)
    assert np.array_equal(out[:, 0], out[:, 1])
    assert np.allclose(out[:, 0], sound.mean(axis=1), atol=1e-15)
