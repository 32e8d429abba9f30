"""Approach: thresholds, winners and words."""

from __future__ import annotations

import pytest

from dossier.decide import approach
from dossier.decide.policy import DEFAULTS
from dossier.model.findings import Fit, Room, SectionFill
from dossier.model.vocabulary import ZONE_KEYS


def fit(room: float, overlap: float, buried: float) -> Fit:
    return Fit(job=0.9, heard_in_zones=2.0, room_filled=room, over=0.0, covered_music=buried, overlap=overlap,
               audible_share=0.8, lift_lu=None, tempo_match=1.0, tuning_match=None, mono_loss_lu=None)  # fmt: skip


def room(fill: float) -> Room:
    zones = dict.fromkeys(ZONE_KEYS, fill) | {"brilliance": 0.1, "bass": 0.95}
    return Room(fill=fill, zones=zones, sections=(), roomiest_zone="brilliance", fullest_zone="bass", bars=())


LOOP = approach.Contender("loop.wav", 0.5, fit(0.25, 0.03, 0.02))
KIT = approach.Contender("kit", 0.3, fit(0.12, 0.02, 0.01))


@pytest.mark.parametrize(("fill", "way"), [(0.4, "fuller"), (0.95, "leaner")])
def test_open_asks_for_fuller_and_full_for_leaner(fill: float, way: str) -> None:
    found = approach.decide(room(fill), loop=LOOP, kit=KIT, policy=DEFAULTS)
    assert found.direction == way
    assert f"{100 * fill:.0f} %" in found.reasons[0]


@pytest.mark.parametrize(
    ("winner", "way"), [(fit(0.1, 0.5, 0.35), "leaner"), (fit(0.2, 0.2, 0.2), "fuller"),
                        (fit(0.1, 0.3, 0.2), "as it is")],
)  # fmt: skip
def test_between_open_and_full_the_drums_decide(winner: Fit, way: str) -> None:
    contender = approach.Contender("a.wav", 0.3, winner)
    assert approach.decide(room(0.85), loop=contender, kit=None, policy=DEFAULTS).direction == way


@pytest.mark.parametrize(("loop", "kit_score", "kind"), [(0.5, 0.3, "loop"), (0.3, 0.5, "one-shots"),
                                                         (0.5, 0.49, "either")])  # fmt: skip
def test_the_better_score_wins_and_a_hair_is_either(loop: float, kit_score: float, kind: str) -> None:
    found = approach.decide(
        room(0.5), loop=approach.Contender("l", loop, LOOP.fit), kit=approach.Contender("kit", kit_score, KIT.fit),
        policy=DEFAULTS,
    )  # fmt: skip
    assert found.kind == kind


def test_one_side_missing_is_said() -> None:
    assert approach.decide(room(0.5), loop=None, kit=KIT, policy=DEFAULTS).kind == "one-shots"
    assert "No loop" in approach.decide(room(0.5), loop=None, kit=KIT, policy=DEFAULTS).reasons[1]
    nothing = approach.decide(room(0.5), loop=None, kit=None, policy=DEFAULTS)
    assert nothing.kind == "either"
    assert "there are no drums to judge" in nothing.verdict
    assert "no drums" not in approach.decide(room(0.5), loop=None, kit=KIT, policy=DEFAULTS).verdict


def test_sections_may_want_something_else() -> None:
    zones = dict.fromkeys(ZONE_KEYS, 0.5)
    found = approach.decide(
        room(0.6), loop=LOOP, kit=KIT, policy=DEFAULTS,
        sections=[
            (SectionFill("verse", 1, 4, 0.4, zones), LOOP, KIT),
            (SectionFill("hook", 5, 4, 0.9, zones), KIT, LOOP),
        ],
    )  # fmt: skip
    assert [(s.name, s.kind, s.direction) for s in found.sections] == [
        ("verse", "loop", "fuller"), ("hook", "one-shots", "leaner"),
    ]  # fmt: skip


def test_each_section_says_what_both_sides_fill_and_which_fits_better() -> None:
    zones = dict.fromkeys(ZONE_KEYS, 0.5)
    verse, rest = SectionFill("verse", 1, 4, 0.4, zones), SectionFill("break", 5, 4, 0.4, zones)
    sections = [(verse, LOOP, KIT), (rest, None, KIT), (verse, KIT, LOOP), (verse, KIT, KIT)]
    found = approach.decide(room(0.6), loop=LOOP, kit=KIT, policy=DEFAULTS, sections=sections).sections
    assert found[0].reason.endswith("the loop fills 25 %, the kit fills 12 %: the loop fits better")
    assert found[1].reason.endswith("the kit fills 12 %")
    assert found[2].reason.endswith("the loop fills 12 %, the kit fills 25 %: the kit fits better")
    assert found[3].reason.endswith("the loop fills 12 %, the kit fills 12 %: too close to call")


@pytest.mark.parametrize(("fill", "words"), [(0.4, "use a rich loop, made fuller"), (0.95, "use a loop, kept lean")])
def test_only_a_loop_that_may_be_fuller_is_called_rich(fill: float, words: str) -> None:
    assert words in approach.decide(room(fill), loop=LOOP, kit=KIT, policy=DEFAULTS).verdict
