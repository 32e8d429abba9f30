"""Excitation, loudness and partial loudness against published values, and the properties that they must have.

Evidence: conformance (published worked values, with the tolerance reached), analytic, cross-check (ISO 532-1 through
mosqito).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hearing_sounds import RATE, loudness_of, shaped_noise, sine, tone_powers
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.errors import MeasureError
from dossier.measure import bands, hearing
from dossier.measure.hearing import excitation, page_constants, partial_loudness, specific_loudness

BAND_1K = int(np.argmin(np.abs(hearing.BAND_HZ - 1000.0)))
LEVELS = st.floats(-30.0, 110.0)


def _linear(level_db):
    return 10.0 ** (np.asarray(level_db, dtype=float) / 10.0)


# Scale and bands


@pytest.mark.parametrize(("f_hz", "erb"), [(100.0, 35.49), (1000.0, 132.64), (4000.0, 456.46)])
def test_conformance_erb(f_hz, erb):
    """Glasberg and Moore 1990, from memory; values computed from the formula by hand."""
    assert float(bands.erb_hz(f_hz)) == pytest.approx(erb, abs=0.005)


def test_analytic_the_scale():
    """1 kHz is 15.621 Cam; one Cam up is one ERB up, to first order, everywhere (the scale's definition)."""
    assert float(bands.cam(1000.0)) == pytest.approx(15.621, abs=5e-4)
    f_hz = np.geomspace(20.0, 16000.0, 50)
    np.testing.assert_allclose(bands.hz(bands.cam(f_hz)), f_hz, rtol=1e-12)
    slope = (bands.cam(f_hz * 1.0001) - bands.cam(f_hz)) / (f_hz * 0.0001)
    np.testing.assert_allclose(slope * bands.erb_hz(f_hz), 1.0, rtol=0.005)


def test_analytic_the_bands():
    assert hearing.BAND_CAM.tolist() == [1.5 + k for k in range(38)]
    assert len(hearing.FINE_HZ) == 156
    assert np.allclose(np.diff(bands.FINE_EDGES_CAM), 0.25)
    assert np.isin(hearing.BAND_EDGES_CAM, bands.FINE_EDGES_CAM).all()
    assert not hearing.BAND_HZ.flags.writeable


# Loudness of tones


@pytest.mark.parametrize(
    ("level_db", "sone"),
    [(20, 0.142), (30, 0.422), (40, 0.997), (50, 2.098), (60, 4.166), (70, 8.102), (80, 15.98)],
)
def test_conformance_1_khz(level_db, sone):
    """ANSI S3.4-2007.  Reached: 9 % at 20 dB (0.013 sone), 3 % from 30 dB up."""
    assert float(loudness_of(tone_powers((1000.0, level_db)))) == pytest.approx(sone, rel=0.03, abs=0.013)


@pytest.mark.parametrize(
    ("tones", "sone", "off"),
    [
        ([(3000.0, 40)], 1.8, 0.01),
        ([(3000.0, 60)], 7.1, -0.02),
        ([(100.0, 50)], 0.345, -0.31),
        ([(1500.0, 60), (1600.0, 60), (1700.0, 60)], 6.35, 0.0),
        ([(1000.0, 60), (1600.0, 60), (2400.0, 60)], 12.62, -0.015),
    ],
)
def test_conformance_other_tones(tones, sone, off):
    """ANSI S3.4-2007, worked examples; `off` is how far the model is from them.

    At 100 Hz the standards contradict each other: 0.345 sone is 28 phon, by ISO 226:2023 that tone has 22.  The model
    reads 23.6 phon.
    """
    assert float(loudness_of(tone_powers(*tones))) / sone - 1.0 == pytest.approx(off, abs=0.01)


def test_analytic_1_khz_at_40_db_is_one_sone():
    """By definition of the sone."""
    assert float(loudness_of(tone_powers((1000.0, 40.0)))) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("phon", "f_hz", "level_db"),
    [(60, 100, 78.5), (40, 63, 73.0), (40, 125, 60.4), (40, 250, 50.3), (40, 500, 43.1), (40, 1000, 40.0),
     (40, 2000, 39.2), (40, 4000, 36.7), (40, 8000, 51.6), (40, 12500, 51.3)],
)  # fmt: skip
def test_conformance_the_contours_themselves(phon, f_hz, level_db):
    """ISO 226:2023, levels of its Table B.1 at 40 phon and at 100 Hz."""
    at = hearing.CONTOUR_HZ.tolist().index(f_hz)
    assert float(hearing.contour_db(phon)[at]) == pytest.approx(level_db, abs=0.05)


