"""Approach: a loop or one-shots, and fuller, leaner or as it is, with the numbers that say so.

Kind: the best loop and the best kit are both placed in this beat and scored on the same terms; the better one wins, a
lead that nobody would hear is called 'either'.  Direction: from the fill of the instrumental; between open and full,
from what the winner itself does there.  Common practice, no source: much room favours loops and fuller treatment,
little room favours lean one-shots, and a fuller drum is got by treatment rather than by more notes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from dossier.model.findings import Approach, Fit, Room, SectionApproach, SectionFill
from dossier.model.vocabulary import ZONE_LABELS, ApproachKind, Direction

KIND_WORDS = {"loop": "a loop", "one-shots": "one-shots", "either": "a loop or one-shots alike"}
_LEADS: dict[ApproachKind, str] = {
    "loop": "the loop fits better", "one-shots": "the kit fits better", "either": "too close to call",
}  # fmt: skip


class Contender(Struct, frozen=True):
    """The best loop or the best kit, as it came out in this beat."""

    name: str
    score: float
    fit: Fit
    poor: str = ""  # where it is poor as a whole: why, and what would work
    gaps: tuple[str, ...] = ()  # the same of single members of a kit


def fullness(fill: float, policy: Mapping[str, float]) -> str:
    """'open', 'part filled' or 'full', for a fill of 0-1 and above."""
    if fill < policy["open_below"]:
        return "open"
    return "full" if fill > policy["full_above"] else "part filled"


def zone_fullness(room: Room, policy: Mapping[str, float]) -> dict[str, str]:
    """'open', 'part filled', 'full' or 'over-full' for each zone: the music, and what is kept free for a voice."""
    taken = {zone: fill + room.kept.get(zone, 0.0) for zone, fill in room.zones.items()}
    return {
        zone: "open" if fill < policy["zone_open_below"]
        else "part filled" if fill <= policy["zone_full_above"]
        else "over-full" if room.zones[zone] > policy["zone_over_above"] else "full"
        for zone, fill in taken.items()
    }  # fmt: skip


def direction(fill: float, winner: Fit | None, policy: Mapping[str, float]) -> tuple[Direction, str]:
    """The direction and why, in words.

    Between open and full the winner decides: what it loses and hides for each point of room that it fills.
    """
    state = fullness(fill, policy)
    if state == "open":
        return "fuller", f"the music is {percent(fill)} full, so the drums may be fuller"
    if state == "full":
        return "leaner", f"the music is {percent(fill)} full already, so the drums should be leaner"
    if winner is None:
        return "as it is", f"the music is {percent(fill)} full; there is no drum to judge by"
    crowding = (winner.overlap + winner.covered_music) / max(winner.room_filled, policy["crowding_least_room"])
    numbers = (
        f"the music is {percent(fill)} full; the drums fill {percent(winner.room_filled)}, and for that cover "
        f"{crowding:.1f} times as much"
    )
    if crowding > policy["crowding_leaner_above"]:
        return "leaner", numbers
    if crowding < policy["crowding_fuller_below"]:
        return "fuller", numbers
    return "as it is", numbers


def kind(
    loop: Contender | None, kit: Contender | None, policy: Mapping[str, float], *, treated: bool = False
) -> tuple[ApproachKind, str]:
    """Loop, one-shots or either, and why, in words; `treated`: the contenders are as their plans left them."""
    if loop is None:
        if kit is None:
            return "either", "there is no loop that could be placed, and no one-shot for a role that the pattern plays"
        return "one-shots", "no loop can be brought to the tempo, to compare the kit with"
    if kit is None:
        return "loop", f"there is no kit to compare {loop.name} with"
    lead = loop.score - kit.score
    better: ApproachKind = "either" if abs(lead) < policy["either_within"] else "loop" if lead > 0 else "one-shots"
    return better, (
        f"{'with their treatments ' if treated else ''}the loop {loop.name.rsplit('/', 1)[-1]} {_does(loop.fit)}; "
        f"the best kit {_does(kit.fit)}: {_LEADS[better]}"
    )


def decide(
    room: Room, *, loop: Contender | None, kit: Contender | None,
    sections: Sequence[tuple[SectionFill, Contender | None, Contender | None]] = (), treated: bool = False,
    way: Direction | None = None, policy: Mapping[str, float],
) -> Approach:  # fmt: skip
    """The approach of the beat, from the best loop and the best kit as placed in it.

    `sections`: the fill of each, and the two as they came out there.  `treated`: they are as their plans left them,
    whose direction, `way`, stays.
    """
    chosen, kind_reason = kind(loop, kit, policy, treated=treated)
    best = winner(chosen, loop, kit)
    found, way_reason = direction(room.fill, best.fit if best else None, policy)
    if way is None:
        way = found
    elif way != found:
        way_reason = f"the drums were treated {way}; as they are now, {way_reason}"
    roomy, full = ZONE_LABELS[room.roomiest_zone], ZONE_LABELS[room.fullest_zone]
    most, least = percent(room.zones[room.roomiest_zone]), percent(room.zones[room.fullest_zone])
    where = f"Most space in the {roomy} ({most} of what finished mixes carry), least in the {full} ({least})."
    if room.kept:
        low, high, kept = policy["voice_from_hz"], policy["voice_to_hz"], policy["voice_room"]
        where += f" From {low:g} to {high:g} Hz, {percent(kept)} is kept free for a voice."
    parts = []
    for section, section_loop, section_kit in sections:
        section_kind, _ = kind(section_loop, section_kit, policy)
        section_winner = winner(section_kind, section_loop, section_kit)
        section_way, section_why = direction(section.fill, section_winner.fit if section_winner else None, policy)
        sides = [
            f"{name} fills {percent(side.fit.room_filled)}"
            for name, side in (("the loop", section_loop), ("the kit", section_kit)) if side is not None
        ]  # fmt: skip
        better = f": {_LEADS[section_kind]}" if len(sides) == 2 else ""
        why = f"{section_why}; {', '.join(sides)}{better}" if sides else section_why
        parts.append(SectionApproach(name=section.name, kind=section_kind, direction=section_way, reason=why))
    reasons = (_sentence(way_reason), _sentence(kind_reason), where, *map(_sentence, best.gaps if best else ()))
    return Approach(
        kind=chosen, direction=way, reasons=reasons,
        verdict=_verdict(fullness(room.fill, policy), chosen, way, room, roomy, best),
        sections=tuple(parts), poor=best.poor if best else "", gaps=best.gaps if best and not best.poor else (),
    )  # fmt: skip


def winner(chosen: ApproachKind, loop: Contender | None, kit: Contender | None) -> Contender | None:
    """The contender whose kind was chosen; the better one where either would do."""
    if chosen == "loop":
        return loop
    if chosen == "one-shots":
        return kit
    return max((c for c in (loop, kit) if c is not None), key=lambda c: c.score, default=None)


def _does(fit: Fit) -> str:
    """What a drum part brings and costs, in words."""
    return f"fills {percent(fit.room_filled)} and covers {percent(fit.covered_music)} of the music"


def _verdict(
    state: str, chosen: ApproachKind, way: Direction, room: Room, roomy: str, best: Contender | None
) -> str:
    start = f"The music is {state} ({percent(room.fill)}), with most room in the {roomy}"
    if best is None:
        return f"{start}; there are no drums to judge."
    if best.poor:
        return f"{start}: none of these drums works here: {best.poor}."
    rich = "a rich loop" if way == "fuller" else "a loop"
    what = {"loop": rich, "one-shots": "separate one-shots", "either": KIND_WORDS["either"]}[chosen]
    left = "untreated"
    how = {"fuller": "made fuller", "leaner": "kept lean", "as it is": left}[way]
    return f"{start}: use {what}, {how}.{''.join(f' {_sentence(gap)}' for gap in best.gaps[:1])}"


def percent(ratio: float) -> str:
    """'34 %', '3.4 %'."""
    return f"{100 * ratio:.0f} %" if abs(ratio) >= 0.0995 else f"{100 * ratio:.1f} %"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
