"""Loops on the grid: fitted, cut, repeated."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec import structs
from tests_support import grid

from dossier.arrange import loops
from dossier.arrange.pattern import parse_lines
from dossier.decide.policy import DEFAULTS
from dossier.model.findings import LoopFit
from dossier.model.measures import BandEnergies, LoopHit, LoopMeasures
from dossier.model.vocabulary import Means

RATE = 24000


def measured(tempo: float | None, beats: float | None = None, downbeat: float = 0.0) -> LoopMeasures:
    return LoopMeasures(tempo_bpm=tempo, tempo_source="test", beats=beats, downbeat_s=downbeat, swing=None, hits=(),
                        continuity=None)  # fmt: skip


def fit(loop: LoopMeasures, duration: float, tempo: float, means: Means = "as it is", **beat: float) -> LoopFit:
    found = loops.fits(loop, duration_s=duration, tempo_bpm=tempo, policy=DEFAULTS, **beat)[means]
    assert not isinstance(found, str), found
    return found


@pytest.mark.parametrize(
    ("source", "target", "ratio"),
    [(92.0, 92.1, None), (90.0, 92.0, 92 / 90), (70.0, 92.0, 92 / 70), (60.0, 92.0, 46 / 60), (46.0, 92.0, None),
     (184.0, 92.0, None), (180.0, 92.0, 184 / 180)],
)  # fmt: skip
def test_every_means_is_at_hand_where_the_tempo_differs(source: float, target: float, ratio: float | None) -> None:
    loop = structs.replace(measured(source, beats=8.0), hits=(LoopHit(0.0, "kick", 0.0),))
    found = loops.fits(loop, duration_s=480 / source, tempo_bpm=target, policy=DEFAULTS)
    assert found["as it is"].ratio == 1.0  # type: ignore[union-attr]
    for means in ("repitch", "sliced", "stretch"):
        if ratio is None:
            assert found[means] == "not needed: it fits as it is"
        else:
            assert (found[means].method, found[means].ratio) == (means, pytest.approx(ratio))  # type: ignore[union-attr]


def test_what_cannot_be_sliced_says_so() -> None:
    silent = structs.replace(measured(90.0, beats=8.0), reasons={"hits": "nothing strikes in it"})
    found = loops.fits(silent, duration_s=5.3, tempo_bpm=70.0, policy=DEFAULTS)
    assert found["sliced"] == "it cannot be sliced: nothing strikes in it"
    assert not isinstance(found["stretch"], str)
    unsteady = loops.fits(measured(None), duration_s=5.3, tempo_bpm=70.0, policy=DEFAULTS)
    assert unsteady["sliced"] == unsteady["repitch"] == "no steady tempo was found in it"


def test_analytic_repitch_is_twelve_log_two() -> None:
    found = fit(measured(90.0, beats=4.0), 4 * 60 / 90, 92.0, "repitch")
    assert found.semitones == pytest.approx(12 * np.log2(92 / 90))
    assert found.change_percent == pytest.approx(100 * (92 / 90 - 1))


def test_half_time_covers_twice_the_beats() -> None:
    """A loop of 8 beats at 46 BPM lasts as long as 16 beats at 92."""
    assert fit(measured(46.0, beats=8.0), 8 * 60 / 46, 92.0).beats == 16.0
    assert fit(measured(184.0, beats=8.0), 8 * 60 / 184, 92.0).beats == 4.0


def test_a_loop_without_tempo_is_laid_as_it_is_and_said_to_be_poor() -> None:
    found = fit(measured(None), 3.1, 120.0)
    assert found.poor_match
    assert found.beats == 4.0  # whole bars, so that it starts again on beat one
    assert "steady tempo" in found.note
    assert "its last 2 are left out" in found.note


def test_analytic_cycle_is_exactly_its_beats_and_starts_on_the_downbeat() -> None:
    click = np.zeros((round(2.1 * RATE), 2))
    click[2400] = 1.0  # the downbeat, after 0.1 s of silence
    found = fit(measured(120.0, beats=4.0, downbeat=0.1), 2.1, 120.0)
    cycle = loops.cycle_samples(click, RATE, found, tempo_bpm=120.0)
    assert len(cycle) == 2 * RATE
    assert np.argmax(np.abs(cycle[:, 0])) == 0


def test_a_pickup_leads_into_the_next_pass() -> None:
    sound = np.zeros((round(2.25 * RATE), 2))
    sound[:100] = 0.5  # pickup a quarter of a second before the downbeat
    sound[6000] = 1.0
    found = fit(measured(120.0, beats=4.0, downbeat=0.25), 2.25, 120.0)
    cycle = loops.cycle_samples(sound, RATE, found, tempo_bpm=120.0)
    assert cycle[0, 0] == 1.0
    assert cycle[-6000:-5900, 0] == pytest.approx(np.full(100, 0.5))


def test_a_pickup_is_laid_over_the_end_of_the_pass_only_where_that_is_softer() -> None:
    """A loop cut from a longer recording leads in by itself: its last beat is what lies before beat one, too."""
    rng = np.random.default_rng(1)
    lead = 0.5 * rng.standard_normal((6000, 2))
    body = np.concatenate([0.1 * rng.standard_normal((2 * RATE - 6000, 2)), lead])
    found = fit(measured(120.0, beats=4.0, downbeat=0.25), 2.25, 120.0)
    cycle = loops.cycle_samples(np.concatenate([lead, body]), RATE, found, tempo_bpm=120.0)
    np.testing.assert_array_equal(cycle, body)
    soft = np.concatenate([body[:-6000], 0.05 * lead])
    cycle = loops.cycle_samples(np.concatenate([lead, soft]), RATE, found, tempo_bpm=120.0)
    np.testing.assert_allclose(cycle[-6000:], 1.05 * lead, rtol=1e-6, atol=0)


@pytest.mark.parametrize(("ratio", "means"), [(0.9, "stretch"), (1.03, "repitch"), (1.1, "stretch")])
@pytest.mark.parametrize("lead_s", [0.0005, 0.009, 0.25])
def test_analytic_a_short_pickup_survives_every_method(ratio: float, means: Means, lead_s: float) -> None:
    sound = np.random.default_rng(2).standard_normal((round((2.0 + lead_s) * RATE), 1))
    found = fit(measured(120.0, beats=4.0, downbeat=lead_s), 2.0 + lead_s, 120.0 * ratio, means)
    cycle = loops.cycle_samples(sound, RATE, found, tempo_bpm=120.0 * ratio)
    assert len(cycle) == round(4 * 60 / (120.0 * ratio) * RATE)
    assert np.isfinite(cycle).all()


@pytest.mark.parametrize(
    ("beats", "meter_beats", "kept", "words"),
    [(8.0, 4.0, 8.0, ""), (2.0, 4.0, 2.0, ""), (1.0, 4.0, 1.0, ""), (1.0, 3.0, 1.0, ""), (12.0, 3.0, 12.0, ""),
     (3.0, 4.0, 4.0, "a rest of 1 follows"), (6.0, 4.0, 4.0, "its last 2 are left out"),
     (7.0, 4.0, 8.0, "a rest of 1 follows"), (5.0, 4.0, 4.0, "its last 1 is left out"),
     (8.0, 3.0, 9.0, "a rest of 1 follows"), (4.0, 3.0, 3.0, "its last 1 is left out")],
)  # fmt: skip
def test_a_pass_keeps_to_whole_bars(beats: float, meter_beats: float, kept: float, words: str) -> None:
    """A loop that does not would walk away from beat one (common practice, no source)."""
    found = fit(measured(120.0, beats=beats), beats / 2, 120.0, bar_beats=meter_beats)
    assert found.beats == kept
    assert words in found.note
    assert ("whole bars" in found.note) == (kept != beats)


def test_one_beat_in_double_time_is_half_a_beat() -> None:
    assert fit(measured(184.0, beats=1.0), 60 / 184, 92.0).beats == 0.5


@pytest.mark.parametrize(
    ("own", "beat", "words"), [(0.5, 0.5, "swing of 50 % goes with"), (0.62, 0.5, "swing is 62 % against 50 %"),
                               (0.58, 0.6, "swing of 58 % goes with"), (None, 0.6, "")],
)  # fmt: skip
def test_swing_is_compared(own: float | None, beat: float, words: str) -> None:
    loop = structs.replace(measured(120.0, beats=8.0), swing=own)
    found = fit(loop, 4.0, 120.0, swing=beat)
    assert words in found.note
    assert ("swing" in found.note) == bool(words)


def test_of_a_loop_longer_than_the_beat_what_is_heard_is_laid() -> None:
    long = fit(measured(120.0, beats=64.0), 32.0, 120.0)
    found = loops.shortened(long, beats=16.0, bar_beats=4.0)
    assert found.beats == 16.0
    assert "4 of its 16 bars are heard" in found.note
    assert loops.shortened(found, beats=16.0, bar_beats=4.0) == found
    assert len(loops.cycle_samples(np.zeros((32 * RATE, 2)), RATE, found, tempo_bpm=120.0)) == 8 * RATE


def test_loop_and_pattern_are_compared_part_by_part() -> None:
    """analytic: two bars of a loop with a pickup at 60 BPM, played in half time in a beat of 120 BPM: four bars."""
    hits = (LoopHit(0.2, "snare", -9.0), LoopHit(0.5, "kick", 0.0), LoopHit(4.5, "kick", 0.0),
            LoopHit(6.5, "closed-hat", -3.0))  # fmt: skip
    loop = structs.replace(measured(60.0, beats=8.0, downbeat=0.5), hits=hits)
    found = fit(loop, 8.5, 120.0)
    assert found.beats == 16.0
    pattern = parse_lines(["kick |x---x---x---x---|", "snare |----x-------x---|"], steps_per_beat=4, source="test")
    told = loops.part_by_part(loop, found, pattern, tempo_bpm=120.0, bar_beats=4.0)
    assert told.endswith("kick 0.5 against 4, snare 0 against 2, closed hat 0.25 against 0")
    assert loops.part_by_part(measured(60.0, beats=8.0), found, pattern, tempo_bpm=120.0, bar_beats=4.0) == ""


@pytest.mark.parametrize(("ratio", "means"), [(1.04, "repitch"), (0.9, "stretch")])
def test_analytic_tempo_change_lands_the_last_beat(ratio: float, means: Means) -> None:
    """Clicks on four beats lie on four beats of the new tempo, within 10 ms."""
    tempo = 100.0
    sound = np.zeros((round(4 * 60 / tempo * RATE), 2))
    for beat in range(4):
        at = round(beat * 60 / tempo * RATE)
        sound[at : at + 480] = np.random.default_rng(beat).standard_normal((480, 2)) * np.linspace(1, 0, 480)[:, None]
    found = fit(measured(tempo, beats=4.0), len(sound) / RATE, tempo * ratio, means)
    cycle = loops.cycle_samples(sound, RATE, found, tempo_bpm=tempo * ratio)
    for beat in range(1, 4):
        at = round(beat * 60 / (tempo * ratio) * RATE)
        near = np.abs(cycle[at - 960 : at + 960, 0])
        assert abs(int(np.argmax(near)) - 960) <= 240
    assert len(cycle) == round(4 * 60 / (tempo * ratio) * RATE)


def test_energies_repeat_without_drift() -> None:
    """analytic: constant power stays constant over 50 bars; the sum is power x time."""
    cycle = BandEnergies(cumulative=np.linspace(0, 2.0, 201)[:, None], step_s=0.01, duration_s=2.0)
    beat = grid(bars=50, tempo=120.0)
    powers = loops.lay_cycle_energies(cycle, beat)
    assert powers == pytest.approx(np.ones((1000, 1)), abs=1e-6)


def test_sound_fills_the_beat_from_its_first_downbeat() -> None:
    beat = grid(bars=2, tempo=120.0, start=0.5)
    laid = np.zeros((6 * RATE, 2))
    loops.add_cycle(laid, np.ones((RATE, 2)), RATE, beat)
    assert laid[: RATE // 2].max() == 0.0
    assert laid[RATE // 2 : RATE // 2 + 4 * RATE].min() == 1.0
    assert laid[RATE // 2 + 4 * RATE :].max() == 0.0
