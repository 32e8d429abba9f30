"""Conformance of the loudness measures: EBU Tech 3341 (2023) Table 1, EBU Tech 3342 (2023) Table 1, ITU-R BS.1770-5.

Tolerances are the standards': +-0.1 LU for loudness, +-1 LU for the range, +0.2 / -0.4 dB for true peak.  The loudness
signals are fixed in hertz and seconds and are made at three sample rates; the true-peak signals in terms of the rate.
"""

from __future__ import annotations

import ebu_signals as ebu
import numpy as np
import pytest

from dossier.measure import loudness
from dossier.measure.true_peak import true_peak

LU = 0.1


@pytest.mark.parametrize("rate_hz", ebu.RATES)
@pytest.mark.parametrize("case", range(1, 7))
def test_conformance_tech3341_integrated(case: int, rate_hz: int) -> None:
    samples, lufs = ebu.integrated_case(case, rate_hz)
    measured = loudness.measure(samples, rate_hz)
    assert measured.integrated_lufs == pytest.approx(lufs, abs=LU)
    if case in (1, 2):  # momentary and short-term are stated for these too
        assert measured.max_momentary_lufs == pytest.approx(lufs, abs=LU)
        assert measured.max_short_term_lufs == pytest.approx(lufs, abs=LU)


@pytest.mark.parametrize("rate_hz", ebu.RATES)
def test_conformance_tech3341_case_9_short_term_stays(rate_hz: int) -> None:
    samples = ebu.short_term_constant(rate_hz)
    curve = ebu.window_lufs(loudness.block_energy(samples, rate_hz), 30)
    assert len(curve) == 121
    assert curve == pytest.approx(-23.0, abs=LU)
    assert loudness.measure(samples, rate_hz).max_short_term_lufs == pytest.approx(-23.0, abs=LU)


@pytest.mark.parametrize("rate_hz", ebu.RATES)
def test_conformance_tech3341_case_12_momentary_stays(rate_hz: int) -> None:
    samples = ebu.momentary_constant(rate_hz)
    curve = ebu.window_lufs(loudness.block_energy(samples, rate_hz), 4)[6:]  # from 1 s on
    assert curve == pytest.approx(-23.0, abs=LU)
    assert loudness.measure(samples, rate_hz).max_momentary_lufs == pytest.approx(-23.0, abs=LU)


@pytest.mark.parametrize(("rate_hz", "step"), [(48_000, 1), (44_100, 3), (96_000, 6)])
def test_conformance_tech3341_case_10_short_term_maximum(rate_hz: int, step: int) -> None:
    for i in range(0, 20, step):
        measured = loudness.measure(ebu.short_term_burst(i, rate_hz), rate_hz)
        assert measured.max_short_term_lufs == pytest.approx(-23.0, abs=LU), i


@pytest.mark.parametrize("rate_hz", ebu.RATES)
def test_conformance_tech3341_case_13_momentary_maximum(rate_hz: int) -> None:
    for i in range(20):
        measured = loudness.measure(ebu.momentary_burst(i, rate_hz), rate_hz)
        assert measured.max_momentary_lufs == pytest.approx(-23.0, abs=LU), i


@pytest.mark.parametrize("rate_hz", ebu.RATES)
@pytest.mark.parametrize("case", sorted(ebu.TRUE_PEAK_CASES))
def test_conformance_tech3341_true_peak_of_tones(case: int, rate_hz: int) -> None:
    expected = ebu.TRUE_PEAK_CASES[case][3]
    measured = loudness.measure(ebu.true_peak_tone(case, rate_hz), rate_hz).true_peak_dbtp
    assert measured is not None
    assert expected - 0.4 <= measured <= expected + 0.2


@pytest.mark.parametrize("case", range(20, 24))
def test_conformance_tech3341_true_peak_of_transients(case: int) -> None:
    measured = 20 * np.log10(true_peak(ebu.true_peak_transient(case, 48_000)))
    assert -0.4 <= measured <= 0.2


@pytest.mark.parametrize("rate_hz", ebu.RATES)
@pytest.mark.parametrize("case", sorted(ebu.RANGE_CASES))
def test_conformance_tech3342_loudness_range(case: int, rate_hz: int) -> None:
    levels, expected = ebu.RANGE_CASES[case]
    samples = ebu.tone([(20, level) for level in levels], rate_hz)[:, None]  # levels differ, so one channel serves
    assert loudness.measure(samples, rate_hz).loudness_range_lu == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, *ebu.RATES, 192_000])
def test_conformance_bs1770_calibration(rate_hz: int) -> None:
    """BS.1770-5 Annex 1: 997 Hz at 0 dBFS in the left, right or centre channel reads -3.01 LKFS."""
    sine = ebu.tone([(1, 0.0)], rate_hz, f_hz=997.0)
    assert loudness.measure(sine[:, None], rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.005)
    for channel in range(3):
        samples = np.zeros((len(sine), 3))
        samples[:, channel] = sine
        assert loudness.measure(samples, rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.005)


def test_conformance_bs1770_surround_weight() -> None:
    """BS.1770-5 Table 3: the surround channels weigh 1.41, 1.49 dB more."""
    sine = ebu.tone([(1, -20.0)], 48_000, f_hz=997.0)
    left, surround = np.zeros((2, len(sine), 5))
    left[:, 0] = sine
    surround[:, 3] = sine
    front, back = loudness.block_energy(left, 48_000), loudness.block_energy(surround, 48_000)
    assert back == pytest.approx(1.41 * front, rel=1e-12)


def test_conformance_bs1770_filter_coefficients() -> None:
    """BS.1770-5 Annex 1 Tables 1 and 2 at 48 kHz; the printed figures are from memory."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    f = np.geomspace(10.0, 23_000.0, 60)
    z = np.exp(-2j * np.pi * f / 48_000)
    gain = np.ones(len(f), complex)
    for b0, b1, b2, a0, a1, a2 in (shelf, high_pass):
        gain *= (b0 + b1 * z + b2 * z**2) / (a0 + a1 * z + a2 * z**2)
    assert loudness.k_weight_db(f) == pytest.approx(20 * np.log10(np.abs(gain)), abs=1e-6)
