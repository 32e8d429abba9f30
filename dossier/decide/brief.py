"""What a reader with one minute needs: the verdict in at most thirty words, and up to three concerns, worst first.

Both are worded from the finished document, in the state in which all its figures are told: treated, at the final gains.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet

from msgspec.structs import replace

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart, Covered, Plan, Step
from dossier.model.vocabulary import ZONE_LABELS, ZONES

PLACES = (("the low end", ("sub", "bass")), ("the middle", ("low_mid", "mid")),
          ("the top", ("high_mid", "presence", "brilliance")))  # fmt: skip
_KEYS = {name: set(keys) for name, keys in (*PLACES, *((f"the {zone.label}", (zone.key,)) for zone in ZONES))}
MOST_CONCERNS = 3
MOST_WORDS = 30
_DONE = {
    "saturation": "saturated", "transient shaping": "reshaped", "layering": "layered", "truncation": "cut short",
    "parallel compression": "compressed in parallel", "band and bit reduction": "thinned out",
    "short room": "in a short room", "width": "narrowed", "output level": "",
}  # fmt: skip
_VOICE = " with a voice"  # in what is told full
_FILTERED = {"high-pass": "low-cut", "low-pass": "high-cut"}


def told(data: DossierData) -> DossierData:
    """The document with its verdict and its concerns."""
    settings = {setting.name: setting.value for setting in data.settings}
    said = verdict(data)
    proposals = tuple(replace(p, text=said) if p.kind == "approach" else p for p in data.proposals)
    approach = replace(data.approach, verdict=said)
    return replace(data, approach=approach, proposals=proposals, concerns=concerns(data, settings))


def verdict(data: DossierData) -> str:
    """Where there is space, which drums, the one thing to do to them, how they sit or what covers them."""
    chosen = [part for part in data.balance.parts if part.chosen]
    music = data.instrumental
    full = next((setting.value for setting in data.settings if setting.name == "zone_full_above"), 0.0)
    taken = {zone: fill + music.kept.get(zone, 0.0) for zone, fill in music.zones.items()}
    space = _space(music.zone_states, taken, {zone for zone in music.kept if music.zones[zone] <= full})
    if not chosen:
        return f"{space} No drums to judge."
    loop = next((part for part in chosen if part.role is None), None)
    level = chosen[0].level_lu if len(chosen) == 1 else data.balance.all_drums_lu
    name = f"the loop {_called(loop.file)}" if loop else "the kit of one-shots"
    plans = {part.part: plan for part in chosen if (plan := plan_of(data, part)) is not None}
    how = _treated(plans, whole=loop is not None)
    worst = data.balance.covered[0] if data.balance.covered else None
    ending = _uncovered(worst, data) if worst else f"{_sits(level)}."
    drums = [f"Use {name}{how}; {ending}"]
    gap = data.approach.gaps[0].split(":")[0] if data.approach.gaps else ""
    if data.approach.poor:
        why, _, would = data.approach.poor.partition("; ")
        whole = f"None of these drums works here: {why}; {would}."
        drums = [f"{whole} Nearest: {name}{how}.", f"{whole} Nearest: {name}.", whole]
    elif gap:
        drums.insert(0, f"{drums[0]} {gap[0].upper()}{gap[1:]}.")
    starts = (space, space.split(";")[0].rstrip(".") + ".", "")
    said = [f"{start} {end}".strip() for end in drums for start in starts]
    return next((one for one in said if len(one.split()) <= MOST_WORDS), said[-1])


def _uncovered(one: Covered, data: DossierData) -> str:
    """What to do about a part that is covered, or that it stays so."""
    label = next((part.part for part in data.balance.parts if part.id == one.part), one.part)
    if one.give_way_db is None:
        return f"the {label} stays covered by {_stem(one.by)}."
    return f"lower {_stem(one.by)} {one.give_way_db:.0f} dB in the {ZONE_LABELS[one.zone]} under the {label}."


def plan_of(data: DossierData, part: BalancePart) -> Plan | None:
    """The plan that a part is treated by."""
    helped = (plan for plan in data.plans if part.treated and plan.helped and plan.candidate == part.file)
    return next(helped, None)


def _stem(file: str) -> str:
    return file.rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _called(file: str) -> str:
    """A loop's file as a name: without what else is told (that it is a loop, its tempo)."""
    name = re.sub(r"(?i)^loop[-_ ]+|[-_ ]*\d+(\.\d+)? ?bpm$", "", _stem(file))
    return re.sub(r"[-_]+", " ", name) or _stem(file)