# Phon by which the model is too loud at 20, 30 ... 80 phon, where that exceeds 3.  Below 50 Hz there are too few bands.
# From 1.6 to 5 kHz the standards contradict each other: at 40 and 60 dB ANSI S3.4-2007 gives 3 kHz 1.8 and 7.1 sone,
# i.e. 48 and 68 phon, ISO 226:2023 gives it 44 and 63.
STATED = {
    20: (1.5, -0.2, -1.4, -2.3, -3.8, -3.9, -4.2),
    25: (0.7, -0.9, -1.7, -2.7, -3.5, -3.6, -3.8),
    1600: (2.3, 3.0, 3.4, 3.7, 4.0, 4.4, 4.4),
    2000: (1.5, 2.3, 2.8, 3.3, 3.6, 4.0, 4.2),
    2500: (1.7, 2.5, 3.1, 3.6, 4.0, 4.4, 4.3),
    3150: (2.2, 3.1, 3.8, 4.3, 4.7, 5.0, 5.1),
    4000: (2.7, 3.6, 4.3, 4.8, 5.3, 5.5, 5.5),
    5000: (2.3, 3.2, 3.8, 4.3, 4.6, 5.0, 4.8),
}


@pytest.mark.parametrize("f_hz", hearing.CONTOUR_HZ)
def test_conformance_equal_loudness_contours(f_hz):
    """ISO 226:2023, every frequency of its Table 1, 20 to 80 phon: within 3 phon, else as far off as stated."""
    errors = hearing.contour_errors()[:, f_hz == hearing.CONTOUR_HZ].ravel()
    assert errors.shape == (7,)
    if f_hz in STATED:
        assert np.abs(STATED[f_hz]).max() > 3.0
        np.testing.assert_allclose(errors, STATED[f_hz], atol=0.15)
    else:
        assert np.abs(errors).max() <= 3.0


def test_analytic_a_tone_at_the_threshold_of_hearing_excites_the_threshold_of_the_band_that_hears_it_best():
    """ISO 226:2023, Table 1.  The tones lie an eighth of a Cam above a band's middle, where that band gets 0.4 dB less;
    those below 500 Hz are heard best by a higher one, which may lie half a band away."""
    f_hz, threshold_db = hearing.CONTOUR_HZ, hearing._table("hearing_threshold.csv")["T_f_db"]
    for band in range(2, 36):
        tone_hz = float(bands.hz(hearing.BAND_CAM[band] + 0.125))
        level_db = float(np.interp(np.log(tone_hz), np.log(f_hz), threshold_db))
        over = excitation(tone_powers((tone_hz, level_db)), spl_offset_db=0.0) / hearing.ear().threshold
        assert (-0.6 if tone_hz > 500.0 else -1.5) <= 10.0 * np.log10(over.max()) <= 0.1
        assert int(over.argmax()) == band if tone_hz > 500.0 else int(over.argmax()) >= band


