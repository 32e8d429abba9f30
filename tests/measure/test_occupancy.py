"""Reference, occupancy, room and fill: what a known spectrum, a thin and a full arrangement read.

Evidence: analytic, except where a docstring names another kind.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import soxr
from hearing_sounds import RATE, hat, kick, notes, placed, shaped_noise, snare
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.errors import MeasureError
from dossier.measure import bands, hearing, loudness
from dossier.measure import occupancy as occ
from dossier.model.vocabulary import ZONE_KEYS, ZONES

TARGET_LUFS = -16.0
LEVEL_DB_SPL = 75.0
SLOT_S = 15.0 / 92.0
REFERENCE = occ.reference_loudness(TARGET_LUFS, LEVEL_DB_SPL)


def _loudness_by_slot(signal, *, below_lu, rate_hz=RATE):
    """N' by slot of `(frames,)` set so many LU below the target, as the program sets an instrumental."""
    both = np.stack([signal, signal], axis=1)
    integrated = loudness.measure(both, rate_hz).integrated_lufs
    slots = int(len(signal) / rate_hz / SLOT_S)
    powers = hearing.slot_powers(hearing.band_energies(both, rate_hz), SLOT_S * np.arange(slots + 1))
    offset = LEVEL_DB_SPL - below_lu - integrated
    return hearing.specific_loudness(hearing.excitation(powers, spl_offset_db=offset))


@cache
def _thin():
    """A bass line and a low bowed pad, two bars of 92 BPM twice over."""
    slot = SLOT_S
    bass = notes([55.0, 55.0, 65.4, 49.0, 55.0, 55.0, 73.4, 65.4], 4 * slot, partials=40, slope_db=-11.0)
    pad = sum(notes([f_hz, f_hz], 16 * slot, partials=60, slope_db=-8.0) for f_hz in (110.0, 164.8, 196.0))
    return np.tile(0.35 * bass, 2)[: 32 * round(slot * RATE)], np.tile(0.07 * pad, 2)


@cache
def _full():
    """The thin arrangement with keys, plucks, a lead, bright strings and a breath of noise on top."""
    bass, pad = _thin()
    size = min(len(bass), len(pad))
    t = np.arange(size) / RATE
    chords = sum(
        notes([f_hz] * 8, 4 * SLOT_S, partials=12, slope_db=-6.0, decay_s=0.5) for f_hz in (261.6, 329.6, 392.0)
    )
    plucks = notes([880.0, 1046.5, 1318.5, 1174.7] * 8, SLOT_S, partials=10, slope_db=-4.0, decay_s=0.15)
    lead = notes([659.3, 587.3, 523.3, 784.0], 8 * SLOT_S, partials=20, slope_db=-5.0)
    strings = sum(notes([f_hz, f_hz], 16 * SLOT_S, partials=24, slope_db=-4.0) for f_hz in (523.3, 1046.5))
    air = shaped_noise(size / RATE + 0.1, lambda f_hz: -2.0 * np.log2(f_hz / 1000.0), seed=3, low_hz=2000.0)[:size]
    layers = [(1.0, bass), (1.0, pad), (0.05, chords), (0.05, plucks), (0.04, lead), (0.02, strings)]
    out = 0.006 * air * (1.0 + 0.2 * np.sin(t))
    for gain, layer in layers:
        out += gain * np.resize(layer, size)
    return out


def _own_reference(powers, *, target_lufs, listening_level):
    own = occ.own_reference_powers(powers, target_lufs=target_lufs)
    return occ.reference_of(own, target_lufs=target_lufs, listening_level=listening_level)


def _reference_noise(seconds, seed):
    return shaped_noise(seconds, occ.reference_spectrum_db, seed=seed)


# The reference


@pytest.mark.parametrize(
    ("f_hz", "slope"),
    [(200.0, -2.350), (400.0, -3.668), (800.0, -4.985), (1600.0, -6.303), (3200.0, -7.621), (6400.0, -8.938)],
)
def test_conformance_slopes_of_the_average_recording(f_hz, slope):
    """Elowsson and Friberg, AES 142nd Convention, paper 9762 (2017), Table 1: slope in dB an octave."""
    octave = occ.reference_spectrum_db(f_hz * np.array([2.0**-0.001, 2.0**0.001]))
    assert np.diff(octave)[0] / 0.002 == pytest.approx(slope, abs=0.002)


