"""Kits on real sounds: chosen together, gaps filled or said to be missing, choices of the user kept."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from common_beats import LEANEST, MORE, Ranked, instrumental, ranked, write_beat

from dossier.cache import Cache
from dossier.measure import in_beat
from dossier.stages import kits


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Ranked:
    root = tmp_path_factory.mktemp("kits")
    drums = {**LEANEST, **MORE, "kick-sub": "bd_boom"}
    return ranked(write_beat(root / "full", instrumental("full", 110.0), drums, bpm=110.0), Cache(root / "cache"))


def members(found: Ranked) -> dict[str, str]:
    assert found.ranking.kit is not None
    return {m.role: m.file.removeprefix("drums/").removesuffix(".wav") for m in found.ranking.kit.members}


def test_analytic_the_kit_is_the_best_of_all_kits(full: Ranked) -> None:
    """Every combination is tried, which the search does not do."""
    here, slots = full.analysis.here, full.ranking.frames
    trials = kits.KitTrials(here, slots, here.scene.subset(slots))
    by_role = {
        role: [item for item in full.ranking.one_shots if item.part.role == role]
        for role in ("kick", "snare", "closed-hat")
    }
    every = list(itertools.product(*by_role.values()))
    assert len(every) == 4 * 3 * 1
    best = max(every, key=trials.worth)
    assert members(full) == {
        p.part.role: p.drum.name.removeprefix("drums/").removesuffix(".wav") for p in best if p.part.role
    }


def test_a_kick_that_nobody_hears_is_no_kick(full: Ranked) -> None:
    """Common practice, no source.  A sub kick under a bass and a pad needs more level than there is."""
    assert full.of("kick-sub").fit.audible_share < 0.05
    assert members(full)["kick"] != "kick-sub"
    assert full.of("kick-sub").score < max(full.of(f"kick-{name}").score for name in ("short", "heavy", "long"))


def test_members_are_measured_beside_each_other(full: Ranked) -> None:
    """Analytic: what masks more lets less through, so beside others no member is heard better than alone."""
    kit = full.ranking.kit
    assert kit is not None
    here, slots = full.analysis.here, full.ranking.frames
    on = here.scene.subset(slots)
    together = {part.drum.name: part for part in full.ranking.kit_parts}
    for member in kit.members:
        part = together[member.file]
        by_itself = in_beat.measure(on, in_beat.place(on, part.powers[slots], gain_db=part.gains.db))
        assert member.fit.audible_share <= by_itself.audible_share + 1e-9
        assert (member.gain_db, member.fit) == (part.gains.to_set_db, part.fit)
        assert member.gain_range_db == part.gains.range_db
        assert member.gain_range_db[0] <= member.gain_db <= member.gain_range_db[1]
        assert not member.pinned
    assert kit.missing_roles == ()


def test_gaps_are_filled_or_said_to_be_missing_and_choices_kept(tmp_path: Path) -> None:
    lines = ("kick |X-------X-------|", "snare |----X-------X---|", "clap |------------X---|",
             "ride |x---x---x---x---|", "closed-hat |x-x-x-x-x-x-x-x-|")  # fmt: skip
    drums = {**LEANEST, **MORE}
    more = "[kit]\nsnare = 'drums/snare-long.wav'\nrim = 'drums/snare-hard.wav'\n"
    found = ranked(
        write_beat(tmp_path / "x", instrumental("open", 100.0), drums, bpm=100.0, lines=lines, more=more),
        Cache(tmp_path / "cache"),
    )  # fmt: skip
    kit = found.ranking.kit
    assert kit is not None
    by_role = {member.role: member for member in kit.members}
    assert by_role["snare"].file == "drums/snare-long.wav"
    assert by_role["snare"].pinned
    assert by_role["snare"].reason == "fixed in beat.toml"
    assert by_role["clap"].file == "drums/snare-short.wav"  # the snare that is left; the other one is fixed as a rim
    assert "stands in, because there is no clap" in by_role["clap"].reason
    assert "ride" not in by_role  # the one hat plays already
    assert kit.missing_roles == ("ride",)
    told = "\n".join(found.ranking.notes)
    assert "plays clap, but there is no clap among the candidates: drums/snare-short.wav stands in" in told
    assert "plays ride, but there is no ride among the candidates" in told
    assert "kit.rim = drums/snare-hard.wav: the pattern plays no rim" in told
    assert len({member.file for member in kit.members}) == len(kit.members)


def test_a_pattern_without_candidates_or_hits_makes_no_kit(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    stems = instrumental("open", 120.0, bars=2)
    found = ranked(write_beat(tmp_path / "a", stems, {"crash": "drum_cymbal_soft"}, bpm=120.0,
                              lines=("kick |x---|",)), cache)  # fmt: skip
    assert found.ranking.kit is None
    assert any("plays kick" in note for note in found.ranking.notes)
    assert found.approach.kind == "either"
    assert found.of("crash").part.assumed_voice
    found = ranked(write_beat(tmp_path / "b", stems, {"kick": "bd_fat"}, bpm=120.0, lines=("kick |----|",)), cache)
    assert found.ranking.kit is None
    assert any("no hit" in note for note in found.ranking.notes)