def test_analytic_broadband_sound_is_louder_than_a_tone_of_its_level():
    """Loudness summation; and 10 dB more is 1.6 to 2.3 times as loud between 50 and 80 dB SPL (the sone's rule: 2)."""
    density = np.diff(bands.FINE_EDGES_HZ) / hearing.FINE_HZ  # pink
    pink = [float(loudness_of(_linear(level) * density / density.sum())) for level in (50, 60, 70, 80)]
    assert pink[1] > 3.0 * float(loudness_of(tone_powers((1000.0, 60.0))))
    assert all(1.6 < louder / softer < 2.3 for softer, louder in pairwise(pink))


def test_analytic_how_finely_a_spectrum_is_cut_does_not_matter():
    """The level that widens the skirts is that of one ERB, so the same noise in every fourth fine band, each four times
    as strong, widens them as much: within 2.5 % at 70 dB SPL."""
    even = _linear(70.0) * np.ones(156) / 156
    lumped = np.zeros(156)
    lumped[2::4] = even.reshape(-1, 4).sum(axis=1)
    assert float(loudness_of(lumped)) == pytest.approx(float(loudness_of(even)), rel=0.025)


# Excitation


def test_analytic_the_skirts():
    """A tone in the middle of a band excites it with its own level; the upper skirt is a roex filter's, whatever the
    level, and the lower slope of the filters flattens with level by 0.35 (p / p at 1 kHz) a dB (Glasberg and Moore)."""
    constants = hearing.ear()
    fine = 58  # 15.375 Cam
    for level_db in (30.0, 51.0, 80.0):
        powers = np.zeros(156)
        powers[fine] = _linear(level_db - constants.ear_db[fine])
        exc = excitation(powers, spl_offset_db=0.0) / _linear(level_db)
        for band in range(38):
            g = (hearing.FINE_HZ[fine] - hearing.BAND_HZ[band]) / hearing.BAND_HZ[band]
            p = 4.0 * hearing.BAND_HZ[band] / bands.erb_hz(hearing.BAND_HZ[band])
            if g < 0:
                p -= 0.35 * p / (4000.0 / bands.erb_hz(1000.0)) * (level_db - 51.0)
            assert exc[band] == pytest.approx((1.0 + p * abs(g)) * math.exp(-p * abs(g)), rel=1e-6, abs=1e-30)


def test_analytic_shapes_and_silence():
    assert excitation(np.zeros(156), spl_offset_db=91.0).shape == (38,)
    assert excitation(np.zeros((0, 156)), spl_offset_db=91.0).shape == (0, 38)
    cube = np.random.default_rng(1).uniform(0.0, 1.0, (2, 3, 156))
    exc = excitation(cube, spl_offset_db=60.0)
    assert exc.shape == (2, 3, 38)
    np.testing.assert_array_equal(exc[1, 2], excitation(cube[1, 2], spl_offset_db=60.0))
    silent = excitation(np.zeros((4, 156)), spl_offset_db=91.0)
    assert not specific_loudness(silent).any()
    assert not partial_loudness(silent, exc[0, :1]).any()
    assert not partial_loudness(silent, silent).any()
    with pytest.raises(MeasureError, match="156 fine bands"):
        excitation(np.zeros((4, 38)), spl_offset_db=91.0)


def test_analytic_level_and_offset_are_the_same_thing():
    powers = np.random.default_rng(2).uniform(0.0, 1e-3, (5, 156))
    np.testing.assert_allclose(
        excitation(powers * _linear(-7.0), spl_offset_db=91.0), excitation(powers, spl_offset_db=84.0), rtol=1e-9
    )


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 9999), more=st.floats(0.0, 30.0), band=st.integers(0, 155))
def test_analytic_excitation_grows_with_every_power(seed, more, band):
    powers = _linear(np.random.default_rng(seed).uniform(-20.0, 80.0, 156))
    louder = powers.copy()
    louder[band] *= _linear(more)
    before, after = (excitation(p, spl_offset_db=0.0) for p in (powers, louder))
    assert np.all(after >= before * (1.0 - 1e-12))
    assert np.all(specific_loudness(after) >= specific_loudness(before) * (1.0 - 1e-9))


# Partial loudness


