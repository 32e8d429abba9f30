"""Loops: tempo, beat one, length, swing, hits with roles, continuity."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from drum_synthesis import RATE_HZ, clap, closed_hat, kick, open_hat, rim, shaker, snare, tom
from scipy.signal import fftconvolve

from dossier.measure import loops as measure
from dossier.model.measures import Array, LoopMeasures

DATA = Path(__file__).resolve().parents[1] / "data"
MAKERS = {
    "kick": (kick, 1.0), "snare": (snare, 0.8), "clap": (clap, 0.7), "closed-hat": (closed_hat, 0.35),
    "open-hat": (open_hat, 0.35), "tom": (tom, 0.8), "shaker": (shaker, 0.3), "rim": (rim, 0.5),
}  # fmt: skip
# Sixteen slots a bar.
GROOVES: dict[str, dict[str, str]] = {
    "backbeat": {"kick": "x.......x.x.....", "snare": "....x.......x...", "closed-hat": "x.x.x.x.x.x.x.x."},
    "busy": {"kick": "x..x..x...x.....", "snare": "....x..x....x..x", "closed-hat": "xxxxxxxxxxxxxxxx"},
    "four": {"kick": "x...x...x...x...", "clap": "....x.......x...", "open-hat": "..x...x...x...x."},
    "half time": {"kick": "x.....x.........", "snare": "........x.......", "closed-hat": "x.x.x.x.x.xxx.x."},
    "bare": {"kick": "x.........x.....", "snare": "....x.......x..x"},
    "hands": {"tom": "x..x..x...x...x.", "shaker": "x.xxx.xxx.xxx.xx", "rim": "....x.......x..."},
}
FAMILY = {
    "kick": "kick", "snare": "snare", "clap": "snare", "rim": "snare", "closed-hat": "high", "open-hat": "high",
    "ride": "high", "crash": "high", "shaker": "high", "tom": "tom", "percussion": "tom",
}  # fmt: skip


def loop(
    groove: str, bpm: float, bars: int, *, seed: int = 1, lead_s: float = 0.0, pickup: int = 0, tail_s: float = 0.0,
    swing: float = 0.5, loose_s: float = 0.0,
) -> tuple[Array, list[tuple[float, str]]]:  # fmt: skip
    """A loop cut exactly at its end, and its hits.  `pickup` is slots of hats before beat one."""
    rng = np.random.default_rng(seed)
    slot_s = 15.0 / bpm
    start_s = lead_s + pickup * slot_s
    frames = round((start_s + 16 * bars * slot_s + tail_s) * RATE_HZ)
    out = np.zeros(frames + 4 * RATE_HZ)
    truth: list[tuple[float, str]] = []
    sounds = {}
    for role in [*GROOVES[groove], "closed-hat"]:
        maker, level = MAKERS[role]
        sound = maker(rng)
        sounds[role] = sound * level / np.abs(sound).max()

    def put(role: str, time_s: float, level: float) -> None:
        first = round(time_s * RATE_HZ)
        out[first : first + len(sounds[role])] += level * sounds[role]
        truth.append((time_s, role))

    for slot in range(0, pickup, 1 if pickup < 3 else 2):
        put("closed-hat", lead_s + slot * slot_s, 0.8)
    for bar in range(bars):
        for role, places in GROOVES[groove].items():
            for slot in np.flatnonzero(np.array(list(places)) == "x"):
                late = (2.0 * swing - 1.0) * slot_s if slot % 2 else 0.0
                loose = rng.normal(0.0, loose_s) if slot or bar else 0.0
                put(role, start_s + (16 * bar + slot) * slot_s + late + loose, rng.uniform(0.8, 1.0))
    out = out[:frames]
    out[-240:] *= np.linspace(1.0, 0.0, 240)
    return (out / np.abs(out).max())[:, None], sorted(truth)


def assert_tempo(found: LoopMeasures, bpm: float, beats: float, *, within: float = 0.005) -> None:
    """The tempo, or half or double of it, with the length in beats of that tempo."""
    assert found.tempo_bpm is not None
    factor = min((0.5, 1.0, 2.0), key=lambda f: abs(found.tempo_bpm / bpm / f - 1.0))
    assert found.tempo_bpm == pytest.approx(factor * bpm, rel=within)
    assert found.beats == pytest.approx(factor * beats)
    if factor != 1.0:
        assert "can be heard too" in found.tempo_source


# Tempo, beat one and length ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("groove", list(GROOVES))
@pytest.mark.parametrize(
    ("bpm", "bars"), [(70.0, 1), (84.3, 2), (97.0, 4), (118.0, 1), (126.5, 2), (142.0, 4), (160.0, 2)]
)
def test_tempo_and_length_of_loops_cut_on_bar_lines(groove: str, bpm: float, bars: int) -> None:
    """Analytic: the length is the bars that were laid, so the tempo is exact."""
    found = measure.measure(loop(groove, bpm, bars)[0], RATE_HZ)
    assert_tempo(found, bpm, 4 * bars, within=0.001)
    assert found.downbeat_s == pytest.approx(0.0, abs=0.002)
    assert found.tempo_source.startswith("its length, ")
    assert "tempo_bpm" not in found.reasons


def test_most_tempos_are_the_ones_that_were_meant() -> None:
    """Analytic: half and double are heard as well, but four of five loops are read at the tempo they were made with."""
    tempos = np.linspace(75.0, 140.0, 14)
    sounds = [loop(list(GROOVES)[i % 6], t, 2, seed=i)[0] for i, t in enumerate(tempos)]
    found = [measure.measure(sound, RATE_HZ).tempo_bpm for sound in sounds]
    assert sum(f is not None and abs(f / t - 1.0) < 0.005 for f, t in zip(found, tempos, strict=True)) >= 11


@pytest.mark.parametrize("groove", ["backbeat", "busy", "four", "bare"])
@pytest.mark.parametrize("lead_s", [0.009, 0.05, 0.237, 0.6])
def test_leading_silence(groove: str, lead_s: float) -> None:
    """Analytic: beat one is found within 5 ms where silence was planted, and the length is what follows it."""
    found = measure.measure(loop(groove, 96.0, 2, lead_s=lead_s)[0], RATE_HZ)
    assert found.downbeat_s == pytest.approx(lead_s, abs=0.005)
    assert_tempo(found, 96.0, 8)


@pytest.mark.parametrize("groove", ["backbeat", "busy", "four"])
@pytest.mark.parametrize("pickup", [1, 2, 4])
@pytest.mark.parametrize(("bpm", "lead_s"), [(88.0, 0.0), (124.0, 0.0), (104.0, 0.04)])
def test_pickups(groove: str, pickup: int, bpm: float, lead_s: float) -> None:
    """Analytic: hats before beat one, with and without silence before them, do not move it by more than 5 ms."""
    found = measure.measure(loop(groove, bpm, 2, pickup=pickup, lead_s=lead_s)[0], RATE_HZ)
    assert found.downbeat_s == pytest.approx(lead_s + pickup * 15.0 / bpm, abs=0.005)
    assert_tempo(found, bpm, 8)


@pytest.mark.parametrize("groove", ["backbeat", "busy", "half time"])
@pytest.mark.parametrize("tail_s", [0.3, 1.1])
def test_a_tail_is_no_part_of_the_pass(groove: str, tail_s: float) -> None:
    """Analytic: what rings on after the last bar does not lengthen it."""
    found = measure.measure(loop(groove, 100.0, 2, tail_s=tail_s)[0], RATE_HZ)
    assert_tempo(found, 100.0, 8)
    assert found.downbeat_s == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("seed", range(4))
def test_loosely_played_loops(seed: int) -> None:
    """Analytic: hits 5 ms about their slots leave length and beat one as they are."""
    found = measure.measure(loop("backbeat", 93.0, 2, seed=seed, loose_s=0.005)[0], RATE_HZ)
    assert_tempo(found, 93.0, 8)
    assert found.downbeat_s == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("swing", [0.5, 0.56, 0.62, 2 / 3])
def test_swing_of_sixteenths(swing: float) -> None:
    """Analytic: 50 % straight, 66.7 % triplet; read within two points."""
    found = measure.measure(loop("busy", 90.0, 2, swing=swing)[0], RATE_HZ)
    assert_tempo(found, 90.0, 8)
    assert found.swing == pytest.approx(swing, abs=0.02)


def test_no_swing_without_hits_between_the_beats() -> None:
    """Analytic."""
    found = measure.measure(loop("four", 120.0, 2)[0], RATE_HZ)
    assert found.swing is None
    assert "between" in found.reasons["swing"]


@pytest.mark.parametrize(
    ("name", "bpm", "beats"),
    [("loop_breakbeat", 126.0, 4), ("loop_industrial", 135.786, 2), ("loop_compus", 148.0, 16),
     ("loop_safari", 119.924, 16)],
)  # fmt: skip
def test_real_loops_whose_length_tells_their_tempo(name: str, bpm: float, beats: int) -> None:
    """Cross-check: their lengths are whole bars (seconds in tests/data/ORIGIN.md): 60 * beats / seconds."""
    samples, rate = soundfile.read(DATA / f"{name}.flac", always_2d=True)
    assert 60.0 * beats * rate / len(samples) == pytest.approx(bpm, rel=1e-4)
    found = measure.measure(samples, rate)
    assert_tempo(found, bpm, beats)
    assert found.downbeat_s < 0.02


def test_what_is_stated_counts() -> None:
    """Regression: beat.toml before the file's name, that before the sound; a bare number where the length fits it."""
    sound = loop("backbeat", 120.0, 2)[0]
    assert measure.measure(sound, RATE_HZ, tempo_bpm=60.0, name="x_90bpm.wav").tempo_source == "beat.toml"
    assert measure.measure(sound, RATE_HZ, tempo_bpm=60.0).beats == 4.0
    named = measure.measure(sound, RATE_HZ, name="x_90bpm.wav")
    assert (named.tempo_bpm, named.tempo_source) == (90.0, "file name")
    bare = measure.measure(sound, RATE_HZ, name="groove_60.wav")
    assert (bare.tempo_bpm, bare.beats) == (60.0, 4.0)
    assert "number in the file name" in bare.tempo_source
    assert measure.measure(sound, RATE_HZ, name="groove_77.wav").tempo_bpm == pytest.approx(120.0)


