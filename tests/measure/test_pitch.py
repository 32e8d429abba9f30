"""Key of a beat; pitch of kicks, toms and bass notes; names of notes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise, product
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile
from drum_synthesis import clap, closed_hat, decay, filtered, noise, swept, times

from dossier.measure import pitch as measure
from dossier.measure.key_finding import NAMES
from dossier.model.measures import Array

DATA = Path(__file__).resolve().parents[1] / "data"
RATE = 48000


def cents(one_hz: float | None, other_hz: float) -> float:
    assert one_hz is not None
    return 1200.0 * float(np.log2(one_hz / other_hz))


def kick(f_hz: float, *, rise: float, tau_s: float, length_s: float, click: float = 0.0, seed: int = 0) -> Array:
    t = times(2.2 * length_s + 0.05)
    y = swept(t, f_hz, rise, tau_s) * decay(t, length_s)
    if click:
        y = y + click * filtered(noise(np.random.default_rng(seed), t), 1000, 6000) * decay(t, 0.01)
    return y[:, None]


def bass(f_hz: float, *, partials: int = 8, tilt: float = 1.2, fundamental: float = 1.0, rate: int = RATE) -> Array:
    t = np.arange(int(0.8 * rate)) / rate
    y = np.zeros(len(t))
    for k in range(1, partials + 1):
        if k * f_hz < 0.45 * rate:
            y += (fundamental if k == 1 else k**-tilt) * np.sin(2 * np.pi * f_hz * k * t + 0.7 * k)
    return (y * 10.0 ** (-t / 0.9) * np.minimum(1.0, t / 0.005))[:, None]


# Names of notes ------------------------------------------------------------------------------------------------------


def test_handbook_frequencies_of_notes() -> None:
    """Conformance: equal-tempered frequencies with A4 = 440 Hz (ISO 16:1975), from any table of notes (MEM)."""
    for hz, name in (
        (440.0, "A4"), (55.0, "A1"), (261.6256, "C4"), (27.5, "A0"), (41.2034, "E1"), (4186.009, "C8"), (30.8677, "B0"),
    ):  # fmt: skip
        assert measure.note_of(hz) == (name, pytest.approx(0.0, abs=0.01))


def test_cents_from_the_nearest_note() -> None:
    """Analytic: 440 * 2^((n - 69) / 12) moved by a number of cents is that many cents from note n."""
    for number, off in product((21, 40, 59, 60, 69, 108), (-49.0, -12.5, 0.0, 30.0, 49.0)):
        name, found = measure.note_of(440.0 * 2.0 ** ((number + off / 100.0 - 69.0) / 12.0))
        assert found == pytest.approx(off, abs=1e-6)
        assert name == measure.note_of(440.0 * 2.0 ** ((number - 69.0) / 12.0))[0]


@pytest.mark.parametrize("hz", [0.0, -1.0, float("nan")])
def test_no_note_without_a_frequency(hz: float) -> None:
    """Analytic: the logarithm of such a frequency does not exist."""
    with pytest.raises(ValueError, match="above 0 Hz"):
        measure.note_of(hz)


# Pitch ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("f_hz", [40.0, 46.2, 51.9, 58.3, 65.4, 73.4, 80.0])
@pytest.mark.parametrize(
    ("rise", "tau_s", "length_s"), [(2.0, 0.01, 0.15), (4.0, 0.02, 0.3), (6.0, 0.03, 0.45), (1.5, 0.045, 0.6)]
)
def test_kicks_settle_on_their_pitch(f_hz: float, rise: float, tau_s: float, length_s: float) -> None:
    """Analytic: a sine that falls to f, with a click, reads f within 20 cents."""
    found = measure.pitch(kick(f_hz, rise=rise, tau_s=tau_s, length_s=length_s, click=0.2), RATE)
    assert abs(cents(found.hz, f_hz)) < 20.0
    assert found.confidence > 0.8
    assert found.note == measure.note_of(f_hz)[0] or abs(abs(measure.note_of(f_hz)[1]) - 50.0) < 20.0


@pytest.mark.parametrize("f_hz", [32.7, 41.2, 55.0, 82.41, 110.0, 196.0, 329.63])
@pytest.mark.parametrize(("partials", "tilt"), [(1, 1.0), (3, 0.5), (12, 1.0)])
def test_bass_notes(f_hz: float, partials: int, tilt: float) -> None:
    """Analytic: a tone of harmonics of f reads f within 5 cents, also where an overtone is the strongest."""
    found = measure.pitch(bass(f_hz, partials=partials, tilt=tilt), RATE)
    assert abs(cents(found.hz, f_hz)) < 5.0
    assert found.confidence > 0.9


@pytest.mark.parametrize("f_hz", [36.7, 61.7, 98.0])
def test_a_missing_fundamental_is_still_the_pitch(f_hz: float) -> None:
    """Common practice, no source: small speakers play no fundamental, and the note is heard at it nevertheless."""
    found = measure.pitch(bass(f_hz, partials=9, tilt=0.7, fundamental=0.0), RATE)
    assert abs(cents(found.hz, f_hz)) < 5.0


@pytest.mark.parametrize("f_hz", [25.5, 400.0, 1150.0])
def test_both_ends_of_the_range(f_hz: float) -> None:
    """Analytic."""
    assert abs(cents(measure.pitch(bass(f_hz, partials=2), RATE).hz, f_hz)) < 5.0


def test_a_note_below_the_range_has_no_pitch() -> None:
    """Analytic: 18 Hz is a rumble; the reason says where pitches are looked for."""
    found = measure.pitch(bass(18.0, partials=1), RATE)
    assert found.hz is None
    assert found.note is None
    assert found.cents is None
    assert found.reason.startswith("unpitched: ")


@pytest.mark.parametrize("length_s", [0.1, 1.0])
@pytest.mark.parametrize("power", [0.0, -0.5])
def test_noise_is_unpitched(length_s: float, power: float) -> None:
    """Analytic: white and pink noise have no period."""
    for seed in range(6):
        rng = np.random.default_rng([seed, int(1000 * length_s)])
        spectrum = np.fft.rfft(rng.standard_normal(int(length_s * RATE)))
        spectrum[1:] *= np.arange(1, len(spectrum)) ** power
        spectrum[: int(20 * length_s)] = 0.0
        found = measure.pitch(np.fft.irfft(spectrum)[:, None], RATE)
        assert found.hz is None
        assert found.reason.startswith("unpitched: ")
        assert found.confidence < measure.PITCHED


@pytest.mark.parametrize("make", [clap, closed_hat])
def test_claps_and_hats_are_mostly_unpitched(make: Callable[[np.random.Generator], Array]) -> None:
    """Common practice, no source: they are bursts of noise or of clashing squares; nine of ten have no pitch here."""
    rng = np.random.default_rng(5)
    found = [measure.pitch(make(rng)[:, None], RATE) for _ in range(30)]
    assert sum(one.hz is None for one in found) >= 26


@pytest.mark.parametrize(
    ("name", "hz"),
    [("drum_cymbal_closed", None), ("drum_cymbal_open", None), ("drum_cymbal_soft", None), ("perc_snap", None),
     ("drum_snare_hard", None), ("bass_voxy_hit_c", 65.406)],
)  # fmt: skip
def test_real_sounds_whose_pitch_is_known(name: str, hz: float | None) -> None:
    """Cross-check: the bass note's own file name states C (65.406 Hz); cymbals, a snap and a snare have no pitch."""
    samples, rate = soundfile.read(DATA / f"{name}.flac", always_2d=True)
    found = measure.pitch(samples, rate)
    if hz is None:
        assert found.hz is None
    else:
        assert found.note == "C2"
        assert abs(cents(found.hz, hz)) < 10.0


