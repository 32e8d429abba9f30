"""What would change the verdict, and the sections: held against beats that are really built so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from common_beats import INDUSTRIAL_BPM, LEANEST, Ranked, instrumental, ranked, ringing_loop, write_beat
from msgspec.structs import replace

from dossier.cache import Cache
from dossier.decide.sensitivity import Draw
from dossier.model.findings import WhatIf
from dossier.stages import sensitivity

BPM = INDUSTRIAL_BPM
DRUMS = {**LEANEST, "loop-rich": "loop_industrial"}


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> tuple[Ranked, tuple[WhatIf, ...], Path]:
    root = tmp_path_factory.mktemp("whatif")
    found = ranked(write_beat(root / "full", instrumental("full", BPM), DRUMS, bpm=BPM), Cache(root / "cache"))
    return found, cases_of(found), root


def cases_of(found: Ranked, **policy: float) -> tuple[WhatIf, ...]:
    """What would change the verdict, under other settings too."""
    here = found.analysis.here
    conditions = replace(here.conditions, policy={**here.policy, **policy})
    asked = replace(here, conditions=conditions)
    return sensitivity.with_sensitivity(asked, found.ranking, found.approach, found.memo).what_would_change_it


def test_the_two_most_telling_cases_are_shown_in_numbers(
    full: tuple[Ranked, tuple[WhatIf, ...], Path]
) -> None:
    found, cases, _ = full
    assert len(cases) == 2
    before = f"{100 * found.analysis.room.fill:.0f}"
    for case in cases:
        assert f"{100 * case.fill:.0f} % full instead of {before} %" in case.text
        assert case.text.startswith("Without " if case.change_db is None else "With 4 dB less of ")
        assert "verdict" in case.text


@pytest.mark.parametrize("number", [0, 1])
def test_cross_check_with_a_beat_that_is_really_built_without_the_stem(
    full: tuple[Ranked, tuple[WhatIf, ...], Path], number: int
) -> None:
    """cross-check: the stem left out of (or turned down in) the beat folder, and everything placed and ranked anew."""
    _, cases, root = full
    _compare(cases[number], root)


@pytest.mark.parametrize(("stem", "change"), [("plucks", -4.0), ("bass", None)])
def test_cross_check_with_stems_that_are_not_shown(
    full: tuple[Ranked, tuple[WhatIf, ...], Path], stem: str, change: float | None
) -> None:
    """cross-check: the same for stems that say less."""
    found, _, root = full
    every = cases_of(found, what_if_shown=100, what_if_lowered=100)
    assert len(every) == 2 * len(found.analysis.here.music.stems)
    _compare(next(c for c in every if c.stem == f"stems/{stem}.wav" and c.change_db == change), root)


def _compare(case: WhatIf, root: Path) -> None:
    stems = dict(instrumental("full", BPM))
    name = case.stem.removeprefix("stems/").removesuffix(".wav")
    more = ""
    if case.change_db is None:
        del stems[name]
    else:
        more = f"[[stems]]\nfile = '{case.stem}'\ngain_db = {case.change_db}\n"
    folder = write_beat(root / f"{name}{case.change_db}", stems, DRUMS, bpm=BPM, more=more)
    again = ranked(folder, Cache(root / "cache"))
    assert case.fill == pytest.approx(again.analysis.room.fill, abs=0.003)
    assert (case.kind, case.direction) == (again.approach.kind, again.approach.direction)


def test_a_beat_of_one_stem_has_nothing_to_leave_out(tmp_path: Path) -> None:
    stems = {"bass": instrumental("open", 120.0, bars=2)["bass"]}
    found = ranked(write_beat(tmp_path / "x", stems, {"kick": "bd_fat"}, bpm=120.0), Cache(tmp_path / "cache"))
    assert cases_of(found) == ()


def test_the_beat_as_it_is_turns_nothing(full: tuple[Ranked, tuple[WhatIf, ...], Path]) -> None:
    """analytic: judged again in its own scene, every drum keeps its gain and the verdict stays."""
    found, _, _ = full
    here, slots = found.analysis.here, found.ranking.frames
    scene = here.scene.subset(slots)
    again = sensitivity.outcome_in(here, found.ranking, scene, slots, scene)
    assert (again.kind, again.direction) == (found.approach.kind, found.approach.direction)


def test_sections_get_their_own_approach(tmp_path: Path) -> None:
    """Common practice, no source: an open verse wants more of the drums than a full hook."""
    verse, hook = instrumental("open", BPM), instrumental("full", BPM)
    bars = round(4 * 240 / BPM * 48_000)
    silence = np.zeros(bars)
    stems = {f"verse-{name}": np.concatenate([sound[:bars], silence]) for name, sound in verse.items()}
    stems |= {f"hook-{name}": np.concatenate([silence, sound[:bars]]) for name, sound in hook.items()}
    more = "[[sections]]\nname = 'verse'\nbars = 4\n[[sections]]\nname = 'hook'\nbars = 4\n"
    drums = {**LEANEST, "loop-rich": ringing_loop(BPM)}
    found = ranked(write_beat(tmp_path / "x", stems, drums, bpm=BPM, more=more), Cache(tmp_path / "cache"))
    by_name = {section.name: section for section in found.approach.sections}
    assert (by_name["verse"].kind, by_name["verse"].direction) == ("loop", "fuller")
    assert by_name["hook"].kind != "loop"
    assert by_name["hook"].direction == "leaner"
    for name, better in (("verse", True), ("hook", False)):
        assert "%" in by_name[name].reason
        assert by_name[name].reason.endswith("the loop fits better") is better


def test_cross_check_louder_drums_in_a_draw_leave_the_music_as_soft_as_in_a_beat_that_is_really_analysed_so(
    full: tuple[Ranked, tuple[WhatIf, ...], Path]
) -> None:
    """All drums 3 dB louder take more of a mix whose level is given; the fill of the music falls by as much."""
    found, _, root = full
    here = found.analysis.here
    level = here.policy["all_drums_level_lu"]
    folder = write_beat(root / "louder", instrumental("full", BPM), DRUMS, bpm=BPM,
                        more=f"[policy]\nall_drums_level_lu = {level + 3.0}\n")  # fmt: skip
    really = ranked(folder, Cache(root / "cache")).analysis.here
    frames = np.arange(here.grid.frames)
    drawn = sensitivity._drawn_scene(here, Draw({}, here.policy, {None: 3.0}), frames)
    assert drawn.spl_offset_db == pytest.approx(really.scene.spl_offset_db, abs=1e-6)
    assert drawn.loudness.sum() == pytest.approx(really.scene.loudness.sum(), rel=1e-6)
    assert drawn.loudness.sum() < 0.99 * here.scene.loudness.sum()
