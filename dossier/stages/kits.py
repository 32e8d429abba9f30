"""Kits: one one-shot for each role that the pattern plays, chosen and balanced together.

Members mask one another.  So a kit is judged by what it does in the beat as one drum part, and by how far each member
misses the share that is asked of it with the other members beside it.  A role without a candidate is filled by a file
of a role that is played in its place (common practice, no source), if one is left over; else it is said to be missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from dossier.arrange import pattern as patterns
from dossier.decide import fit, kit
from dossier.measure import in_beat
from dossier.model.findings import Fit, Kit, KitMember
from dossier.model.measures import Indices
from dossier.model.scene import PlacedPart, Scene
from dossier.model.vocabulary import ROLES, Role
from dossier.stages.analyse import Analysis, Drum
from dossier.stages.levels import gain_bounds, solve_together, target_of
from dossier.stages.placed import Placed, place_candidate, scored
from dossier.stages.placing import Groove

SHORTLIST = 4  # files a role that are tried in kits
STAND_INS_TRIED = 2


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """The kit of a ranking; None and empty where the pattern plays no role that has a candidate."""

    kit: Kit | None
    parts: tuple[Placed, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """The ranking's slots, with each part placed once however many kits it is tried in."""

    analysis: Analysis
    slots: Indices
    on: Scene
    kept: dict[tuple[str, Role | None, float], PlacedPart] = field(default_factory=dict)

    def placed(self, part: Placed) -> PlacedPart:
        key = (part.drum.name, part.play.role, part.gain_db)
        if key not in self.kept:
            self.kept[key] = in_beat.place(self.on, part.powers[self.slots], gain_db=part.gain_db)
        return self.kept[key]


def choose_kit(
    analysis: Analysis, groove: Groove, one_shots: Sequence[Placed], slots: Indices,
    unplaced: Sequence[tuple[Drum, str]] = (),
) -> Chosen:  # fmt: skip
    """One member a role of the pattern, chosen together; gaps filled where something stands in."""
    wanted = patterns.roles_of([groove.pattern, *groove.section_patterns.values()])
    bench = Bench(analysis, slots, analysis.scene.subset(slots))
    by_name = {item.drum.name: item for item in one_shots if item.closely}
    shortlists: dict[Role, list[str]] = {}
    for role in wanted:
        names = [name for name, item in by_name.items() if item.play.role == role]
        if names:
            shortlists[role] = names[:SHORTLIST]
    pins, notes = _pins(analysis, wanted, by_name, unplaced)
    for role, name in pins.items():
        shortlists[role] = [name, *(other for other in shortlists[role] if other != name)]

    def best(lists: Mapping[Role, Sequence[str]], fixed: Mapping[Role, str], items: Mapping[Role, Mapping[str, Placed]],
             ) -> dict[Role, str]:  # fmt: skip
        def score(trial: Mapping[Role, str]) -> float:
            if len(set(trial.values())) < len(trial):
                return -np.inf  # one file cannot play two roles
            return _worth(bench, [items[role][name] for role, name in trial.items()])

        return kit.choose(lists, pins=fixed, score=score)[0]

    items: dict[Role, Mapping[str, Placed]] = dict.fromkeys(shortlists, by_name)
    members = best(shortlists, pins, items)
    gaps = [role for role in wanted if role not in shortlists]
    stand_ins = _stand_ins(gaps, by_name, set(members.values()), analysis, groove, slots)
    if stand_ins:
        items.update(stand_ins)
        members = best({**{role: [name] for role, name in members.items()},
                        **{role: list(found) for role, found in stand_ins.items()}}, members, items)  # fmt: skip
    missing = tuple(role for role in gaps if role not in members)
    notes += [f"the pattern plays {role}, but there is no {role} among the candidates" for role in missing]
    if not wanted:
        notes.append("the pattern has no hit, so there is no kit")
    if not members:
        return Chosen(None, (), tuple(notes))
    parts = _together(bench, [items[role][members[role]] for role in ROLES if role in members])
    measured, value, terms = _fit(bench, parts)
    reasons = {
        part.play.role: "fixed in beat.toml" if part.play.role in pins
        else _stands_in(part) if part.play.role in stand_ins else part.reason
        for part in parts
    }  # fmt: skip
    notes += [
        f"the pattern plays {role}, but there is no {role} among the candidates: {members[role]} stands in"
        for role in gaps if role in members
    ]  # fmt: skip
    listed = tuple(
        KitMember(role=part.play.role, file=part.drum.name, gain_db=part.gain_db, fit=part.fit,
                  pinned=part.play.role in pins, reason=reasons[part.play.role])
        for part in parts if part.play.role is not None
    )  # fmt: skip
    whole = Kit(
        members=listed, missing_roles=missing, score=value, terms=terms, fit=measured,
        reason=fit.reason(measured, gain_db=None, terms=terms, policy=bench.analysis.policy),
    )  # fmt: skip
    return Chosen(whole, tuple(parts), tuple(notes))


def kit_target(analysis: Analysis, parts: Sequence[Placed]) -> float:
    """The audible share asked of a kit as one part: the mean of its members'."""
    return sum(target_of(analysis, part.play.role) for part in parts) / max(1, len(parts))


def kit_fit(analysis: Analysis, parts: Sequence[Placed], slots: Indices) -> tuple[Fit, float, dict[str, float]]:
    """Fit and score of one-shots as one drum part, each at its gain."""
    return _fit(Bench(analysis, slots, analysis.scene.subset(slots)), parts)


def _missing(bench: Bench, parts: Sequence[Placed]) -> list[float]:
    placed = [bench.placed(part) for part in parts]
    total = np.sum([item.excitation for item in placed], axis=0)
    found = []
    for part, item in zip(parts, placed, strict=True):
        share = in_beat.audible_share(bench.on, item, total - item.excitation)
        found.append(fit.missing_share(share, target_of(bench.analysis, part.play.role)))
    return found