def test_analytic_the_two_pieces_of_the_average_recording_meet():
    f_hz = 30.0 * 2.0 ** ((100.0 - 1.0) / 60.0)
    below, above = occ.reference_spectrum_db([f_hz * 0.999999, f_hz * 1.000001])
    assert abs(above - below) < 0.03


def test_conformance_the_reference_has_the_target_loudness():
    """A signal with the reference's spectrum and power measures -16 LUFS in a BS.1770 meter."""
    powers = occ.reference_powers(target_lufs=TARGET_LUFS)
    noise = _reference_noise(12.0, 1)
    total = powers.sum() / hearing.band_energies(noise[:, None], RATE).cumulative[-1].sum() * 12.0
    stereo = np.sqrt(total / 2.0) * np.stack([noise, noise], axis=1)
    assert loudness.measure(stereo, RATE).integrated_lufs == pytest.approx(TARGET_LUFS, abs=0.05)


def test_analytic_the_target_cancels_and_the_listening_level_does_not():
    np.testing.assert_allclose(occ.reference_loudness(-9.0, 75.0), REFERENCE, rtol=1e-9)
    assert np.all(occ.reference_loudness(-16.0, 85.0) > REFERENCE)


def test_analytic_own_recordings_with_the_average_spectrum_give_the_same_reference():
    powers = occ.reference_powers(target_lufs=-8.0)
    own = _own_reference(powers, target_lufs=TARGET_LUFS, listening_level=LEVEL_DB_SPL)
    np.testing.assert_allclose(own, REFERENCE, rtol=1e-9)
    both = _own_reference(
        np.stack([powers, 100.0 * powers]), target_lufs=TARGET_LUFS, listening_level=LEVEL_DB_SPL
    )
    np.testing.assert_allclose(both, REFERENCE, rtol=1e-9)


def test_analytic_own_recordings_are_averaged_at_equal_loudness():
    """A bright and a dark recording: the average lies between, however loud each file is."""
    bright, dark = np.ones(156), 1.0 / hearing.FINE_HZ**3
    args = {"target_lufs": TARGET_LUFS, "listening_level": LEVEL_DB_SPL}
    alone = [_own_reference(p, **args) for p in (bright, dark)]
    mixed = _own_reference(np.stack([bright, 1e6 * dark]), **args)
    np.testing.assert_allclose(mixed, _own_reference(np.stack([1e4 * bright, dark]), **args), rtol=1e-9)
    assert np.all(mixed < np.maximum(*alone) + 1e-9)
    assert np.all(mixed > np.minimum(*alone) - 1e-9)


def test_analytic_own_recordings_without_top_leave_a_finite_reference():
    powers = occ.reference_powers(target_lufs=TARGET_LUFS)
    powers[hearing.FINE_HZ > 3000.0] = 0.0
    own = _own_reference(powers, target_lufs=TARGET_LUFS, listening_level=LEVEL_DB_SPL)
    assert np.all(own >= 0.01 * REFERENCE * (1.0 - 1e-12))
    assert own[-1] == pytest.approx(0.01 * REFERENCE[-1])


@pytest.mark.parametrize("powers", [np.zeros(156), np.ones(38), np.full(156, np.nan)])
def test_bad_recordings_are_refused(powers):
    with pytest.raises(MeasureError, match="reference needs"):
        _own_reference(powers, target_lufs=TARGET_LUFS, listening_level=LEVEL_DB_SPL)


# What music reads


