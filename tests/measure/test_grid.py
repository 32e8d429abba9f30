"""Grid: click tracks, swung patterns and small arrangements whose tempo, downbeat and swing are known by construction.

Kinds of evidence are named in each test: analytic (the answer is known), cross-check (an independent implementation).
"""

from __future__ import annotations

from functools import cache

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.measure import grid
from dossier.measure.file_names import tempo_from_name
from dossier.measure.onsets import detect

RATE = 44100


def burst(rng: np.random.Generator, *, kind: str = "noise", decay_s: float = 0.008, hz: float = 1000.0) -> np.ndarray:
    t = np.arange(int(8 * decay_s * RATE)) / RATE
    carrier = rng.standard_normal(len(t)) if kind == "noise" else np.sin(2 * np.pi * hz * t)
    return carrier * np.exp(-t / decay_s)


def place(times: np.ndarray, gains: np.ndarray, sounds: list[np.ndarray], duration_s: float) -> np.ndarray:
    out = np.zeros(int(duration_s * RATE))
    for time, gain, sound in zip(times, gains, sounds, strict=True):
        first = round(time * RATE)
        part = sound[: max(0, len(out) - first)]
        out[first : first + len(part)] += gain * part
    return out


def clicks(
    bpm: float, *, duration_s: float = 20.0, first_s: float = 0.0, accent: int = 0, kind: str = "noise", seed: int = 1
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    times = np.arange(first_s, duration_s - 0.07, 60.0 / bpm)
    gains = np.where(np.arange(len(times)) % accent == 0, 1.0, 0.5) if accent else np.ones(len(times))
    return place(times, gains, [burst(rng, kind=kind) for _ in times], duration_s)[:, None]


def pattern(bpm: float, *, swing: float, pair_beats: float, bars: int = 8, first_s: float = 0.0) -> np.ndarray:
    """Sixteenths (or eighths) that lean late by the swing, beats accented, the bar's first most."""
    rng = np.random.default_rng(7)
    step = pair_beats / 2.0
    beats = np.arange(0.0, 4.0 * bars, step)
    late = np.round(beats / step).astype(int) % 2 == 1
    moved = np.where(late, beats - step + pair_beats * swing, beats)
    gains = np.where(beats % 4 == 0, 1.0, np.where(beats % 1 == 0, 0.75, 0.45))
    sounds = [burst(rng, kind="tone", hz=300.0, decay_s=0.02) for _ in beats]
    times = first_s + moved * 60.0 / bpm
    return place(times, gains, sounds, first_s + 4.0 * bars * 60.0 / bpm)[:, None]


@cache
def note(
    hz: float, duration_s: float, *, attack_s: float = 0.004, decay_s: float = 0.6, partials: int = 6
) -> np.ndarray:
    t = np.arange(int(duration_s * RATE)) / RATE
    wave = sum(np.sin(2 * np.pi * hz * k * t) / k for k in range(1, partials + 1))
    ends = np.minimum(1.0, t / attack_s) * np.minimum(1.0, (duration_s - t) / 0.01)
    return np.asarray(wave * ends * np.exp(-t / decay_s))


def arrangement(bpm: float, *, bars: int = 8, first_s: float = 0.0) -> np.ndarray:
    """Bass on beats one and two and a half, a chord on the bar, an arpeggio of eighths: C minor, invented."""
    beat = 60.0 / bpm
    chords = ((0, 3, 7), (8, 12, 15), (3, 7, 10), (10, 14, 17))
    times: list[float] = []
    gains: list[float] = []
    sounds: list[np.ndarray] = []

    def add(at: float, gain: float, midi: int, length: float) -> None:
        times.append(first_s + at * beat)
        gains.append(gain)
        sounds.append(note(440.0 * 2 ** ((midi - 69) / 12), length * beat))

    for bar in range(bars):
        chord = chords[bar % 4]
        for at in (0.0, 2.5):
            add(4 * bar + at, 0.8, 36 + chord[0] % 12, 0.9)
        for tone in chord:
            add(4 * bar, 0.25, 60 + tone, 3.8)
        for step in range(8):
            add(4 * bar + 0.5 * step, 0.3 if step % 2 else 0.4, 72 + chord[step % 3], 0.45)
    return place(np.array(times), np.array(gains), sounds, first_s + 4 * bars * beat)[:, None]


# Tempo and downbeat


@pytest.mark.parametrize("bpm", [60.0, 71.0, 83.3, 92.0, 97.35, 104.0, 120.0, 128.0, 137.5, 150.0, 166.0, 180.0])
def test_analytic_click_track_tempo_within_a_tenth_bpm_and_downbeat_within_10_ms(bpm: float) -> None:
    for kind in ("noise", "tone"):
        found = grid.estimate(clicks(bpm, first_s=0.137, kind=kind), RATE)
        assert found.tempo_source == "estimated"
        assert found.tempo_bpm == pytest.approx(bpm, abs=0.1)
        assert found.first_downbeat_s == pytest.approx(0.137, abs=0.010)
        assert found.tempo_confidence > 0.8


@pytest.mark.parametrize(("bpm", "first_s"), [(75.0, 0.0), (96.0, 0.5), (120.0, 0.5), (120.0, 1.25), (174.0, 0.31)])
def test_analytic_accented_clicks_put_the_bar_on_the_accent(bpm: float, first_s: float) -> None:
    found = grid.estimate(clicks(bpm, first_s=first_s, accent=4), RATE)
    assert found.tempo_bpm == pytest.approx(bpm, abs=0.1)
    assert found.first_downbeat_s == pytest.approx(first_s, abs=0.010)


def test_analytic_waltz_clicks_in_three_four() -> None:
    found = grid.estimate(clicks(140.0, accent=3, first_s=0.2), RATE, meter=(3, 4))
    assert found.tempo_bpm == pytest.approx(140.0, abs=0.1)
    assert found.first_downbeat_s == pytest.approx(0.2, abs=0.010)
    assert (found.slots_per_bar, found.bar_beats) == (12, 3.0)


@pytest.mark.parametrize("bpm", [68.0, 84.0, 92.5, 101.0, 118.0, 133.0])
@pytest.mark.parametrize("first_s", [0.0, 0.73])
def test_analytic_small_arrangement(bpm: float, first_s: float) -> None:
    found = grid.estimate(arrangement(bpm, first_s=first_s), RATE)
    ratio = found.tempo_bpm / bpm
    assert any(abs(ratio / factor - 1.0) < 0.0015 for factor in (0.5, 1.0, 2.0))
    if abs(ratio - 1.0) > 0.01:  # another octave is allowed only where the right one is named
        assert f"{bpm:.4g}" in " ".join(found.notes)
    assert found.first_downbeat_s == pytest.approx(first_s, abs=0.016)


@pytest.mark.parametrize("bpm", [78.0, 104.0])
@pytest.mark.parametrize(("pickup_beats", "lead_s"), [(1.0, 0.0), (2.0, 0.0), (0.5, 0.2), (1.0, 0.4)])
def test_analytic_pickup_is_not_taken_for_the_bar(bpm: float, pickup_beats: float, lead_s: float) -> None:
    """Eighths lead into the first bar; the chords say where the bars are."""
    beat = 60.0 / bpm
    signal = arrangement(bpm, first_s=lead_s + pickup_beats * beat)[:, 0]
    for step in range(int(2 * pickup_beats)):
        lead_in = 0.4 * note(440.0 * 2 ** ((72 + 2 * step - 69) / 12), 0.45 * beat)
        first = int((lead_s + 0.5 * step * beat) * RATE)
        signal[first : first + len(lead_in)] += lead_in
    found = grid.estimate(signal[:, None], RATE, tempo_bpm=bpm)
    assert found.first_downbeat_s == pytest.approx(lead_s + pickup_beats * beat, abs=0.010)
    assert found.bars == 8


def test_cross_check_tempo_criterion_of_mir_eval() -> None:
    """mir_eval.tempo, 8 % (the MIREX criterion): reference against estimate, both with their double."""
    for bpm in (64.0, 88.0, 110.0, 126.0, 144.0):
        found = grid.estimate(clicks(bpm, accent=4), RATE).tempo_bpm
        reference, estimate = np.array([bpm, 2 * bpm]), np.array([found, 2 * found])
        score, one, both = mir_eval.tempo.detection(reference, 1.0, estimate, tol=0.08)
        assert (score, one, both) == (1.0, True, True)


def test_cross_check_onset_criterion_of_mir_eval() -> None:
    """mir_eval.onset, 50 ms: every planted onset is found, and nothing else."""
    rng = np.random.default_rng(3)
    planted = np.cumsum(rng.uniform(0.12, 0.6, 60))
    sounds = [burst(rng, kind=("noise", "tone")[k % 2], hz=220.0, decay_s=0.015) for k in range(60)]
    signal = place(planted, rng.uniform(0.4, 1.0, 60), sounds, float(planted[-1]) + 0.5)
    signal += 0.001 * rng.standard_normal(len(signal))
    found = detect(signal[:, None], RATE).times_s
    f_measure, precision, recall = mir_eval.onset.f_measure(planted, found, window=0.05)
    assert f_measure > 0.98
    assert precision > 0.98
    assert recall > 0.98
    nearest = np.abs(found[:, None] - planted).min(axis=1)
    assert np.median(nearest) < 0.002


def test_analytic_tempo_is_fitted_over_the_whole_file() -> None:
    """Three minutes at 92.34 BPM: a tempo that is 0.02 off would drift by more than a third of a slot."""
    found = grid.estimate(clicks(92.34, duration_s=180.0, accent=4), RATE)
    assert found.tempo_bpm == pytest.approx(92.34, abs=0.01)


# Music without drums: level of the beat, meter, swing, changes


CHORDS = ((0, 3, 7), (8, 12, 15), (3, 7, 10), (10, 14, 17))
# quarter, gain, semitones above the chord's root, length in quarters; bass an octave below the rest
STRAIGHT = (
    *((at, 0.8, -24, 0.9) for at in (0.0, 1.0, 2.5, 3.0)),
    *((0.5 * k, 0.35 if k % 2 else 0.5, (12, 15, 19)[k % 3], 0.4) for k in range(8)),
    *((at, 0.3, 24, 0.2) for at in (0.75, 2.75, 3.25)),
)
TRESILLO = (
    *((at, 0.8, -24, 0.7) for at in (0.0, 1.5, 3.0)),
    *((0.25 * k, 0.5 if k % 4 == 0 else 0.3, (12, 15, 19)[k % 3], 0.22) for k in range(16) if k not in (5, 11)),
    *((at, 0.4, 7, 0.5) for at in (1.0, 3.0)),
)
WALTZ = (
    (0.0, 0.9, -24, 0.9), (1.0, 0.4, 12, 0.4), (1.0, 0.4, 15, 0.4), (2.0, 0.4, 12, 0.4), (2.0, 0.4, 15, 0.4),
    (0.0, 0.4, 24, 0.9), (1.5, 0.3, 22, 0.4), (2.5, 0.3, 19, 0.4),
)  # fmt: skip
SIX_EIGHT = (
    *((at, 0.9, -24, 1.3) for at in (0.0, 1.5)),
    *((0.5 * k, (0.55, 0.3, 0.35)[k % 3], (12, 15, 19)[k % 3], 0.4) for k in range(6)),
)


@cache
def music(
    bpm: float,
    bar: tuple[tuple[float, float, int, float], ...] = STRAIGHT,
    *,
    quarters: float = 4.0,
    bars: int = 8,
    swing: float = 0.5,
    pair: float = 1.0,
) -> np.ndarray:
    """Pad, bass and arpeggio, an invented progression; each bar leaves out another note, and gains vary."""
    beat, rng = 60.0 / bpm, np.random.default_rng(4)
    times, gains, sounds = [], [], []
    for index in range(bars):
        root = CHORDS[index % 4][0] % 12
        played = [event for k, event in enumerate(bar) if k == 0 or (k + index) % 7]
        for at, gain, step, length in played:
            late = round(at / (0.5 * pair)) % 2 == 1 and abs(at / (0.5 * pair) - round(at / (0.5 * pair))) < 1e-6
            moved = at - 0.5 * pair + pair * swing if late else at
            times.append((quarters * index + moved) * beat)
            gains.append(gain * rng.uniform(0.85, 1.15))
            sounds.append(note(440.0 * 2 ** ((60 + root + step - 69) / 12), length * beat, decay_s=0.35))
        for tone in CHORDS[index % 4]:
            times.append(quarters * index * beat)
            gains.append(0.15)
            sounds.append(note(440.0 * 2 ** ((60 + tone - 69) / 12), quarters * beat, attack_s=0.1, decay_s=9.0))
    return place(np.array(times), np.array(gains), sounds, quarters * bars * beat)[:, None]


@pytest.mark.parametrize("bpm", [64.0, 82.0, 100.0, 118.0, 140.0, 176.0])
@pytest.mark.parametrize("bar", [STRAIGHT, TRESILLO], ids=["straight", "tresillo"])
def test_analytic_tempo_of_music_without_drums(bar: tuple[tuple[float, float, int, float], ...], bpm: float) -> None:
    """A bass in 3-3-2 is no beat of dotted eighths; half or double is read only outside the middle, and then named."""
    found = grid.estimate(music(bpm, bar), RATE)
    named = [tempo for tempo in (found.tempo_bpm, *found.tempo_alternatives) if abs(tempo / bpm - 1.0) < 0.001]
    assert len(named) == 1
    assert any(abs(found.tempo_bpm / bpm / ratio - 1.0) < 0.001 for ratio in (0.5, 1.0, 2.0))
    if 95.0 < bpm < 145.0:
        assert found.tempo_bpm == pytest.approx(bpm, abs=0.1)
        assert found.tempo_confidence > 0.25
    assert found.meter == (4, 4)
    assert len(found.tempo_alternatives) <= 2


@pytest.mark.parametrize("bpm", [96.0, 110.0, 132.0])
def test_analytic_a_waltz_is_found_or_named_and_not_sure_where_it_is_wrong(bpm: float) -> None:
    found = grid.estimate(music(bpm, WALTZ, quarters=3.0, bars=12), RATE)
    assert any(abs(tempo / bpm - 1.0) < 0.001 for tempo in (found.tempo_bpm, *found.tempo_alternatives))
    assert abs(found.tempo_bpm / bpm - 1.0) < 0.001 or found.tempo_confidence < 0.6
    known = grid.estimate(music(bpm, WALTZ, quarters=3.0, bars=12), RATE, meter=(3, 4))
    assert known.tempo_bpm == pytest.approx(bpm, abs=0.1)


@pytest.mark.parametrize("bpm", [96.0, 110.0, 132.0])
def test_analytic_three_four_is_told_from_four_four(bpm: float) -> None:
    found = grid.estimate(music(bpm, WALTZ, quarters=3.0, bars=12), RATE, tempo_bpm=bpm)
    assert (found.meter, found.meter_source) == ((3, 4), "estimated")
    assert found.first_downbeat_s == pytest.approx(0.0, abs=0.010)


@pytest.mark.parametrize("bpm", [96.0, 108.0, 126.0])
def test_analytic_six_eight_is_told_from_three_four(bpm: float) -> None:
    found = grid.estimate(music(bpm, SIX_EIGHT, quarters=3.0, bars=12), RATE)
    assert found.tempo_bpm == pytest.approx(bpm, abs=0.1)
    assert (found.meter, found.meter_source) == ((6, 8), "estimated")


def test_analytic_a_meter_that_the_sound_does_not_tell_is_assumed() -> None:
    found = grid.estimate(clicks(100.0), RATE)
    assert (found.meter, found.meter_source, found.meter_confidence) == ((4, 4), "assumed", 0.0)


def test_analytic_a_stated_meter_is_kept_and_another_one_that_is_heard_is_said() -> None:
    found = grid.estimate(music(110.0, WALTZ, quarters=3.0, bars=12), RATE, tempo_bpm=110.0, meter=(4, 4))
    assert (found.meter, found.meter_source) == ((4, 4), "beat.toml")
    assert "3/4" in " ".join(found.notes)


@pytest.mark.parametrize(("pair", "unit"), [(1.0, "eighths"), (0.5, "sixteenths")])
@pytest.mark.parametrize("swing", [0.58, 2 / 3])
def test_analytic_swing_of_music_is_found_on_the_pairs_that_swing(swing: float, pair: float, unit: str) -> None:
    bar = STRAIGHT if pair == 1.0 else TRESILLO
    found = grid.estimate(music(96.0, bar, swing=swing, pair=pair), RATE, tempo_bpm=96.0)
    assert found.swing_of == unit
    assert found.swing == pytest.approx(swing, abs=0.02)


@pytest.mark.parametrize(("first_bpm", "second_bpm"), [(96.0, 112.0), (120.0, 104.0), (100.0, 106.0)])
def test_analytic_a_tempo_change_is_said_and_not_averaged(first_bpm: float, second_bpm: float) -> None:
    first, second = music(first_bpm, bars=8), music(second_bpm, bars=14)
    found = grid.estimate(np.concatenate([first, second]), RATE)
    (start_s, one), (change_s, other) = found.tempo_changes
    assert start_s == 0.0
    assert (one, other) == (pytest.approx(first_bpm, rel=0.01), pytest.approx(second_bpm, rel=0.01))
    assert change_s == pytest.approx(len(first) / RATE, abs=5.0)
    assert found.tempo_bpm == pytest.approx(second_bpm, abs=0.1)
    assert "The tempo changes" in " ".join(found.notes)


@pytest.mark.parametrize("bpm", [92.0, 121.7])
def test_analytic_a_steady_tempo_has_no_changes(bpm: float) -> None:
    assert grid.estimate(music(bpm, bars=14), RATE).tempo_changes == ()


def test_analytic_a_file_name_that_the_sound_contradicts_is_not_believed() -> None:
    found = grid.estimate(music(126.0), RATE, names=("break_92bpm.wav",))
    assert found.tempo_bpm == pytest.approx(126.0, abs=0.1)
    assert found.tempo_source == "estimated"
    told = " ".join(found.notes)
    assert "92" in told
    assert "126" in told


def test_analytic_a_rounded_tempo_in_a_file_name_gives_way_to_the_sound_that_drifts_against_it() -> None:
    found = grid.estimate(clicks(92.6, duration_s=60.0, first_s=0.1), RATE, names=("pad_92bpm.wav",))
    assert found.tempo_bpm == pytest.approx(92.6, abs=0.02)
    assert found.tempo_source == "estimated"


@pytest.mark.parametrize("named", ["63", "126", "84"])
def test_analytic_a_file_name_in_a_simple_ratio_to_the_sound_is_believed(named: str) -> None:
    found = grid.estimate(music(126.0), RATE, names=(f"loop_{named}bpm.wav",))
    assert (found.tempo_bpm, found.tempo_source) == (float(named), "file name")


def test_analytic_a_stated_tempo_that_the_sound_contradicts_is_kept_and_said() -> None:
    found = grid.estimate(music(126.0), RATE, tempo_bpm=92.0)
    assert (found.tempo_bpm, found.tempo_source) == (92.0, "beat.toml")
    assert "126" in " ".join(found.notes)


# Where there is no tempo


def test_analytic_onsets_at_random_get_the_fallback_and_a_warning() -> None:
    rng = np.random.default_rng(11)
    times = np.sort(rng.uniform(0.1, 39.0, 70))
    signal = place(times, rng.uniform(0.4, 1.0, 70), [burst(rng) for _ in times], 40.0)
    found = grid.estimate(signal[:, None], RATE)
    assert (found.tempo_bpm, found.tempo_source, found.tempo_confidence) == (120.0, "assumed", 0.0)
    assert "16ths of 120" in " ".join(found.notes)


def test_analytic_slow_pad_has_a_usable_grid() -> None:
    """Chords that fade into each other every few seconds: no onsets to speak of, no crash, a usable grid."""
    t = np.arange(30 * RATE) / RATE
    signal = np.zeros(len(t))
    for index, hz in enumerate((110.0, 130.8, 98.0, 146.8, 116.5)):
        swell = np.exp(-0.5 * ((t - 3.0 - 6.0 * index) / 2.0) ** 2)
        signal += swell * (np.sin(2 * np.pi * hz * t) + 0.5 * np.sin(2 * np.pi * 1.5 * hz * t))
    found = grid.estimate(np.stack([signal, 0.8 * signal], axis=1), RATE)
    assert 50.0 <= found.tempo_bpm <= 220.0
    assert found.bars > 0
    assert found.tempo_source == "estimated" or "16ths of 120" in " ".join(found.notes)


def test_analytic_half_and_double_are_named() -> None:
    found = grid.estimate(pattern(86.0, swing=0.5, pair_beats=1.0), RATE)
    assert found.tempo_bpm == pytest.approx(86.0, abs=0.1) or found.tempo_bpm == pytest.approx(172.0, abs=0.2)
    other = 172 if found.tempo_bpm < 100.0 else 86
    assert str(other) in " ".join(found.notes)


# Stated values


def test_stated_values_are_taken_as_they_are() -> None:
    found = grid.estimate(
        clicks(100.0), RATE, tempo_bpm=93.0, first_downbeat_s=0.25, swing=0.57, meter=(3, 4), names=("a_120bpm.wav",)
    )
    assert (found.tempo_bpm, found.tempo_source, found.tempo_confidence) == (93.0, "beat.toml", 1.0)
    assert (found.first_downbeat_s, found.downbeat_source) == (0.25, "beat.toml")
    assert (found.swing, found.swing_source) == (0.57, "beat.toml")
    assert found.meter == (3, 4)


def test_tempo_from_the_names_of_the_stems() -> None:
    found = grid.estimate(clicks(92.0, first_s=0.2), RATE, names=("stems/pad_92bpm.wav", "stems/bass.wav"))
    assert (found.tempo_bpm, found.tempo_source) == (92.0, "file name")
    assert found.first_downbeat_s == pytest.approx(0.2, abs=0.010)


def test_names_that_disagree_are_noted_and_the_commoner_tempo_is_taken() -> None:
    found = grid.estimate(clicks(92.0), RATE, names=("a_92bpm.wav", "b_92bpm.wav", "c_140bpm.wav"))
    assert found.tempo_bpm == 92.0
    assert "140" in " ".join(found.notes)


def test_a_stated_tempo_that_the_onsets_drift_against_is_noted() -> None:
    found = grid.estimate(clicks(92.6, duration_s=60.0, first_s=0.1), RATE, tempo_bpm=92.0)
    assert found.tempo_bpm == 92.0
    assert "92.6" in " ".join(found.notes)
    assert found.first_downbeat_s == pytest.approx(0.1, abs=0.030)


def test_the_right_tempo_is_not_noted() -> None:
    assert grid.estimate(clicks(92.0, duration_s=60.0), RATE, tempo_bpm=92.0).notes == ()


def test_tempo_from_name() -> None:
    """Common practice, no source: a number beside 'bpm', 50 to 220."""
    for name, tempo in (
        ("pad_92bpm.wav", 92.0), ("pad 92 bpm.wav", 92.0), ("92BPM_pad.wav", 92.0), ("pad-92-BPM-dark.wav", 92.0),
        ("bpm92.wav", 92.0), ("pad_92.5bpm.wav", 92.5), ("pad_92,5 bpm.wav", 92.5), ("x/y/140bpm.flac", 140.0),
        ("pad.wav", None), ("", None), ("pad_92.wav", None), ("take_2192bpm.wav", None), ("pad_300bpm.wav", None),
        ("pad_12bpm.wav", None), ("cubpm.wav", None), ("140bpm/pad.wav", None),
    ):  # fmt: skip
        assert tempo_from_name(name) == tempo, name


# Swing and bars


@pytest.mark.parametrize("pair_beats", [0.5, 1.0])
@pytest.mark.parametrize("swing", [0.5, 0.56, 0.6, 2 / 3])
def test_analytic_swing_of_sixteenths_and_eighths(swing: float, pair_beats: float) -> None:
    found = grid.estimate(pattern(90.0, swing=swing, pair_beats=pair_beats), RATE, tempo_bpm=90.0)
    assert found.swing == pytest.approx(swing, abs=0.015)
    if swing != 0.5:
        assert found.swing_source == "estimated"
        assert found.swing_confidence > 0.5
        assert ("eighths" if pair_beats == 1.0 else "sixteenths") in " ".join(found.notes)


def test_swing_without_anything_between_the_beats_is_assumed_straight() -> None:
    found = grid.estimate(clicks(110.0), RATE)
    assert (found.swing, found.swing_source, found.swing_confidence) == (0.5, "assumed", 0.0)


@pytest.mark.parametrize(("bars", "extra_slots", "expected"), [(4, 0.0, 4), (4, 0.5, 4), (4, 3.0, 5), (7, 15.0, 8)])
def test_analytic_bars_count_the_last_part_from_more_than_a_slot(bars: int, extra_slots: float, expected: int) -> None:
    rng = np.random.default_rng(2)
    length_s = (16 * bars + extra_slots) * 15.0 / 120.0
    tone = np.sin(2 * np.pi * 200.0 * np.arange(int(length_s * RATE)) / RATE) + 0.01 * rng.standard_normal(
        int(length_s * RATE)
    )
    padded = np.concatenate([tone, np.zeros(RATE)])[:, None]
    found = grid.estimate(padded, RATE, tempo_bpm=np.float64(120.0), first_downbeat_s=0.0)
    assert found.bars == expected
    assert type(found.bars) is int, "whatever type the tempo has: a page cannot hold numpy's"
    assert found.slots == 16 * expected


# Invariants


@settings(max_examples=8, deadline=None)
@given(gain_db=st.floats(-80.0, 20.0), polarity=st.sampled_from([1.0, -1.0]))
def test_level_and_polarity_do_not_matter(gain_db: float, polarity: float) -> None:
    signal = clicks(107.0, duration_s=8.0, first_s=0.11)
    here = grid.estimate(signal, RATE)
    there = grid.estimate(signal * polarity * 10 ** (gain_db / 20), RATE)
    assert there.tempo_bpm == pytest.approx(here.tempo_bpm, abs=0.02)
    assert there.first_downbeat_s == pytest.approx(here.first_downbeat_s, abs=0.002)


def test_channels_that_cancel_in_mono_are_heard() -> None:
    signal = clicks(101.0, first_s=0.3)
    found = grid.estimate(signal * np.array([1.0, -1.0]), RATE)
    assert found.tempo_bpm == pytest.approx(101.0, abs=0.1)
    assert found.first_downbeat_s == pytest.approx(0.3, abs=0.010)


@pytest.mark.parametrize("rate", [8000, 22050, 48000, 96000, 192000])
def test_rates(rate: int) -> None:
    rng = np.random.default_rng(5)
    signal = np.zeros(10 * rate)
    for time in np.arange(0.2, 9.8, 60.0 / 95.0):
        first = round(time * rate)
        count = int(0.05 * rate)
        signal[first : first + count] += rng.standard_normal(count) * np.exp(-np.arange(count) / (0.008 * rate))
    found = grid.estimate(signal[:, None], rate)
    assert found.tempo_bpm == pytest.approx(95.0, abs=0.1)
    assert found.first_downbeat_s == pytest.approx(0.2, abs=0.010)


def test_the_same_input_gives_the_same_grid() -> None:
    signal = arrangement(99.0, bars=4)
    assert grid.estimate(signal, RATE) == grid.estimate(signal.copy(), RATE)
