"""The verdict and the concerns, from findings made to order; sentences that other rules decide reach them.

Common practice, no source: a reader with one minute needs the space, the drums, the one thing to do and the level.
"""

from __future__ import annotations

from typing import Any

import factory
import pytest
from msgspec.structs import replace

from dossier.decide import approach, brief
from dossier.decide.masking import covered
from dossier.decide.policy import DEFAULTS
from dossier.model.datafile import DossierData, SettingUsed
from dossier.model.findings import Room, Step
from dossier.model.vocabulary import ZONE_KEYS

POOR = "little is heard where a kick works; what would work is one that is stronger in its own zones (sub, bass)"
ZONES = dict(zip(ZONE_KEYS, (0.2, 0.3, 0.4, 0.6, 0.7, 0.5, 0.1), strict=True))


def data(*, poor: str = "", gaps: tuple[str, ...] = (), covers: tuple[Any, ...] = (), states: str = "") -> DossierData:
    made = factory.dossier()
    words = {"o": "open", "p": "part filled", "f": "full", "x": "over-full"}
    return replace(
        made, approach=replace(made.approach, poor=poor, gaps=gaps),
        balance=replace(made.balance, covered=covers, all_drums_lu=-3.2),
        instrumental=replace(made.instrumental, fullest_zone="sub", zones=ZONES, zone_states={
            key: words[state] for key, state in zip(ZONE_KEYS, states or "xfpppoo", strict=True)}),
    )  # fmt: skip


def hidden(give_way_db: float | None, raise_db: float | None) -> Any:
    return covered(id="snare", label="snare", by="stems/pad.wav", zone=4, share=0.3, enough=0.5,
                   give_way_db=give_way_db, raise_db=raise_db, policy=DEFAULTS)  # fmt: skip


@pytest.mark.parametrize(
    ("made", "verdict", "concern"),
    [
        (data(), "3 LU under the music.", "The sub (20 to 60 Hz) is over-full before any drum plays."),
        (data(poor=POOR), "None of these drums works here: little is heard where a kick works; what would work is one "
                          "that is stronger in its own zones (sub, bass).", "The sub"),
        (data(gaps=(f"no kick here works: {POOR}",)), "No kick here works.", f"No kick here works: {POOR}."),
        (data(covers=(hidden(4.0, None),)), "lower pad 4 dB in the high mid under the snare.",
         "Snare: turning it up won't fix it; lower pad 4 dB in the high mid under the snare."),
        (data(covers=(hidden(4.0, 5.0),)), "lower pad 4 dB", "Snare: less is heard than usual; lower pad 4 dB"),
        (data(covers=(hidden(None, None),) * 2), "the snare stays covered by pad.", "1 more part covered."),
        (data(gaps=(f"no kick here works: {POOR}",), covers=(hidden(4.0, None),)), "lower pad 4 dB",
         "No kick here works"),
    ],
    ids=["nothing wrong", "no drum works", "a role without a drum", "covered", "covered, could be turned up",
         "stays covered", "a gap comes before a cover"],
)  # fmt: skip
def test_what_other_rules_decide_is_told_first(made: DossierData, verdict: str, concern: str) -> None:
    told = brief.told(made)
    assert verdict in told.approach.verdict
    assert len(told.approach.verdict.split()) <= brief.MOST_WORDS
    assert "%" not in told.approach.verdict
    assert concern in told.concerns[0]
    assert len(told.concerns) <= brief.MOST_CONCERNS
    assert told.proposals[0].text == told.approach.verdict


@pytest.mark.parametrize(
    ("states", "start"),
    [
        ("ooooooo", "Space everywhere."),
        ("ppppppp", "A little space everywhere."),
        ("fffffff", "The music is full everywhere."),
        ("xxfffxf", "No space anywhere; the low end and the middle are full."),
        ("xxpooop", "Space in the presence and in the mid; the low end is full."),
        ("xfppfoo", "Space in the brilliance and in the presence; the low end and the high mid are full."),
        ("xfppooo", "Space on top; the low end is full."),
        ("xpppppp", "A little space on top and in the middle; the sub is full."),
    ],
)
def test_where_there_is_space_is_said_as_it_is_drawn(states: str, start: str) -> None:
    assert brief.told(data(states=states)).approach.verdict.startswith(start)


@pytest.mark.parametrize(
    ("states", "mid", "said"),
    [("ooffppo", 0.7, "; the middle is full with a voice."), ("ooffppo", 1.0, "; the middle is full."),
     ("xfffppo", 0.7, "; the low end is full, the middle with a voice."), ("ooppppo", 0.7, "")],
)  # fmt: skip
def test_a_zone_that_only_a_voice_fills_is_told_so(states: str, mid: float, said: str) -> None:
    made = data(states=states)
    zones = {**made.instrumental.zones, "low_mid": 1.0, "mid": mid}
    instrumental = replace(made.instrumental, zones=zones, kept={"mid": 0.3})
    settings = (SettingUsed("zone_full_above", 0.97, 0.97, "ratio", ""),)
    told = brief.told(replace(made, instrumental=instrumental, settings=settings))
    assert said in told.approach.verdict
    assert bool(said) or "voice" not in told.approach.verdict


def test_words_of_a_zone_follow_the_bar_that_is_drawn() -> None:
    """analytic: the music and the room kept for a voice, against the thirds of zones in music without its drums."""
    zones = dict(zip(ZONE_KEYS, (1.93, 0.75, 0.89, 1.03, 0.45, 0.73, 0.74), strict=True))
    found = Room(fill=0.8, zones=zones, sections=(), roomiest_zone="high_mid", fullest_zone="sub", bars=(),
                 kept={"high_mid": 0.3, "low_mid": 0.1})  # fmt: skip
    assert list(approach.zone_fullness(found, DEFAULTS).values()) == [
        "over-full", "part filled", "full", "full", "part filled", "open", "part filled",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("roles", "said"),
    [(("kick",), "the kit of one-shots, its kick high-cut;"),
     (("kick", "snare"), "the kit of one-shots, its kick high-cut and its snare high-cut;"),
     (("kick", "snare", "closed-hat"), "the kit of one-shots, high-cut;")],
)  # fmt: skip
def test_a_treatment_of_one_drum_is_not_told_of_the_whole_kit(roles: tuple[str, ...], said: str) -> None:
    made = data()
    step = Step("EQ", "low-pass at 480 Hz, Q 0.71", {"shape": "low-pass"})
    parts = tuple(replace(part, treated=part.role in roles) for part in made.balance.parts)
    plans = tuple(
        replace(made.plans[0], candidate=part.file, role=part.role, helped=True, steps=(step,)) for part in parts
    )  # fmt: skip
    told = brief.verdict(replace(made, balance=replace(made.balance, parts=parts), plans=plans))
    assert said in told
    assert len(told.split()) <= brief.MOST_WORDS
