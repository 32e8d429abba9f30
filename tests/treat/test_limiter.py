"""The limiter of the rough mix."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from dossier.measure import loudness
from dossier.measure.true_peak import peak_envelope
from dossier.treat.limiter import limit as limit_by

RATE = 48_000
limit = partial(limit_by, peak_envelope=peak_envelope)


def mix(seed: int = 1) -> np.ndarray:
    """Noise with hits that stand 12 dB above it."""
    g = np.random.default_rng(seed)
    out = 0.2 * g.standard_normal((RATE * 2, 2))
    for at in range(0, len(out) - 4000, 12_000):
        out[at : at + 4000] += (1.2 * np.exp(-np.arange(4000) / 800) * np.sin(np.arange(4000) / 9.0))[:, None]
    return out


@pytest.mark.parametrize("gain", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_ceiling_holds_for_the_true_peak(gain: float, rate: int) -> None:
    """conformance: EBU R 128, maximum true peak level -1 dBTP, measured independently of the limiter."""
    limited, most = limit(gain * mix(), rate, ceiling_dbtp=-1.0)
    peak = loudness.measure(limited, rate).true_peak_dbtp
    assert peak is not None
    assert peak <= -1.0
    assert most > 0


def test_what_lies_under_the_ceiling_is_untouched() -> None:
    quiet = 0.05 * mix()
    limited, most = limit(quiet, RATE, ceiling_dbtp=-1.0)
    assert most == 0.0
    assert limited is quiet


def test_only_the_surroundings_of_a_peak_are_turned_down() -> None:
    sound = np.full((RATE, 2), 0.1)
    sound[RATE // 2] = 2.0
    limited, most = limit(sound, RATE, ceiling_dbtp=-1.0)
    assert most == pytest.approx(20 * np.log10(2.0) + 1.25, abs=0.3)
    assert np.array_equal(limited[: RATE // 2 - 500], sound[: RATE // 2 - 500])
    assert np.array_equal(limited[RATE // 2 + 500 :], sound[RATE // 2 + 500 :])


def test_silence_and_short_clips() -> None:
    assert limit(np.zeros((10, 2)), RATE, ceiling_dbtp=-1.0)[1] == 0.0
    limited, _ = limit(np.full((3, 1), 4.0), RATE, ceiling_dbtp=-1.0)
    assert np.isfinite(limited).all()
    assert np.abs(limited).max() <= 10 ** (-1 / 20)


def test_in_place_it_is_the_same() -> None:
    sound = mix()
    limited, most = limit(sound, RATE, ceiling_dbtp=-1.0)
    assert limited is not sound
    changed, also = limit(sound, RATE, ceiling_dbtp=-1.0, in_place=True)
    assert changed is sound
    assert also == most
    np.testing.assert_array_equal(changed, limited)