def test_analytic_what_exceeds_the_reference_reads_over_1_and_silence_0():
    """Twice the reference in one zone and slot: fill, zone and occupancy say so; the room there is none, not less."""
    weights, zone = occ.zone_weights(), ZONE_KEYS.index("mid")
    heard = np.tile(REFERENCE, (4, 1)) * np.where(weights[zone] > 0, 2.0, 1.0)
    assert occ.fill(heard, REFERENCE) > 1.1
    assert occ.zone_fills(heard, REFERENCE)["mid"] == pytest.approx(2.0)
    assert occ.occupancy(heard, REFERENCE).max() == pytest.approx(2.0)
    assert not occ.room(heard, REFERENCE).any()
    assert occ.fill(heard, REFERENCE) - occ.spill(heard, REFERENCE) == pytest.approx(1.0)
    silence = np.zeros((4, 38))
    assert occ.fill(silence, REFERENCE) == occ.spill(silence, REFERENCE) == 0.0
    assert set(occ.zone_fills(silence, REFERENCE).values()) == {0.0}
    assert np.all(occ.room(silence, REFERENCE) == 1.0)


def test_analytic_what_is_kept_for_a_voice_is_no_room_and_what_enters_it_spills():
    """By definition: bands inside the range keep the share, bands outside nothing, those across its ends a part."""
    kept = occ.kept_share(0.3, 200.0, 4000.0)
    edges = bands.hz(bands.BAND_EDGES_CAM)
    low, high = edges[:-1], edges[1:]
    assert kept[(low >= 200.0) & (high <= 4000.0)] == pytest.approx(0.3)
    assert not kept[(high <= 200.0) | (low >= 4000.0)].any()
    assert kept.sum() == pytest.approx(0.3 * float(bands.cam(4000.0) - bands.cam(200.0)))
    heard = np.tile(0.5 * REFERENCE, (4, 1))
    assert occ.room(heard, REFERENCE, kept)[0] == pytest.approx(0.5 - kept)
    assert not occ.room(np.tile(REFERENCE, (4, 1)), REFERENCE, kept).any()
    full, whole = np.tile(REFERENCE, (4, 1)), float(REFERENCE.sum())
    assert occ.spill(full, REFERENCE, kept=kept) == pytest.approx(float((kept * REFERENCE).sum()) / whole)
    assert occ.spill(full, REFERENCE) == 0.0


def test_analytic_the_spread_of_frames():
    """Softest first; in the mean 1, and up to 7 % more, because filters widen with level."""
    spread = occ.frame_spread()
    assert spread.shape == (20, 38)
    assert np.all(np.diff(spread, axis=0) > 0.0)
    assert np.all((spread.mean(axis=0) >= 0.99) & (spread.mean(axis=0) < 1.07))
    assert not spread.flags.writeable


def test_analytic_a_mix_that_is_spread_as_mixes_are_carries_1():
    """Frames of the reference's excitation times each row of the table: occupancy 1 in every band, in the mean."""
    offset = LEVEL_DB_SPL - TARGET_LUFS
    steady = hearing.excitation(occ.reference_powers(target_lufs=TARGET_LUFS), spl_offset_db=offset)
    heard = hearing.specific_loudness(steady * occ.frame_spread())
    assert occ.fill(heard, REFERENCE) == pytest.approx(1.0)
    np.testing.assert_allclose(occ.occupancy(heard, REFERENCE).mean(axis=0), 1.0)
    within = occ.fill(heard, REFERENCE) - occ.spill(heard, REFERENCE)
    assert 0.7 < within < 0.9  # loud frames do not make up for soft ones


def test_analytic_steady_noise_with_the_reference_spectrum_carries_more_than_music():
    """Loudness is compressive, so at the same mean power steady noise fills 1.11: what the table says, within 2 %."""
    offset = LEVEL_DB_SPL - TARGET_LUFS
    steady = hearing.specific_loudness(
        hearing.excitation(occ.reference_powers(target_lufs=TARGET_LUFS), spl_offset_db=offset)
    )
    stated = steady.sum() / REFERENCE.sum()
    assert stated == pytest.approx(1.11, abs=0.01)
    heard = _loudness_by_slot(_reference_noise(16.0, 2), below_lu=0.0)
    assert occ.fill(heard, REFERENCE) == pytest.approx(stated, rel=0.02)
    zones = occ.zone_fills(heard, REFERENCE)
    for key, weights in zip(ZONE_KEYS, occ.zone_weights(), strict=True):
        assert zones[key] == pytest.approx((weights @ steady) / (weights @ REFERENCE), rel=0.05)
        assert zones[key] > 1.05