@pytest.mark.parametrize(
    ("masker_db", "sone_per_cam"),
    [(None, 0.67893), (40.0, 0.62905), (50.0, 0.51436), (60.0, 0.19081), (70.0, 0.00024)],
)
def test_regression_partial_loudness_at_1_khz(masker_db, sone_per_cam):
    """A check of the implementation, not of the model: the equations of Moore, Glasberg and Baer (1997) worked by hand
    with C = 0.046871, signal at 60 dB excitation.  0.3 %, or 0.00001 where nearly nothing is left: K at this band's
    centre is interpolated.
    """
    masker = 0.0 if masker_db is None else _linear(masker_db)
    partial = partial_loudness(np.full(38, _linear(60.0)), np.full(38, masker))[BAND_1K]
    assert partial / hearing.scale() * 0.046871 == pytest.approx(sone_per_cam, rel=0.003, abs=1e-5)


@settings(max_examples=200, deadline=None)
@given(signal_db=LEVELS, masker_db=LEVELS, more_db=st.floats(0.0, 40.0))
def test_analytic_a_masker_only_takes_away(signal_db, masker_db, more_db):
    """Never more than alone, never negative, falling in the masker, rising in the signal, in every band."""
    signal, masker = np.full(38, _linear(signal_db)), np.full(38, _linear(masker_db))
    alone = specific_loudness(signal)
    partial = partial_loudness(signal, masker)
    slack = 1e-9 * alone + 1e-15
    assert np.all(partial >= 0.0)
    assert np.all(partial <= alone + slack)
    assert np.all(partial_loudness(signal, masker * _linear(more_db)) <= partial + slack)
    assert np.all(partial_loudness(signal * _linear(more_db), masker) >= partial - slack)


@settings(max_examples=50, deadline=None)
@given(signal_db=LEVELS)
def test_analytic_without_a_masker_partial_loudness_is_loudness(signal_db):
    signal = np.full((2, 38), _linear(signal_db))
    np.testing.assert_allclose(partial_loudness(signal, np.zeros(38)), specific_loudness(signal), rtol=1e-9)


@settings(max_examples=100, deadline=None)
@given(masker_db=st.floats(-30.0, 100.0))
def test_analytic_continuous_at_the_masked_threshold(masker_db):
    constants = hearing.ear()
    masker = np.full(38, _linear(masker_db))
    at = constants.k * masker + constants.threshold
    below, above = (partial_loudness(at * (1.0 + d), masker) for d in (-1e-9, 1e-9))
    np.testing.assert_allclose(below, above, rtol=1e-5, atol=1e-7)
    heard = hearing.scale() * ((constants.gain * constants.threshold + constants.a) ** constants.alpha
                               - constants.a**constants.alpha)  # fmt: skip
    np.testing.assert_allclose(above, heard, rtol=1e-5, atol=1e-7)


def test_analytic_a_tone_drowns_in_noise_round_it_and_not_in_noise_far_from_it():
    noise = np.zeros(156)
    noise[50:70] = _linear(60.0) / 20.0
    masker = excitation(noise, spl_offset_db=0.0)
    shares = []
    for f_hz in (1000.0, 6000.0):
        tone = excitation(tone_powers((f_hz, 45.0)), spl_offset_db=0.0)
        shares.append(float(partial_loudness(tone, masker).sum() / specific_loudness(tone).sum()))
    assert shares[0] < 0.1
    assert shares[1] > 0.9


