"""A coarse look against the measures that it stands for, on real sounds.

Evidence: regression against the package's own full measures (which have their own proofs), analytic where said.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dossier.measure import coarse, hearing, hits, pitch, roles, stereo
from dossier.measure.sound_shape import measure_shape
from dossier.model.measures import FRAME_S, OUTLINE_PIECES, Array, CoarseMeasures
from dossier.model.vocabulary import ROLES

DATA = Path(__file__).parents[1] / "data"
ONE_SHOTS = (
    "bd_boom", "bd_fat", "bd_haus", "bd_zome", "drum_heavy_kick", "sn_dub", "sn_zome", "drum_snare_hard", "perc_snap",
    "drum_cymbal_closed", "drum_cymbal_open", "drum_cymbal_soft", "drum_tom_hi_soft", "drum_tom_lo_hard",
    "drum_cowbell",
)  # fmt: skip


def sound(name: str) -> tuple[Array, int]:
    samples, rate = sf.read(DATA / f"{name}.flac", dtype="float32", always_2d=True)
    return samples, rate


def looked(samples: Array, rate: int) -> CoarseMeasures:
    found = coarse.look([samples], rate)[0]
    assert found is not None
    return found


@pytest.mark.parametrize("name", ONE_SHOTS)
def test_it_comes_near_the_measures(name: str) -> None:
    samples, rate = sound(name)
    found = looked(samples, rate)
    full = hits.measure(samples, rate, kind="one-shot")
    assert found.onset_s == full.onset_s
    assert found.length_s == pytest.approx(full.effective_length_s, rel=0.1, abs=0.01)
    assert found.mono_loss_lu == pytest.approx(stereo.measure(samples, rate).whole.mono_loss_lu, abs=0.05)
    edges = full.onset_s + FRAME_S * np.arange(OUTLINE_PIECES + 1)
    plays = 2.0 / samples.shape[1]
    outline = plays * hearing.slot_powers(hearing.band_energies(samples, rate), edges)
    assert 10 * np.log10(found.outline.sum() / outline.sum()) == pytest.approx(0.0, abs=0.5)
    loud = outline[0].reshape(-1, 4).sum(axis=1)
    apart_db = 10 * np.log10(found.outline[0].reshape(-1, 4).sum(axis=1)[loud > 1e-3 * loud.max()]
                             / loud[loud > 1e-3 * loud.max()])  # fmt: skip
    assert np.abs(apart_db).mean() < 1.6  # a click at the onset lies in the middle of a window: 1.25 dB too loud


def test_roles_are_told_as_from_the_measures() -> None:
    """The largest difference of a probability: hardly any, and one where the attack's window falls otherwise."""
    apart = []
    for name in ONE_SHOTS:
        samples, rate = sound(name)
        shape = measure_shape(samples, rate)
        assert shape is not None
        likeness = roles.role_probabilities(roles.features(shape))
        found = looked(samples, rate).likeness
        apart.append(max(abs(float(a) - likeness[role]) for a, role in zip(found, ROLES, strict=True)))
    assert np.median(apart) < 0.01
    assert sorted(apart)[-2] < 0.1
    assert max(apart) < 0.3


@pytest.mark.parametrize("name", ["drum_tom_hi_soft", "drum_tom_lo_hard", "drum_cowbell"])
def test_a_pitch_is_that_of_the_measure(name: str) -> None:
    samples, rate = sound(name)
    full, found = pitch.pitch(samples, rate).hz, looked(samples, rate).pitch_hz
    assert full is not None
    assert found is not None
    assert abs(1200 * np.log2(found / full)) < 15


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [55.0, 110.0, 440.0])
def test_a_decaying_tone_has_its_pitch_at_any_rate(rate: int, hz: float) -> None:
    """Analytic."""
    t = np.arange(round(0.4 * rate)) / rate
    tone = (np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.15))[:, None].astype(np.float32)
    found = looked(tone, rate)
    assert found.pitch_hz == pytest.approx(hz, rel=0.003)
    assert found.mono_loss_lu == 0.0


def test_noise_has_no_pitch() -> None:
    """Analytic."""
    noise = np.random.default_rng(1).standard_normal((9600, 1)).astype(np.float32)
    assert looked(noise * np.exp(-np.arange(9600) / 2000.0)[:, None].astype(np.float32), 48_000).pitch_hz is None


def test_what_sounds_beside_it_changes_nothing() -> None:
    """Analytic: a sound alone, and among others of other lengths, silent ones too."""
    samples, rate = sound("sn_dub")
    others = [np.zeros((500, 2), np.float32), samples[:3000], sound("bd_haus")[0], np.zeros((0, 2), np.float32)]
    among = coarse.look([*others, samples, samples[:40]], rate)
    alone = looked(samples, rate)
    assert among[0] is among[3] is None
    assert among[4] is not None
    np.testing.assert_allclose(among[4].outline, alone.outline, rtol=1e-4, atol=1e-9)
    np.testing.assert_allclose(among[4].likeness, alone.likeness, atol=1e-4)


def test_gain_and_polarity_move_the_outline_alone() -> None:
    """Analytic."""
    samples, rate = sound("drum_heavy_kick")
    one, other = looked(samples, rate), looked(-0.01 * samples, rate)
    np.testing.assert_allclose(other.likeness, one.likeness, atol=1e-4)
    np.testing.assert_allclose(1e4 * other.outline, one.outline, rtol=1e-3, atol=1e-7)
    assert other.pitch_hz == pytest.approx(one.pitch_hz)


def test_channels_that_cancel_leave_nothing_in_mono() -> None:
    """Analytic: L = -R, and two unrelated sides of equal power, 3.01 LU."""
    noise = np.random.default_rng(2).standard_normal((9600, 2)).astype(np.float32)
    left = noise[:, :1]
    assert looked(np.concatenate([left, -left], axis=1), 48_000).mono_loss_lu is None
    assert looked(noise, 48_000).mono_loss_lu == pytest.approx(3.01, abs=0.25)