@pytest.mark.parametrize("name", ["drum_tom_lo_hard", "drum_tom_hi_soft", "bd_boom", "bd_haus"])
def test_real_kicks_and_toms_against_a_plain_spectrum(name: str) -> None:
    """Cross-check: the highest peak of a zero-padded spectrum of the second half of the sound, within 40 cents.

    Real drums glide down by about that much while they ring.
    """
    samples, rate = soundfile.read(DATA / f"{name}.flac", always_2d=True)
    found = measure.pitch(samples, rate)
    mono = samples.sum(axis=1)
    energy = np.cumsum(mono**2)
    late = mono[int(np.searchsorted(energy, 0.4 * energy[-1])) :]
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(late * np.hanning(len(late)), size))
    spectrum[: int(25 * size / rate)] = 0.0
    assert abs(cents(found.hz, float(np.argmax(spectrum)) * rate / size)) < 40.0


@pytest.mark.parametrize("gain", [1e-6, 1e-3, 1.0, 1e6])
def test_level_changes_nothing(gain: float) -> None:
    """Analytic: pitch and key do not depend on level."""
    sound = kick(50.0, rise=3.0, tau_s=0.02, length_s=0.3, click=0.1)
    assert abs(cents(measure.pitch(sound * gain, RATE).hz, measure.pitch(sound, RATE).hz or 1.0)) < 0.01
    chords = progression(2, PROGRESSIONS[0][1], seed=0)
    assert measure.key(chords * gain, 22050).name == "D major"


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 96000, 192000])
def test_rate_changes_nothing(rate: int) -> None:
    """Analytic: the same tone at another rate has the same pitch."""
    assert abs(cents(measure.pitch(bass(61.74, rate=rate), rate).hz, 61.74)) < 2.0


@pytest.mark.parametrize("sides", [(1.0, 1.0), (1.0, 0.0), (1.0, -1.0), (0.2, -1.0)])
def test_channels_are_not_summed(sides: tuple[float, float]) -> None:
    """Analytic: a tone in opposite phase on two channels keeps its pitch."""
    assert abs(cents(measure.pitch(bass(55.0) * np.array(sides), RATE).hz, 55.0)) < 1.0