@pytest.mark.parametrize(
    ("f_hz", "critical_ratio_db"),
    [(250.0, 17.0), (500.0, 17.0), (1000.0, 18.0), (2000.0, 20.0), (4000.0, 23.0), (8000.0, 27.0)],
)
def test_conformance_the_masked_threshold_in_white_noise(f_hz, critical_ratio_db):
    """Hawkins and Stevens, J. Acoust. Soc. Am. 22 (1950): how far a just audible tone lies above the level of the noise
    in 1 Hz (MEM).  At 40 dB in 1 Hz the model is at most 2.5 dB off, 1.3 on average; it is always too careful."""
    band = int(np.argmin(np.abs(hearing.BAND_HZ - f_hz)))
    levels = np.arange(40.0, 90.0, 0.1)
    tones = [tone_powers((float(hearing.BAND_HZ[band]), level)) for level in levels]
    noise = _linear(40.0) * np.diff(bands.FINE_EDGES_HZ)
    constants, masker = hearing.ear(), excitation(noise, spl_offset_db=0.0)
    over = excitation(tones, spl_offset_db=0.0) / (constants.k * masker + constants.threshold)
    heard_at = float(np.interp(0.0, np.log(over.max(axis=1)), levels))
    assert critical_ratio_db <= heard_at - 40.0 <= critical_ratio_db + 2.5


# The steps for the page


def test_analytic_the_described_steps_give_the_same_numbers():
    """The module's description carried out in plain Python, from `page_constants` alone."""
    k = page_constants()
    rng = np.random.default_rng(3)
    powers = 10.0 ** rng.uniform(-12.0, -2.0, (3, 156))
    powers[1, 30:90] = 0.0
    offset = 91.0
    signal, masker = excitation(powers, spl_offset_db=offset), excitation(powers[::-1] * 3.0, spl_offset_db=offset)
    loud, partial = specific_loudness(signal), partial_loudness(signal, masker)
    for slot in range(3):
        exc = _page_excitation(k, powers[slot], offset)
        other = _page_excitation(k, powers[::-1][slot] * 3.0, offset)
        np.testing.assert_allclose(exc, signal[slot], rtol=1e-6)  # sums of single precision
        np.testing.assert_allclose([_page_alone(k, c, exc[c]) for c in range(38)], loud[slot], rtol=1e-6, atol=1e-12)
        np.testing.assert_allclose(
            [_page_partial(k, c, exc[c], other[c]) for c in range(38)], partial[slot], rtol=1e-5, atol=1e-12
        )


def _page_excitation(k, powers, offset):
    inner = [powers[b] * 10.0 ** ((offset + k["ear_db"][b]) / 10.0) for b in range(156)]
    out = [0.0] * 38
    for b in range(156):
        if inner[b] == 0.0:
            continue
        around = sum(w * inner[b + d - 2] for d, w in enumerate(k["erb_weights"]) if 0 <= b + d - 2 < 156)
        level = math.floor(10.0 * math.log10(around) + 0.5)
        level = min(max(level, k["level_first_db"]), k["level_last_db"])
        for c in range(38):
            g = (k["fine_hz"][b] - k["band_hz"][c]) / k["band_hz"][c]
            q = k["p"][c] if g >= 0 else k["p"][c] - k["p_slope"][c] * (level - k["level_pivot_db"])
            out[c] += inner[b] * (1.0 + q * abs(g)) * math.exp(-q * abs(g))
    return out


def _page_alone(k, c, e):
    n = k["c"] * ((k["gain"][c] * e + k["a"][c]) ** k["alpha"][c] - k["a"][c] ** k["alpha"][c])
    return n * (2.0 * e / (e + k["threshold"][c])) ** 1.5 if e < k["threshold"][c] else n


def _page_partial(k, c, e, m):
    q, gain, a, alpha = k["threshold"][c], k["gain"][c], k["a"][c], k["alpha"][c]

    def grown(x):
        return (gain * x + a) ** alpha

    t = k["k"][c] * m + q
    if e >= t:
        return k["c"] * (grown(e + m) - a**alpha - (grown(m + t) - grown(q)) * (t / e) ** 0.3)
    heard = (2.0 * e / (e + t)) ** 1.5 * (grown(q) - a**alpha)
    return k["c"] * heard / (grown(m + t) - grown(m)) * (grown(e + m) - grown(m))