def _fit(bench: Bench, parts: Sequence[Placed]) -> tuple[Fit, float, dict[str, float]]:
    analysis, on = bench.analysis, bench.on
    powers = sum(
        (part.powers[bench.slots] * 10.0 ** (part.gain_db / 10.0) for part in parts), np.zeros_like(on.powers)
    )
    found = in_beat.measure(on, in_beat.place(on, powers, gain_db=0.0))
    losses = [part.fit.mono_loss_lu for part in parts if part.fit.mono_loss_lu is not None]
    tunings = [part.fit.tuning_match for part in parts]
    measured = Fit(
        room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share, lift_lu=found.lift_lu, tempo_match=1.0,
        tuning_match=_tuning(tunings), mono_loss_lu=max(losses, default=None),
    )  # fmt: skip
    value, terms = fit.score(
        measured, fill=found.fill - found.room_filled, target_share=kit_target(analysis, parts),
        policy=analysis.policy,
    )  # fmt: skip
    return measured, value, terms


@dataclass(frozen=True, slots=True)
class Worth:
    """What a kit is worth among kits, as it is kept."""

    worth: float


def _worth(bench: Bench, parts: Sequence[Placed]) -> float:
    """What a kit is worth among kits: its score as one drum part, less what each member misses beside the others.

    A member that is not heard is a role that is not played, so every member's loss counts in full.  Beside loops the
    score alone counts: of a loop nobody asks whether each of its drums is heard.
    """
    weight = bench.analysis.policy["weight_share"]
    return bench.analysis.keep(
        "kit worth", Worth, lambda: Worth(_fit(bench, parts)[1] - weight * sum(_missing(bench, parts))),
        [(part.drum.sha256, part.play.role, part.gain_db) for part in parts], bench.slots,
    ).worth  # fmt: skip


def _together(bench: Bench, parts: Sequence[Placed]) -> list[Placed]:
    """The members at the gains at which they are heard beside each other, measured there."""
    analysis, on, slots = bench.analysis, bench.on, bench.slots
    bounds = [gain_bounds(analysis, part.play.role, part.plays) for part in parts if part.plays is not None]
    solved = solve_together(
        on, keep=analysis.keep, powers=[part.powers[slots] for part in parts], bounds=bounds,
        targets=[target_of(analysis, part.play.role) for part in parts], start_db=[part.gain_db for part in parts],
    )  # fmt: skip
    at = [replace(part, gain_db=answer.gain_db) for part, answer in zip(parts, solved, strict=True)]
    total = np.sum([bench.placed(part).excitation for part in at], axis=0)
    found = [in_beat.measure(on, bench.placed(part), total - bench.placed(part).excitation) for part in at]
    return [
        scored(part.drum, part.play, analysis, part.powers, part.gain_db, there, plays=part.plays)
        for part, there in zip(at, found, strict=True)
    ]


def _pins(
    analysis: Analysis, wanted: Iterable[Role], by_name: Mapping[str, Placed], unplaced: Sequence[tuple[Drum, str]]
) -> tuple[dict[Role, str], list[str]]:
    """The members that beat.toml fixes, and what became of those that cannot be."""
    pins: dict[Role, str] = {}
    notes = []
    without_role = {drum.name for drum, _ in unplaced}
    for role, name in analysis.beat.kit_pins.items():
        item = by_name.get(name)
        if item is not None and item.play.role == role and role in wanted:
            pins[role] = name
        elif role not in wanted:
            notes.append(f"kit.{role} = {name}: the pattern plays no {role}, so it is not in the kit")
        elif item is not None:
            notes.append(f"kit.{role} = {name}: it is fixed as {item.play.role} already; {role} is chosen freely")
        else:
            why = "it could not be placed" if name in without_role else "it is not among the files that could be used"
            notes.append(f"kit.{role} = {name}: {why}; {role} is chosen freely")
    return pins, notes


def _stand_ins(
    gaps: Iterable[Role], by_name: Mapping[str, Placed], used: set[str], analysis: Analysis, groove: Groove,
    slots: Indices,
) -> dict[Role, dict[str, Placed]]:  # fmt: skip
    """For each gap files left over of the likeliest other role, placed where the missing role plays; best first."""
    found: dict[Role, dict[str, Placed]] = {}
    taken = set(used)
    for role in gaps:
        voice = groove.voices.get(role)
        pools = [
            [item for item in by_name.values() if item.play.role == other and item.drum.name not in taken]
            for other in kit.STAND_INS[role]
        ]
        left = next((pool for pool in pools if pool), [])
        if voice is None or not left:
            continue
        placed = [
            place_candidate(
                item.drum, replace(item.play, role=role, voice=voice, assumed_voice=False), analysis, slots
            )
            for item in left[:STAND_INS_TRIED]
        ]
        placed.sort(key=lambda item: (-item.score, item.drum.name))
        found[role] = {item.drum.name: item for item in placed}
        taken.add(placed[0].drum.name)  # so that two gaps do not wait for one file
    return found


def _stands_in(part: Placed) -> str:
    own = (part.drum.measures.hit.role or "sound").replace("-", " ")
    role = (part.play.role or "").replace("-", " ")
    return f"stands in, because there is no {role} among the candidates: a {own} of those left over. {part.reason}"


def _tuning(matches: Sequence[float | None]) -> float | None:
    """The mean over all members: one without a pitch rubs against nothing.  None where none has one."""
    if all(match is None for match in matches):
        return None
    return sum(1.0 if match is None else match for match in matches) / len(matches)
