"""Kits: one one-shot for each role that the pattern plays, chosen and balanced together.

Members mask one another.  So a kit is judged by what it does in the beat as one drum part, and by how far each member
is heard less than usual beside the others.  A role without a candidate is filled by a file of a role that is played in
its place (common practice, no source), if one is left over; else it is said to be missing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import partial

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from dossier.arrange import pattern as patterns
from dossier.decide import fit
from dossier.decide import kit as decide_kit
from dossier.measure import in_beat
from dossier.memo import Memo
from dossier.model.findings import Fit, Kit, KitMember
from dossier.model.measures import Indices
from dossier.model.parts import Drum, Groove, PlacedCandidate
from dossier.model.scene import InBeat, PlacedPart, Scene
from dossier.model.situation import Analysis, Situation
from dossier.model.vocabulary import ROLES, Role
from dossier.stages.gains import together
from dossier.stages.placing import judge, place_alone, scored

SHORTLIST = 4  # files a role that are tried in kits
STAND_INS_TRIED = 2


class KitTrials(Struct, frozen=True, eq=False):
    """The ranking's frames, with each part placed once however many kits it is tried in."""

    here: Situation
    frames: Indices
    on: Scene
    kept: dict[tuple[str, Role | None, float], PlacedPart] = field(default_factory=dict)

    def placed(self, item: PlacedCandidate) -> PlacedPart:
        key = (item.drum.name, item.part.role, item.gains.db)
        if key not in self.kept:
            self.kept[key] = in_beat.place(self.on, item.powers[self.frames], gain_db=item.gains.db)
        return self.kept[key]

    def worth(self, items: Sequence[PlacedCandidate]) -> float:
        """What a kit is worth among kits; see `dossier.decide.kit.worth`."""
        placed = [self.placed(item) for item in items]
        total = np.sum([one.excitation for one in placed], axis=0)
        members = [
            fit.job_done(item.fit.job, in_beat.heard(self.on, one, total - one.excitation)[1], item.part.role,
                         self.here.policy)
            for item, one in zip(items, placed, strict=True)
        ]  # fmt: skip
        _, score, _ = _fit(self.here, self.on, self.frames, items)
        return decide_kit.worth(score, members)


def choose_kit(
    analysis: Analysis, one_shots: Sequence[PlacedCandidate], frames: Indices, unplaced: Sequence[tuple[Drum, str]],
    memo: Memo,
) -> tuple[Kit | None, tuple[PlacedCandidate, ...], tuple[str, ...]]:  # fmt: skip
    """The kit, its parts, and notes: one member a role of the pattern, chosen together, with stand-ins for gaps.

    None and empty where the pattern plays no role that has a candidate.
    """
    here, groove = analysis.here, analysis.groove
    wanted = patterns.roles_of([groove.pattern, *groove.section_patterns.values()])
    trials = KitTrials(here, frames, here.scene.subset(frames))
    by_name = {item.drum.name: item for item in one_shots if item.closely}
    shortlists: dict[Role, list[str]] = {}
    for role in wanted:
        names = [name for name, item in by_name.items() if item.part.role == role]
        if names:
            shortlists[role] = names[:SHORTLIST]
    pins, notes = _pins(analysis.beat.kit_pins, wanted, by_name, unplaced)
    for role, name in pins.items():
        shortlists[role] = [name, *(other for other in shortlists[role] if other != name)]

    def best(
        lists: Mapping[Role, Sequence[str]], fixed: Mapping[Role, str],
        items: Mapping[Role, Mapping[str, PlacedCandidate]],
    ) -> dict[Role, str]:  # fmt: skip
        def score(trial: Mapping[Role, str]) -> float:
            if len(set(trial.values())) < len(trial):
                return -np.inf  # one file cannot play two roles
            return trials.worth([items[role][name] for role, name in trial.items()])

        tried = [
            (role, name, items[role][name].drum.sha256, items[role][name].gains.db)
            for role, names in lists.items() for name in names
        ]  # fmt: skip
        choose = partial(decide_kit.choose, lists, pins=fixed, score=score)
        kept = memo("level", dict[Role, str], choose, tried, fixed, frames)
        return {role: kept[role] for role in lists if role in kept}

    items: dict[Role, Mapping[str, PlacedCandidate]] = dict.fromkeys(shortlists, by_name)
    members = best(shortlists, pins, items)
    gaps = [role for role in wanted if role not in shortlists]
    stand_ins = _stand_ins(gaps, by_name, set(members.values()), here, groove, frames, memo)
    if stand_ins:
        items.update(stand_ins)
        members = best({**{role: [name] for role, name in members.items()},
                        **{role: list(found) for role, found in stand_ins.items()}}, members, items)  # fmt: skip
    missing = tuple(role for role in gaps if role not in members)
    notes += [f"the pattern plays {role}, but there is no {role} among the candidates" for role in missing]
    if not wanted:
        notes.append("the pattern has no hit, so there is no kit")
    if not members:
        return None, (), tuple(notes)
    chosen = [items[role][members[role]] for role in ROLES if role in members]
    parts = balanced_together(here, chosen, frames, memo)
    notes += [
        f"the pattern plays {role}, but there is no {role} among the candidates: {members[role]} stands in"
        for role in gaps if role in members
    ]  # fmt: skip
    return kit_of(here, parts, frames, pinned=pins, missing=missing), parts, tuple(notes)