def test_analytic_page_constants_are_plain_numbers():
    constants = page_constants()
    for name, value in constants.items():
        values = value if isinstance(value, list) else [value]
        assert all(type(number) is float and math.isfinite(number) for number in values), name
    assert len(constants["fine_hz"]) == len(constants["ear_db"]) == 156
    for name in ("band_hz", "p", "p_slope", "threshold", "gain", "a", "alpha", "k"):
        assert len(constants[name]) == 38
    assert constants["threshold"][BAND_1K] == pytest.approx(_linear(3.73), rel=1e-4)
    assert constants["k"][BAND_1K] == pytest.approx(_linear(-3.0), rel=0.01)


# Against ISO 532-1 (Zwicker's method, an independent model)


def _zwicker(signal_pa):
    from mosqito.sq_metrics import loudness_zwst

    return float(loudness_zwst(signal_pa, RATE, field_type="free")[0])


def _pascal(signal, level_db):
    return signal * 2e-5 * 10.0 ** (level_db / 20.0)


@pytest.mark.parametrize(
    ("f_hz", "level_db", "sone", "reached"),
    [(1000.0, 60, 4.019, 0.03), (4000.0, 40, 1.549, 0.15), (250.0, 80, 14.65, 0.35)],
)
def test_cross_check_tones_of_iso_532_1(f_hz, level_db, sone, reached):
    """ISO 532-1 Annex B: mosqito gives the standard's values within its 5 %, ours are another model's.

    At 250 Hz and 80 dB the standards disagree: by the formula of ISO 226:2023 that tone has 75 phon (11 sone), while
    14.65 sone is 79 phon.
    """
    assert _zwicker(_pascal(sine(f_hz, 1.0), level_db)) == pytest.approx(sone, rel=0.05)
    assert float(loudness_of(tone_powers((f_hz, level_db)))) == pytest.approx(sone, rel=reached)


@pytest.mark.parametrize(
    ("level_db", "off_phon", "over_tone"), [(50, -18.5, 0.97), (60, -16.8, 0.91), (70, -16.0, 0.82), (80, -14.4, 0.74)]
)
def test_cross_check_bass_noise(level_db, off_phon, over_tone):
    """Noise from 60 to 120 Hz: how far from ISO 532-1, in phon, and how far in its ratio to a tone of the same level.

    The standards contradict each other: ISO 532-1 reads the 40-phon tone of ISO 226:2023 at 80 Hz as 57 phon.  That
    cancels in the ratio.
    """
    noises = [shaped_noise(2.0, np.zeros_like, seed=seed, low_hz=60.0, high_hz=120.0) for seed in (1, 2)]
    theirs = float(np.mean([_zwicker(_pascal(noise, level_db)) for noise in noises]))
    ours = float(np.mean([loudness_of(_front_end(noise), spl_offset_db=level_db) for noise in noises]))
    assert 10.0 * math.log2(ours / theirs) == pytest.approx(off_phon, abs=1.0)
    tone = sine(85.0, 2.0)
    ratio = theirs / _zwicker(_pascal(tone, level_db))
    own_ratio = ours / float(loudness_of(_front_end(tone), spl_offset_db=level_db))
    assert own_ratio / ratio == pytest.approx(over_tone, abs=0.05)


def test_cross_check_the_standards_disagree_about_bass():
    """ISO 532-1 through mosqito on a tone that has 40 phon by ISO 226:2023: 80 Hz, about 57 phon instead."""
    level_db = float(hearing.contour_db(40.0)[hearing.CONTOUR_HZ.tolist().index(80.0)])
    assert 40.0 + 10.0 * math.log2(_zwicker(_pascal(sine(80.0, 2.0), level_db))) == pytest.approx(57.0, abs=1.5)