def _space(states: Mapping[str, str], taken: Mapping[str, float], sung: AbstractSet[str]) -> str:
    """Where the music leaves space, most first, and where none: two names each, places before single zones.

    `taken`: by music and voice, of each zone; `sung`: zones that are full only with the room kept for a voice.
    """
    if not states:
        return ""
    if len(set(states.values()) - {"over-full"}) == 1 and "over-full" not in states.values():
        everywhere = f"The music is full everywhere{_VOICE if sung else ''}."
        return {"open": "Space everywhere.", "full": everywhere}.get(
            next(iter(states.values())), "A little space everywhere.")  # fmt: skip
    full = _places(states, {}, "full", "over-full")
    amount, where = next(((word, found) for state, word in (("open", "Space"), ("part filled", "A little space"))
                          if (found := _places(states, taken, state))), ("No space", []))  # fmt: skip
    there = _listed([f"in {place}" for place in where]).replace("in the top", "on top")
    start = f"{amount} {there or 'anywhere'}"
    alone = [name for name in full if not _KEYS[name] & sung]
    with_voice = [name for name in full if _KEYS[name] & sung]
    said = [f"{_listed(alone)} {_are(alone)} full"] if alone else []
    said += [f"{_listed(with_voice)}{'' if alone else f' {_are(with_voice)} full'}{_VOICE}"] if with_voice else []
    return f"{start}; {', '.join(said)}." if said else f"{start}."


def _places(states: Mapping[str, str], taken: Mapping[str, float], *wanted: str) -> list[str]:
    out: list[str] = []
    for name, keys in PLACES:
        those = [key for key in keys if states.get(key) in wanted]
        if len(those) == len(keys):
            out.append(name)
        else:
            out += [f"the {ZONE_LABELS[key]}" for key in those]

    def order(name: str) -> tuple[bool, float]:
        keys = _KEYS[name]
        return len(keys) == 1, sum(taken.get(key, 0.0) for key in keys) / len(keys)

    return sorted(out, key=order)[:2]


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _treated(plans: Mapping[str, Plan], *, whole: bool) -> str:
    """What is done to the loop, or to up to two drums of a kit, each by name, or to more of them."""
    words = {part: [word for step in plan.steps if (word := in_a_word(step))] for part, plan in plans.items()}
    if not whole and len(plans) <= 2:
        found = [f"its {part} {words[part][0]}" for part in plans if words[part]]
    else:
        found = list(dict.fromkeys(word for each in words.values() for word in each))
    return f", {_listed(found[:2])}" if found else " untreated"


def in_a_word(step: Step) -> str:
    shape = str(step.amounts.get("shape", ""))
    return _FILTERED.get(shape, "with a bell cut") if step.treatment == "EQ" else _DONE.get(step.treatment, "")


def _sits(level_lu: float | None) -> str:
    if level_lu is None:
        return "set the level by ear"
    lu = round(level_lu)
    return "as loud as the music" if not lu else f"{abs(lu)} LU {'over' if lu > 0 else 'under'} the music"


def concerns(data: DossierData, settings: Mapping[str, float]) -> tuple[str, ...]:
    """At most three, in this order: what cannot be heard, what is too full, kick and bass, tempo, rights."""
    chosen = [part for part in data.balance.parts if part.chosen]
    found = [f"{gap[0].upper()}{gap[1:]}." for gap in data.approach.gaps[:1]]
    for one in data.balance.covered[:1]:
        why = "turning it up won't fix it" if one.raise_db is None else "less is heard than usual"
        rest = len(data.balance.covered) - 1
        more = f" {rest} more part{'s' if rest > 1 else ''} covered." if rest else ""
        do = _uncovered(one, data) if one.give_way_db is not None else f"{_stem(one.by)} covers it."
        found.append(f"{one.part.replace('-', ' ').capitalize()}: {why}; {do}{more}")
    lost = [line for line in data.warnings if any(f.kind == "stem" and not f.used and line.startswith(f.file)
                                                  for f in data.inputs)]  # fmt: skip
    found += [f"A stem is missing from the music: {line}" for line in lost[:1]]
    fullest = data.instrumental.fullest_zone
    if data.instrumental.zone_states.get(fullest) == "over-full":
        low, high = next((zone.low_hz, zone.high_hz) for zone in ZONES if zone.key == fullest)
        found.append(f"The {ZONE_LABELS[fullest]} ({low:g} to {high:g} Hz) is over-full before any drum plays.")
    low_end = data.low_end
    kick = next((part for part in chosen if low_end and part.file == low_end.kick), None)
    share = low_end.kick_share if low_end else None
    if low_end and kick and share is not None and share < settings.get("low_end_covered_share", 0.0):
        fix = next((line for line in low_end.sentences if line.startswith("Best fix")), "")
        found.append(f"Kick and bass collide. {fix}".strip())
    if data.beat.tempo_alternatives:
        others = _listed([f"{bpm:g}" for bpm in data.beat.tempo_alternatives])
        found.append(f"The tempo may be {others} BPM instead of {data.beat.tempo_bpm:g}: say which in beat.toml.")
    used = {part.file for part in chosen}
    unclear = [f for f in data.inputs if f.used and f.rights in ("pending", "unknown")
               and (f.kind == "stem" or f.file in used)]  # fmt: skip
    if unclear:
        files = _listed([_stem(f.file) for f in unclear[:3]])
        found.append(f"Rights are not settled for {files}{' and others' if len(unclear) > 3 else ''}.")
    return tuple(found[:MOST_CONCERNS])


def _listed(items: Sequence[str]) -> str:
    return f"{', '.join(items[:-1])} and {items[-1]}" if len(items) > 1 else "".join(items)