def kit_of(
    here: Situation, parts: Sequence[PlacedCandidate], frames: Indices, *, pinned: Collection[Role],
    missing: tuple[Role, ...],
) -> Kit:  # fmt: skip
    """The kit with the gains, fits, reasons and score that its parts have as they are now."""
    members = tuple(
        KitMember(role=role, file=item.drum.name, gain_db=item.gains.to_set_db, fit=item.fit, pinned=role in pinned,
                  reason="fixed in beat.toml" if role in pinned else _reason(item), gain_range_db=item.gains.range_db)
        for item in parts if (role := item.part.role) is not None
    )  # fmt: skip
    measured, value, terms = _fit(here, here.scene.subset(frames), frames, parts)
    graded = fit.grade(value, None)
    return Kit(
        members=members, missing_roles=missing, score=value, terms=terms, fit=measured, grade=graded,
        reason=fit.reason(measured, role=None, gain_db=None, terms=terms, policy=here.policy),
        why=fit.why(terms, role=None, grade=graded, policy=here.policy),
    )  # fmt: skip


def balanced_together(
    here: Situation, items: Sequence[PlacedCandidate], frames: Indices, memo: Memo
) -> tuple[PlacedCandidate, ...]:
    """Candidates at the gains at which they are heard beside each other, measured there."""
    gains = together(here, items)
    playing = [(item.powers[frames], one.db) for item, one in zip(items, gains, strict=True)]

    def measured() -> tuple[InBeat, ...]:
        on = here.scene.subset(frames)
        placed = [in_beat.place(on, powers, gain_db=gain_db) for powers, gain_db in playing]
        total = np.sum([one.excitation for one in placed], axis=0)
        return tuple(in_beat.measure(on, one, total - one.excitation) for one in placed)

    found = memo("level", tuple[InBeat, ...], measured, playing, frames)
    return tuple(
        scored(item.drum, item.part, here, item.read_powers, own, one, job=item.fit.job, plays=item.plays,
               treated=item.treated)
        for item, own, one in zip(items, gains, found, strict=True)
    )


def _fit(
    here: Situation, on: Scene, frames: Indices, items: Sequence[PlacedCandidate]
) -> tuple[Fit, float, dict[str, float]]:
    """Fit and score of one-shots as one drum part, each at its gain."""
    powers = sum((item.powers[frames] * 10.0 ** (item.gains.db / 10.0) for item in items), np.zeros_like(on.powers))
    losses = [item.fit.mono_loss_lu for item in items if item.fit.mono_loss_lu is not None]
    parts = [(item.part.role, item.fit.job or 0.0, 1.0) for item in items if item.part.role is not None]
    like = replace(
        items[0].fit, job=fit.job_of_parts(parts, here.policy), tempo_match=1.0,
        tuning_match=_tuning([item.fit.tuning_match for item in items]),
        mono_loss_lu=max(losses, default=None),
    )  # fmt: skip
    return judge(on, powers, like, here=here)


def _pins(
    kit_pins: Mapping[Role, str], wanted: Iterable[Role], by_name: Mapping[str, PlacedCandidate],
    unplaced: Sequence[tuple[Drum, str]],
) -> tuple[dict[Role, str], list[str]]:  # fmt: skip
    """The members that beat.toml fixes, and what became of those that cannot be."""
    pins: dict[Role, str] = {}
    notes = []
    without_role = {drum.name for drum, _ in unplaced}
    for role, name in kit_pins.items():
        item = by_name.get(name)
        if item is not None and item.part.role == role and role in wanted:
            pins[role] = name
        elif role not in wanted:
            notes.append(f"kit.{role} = {name}: the pattern plays no {role}, so it is not in the kit")
        elif item is not None:
            notes.append(f"kit.{role} = {name}: it is fixed as {item.part.role} already; {role} is chosen freely")
        else:
            why = "it could not be placed" if name in without_role else "it is not among the files that could be used"
            notes.append(f"kit.{role} = {name}: {why}; {role} is chosen freely")
    return pins, notes


def _stand_ins(
    gaps: Iterable[Role], by_name: Mapping[str, PlacedCandidate], used: set[str], here: Situation, groove: Groove,
    frames: Indices, memo: Memo,
) -> dict[Role, dict[str, PlacedCandidate]]:  # fmt: skip
    """For each gap files left over of the likeliest other role, placed where the missing role plays; best first."""
    found: dict[Role, dict[str, PlacedCandidate]] = {}
    taken = set(used)
    for role in gaps:
        voice = groove.voices.get(role)
        pools = [
            [item for item in by_name.values() if item.part.role == other and item.drum.name not in taken]
            for other in decide_kit.STAND_INS[role]
        ]
        left = next((pool for pool in pools if pool), [])
        if voice is None or not left:
            continue
        placed = [
            place_alone(item.drum, replace(item.part, role=role, voice=voice, assumed_voice=False), here, frames, memo)
            for item in left[:STAND_INS_TRIED]
        ]
        placed.sort(key=lambda item: (-item.score, item.drum.name))
        found[role] = {item.drum.name: item for item in placed}
        taken.add(placed[0].drum.name)  # so that two gaps do not wait for one file
    return found


def _reason(item: PlacedCandidate) -> str:
    """Why it is in the kit; of one that stands in for another role, that it does."""
    own, role = item.drum.measures.hit.role, item.part.role
    if own == role:
        return item.reason
    left, missing = (name.replace("-", " ") for name in (own or "sound", role or ""))
    return f"stands in, because there is no {missing} among the candidates: a {left} of those left over. {item.reason}"


def _tuning(matches: Sequence[float | None]) -> float | None:
    """The mean over all members: one without a pitch rubs against nothing.  None where none has one."""
    if all(match is None for match in matches):
        return None
    return sum(1.0 if match is None else match for match in matches) / len(matches)
