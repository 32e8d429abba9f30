"""The demo as a newcomer runs it: three verdicts for good reasons, a history, an answer, a sample that waits."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import soundfile as sf
from tests_support import Demo

from dossier import demo as demo_command
from dossier.archive import Archive
from dossier.decide.policy import DEFAULTS
from dossier.model.datafile import DossierData


def holds(found: DossierData) -> bool:
    """The verdict stays in as many of the drawn settings as a sure one does."""
    sure = found.approach.holds
    return sure is not None and sure.of >= DEFAULTS["sure_from"] * sure.draws


def test_the_open_beat_asks_for_a_rich_loop_made_fuller(demo: Demo) -> None:
    found = demo.data("slow-ferry")
    assert found.instrumental.fill < DEFAULTS["open_below"]
    assert (found.approach.kind, found.approach.direction) == ("loop", "fuller")
    (loop,) = (candidate for candidate in found.candidates if candidate.chosen)
    assert found.kit is not None
    assert loop.fit is not None
    assert loop.grade == "fits well"
    assert loop.loop is not None
    assert loop.loop.method == "sliced", "it was recorded at another tempo"
    assert loop.fit.room_filled > found.kit.fit.room_filled
    assert loop.terms["room"] - found.kit.terms["room"] > DEFAULTS["either_within"], "it wins by the room that it fills"
    assert holds(found)


def test_the_full_beat_asks_for_lean_one_shots(demo: Demo) -> None:
    """No room is left to earn by; what loops push beyond the reference, and cover of the music, decides."""
    found = demo.data("lantern-market")
    assert found.instrumental.fill > DEFAULTS["full_above"]
    assert (found.approach.kind, found.approach.direction) == ("one-shots", "leaner")
    assert holds(found)
    assert all(candidate.terms["room"] < 0.01 for candidate in found.candidates if candidate.terms)
    assert found.kit is not None
    assert found.kit.grade != "poor"
    loops = [candidate for candidate in found.candidates if candidate.kind == "loop"]
    assert len(loops) == 2
    for loop in loops:
        assert loop.fit is not None
        assert loop.score is not None
        assert loop.grade == "poor"
        assert loop.score < found.kit.score - DEFAULTS["either_within"]
        assert loop.fit.over > 1.5 * found.kit.fit.over
        assert loop.fit.covered_music > 1.5 * found.kit.fit.covered_music
    assert {part.role for part in found.balance.parts if part.chosen} >= {"kick", "snare", "closed-hat"}


def test_the_beat_in_between_has_a_kick_that_is_the_bass_too(demo: Demo) -> None:
    """Its kick is as low as the sub bass and as long as its notes: in the sub nothing of it is heard, and it runs on
    into its next hits."""
    found = demo.data("night-depot")
    assert DEFAULTS["open_below"] <= found.instrumental.fill <= DEFAULTS["full_above"]
    assert found.approach.kind == "one-shots"
    assert holds(found)
    assert found.kit is not None
    assert found.kit.grade == "fits well"
    assert found.low_end is not None
    assert found.low_end.kick in {part.file for part in found.balance.parts if part.chosen}
    assert found.low_end.overlap_sub is not None
    assert found.low_end.overlap_sub > 0.8
    assert found.low_end.kick_rings_ms is not None
    assert found.low_end.kick_gap_ms is not None
    assert found.low_end.kick_rings_ms > found.low_end.kick_gap_ms
    assert any("let each hit cut the last" in text for text in found.low_end.sentences)


def test_one_drum_is_judged_by_the_beat_it_is_in(demo: Demo) -> None:
    """The shelf's tom has room in the open beat and none in the full one: the same sound, another grade."""
    found = {slug: {one.file: one for one in demo.data(slug).candidates} for slug in ("slow-ferry", "lantern-market")}
    there, here = (drums["shelf/toms/tom-basket.wav"] for drums in found.values())
    assert (there.grade, here.grade) == ("fits well", "poor")
    assert there.terms["job"] == pytest.approx(here.terms["job"], abs=0.05)
    assert there.terms["room"] > 0.1 > 0.01 > here.terms["room"]


def test_room_is_kept_for_a_voice_unless_it_sings_already(demo: Demo) -> None:
    """The chopped voice is among the stems; the other two beats wait for a singer."""
    kept = {slug: demo.data(slug).instrumental.kept for slug in ("slow-ferry", "lantern-market", "night-depot")}
    assert demo.data("night-depot").beat.voice == "in-stems"
    assert {slug: bool(zones) for slug, zones in kept.items()} == {
        "slow-ferry": True, "lantern-market": True, "night-depot": False
    }  # fmt: skip


def test_plans_reach_their_goals_at_equal_loudness(demo: Demo) -> None:
    """Fuller plans fill a tenth more room; leaner ones cover a fifth less; without one nothing is changed."""
    for slug in ("slow-ferry", "lantern-market", "night-depot"):
        for plan in demo.data(slug).plans:
            before, level = plan.before, plan.at_equal_loudness
            assert level is not None
            assert level.integrated_lufs == pytest.approx(before.integrated_lufs, abs=0.1)
            if not plan.helped:
                assert (plan.steps, plan.after) == ((), before)
            elif plan.direction == "fuller":
                assert level.room_filled >= max(1.1 * before.room_filled, before.room_filled + 0.01)
                assert plan.after.room_filled > before.room_filled
            elif plan.direction == "leaner":
                assert level.buried + level.spill <= 0.8 * (before.buried + before.spill)


def test_one_beat_has_a_history_and_an_answer(demo: Demo) -> None:
    assert [r.id for r in demo.archive.revisions("night-depot")] == ["r001", "r002"]
    found = demo.data("night-depot")
    assert any("Target loudness" in change for change in found.revision.changes)
    assert [d.source for d in found.decisions] == ["response"]


def test_a_sample_waits_for_clearance(demo: Demo) -> None:
    assert any(p.kind == "rights" for p in demo.data("night-depot").proposals)


def test_equal_peaks_are_named_somewhere(demo: Demo) -> None:
    assert any(demo.data(slug).balance.equal_peaks for slug in ("slow-ferry", "lantern-market", "night-depot"))


def test_the_demo_again_changes_nothing(demo: Demo, tmp_path: Path) -> None:
    """In copies: other tests read the demo's own files meanwhile."""
    archive = Archive(shutil.copytree(demo.archive.root, tmp_path / "site"))
    audio = shutil.copytree(demo.audio, tmp_path / "audio")
    before = {slug: len(archive.revisions(slug)) for slug in archive.slugs()}
    demo_command.run(archive.root, audio, made="2027-01-01T00:00:00Z", say=lambda _: None, built=lambda _: None)
    assert {slug: len(archive.revisions(slug)) for slug in archive.slugs()} == before


@pytest.mark.parametrize("slug", ["slow-ferry", "lantern-market", "night-depot"])
def test_what_plays_through_the_beat_is_as_long_as_it(demo: Demo, slug: str) -> None:
    """analytic: the parts, the drums and the mix start and end with the stems."""
    found, folder = demo.data(slug), demo.renders(slug)
    through = [name for name in found.renders if re.search(r"-part-|-drums\.flac|-rough-mix", name)]
    assert len(through) >= 3
    frames = round(found.beat.duration_s * found.beat.sample_rate_hz)
    assert {name: sf.info(folder / name).frames for name in through} == dict.fromkeys(through, frames)
    assert any("kit-treated" in name for name in found.renders) <= (found.approach.kind != "loop")