def test_silence_before_and_after_changes_nothing() -> None:
    """Analytic."""
    sound = kick(50.0, rise=3.0, tau_s=0.02, length_s=0.3)
    padded = np.concatenate([np.zeros((20000, 1)), sound, np.zeros((90000, 1))])
    assert abs(cents(measure.pitch(padded, RATE).hz, 50.0)) < 5.0


# Key -----------------------------------------------------------------------------------------------------------------

# Chords as (semitones above the tonic, is minor); each starts on its tonic but the last of the major ones.
PROGRESSIONS = [
    (0, ((0, False), (5, False), (7, False), (0, False))),
    (0, ((0, False), (9, True), (5, False), (7, False))),
    (0, ((0, False), (7, False), (9, True), (5, False))),
    (0, ((2, True), (7, False), (0, False), (0, False))),
    (1, ((0, True), (5, True), (7, False), (0, True))),
    (1, ((0, True), (8, False), (10, False), (0, True))),
    (1, ((0, True), (10, False), (8, False), (7, False))),
    (1, ((0, True), (5, True), (10, False), (0, True))),
]


def progression(
    tonic: int, chords: tuple[tuple[int, bool], ...], *, seed: int, noise_level: float = 0.0, tuning: float = 0.0
) -> Array:
    """One second a chord at 22050 Hz: root, third, fifth, octave and a bass, decaying, with up to 8 partials each."""
    rng = np.random.default_rng(seed)
    t = np.arange(22050) / 22050
    partials = int(rng.integers(2, 9))

    def tone(number: float) -> Array:
        f = 440.0 * 2.0 ** ((number + tuning - 69.0) / 12.0)
        wave = sum(k**-1.3 * np.sin(2 * np.pi * f * k * t + rng.uniform(0, 6)) for k in range(1, partials + 1))
        return np.asarray(wave * np.exp(-1.5 * t) * np.minimum(1.0, t / 0.01))

    out = []
    for root, minor in chords:
        base = 48 + tonic + root
        out.append(sum(tone(base + up) for up in (0, 3 if minor else 4, 7, 12)) + 2.0 * tone(base - 12))
    y = np.concatenate(out)
    return (y + noise_level * rng.standard_normal(len(y)))[:, None]


def test_chord_progressions_in_all_keys() -> None:
    """Cross-check: weighted key score of mir_eval (MIREX) over eight progressions in twelve transpositions, with and
    without noise.  Each mode and each progression counts the same.
    """
    scores = []
    for (number, (mode, chords)), tonic in product(enumerate(PROGRESSIONS), range(12)):
        found = measure.key(progression(tonic, chords, seed=100 * number + tonic, noise_level=0.3 * (tonic % 2)), 22050)
        assert found.name is not None
        scores.append(mir_eval.key.weighted_score(NAMES[mode][tonic], found.name))
    assert np.mean(scores) >= 0.95
    assert np.mean(scores[:48]) >= 0.9
    assert np.mean(scores[48:]) >= 0.9


def test_all_names_of_keys_are_known_to_others() -> None:
    """Cross-check: mir_eval reads each of the 24 names, and tells them apart."""
    names = [name for mode in NAMES for name in mode]
    for name in names:
        mir_eval.key.validate_key(name)
    assert len({mir_eval.key.split_key_string(name) for name in names}) == 24


def test_transposing_moves_the_key() -> None:
    """Analytic: the same music a semitone up is in the key a semitone up."""
    found = [measure.key(progression(k, PROGRESSIONS[0][1], seed=1), 22050).name for k in range(12)]
    assert all(NAMES[0].index(str(b)) - NAMES[0].index(str(a)) == 1 for a, b in pairwise(found))


@pytest.mark.parametrize("tuning", [-0.4, -0.2, 0.3, 0.45])
def test_another_tuning_keeps_the_key(tuning: float) -> None:
    """Analytic: music tuned up to a quarter tone off A4 = 440 Hz is in the key of the nearest notes."""
    assert measure.key(progression(2, PROGRESSIONS[4][1], seed=3, tuning=tuning), 22050).name == "D minor"


@pytest.mark.parametrize("power", [0.0, -0.5, -1.0])
def test_noise_has_no_key(power: float) -> None:
    """Analytic: white, pink and brown noise hold no lasting notes."""
    for seed, length_s in product(range(3), (1.5, 8.0)):
        spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((int(length_s * 22050), 2)), axis=0)
        spectrum[1:] *= np.arange(1, len(spectrum))[:, None] ** power
        spectrum[0] = 0.0
        found = measure.key(np.fft.irfft(spectrum, axis=0), 22050)
        assert (found.name, found.confidence) == (None, 0.0)
        assert found.reason


def test_a_single_note_has_no_sure_key() -> None:
    """Analytic: one note with its octaves lies in fourteen keys."""
    t = np.arange(4 * RATE) / RATE
    found = measure.key((np.sin(2 * np.pi * 220 * t) + np.sin(2 * np.pi * 440 * t))[:, None], RATE)
    assert found.name is None
    assert "few" in found.reason
