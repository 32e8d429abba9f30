"""Energy in fine bands over time: nothing lost, nothing early, nothing drifting.

Evidence: analytic throughout (signals whose energy and timing are known), except where a docstring says otherwise.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import soxr
from hearing_sounds import RATE, hat, kick, loudness_of, placed, shaped_noise, sine, snare
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.errors import MeasureError
from dossier.measure import spectra
from dossier.measure.bands import FINE_EDGES_HZ, FINE_HZ
from dossier.measure.spectra import band_energies, cross_fade, energy_until, slot_powers

SPL_OFFSET_DB = 91.0  # -16 LUFS at 75 dB SPL


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(ratio))


@pytest.mark.parametrize(
    "f_hz", [40.0, 63.0, 100.0, 250.0, 430.0, 460.0, 490.0, 520.0, 550.0, 600.0, 700.0, 1e3, 4e3, 1e4]
)
def test_analytic_a_steady_tone_keeps_its_power_in_both_windows_and_between_them(f_hz):
    """Within 0.1 dB, the cross-fade included; the power lies within a window's main lobe of the tone."""
    energies = band_energies(sine(f_hz, 2.0)[:, None], RATE)
    powers = slot_powers(energies, [0.5, 1.5])[0]
    assert _db(powers.sum()) == pytest.approx(0.0, abs=0.1)
    reach = 2.5 / (0.08 if f_hz < 450.0 else 0.04)
    near = (FINE_EDGES_HZ[1:] > f_hz - reach) & (FINE_EDGES_HZ[:-1] < f_hz + reach)
    assert powers[near].sum() > 0.99 * powers.sum()


def test_analytic_white_noise_spreads_evenly_per_hertz():
    noise = np.random.default_rng(0).standard_normal((60 * RATE, 1))
    density = band_energies(noise, RATE).cumulative[-1] / 60.0 / np.diff(FINE_EDGES_HZ) * (RATE / 2.0)
    assert _db(density.mean()) == pytest.approx(0.0, abs=0.02)
    # Four standard deviations of the power estimate: 2 B T independent values a band.
    assert np.all(np.abs(density - 1.0) < 4.0 / np.sqrt(np.diff(FINE_EDGES_HZ) * 60.0))


@pytest.mark.parametrize("seconds", [0.0004, 0.003, 0.0101, 0.25, 1.2345])
def test_analytic_energy_is_conserved_for_any_length(seconds):
    """A tone burst of any length keeps its energy within 0.1 dB when its spectrum lies inside the bands."""
    t = np.arange(max(2, round(seconds * RATE))) / RATE
    burst = np.sin(2.0 * np.pi * 6000.0 * t) * np.hanning(len(t) + 2)[1:-1]
    energies = band_energies(burst[:, None], RATE)
    assert np.all(np.diff(energies.cumulative, axis=0) >= 0)
    if seconds >= 0.003:
        assert _db(energies.cumulative[-1].sum() / ((burst**2).sum() / RATE)) == pytest.approx(0.0, abs=0.1)


def test_analytic_channels_add_as_energies():
    left, right = sine(300.0, 1.0), sine(3000.0, 1.0, rms=0.3)
    both = band_energies(np.stack([left, right], axis=1), RATE).cumulative[-1]
    alone = band_energies(left[:, None], RATE).cumulative[-1] + band_energies(right[:, None], RATE).cumulative[-1]
    np.testing.assert_allclose(both, alone, rtol=1e-3, atol=1e-9)
    doubled = band_energies(np.stack([left, left], axis=1), RATE).cumulative[-1]
    single = band_energies(left[:, None], RATE).cumulative[-1]
    assert _db(doubled.sum() / single.sum()) == pytest.approx(3.0103, abs=1e-3)


@settings(max_examples=15, deadline=None)
@given(frames=st.integers(1, 9000), gain_db=st.floats(-40.0, 12.0), seed=st.integers(0, 999))
def test_analytic_gain_polarity_and_channel_order(frames, gain_db, seed):
    samples = 0.1 * np.random.default_rng(seed).standard_normal((frames, 2))
    plain = band_energies(samples, RATE).cumulative
    gain = 10.0 ** (gain_db / 20.0)
    other = band_energies(-gain * samples[:, ::-1], RATE).cumulative
    np.testing.assert_allclose(other, gain**2 * plain, rtol=2e-3, atol=1e-6 * gain**2 * plain.max())


def test_analytic_silence_and_no_samples():
    silent = band_energies(np.zeros((RATE, 2)), RATE)
    assert silent.cumulative.shape == (101, 156)
    assert not silent.cumulative.any()
    none = band_energies(np.zeros((0, 1)), RATE)
    assert none.cumulative.shape == (1, 156)
    assert none.duration_s == 0.0
    assert not slot_powers(none, [0.0, 0.1]).any()