@pytest.mark.parametrize(("tone_db", "noise_db"), [(50, 50), (60, 40), (60, 50), (60, 60), (60, 70), (70, 60)])
def test_cross_check_partial_loudness_lies_between_what_iso_532_1_bounds(tone_db, noise_db):
    """A 1 kHz tone in white noise from 0.1 to 10 kHz: ISO 532-1 has no partial loudness, but two bounds of it.

    Tone and noise less the noise is the least that the tone keeps, as its share of its loudness alone; the two models
    agree on that share within 0.05.  The tone alone is the most.
    """
    tone, noise = sine(1000.0, 2.0), shaped_noise(2.0, np.zeros_like, seed=4, low_hz=100.0, high_hz=10000.0)
    signal, masker = _pascal(tone, tone_db), _pascal(noise, noise_db)
    bound = (_zwicker(signal + masker) - _zwicker(masker)) / _zwicker(signal)
    signal_exc, masker_exc = (
        excitation(_front_end(x), spl_offset_db=level) for x, level in ((tone, tone_db), (noise, noise_db))
    )
    alone = float(specific_loudness(signal_exc).sum())
    added = float((specific_loudness(signal_exc + masker_exc) - specific_loudness(masker_exc)).sum())
    assert added / alone == pytest.approx(bound, abs=0.05)
    assert bound < float(partial_loudness(signal_exc, masker_exc).sum()) / alone < 1.0


def _front_end(signal):
    return hearing.slot_powers(hearing.band_energies(signal[:, None], RATE), [0.2, 1.9])[0]


def test_cross_check_broadband_sounds_rank_as_in_iso_532_1():
    """Sixteen noises of other colours, bandwidths and levels, through our front end: Spearman's rank correlation."""
    from scipy.stats import spearmanr

    def slope(db_per_octave):
        return lambda f_hz: db_per_octave * np.log2(f_hz / 1000.0)

    cases = [  # dB an octave, from Hz, to Hz, dB SPL
        (0.0, 20, 16000, 60.0), (-3.0, 20, 16000, 60.0), (-6.0, 20, 16000, 60.0), (3.0, 20, 16000, 60.0),
        (-3.0, 20, 16000, 70.0), (-6.0, 20, 16000, 75.0), (0.0, 200, 400, 65.0), (0.0, 900, 1100, 60.0),
        (0.0, 500, 2000, 60.0), (0.0, 4000, 12000, 60.0), (0.0, 60, 250, 72.0), (-4.5, 40, 16000, 66.0),
        (0.0, 2000, 16000, 50.0), (-3.0, 100, 5000, 55.0), (-9.0, 30, 16000, 80.0), (0.0, 20, 16000, 45.0),
    ]  # fmt: skip
    ours, theirs = [], []
    for seed, (db_per_octave, low, high, level_db) in enumerate(cases):
        noise = shaped_noise(2.0, slope(db_per_octave), seed=seed, low_hz=low, high_hz=high)
        ours.append(float(loudness_of(_front_end(noise), spl_offset_db=level_db)))
        theirs.append(_zwicker(_pascal(noise, level_db)))
    assert float(spearmanr(ours, theirs).statistic) >= 0.9
    # In size the two models lie up to 8 phon apart: ours reads soft broadband sounds louder and bass softer.
    assert np.abs(10.0 * np.log2(np.array(ours) / np.array(theirs))).max() < 8.0


@pytest.mark.parametrize("f_hz", [80.0, 125.0, 250.0, 440.0, 500.0, 580.0, 700.0, 1000.0, 3000.0])
def test_analytic_a_tone_through_the_front_end_reads_as_the_tone(f_hz):
    """The windows' main lobes make a tone at most 6 % too loud from 80 Hz up, at 70 dB SPL."""
    powers = hearing.slot_powers(hearing.band_energies(sine(f_hz, 1.5)[:, None], RATE), [0.3, 1.3])[0]
    measured, exact = float(loudness_of(powers, spl_offset_db=70.0)), float(loudness_of(tone_powers((f_hz, 70.0))))
    assert measured == pytest.approx(exact, rel=0.06)