def test_beat_one_is_found_at_a_stated_tempo_too() -> None:
    """Analytic."""
    sound = loop("backbeat", 92.0, 2, lead_s=0.11, pickup=2)[0]
    found = measure.measure(sound, RATE_HZ, tempo_bpm=92.0)
    assert found.downbeat_s == pytest.approx(0.11 + 30.0 / 92.0, abs=0.005)
    assert found.beats == 8.0


@pytest.mark.parametrize("seed", range(8))
def test_onsets_at_random_have_no_tempo(seed: int) -> None:
    """Analytic: sixteen hits anywhere in 3.3 s keep no tempo; the reason stands for beats and swing too."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(3.3 * RATE_HZ))
    for time in rng.uniform(0.0, 3.2, 16):
        piece = snare(rng)[: len(out) - int(time * RATE_HZ)]
        out[int(time * RATE_HZ) : int(time * RATE_HZ) + len(piece)] += piece
    found = measure.measure(out[:, None], RATE_HZ)
    assert found.tempo_bpm is None
    assert found.tempo_source == ""
    assert "no steady tempo" in found.reasons["tempo_bpm"]
    assert {"beats", "swing"} <= set(found.reasons)


def test_a_texture_has_no_tempo_and_is_continuous() -> None:
    """Cross-check: a choir held for its whole length (tests/data)."""
    samples, rate = soundfile.read(DATA / "ambi_choir.flac", always_2d=True)
    found = measure.measure(samples, rate)
    assert found.tempo_bpm is None
    assert found.continuity is not None
    assert found.continuity > 0.85


# Hits ----------------------------------------------------------------------------------------------------------------


def test_hits_of_loops_and_their_roles() -> None:
    """Analytic: nine of ten hits are found within 10 ms, and four of five are told to the right family of drums.

    Where drums strike together, either may be told.
    """
    found_count = right = told = wanted = 0
    for index, groove in enumerate(["backbeat", "busy", "four", "half time", "bare"] * 3):
        sound, truth = loop(groove, 90.0 + 5 * index, 2, seed=50 + index)
        hits = measure.measure(sound, RATE_HZ).hits
        times = sorted({round(time, 4) for time, _ in truth})
        wanted += len(times)
        found_count += sum(any(abs(hit.time_s - time) < 0.010 for hit in hits) for time in times)
        for hit in hits:
            there = {FAMILY[role] for time, role in truth if abs(hit.time_s - time) < 0.010}
            told += 1
            right += FAMILY[hit.role] in there
    assert found_count >= 0.88 * wanted
    assert right >= 0.8 * told


def test_levels_of_hits_are_relative_to_the_loudest() -> None:
    """Analytic: the loudest hit is at 0 dB; one at half its amplitude 6.02 dB under it."""
    rng = np.random.default_rng(0)
    one = kick(rng)[: RATE_HZ // 4]
    out = np.zeros(2 * RATE_HZ)
    for beat, level in enumerate((1.0, 0.5, 1.0, 0.5)):
        out[beat * RATE_HZ // 2 : beat * RATE_HZ // 2 + len(one)] += level * one
    hits = measure.measure(out[:, None], RATE_HZ).hits
    assert [hit.level_db for hit in hits] == pytest.approx([0.0, -6.02, 0.0, -6.02], abs=0.1)
    assert {hit.role for hit in hits} == {"kick"}


def test_a_hat_over_a_ringing_kick_is_a_hat() -> None:
    """Analytic: what rang before a hit is not held against it."""
    t = np.arange(RATE_HZ) / RATE_HZ
    out = np.tile(0.9 * np.sin(2 * np.pi * 50 * t) * 10.0 ** (-t / 1.5), 4)
    rng = np.random.default_rng(3)
    hat = closed_hat(rng)
    hat *= 0.3 / np.abs(hat).max()
    for beat in range(4):
        first = beat * RATE_HZ + RATE_HZ // 2
        out[first : first + len(hat)] += hat[: len(out) - first]
    between = [hit.role for hit in measure.measure(out[:, None], RATE_HZ).hits if abs(hit.time_s % 1.0 - 0.5) < 0.02]
    assert len(between) == 4
    assert {FAMILY[role] for role in between} == {"high"}


# Continuity ----------------------------------------------------------------------------------------------------------


def dry_and_rich() -> tuple[Array, Array]:
    """Short dry hits; the same in a room that decays by 60 dB in 1 s."""
    rng = np.random.default_rng(7)
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    dry = np.zeros(len(t))
    for beat in range(8):
        sound = (kick if beat % 2 == 0 else snare)(rng)[: int(0.08 * RATE_HZ)]
        dry[beat * RATE_HZ // 2 : beat * RATE_HZ // 2 + len(sound)] += sound / np.abs(sound).max()
    room = rng.standard_normal(RATE_HZ) * 10.0 ** (-3.0 * np.arange(RATE_HZ) / RATE_HZ)
    wet = fftconvolve(dry, room)[: len(dry)]
    return dry[:, None], (dry + 0.4 * wet / np.abs(wet).max())[:, None]


def test_a_rich_loop_is_more_continuous_than_a_lean_one() -> None:
    """Common practice, no source: a room that rings between the hits makes a loop sound continuous."""
    dry, rich = (measure.measure(sound, RATE_HZ).continuity for sound in dry_and_rich())
    assert dry is not None
    assert rich is not None
    assert dry < 0.1
    assert rich > dry + 0.3


@pytest.mark.parametrize(("under_db", "continuity"), [(0.0, 1.0), (10.0, 0.8), (25.0, 0.5), (40.0, 0.2), (60.0, 0.0)])
def test_continuity_is_linear_in_decibels(under_db: float, continuity: float) -> None:
    """Analytic: bursts of noise at 0 dB, noise between them at a known level under it: 1 - level / 50 dB."""
    rng = np.random.default_rng(1)
    level = np.full(4 * RATE_HZ, 10.0 ** (-under_db / 20.0))
    for beat in range(8):
        level[beat * RATE_HZ // 2 : beat * RATE_HZ // 2 + int(0.05 * RATE_HZ)] = 1.0
    noise = rng.standard_normal(len(level)) * level
    found = measure.measure(noise[:, None], RATE_HZ, tempo_bpm=120.0).continuity
    assert found == pytest.approx(continuity, abs=0.05)


def test_level_changes_nothing() -> None:
    """Analytic."""
    sound = loop("backbeat", 95.0, 2)[0]
    one = measure.measure(sound, RATE_HZ)
    for gain in (1e-6, 1e-2, 100.0):
        other = measure.measure(sound * gain, RATE_HZ)
        assert other.tempo_bpm == pytest.approx(one.tempo_bpm)
        assert other.continuity == pytest.approx(one.continuity, abs=1e-6)
        assert [hit.role for hit in other.hits] == [hit.role for hit in one.hits]


# Stated by tags ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("groove", list(GROOVES))
@pytest.mark.parametrize(
    ("bpm", "kind"), [(84.3, {}), (126.5, {"swing": 0.62}), (104.0, {"lead_s": 0.2, "loose_s": 0.006})]
)
def test_analytic_right_tags_are_believed_and_wrong_ones_not(groove: str, bpm: float, kind: dict[str, float]) -> None:
    samples = loop(groove, bpm, 2, seed=3, **kind)[0]
    right = measure.measure(samples, RATE_HZ, tag_bpm=bpm)
    assert (right.tempo_source, right.notes) == ("tag", ())
    for ratio in (0.73, 1.13):
        wrong = measure.measure(samples, RATE_HZ, tag_bpm=bpm * ratio)
        assert wrong.tempo_source != "tag"
        assert "does not fit its sound" in wrong.notes[0]


def test_told_cuts_take_the_place_of_found_hits() -> None:
    """A loop whose cuts the user heard: every one is a hit with a role, faint or not; those past its end are not."""
    samples, rate = soundfile.read(DATA / "loop_breakbeat.flac", always_2d=True)
    found = measure.measure(samples, rate)
    told = (0.0, 0.25, 0.476, 0.477 + 0.238, 1.9, 7.0)
    cut = measure.measure(samples, rate, hits_at_s=told)
    assert [hit.time_s for hit in cut.hits] == pytest.approx(told[:-1])
    assert (cut.tempo_bpm, cut.downbeat_s) == (found.tempo_bpm, found.downbeat_s)
    assert measure.measure(samples, rate, hits_at_s=(9.0,)).hits == found.hits  # none inside: they are found as ever