def test_analytic_a_thin_arrangement_leaves_the_top_open():
    """A bass and a low pad: about half full, nearly empty above 6 kHz."""
    bass, pad = _thin()
    size = min(len(bass), len(pad))
    heard = _loudness_by_slot(bass[:size] + pad[:size], below_lu=3.0)
    zones = occ.zone_fills(heard, REFERENCE)
    assert 0.35 < occ.fill(heard, REFERENCE) < 0.6
    assert zones["brilliance"] < 0.25
    assert zones["bass"] > 0.6
    assert min(zones, key=zones.get) in ("presence", "brilliance")


def test_analytic_a_full_arrangement_reads_fuller_and_drums_fuller_still():
    full = _full()
    bass, pad = _thin()
    thin = _loudness_by_slot((bass[: len(full)] + pad[: len(full)]), below_lu=3.0)
    music = _loudness_by_slot(full, below_lu=3.0)
    drums = placed(kick(), [SLOT_S * s for s in (0, 6, 10, 16, 22, 26)], len(full) / RATE)
    drums += placed(snare(), [SLOT_S * s for s in (4, 12, 20, 28)], len(full) / RATE)
    drums += placed(hat(), [SLOT_S * s for s in range(32)], len(full) / RATE)
    with_drums = _loudness_by_slot(full + 0.15 * drums, below_lu=0.0)
    fills = [occ.fill(n, REFERENCE) for n in (thin, music, with_drums)]
    assert fills[0] + 0.15 < fills[1] < fills[2]
    assert fills[1] > 0.65


def test_analytic_the_level_of_the_file_does_not_matter():
    """6 dB lower, scaled to the same loudness: the same fill to 0.001."""
    bass, pad = _thin()
    size = min(len(bass), len(pad))
    signal = bass[:size] + pad[:size]
    plain, lower = (_loudness_by_slot(gain * signal, below_lu=3.0) for gain in (1.0, 10.0 ** (-6.0 / 20.0)))
    assert occ.fill(lower, REFERENCE) == pytest.approx(occ.fill(plain, REFERENCE), abs=1e-3)