def test_analytic_dc_and_ultrasound_stay_out():
    dc = band_energies(np.full((RATE, 1), 0.5), RATE)
    inner = slot_powers(dc, [0.2, 0.8])[0]
    assert inner.sum() < 1e-7
    high = band_energies(sine(19000.0, 1.0)[:, None], RATE)
    assert slot_powers(high, [0.2, 0.8])[0].sum() < 1e-6


def test_bad_samples_and_edges_are_refused():
    for samples, rate_hz, found in (
        (np.zeros(100), RATE, "shape"), (np.zeros((100, 3)), RATE, "shape"), (np.zeros((100, 1)), 0, "rate"),
        (np.full((100, 1), np.nan), RATE, "finite"), (np.full((4000, 2), np.inf), RATE, "finite"),
    ):  # fmt: skip
        with pytest.raises(MeasureError, match=found), np.errstate(invalid="ignore"):
            band_energies(samples, rate_hz)
    energies = band_energies(np.zeros((100, 1)), RATE)
    for edges in ([0.0], [0.0, 0.0], [1.0, 0.5], [[0.0, 1.0]]):
        with pytest.raises(MeasureError, match="edges"):
            slot_powers(energies, edges)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 22050, 32000, 44100, 48000, 88200, 96000, 192000])
def test_analytic_any_rate(rate_hz):
    """A tone has the same power at every rate that can hold it; bands past half the rate stay empty."""
    energies = band_energies(sine(1000.0, 1.0, rate_hz=rate_hz)[:, None], rate_hz)
    assert energies.step_s == 0.01
    assert len(energies.cumulative) == 101
    powers = slot_powers(energies, [0.2, 0.8])[0]
    assert _db(powers.sum()) == pytest.approx(0.0, abs=0.02)
    assert not powers[FINE_EDGES_HZ[:-1] > rate_hz / 2].any()


def test_analytic_noise_up_to_half_the_rate():
    noise = np.random.default_rng(2).standard_normal((20 * 8000, 1))
    total = band_energies(noise, 8000).cumulative[-1].sum() / 20.0
    assert _db(total) == pytest.approx(_db((4000.0 - FINE_EDGES_HZ[0]) / 4000.0), abs=0.03)


@pytest.mark.parametrize("at_s", [0.1, 0.2505, 0.5])
def test_analytic_a_click_is_never_early(at_s):
    """All of its energy lies between its own time and one long window later; a step of 10 ms is the resolution."""
    click = np.zeros((RATE, 1))
    click[round(at_s * RATE)] = 1.0
    energies = band_energies(click, RATE)
    assert energy_until(energies, [at_s - 0.0101])[0].sum() < 1e-4 * energies.cumulative[-1].sum()
    high, low = FINE_HZ > 700.0, FINE_HZ < 400.0
    until = energy_until(energies, [at_s + 0.05, at_s + 0.1])
    assert until[0, high].sum() == pytest.approx(energies.cumulative[-1, high].sum(), rel=1e-3)
    assert until[1, low].sum() == pytest.approx(energies.cumulative[-1, low].sum(), rel=1e-2)


def test_analytic_a_click_on_the_first_or_last_sample_keeps_its_energy():
    """Nothing is lost at either end, in either window."""
    for at in (0, 7, RATE // 2 - 1):
        click = np.zeros((RATE // 2, 1))
        click[at] = 1.0
        energies = band_energies(click, RATE)
        density = energies.cumulative[-1] / np.diff(FINE_EDGES_HZ) * RATE * (RATE / 2.0)
        np.testing.assert_allclose(density, 1.0, rtol=0.02)


@pytest.mark.parametrize(("sound", "early_s"), [(kick, 0.0), (snare, 0.0), (hat, 0.0), (kick, 0.003), (snare, 0.003)])
def test_analytic_a_hit_on_a_slot_is_not_heard_in_the_slot_before(sound, early_s):
    """Also when it is played 3 ms early; frames counted round their centres would read half its loudness there."""
    slots = [4, 11, 17, 23]
    for tempo_bpm in (71.3, 97.0, 120.0, 143.9):
        slot_s = 15.0 / tempo_bpm
        signal = placed(sound(), [slot_s * slot - early_s for slot in slots], 28 * slot_s)
        powers = slot_powers(band_energies(signal[:, None], RATE), slot_s * np.arange(29))
        heard = loudness_of(powers, spl_offset_db=SPL_OFFSET_DB)
        for slot in slots:
            assert heard[slot] > 5.0
            assert heard[slot - 1] < (0.1 if early_s else 0.01) * heard[slot]


def test_cross_check_a_kit_on_the_grid_reads_as_the_loop_that_it_makes():
    """One-shots laid by their own energies against the same hits rendered to a loop: 5 % a slot that sounds."""
    slot_s = 15.0 / 97.0
    edges = slot_s * np.arange(33)
    hits = [(kick(), [0, 8, 10, 16, 24]), (snare(), [4, 12, 20, 28]), (hat(), list(range(0, 32, 2)))]
    loop = np.zeros(round(32 * slot_s * RATE))
    kit = np.zeros((32, 156))
    for sound, slots in hits:
        energies = band_energies(sound[:, None], RATE)
        loop += placed(sound, [slot_s * slot for slot in slots], 32 * slot_s)[: len(loop)]
        for slot in slots:
            kit += slot_powers(energies, edges - slot_s * slot)
    heard = loudness_of(slot_powers(band_energies(loop[:, None], RATE), edges), spl_offset_db=SPL_OFFSET_DB)
    laid = loudness_of(kit, spl_offset_db=SPL_OFFSET_DB)
    sounding = heard > 0.02 * heard.max()
    assert sounding.sum() >= 16
    np.testing.assert_allclose(laid[sounding], heard[sounding], rtol=0.05)


def test_analytic_slots_do_not_drift_over_three_minutes():
    """A pulse on every slot of 93.7 BPM: the last bar reads as the first, slot by slot."""
    slot_s = 15.0 / 93.7
    count = int(180.0 / slot_s) - 1
    t = np.arange(round(0.05 * RATE)) / RATE
    pulse = np.sin(2.0 * np.pi * 2000.0 * t) * np.hanning(len(t))
    signal = placed(pulse, [slot_s * k for k in range(0, count, 2)], 180.0).astype(np.float32)
    powers = slot_powers(band_energies(signal[:, None], RATE), slot_s * np.arange(count + 1)).sum(axis=1)
    on, off = powers[0::2], powers[1::2]
    assert on.max() / on.min() < 1.001
    assert off.max() < 1e-3 * on.min()
    assert on.mean() == pytest.approx((pulse**2).sum() / RATE / slot_s, rel=0.01)


def test_analytic_what_lies_outside_the_signal_is_silence():
    energies = band_energies(sine(1000.0, 1.0)[:, None], RATE)
    whole = energies.cumulative[-1].sum()
    powers = slot_powers(energies, [-2.0, -1.0, 0.5, 2.0, 3.0]).sum(axis=1)
    assert powers[0] == 0.0
    assert powers[3] == 0.0
    assert 1.5 * powers[1] + 1.5 * powers[2] == pytest.approx(whole, rel=1e-12)
    assert 1.5 * powers[1] == pytest.approx(0.5 - 0.025, abs=0.005)  # the short window's lag


def test_analytic_slots_add_up_however_they_are_cut():
    energies = band_energies(np.random.default_rng(3).standard_normal((RATE, 2)), RATE)
    edges = np.sort(np.random.default_rng(4).uniform(0.0, 1.0, 40))
    fine = slot_powers(energies, edges) * np.diff(edges)[:, None]
    coarse = slot_powers(energies, edges[[0, -1]]) * (edges[-1] - edges[0])
    np.testing.assert_allclose(fine.sum(axis=0), coarse[0], rtol=1e-9)


def test_analytic_the_cross_fade_covers_every_band_once():
    fade = cross_fade()
    assert fade[0] == 1.0
    assert fade[-1] == 0.0
    assert np.all(np.diff(fade) <= 0)
    assert np.count_nonzero((fade > 0) & (fade < 1)) == 8


def test_regression_pieces_of_any_size_give_the_same_energies(monkeypatch):
    noise = np.random.default_rng(5).standard_normal((RATE + 321, 2))
    whole = band_energies(noise, RATE).cumulative
    monkeypatch.setattr(spectra, "_CHUNK_SAMPLES", 1 << 13)
    monkeypatch.setattr(spectra, "_CHUNK_ROWS", 7)
    np.testing.assert_allclose(band_energies(noise, RATE).cumulative, whole, rtol=1e-5)


def test_analytic_other_rates_agree_in_loudness():
    """The same music at 44.1, 48, 96 and 192 kHz: no slot's loudness differs by 1 %."""
    slot_s = 0.1613
    music = placed(kick(), [0.0, 1.0], 2.0) + placed(snare(), [0.5, 1.5], 2.0)
    music += 0.05 * shaped_noise(2.0, lambda f_hz: -4.0 * np.log2(f_hz / 1000.0), seed=7, high_hz=16000.0)
    readings = []
    for rate_hz in (44100, 48000, 96000, 192000):
        samples = music if rate_hz == RATE else soxr.resample(music, RATE, rate_hz, quality="VHQ")
        powers = slot_powers(band_energies(samples[:, None], rate_hz), slot_s * np.arange(13))
        readings.append(loudness_of(powers, spl_offset_db=SPL_OFFSET_DB))
    for reading in readings[1:]:
        np.testing.assert_allclose(reading, readings[0], rtol=0.01)


def test_analytic_memory_does_not_follow_the_spectrogram():
    """Beside its result it holds about half as much again and a few megabytes, not every frame's spectrum."""
    samples = np.zeros((120 * RATE, 2), dtype=np.float32)
    samples[::1000] = 0.5
    band_energies(samples[:RATE], RATE)
    tracemalloc.start()
    try:
        energies = band_energies(samples, RATE)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2.0 * energies.cumulative.nbytes + 40e6