def test_analytic_the_sampling_rate_does_not_matter():
    """44.1, 96 and 192 kHz against 48: fill and every zone within 0.01."""
    full = _full()[: 8 * RATE // 2]
    plain = _loudness_by_slot(full, below_lu=3.0)
    for rate_hz in (44100, 96000, 192000):
        other = _loudness_by_slot(soxr.resample(full, RATE, rate_hz, quality="VHQ"), below_lu=3.0, rate_hz=rate_hz)
        assert occ.fill(other, REFERENCE) == pytest.approx(occ.fill(plain, REFERENCE), abs=0.01)
        zones, same = occ.zone_fills(other, REFERENCE), occ.zone_fills(plain, REFERENCE)
        assert all(zones[key] == pytest.approx(same[key], abs=0.01) for key in ZONE_KEYS)
        np.testing.assert_allclose(occ.occupancy(other, REFERENCE), occ.occupancy(plain, REFERENCE), atol=0.05)


def test_analytic_silence_before_after_and_within():
    """Silence round the music is not counted; the same silence inside it halves the fill."""
    noise = _reference_noise(40 * SLOT_S, 4)
    gap = np.zeros(len(noise))
    padded = _loudness_by_slot(np.concatenate([gap, noise, gap]), below_lu=0.0)
    parted = _loudness_by_slot(np.concatenate([noise, gap, noise]), below_lu=0.0)
    outside, inside = (occ.active_frames(n**3.0) for n in (padded, parted))  # loudness grows about as power^0.3
    assert 40 <= outside.sum() <= 42
    assert inside.sum() >= 119
    whole = occ.fill(padded, REFERENCE, active=outside)
    assert whole == pytest.approx(1.11, abs=0.05)  # steady noise
    assert occ.fill(parted, REFERENCE, active=inside) == pytest.approx(whole * 2.0 / 3.0, abs=0.04)


# The arithmetic


def test_analytic_active_frames():
    levels = np.zeros((8, 3))
    assert not occ.active_frames(levels).any()
    levels[2], levels[5] = 1.0, 5e-7
    assert occ.active_frames(levels).tolist() == [False, False, True, False, False, False, False, False]
    levels[5] = 1e-3
    assert occ.active_frames(levels).tolist() == [False, False, True, True, True, True, False, False]
    assert occ.active_frames(np.zeros((0, 3))).shape == (0,)


def test_analytic_zone_weights():
    """Every band but the outermost lies wholly in zones; 250 Hz cuts the seventh band where the Cam scale says."""
    weights = occ.zone_weights()
    assert weights.shape == (7, 38)
    assert np.all(weights >= 0.0)
    np.testing.assert_allclose(weights.sum(axis=0), 1.0, atol=1e-12)
    for zone, row in zip(ZONES, weights, strict=True):
        low, high = float(bands.cam(zone.low_hz)), float(bands.cam(zone.high_hz))
        assert row.sum() == pytest.approx(min(high, 39.0) - max(low, 1.0), abs=1e-9)
    cut = float(bands.cam(250.0))
    band = int(cut) - 1
    assert weights[ZONE_KEYS.index("bass"), band] == pytest.approx(cut - int(cut))
    assert weights[ZONE_KEYS.index("low_mid"), band] == pytest.approx(1.0 - (cut - int(cut)))


def test_analytic_a_single_full_zone():
    """Loudness at the reference in the low mid only: that zone is full, its neighbours as far as its bands reach in."""
    weights = occ.zone_weights()
    zone = ZONE_KEYS.index("low_mid")
    heard = np.tile(REFERENCE * (weights[zone] > 0), (5, 1))
    zones = occ.zone_fills(heard, REFERENCE)
    assert zones["low_mid"] == pytest.approx(1.0)
    assert zones["sub"] == zones["presence"] == zones["brilliance"] == 0.0
    bass = REFERENCE * weights[ZONE_KEYS.index("bass")]
    assert zones["bass"] == pytest.approx((bass * (weights[zone] > 0)).sum() / bass.sum())
    assert zones["bass"] > 0.0
    assert occ.fill(heard, REFERENCE) == pytest.approx((REFERENCE * (weights[zone] > 0)).sum() / REFERENCE.sum())


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 9999), gain=st.floats(0.0, 4.0))
def test_analytic_bounds_and_complements(seed, gain):
    """Fill is all that sounds; less what spills over the reference, it and the room that is left add up to 1."""
    heard = gain * REFERENCE * np.random.default_rng(seed).uniform(0.0, 1.0, (6, 38))
    filled, spilled = occ.fill(heard, REFERENCE), occ.spill(heard, REFERENCE)
    assert 0.0 <= spilled <= filled
    assert filled * 6 * REFERENCE.sum() == pytest.approx(heard.sum(), abs=1e-9)
    left = (occ.room(heard, REFERENCE) * REFERENCE).sum() / (6 * REFERENCE.sum())
    assert filled - spilled + left == pytest.approx(1.0)
    assert np.all((occ.room(heard, REFERENCE) >= 0.0) & (occ.room(heard, REFERENCE) <= 1.0))


def test_analytic_nothing_to_count():
    none = np.zeros(3, dtype=bool)
    heard = np.tile(REFERENCE, (3, 1))
    assert occ.fill(heard, REFERENCE, active=none) == 0.0
    assert occ.zone_fills(heard, REFERENCE, none) == dict.fromkeys(ZONE_KEYS, 0.0)
    silent_band = REFERENCE.copy()
    silent_band[0] = 0.0
    assert occ.occupancy(heard, silent_band)[0, 0] == 0.0
    assert np.isfinite(occ.room(heard, silent_band)).all()


def test_analytic_a_section_is_the_mean_of_its_slots():
    heard = np.stack([0.0 * REFERENCE, 0.5 * REFERENCE, REFERENCE, 2.0 * REFERENCE])
    assert occ.fill(heard, REFERENCE) == pytest.approx((0.0 + 0.5 + 1.0 + 2.0) / 4.0)
    assert occ.fill(heard, REFERENCE, active=[0, 1, 1, 0]) == pytest.approx(0.75)
    assert occ.spill(heard, REFERENCE) == pytest.approx(0.25)
