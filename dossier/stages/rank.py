"""Rank: every candidate placed in the beat and scored on the same terms; the kit chosen together.

Looking closely costs, so large folders are first looked at coarsely: on a few bars of the beat, at the gain at which
the drum meets the instrumental at one lift for all; the best of each role, and the best loops, are then placed on the
beat and brought to the gain that their intent asks for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import balance, fit, kit
from dossier.lay import pattern as lay_pattern
from dossier.measure import inbeat
from dossier.model.findings import Fit, Kit, KitMember
from dossier.model.measures import Array, Indices, Loudness
from dossier.model.vocabulary import ROLES, Role
from dossier.stages.analyse import Analysis, Drum
from dossier.stages.levels import as_it_plays, blocks, gain_bounds, ranking_slots, solve_together, target_of
from dossier.stages.placing import Groove, Playable, playable

COARSE_SLOTS = 32  # two bars of sixteenths are enough to tell the hopeless from the promising
COARSE_LIFT_LU = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """How a candidate plays in the beat and the gain that its intent asks for, as it is kept."""

    powers: Array
    plays: Loudness
    gain_db: float


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A candidate that was placed in the beat."""

    drum: Drum
    play: Playable
    powers: Array  # (slots, fine), 0 dB; empty where it was looked at coarsely
    plays: Loudness | None  # at 0 dB; None where it was looked at coarsely
    gain_db: float
    fit: Fit
    score: float
    terms: Mapping[str, float]
    reason: str
    closely: bool


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """All placed candidates by score, the kit, and the candidates that could not be placed with the reason."""

    loops: tuple[Placed, ...]
    one_shots: tuple[Placed, ...]
    kit: Kit | None
    kit_parts: tuple[Placed, ...]
    unplaced: tuple[tuple[Drum, str], ...]
    notes: tuple[str, ...]
    slots: Indices  # on which they were compared


def rank(analysis: Analysis, groove: Groove) -> Ranking:
    """Place, score and order all candidates of a beat."""
    unplaced: list[tuple[Drum, str]] = []
    playables: list[tuple[Drum, Playable]] = []
    for drum in analysis.drums:
        play = playable(drum, analysis, groove)
        if play is None:
            why = drum.measures.hit.reasons.get("role", "its role could not be told from its sound or name")
            unplaced.append((drum, why))
            continue
        playables.append((drum, play))
    slots, few = ranking_slots(analysis, groove), blocks(analysis, groove, COARSE_SLOTS)
    promising = _promising(playables, analysis, few)
    placed = [
        place_candidate(drum, play, analysis, slots) if index in promising else _coarse(drum, play, analysis, few)
        for index, (drum, play) in enumerate(playables)
    ]
    placed.sort(key=lambda item: (not item.closely, -item.score, item.drum.name))
    loops = tuple(item for item in placed if item.play.kind == "loop")
    one_shots = tuple(item for item in placed if item.play.kind == "one-shot")
    chosen, parts, notes = _choose_kit(analysis, groove, one_shots, slots)
    return Ranking(loops=loops, one_shots=one_shots, kit=chosen, kit_parts=parts, unplaced=tuple(unplaced), notes=notes,
                   slots=slots)  # fmt: skip


def place_candidate(drum: Drum, play: Playable, analysis: Analysis, slots: Indices) -> Placed:
    """Place one candidate at the gain that its intent asks for, and score it."""
    on = analysis.scene.subset(slots)

    def level() -> Level:
        powers, plays = play.powers(), as_it_plays(play)
        low, high = gain_bounds(analysis, play.role, plays)
        thin = powers[slots]
        solved = balance.solve_one(
            lambda gain: inbeat.audible_share(on, inbeat.place(on, thin, gain_db=gain)),
            target=target_of(analysis, play.role), low_db=low, high_db=high,
        )  # fmt: skip
        return Level(powers=powers, plays=plays, gain_db=solved.gain_db)

    found = analysis.keep("level", Level, level, drum.sha256, play.kind, play.role, drum.file.tempo_bpm, slots)
    return _scored(
        drum, play, analysis, on, found.powers[slots], found.powers, found.gain_db, plays=found.plays
    )  # fmt: skip


def fit_of(
    found: inbeat.InBeat, play: Playable, *, pitch_hz: float | None, mono_loss_lu: float | None, analysis: Analysis
) -> Fit:
    return Fit(
        room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share, lift_lu=found.lift_lu,
        tempo_match=fit.tempo_match(play.loop, poor_beyond=analysis.policy["loop_poor_beyond"]),
        tuning_match=fit.tuning_match(pitch_hz, analysis.key.name) if play.kind == "one-shot" else None,
        mono_loss_lu=mono_loss_lu,
    )  # fmt: skip


def rescored(placed: Placed, analysis: Analysis, play: Playable, slots: Indices) -> Placed:
    """The same candidate with other (treated) sound, at the gain it has."""
    powers = play.powers()
    on = analysis.scene.subset(slots)
    return _scored(placed.drum, play, analysis, on, powers[slots], powers, placed.gain_db, plays=as_it_plays(play))


def _scored(
    drum: Drum, play: Playable, analysis: Analysis, on: inbeat.Scene, thin: Array, powers: Array, gain_db: float,
    *, plays: Loudness | None,
) -> Placed:  # fmt: skip
    found = inbeat.measure(on, inbeat.place(on, thin, gain_db=gain_db))
    measured = fit_of(
        found, play, pitch_hz=drum.measures.pitch.hz, mono_loss_lu=drum.measures.stereo.whole.mono_loss_lu,
        analysis=analysis,
    )  # fmt: skip
    value, terms = fit.score(
        measured, fill=found.fill - found.room_filled, target_share=target_of(analysis, play.role),
        policy=analysis.policy,
    )  # fmt: skip
    return Placed(
        drum=drum, play=play, powers=powers if plays is not None else powers[:0], plays=plays, gain_db=gain_db,
        fit=measured, score=value, terms=terms, reason=fit.reason(measured, gain_db=gain_db, terms=terms),
        closely=plays is not None,
    )  # fmt: skip


def _coarse(drum: Drum, play: Playable, analysis: Analysis, few: Indices) -> Placed:
    """A look at a few bars; at those where it plays, if it rests in the common ones."""
    powers = play.powers()
    if not powers[few].any() and powers.any():
        loudest = int(np.argmax(powers.sum(axis=1)))
        per_bar = analysis.grid.slots_per_bar
        first = loudest // per_bar * per_bar
        few = np.arange(first, min(first + len(few), len(powers)), dtype=np.intp)
    on, thin = analysis.scene.subset(few), powers[few]
    level = inbeat.lift(on, inbeat.place(on, thin, gain_db=0.0))
    low, high = analysis.policy["gain_floor_db"], analysis.policy["gain_ceiling_db"]
    gain = float(np.clip(COARSE_LIFT_LU - level, low, high)) if level is not None else 0.0
    return _scored(drum, play, analysis, on, thin, powers, gain, plays=None)


def _promising(playables: Sequence[tuple[Drum, Playable]], analysis: Analysis, few: Indices) -> set[int]:
    """Indices of the candidates to look at closely; all of them where there are few."""
    policy = analysis.policy
    groups: dict[str, list[int]] = {}
    for index, (_, play) in enumerate(playables):
        groups.setdefault(play.role or "loop", []).append(index)
    chosen: set[int] = set()
    for group, members in groups.items():
        most = int(policy["closely_loops"] if group == "loop" else policy["closely_per_role"])
        if len(members) > most:
            scores = {i: _coarse(*playables[i], analysis, few).score for i in members}
            pins = set(analysis.beat.kit_pins.values())
            members = sorted(members, key=lambda i: (playables[i][0].name not in pins, -scores[i], i))[:most]
        chosen.update(members)
    return chosen


def _choose_kit(
    analysis: Analysis, groove: Groove, one_shots: Sequence[Placed], slots: Indices
) -> tuple[Kit | None, tuple[Placed, ...], tuple[str, ...]]:
    """One member a role of the pattern, chosen together."""
    wanted = lay_pattern.roles_of([groove.pattern, *groove.section_patterns.values()])
    notes: list[str] = []
    shortlists: dict[Role, list[str]] = {}
    by_name = {item.drum.name: item for item in one_shots if item.closely}
    for role in wanted:
        names = [item.drum.name for item in one_shots if item.closely and item.play.role == role]
        if names:
            shortlists[role] = names[:4]
    missing = tuple(role for role in wanted if role not in shortlists)
    notes += [f"the pattern plays {role}, but there is no {role} among the candidates" for role in missing]
    pins: dict[Role, str] = {}
    for role, name in analysis.beat.kit_pins.items():
        if name in by_name and role in shortlists:
            pins[role] = name
        else:
            notes.append(f"kit.{role} = {name} is not among the candidates that could be placed; chosen freely")
    if not shortlists:
        return None, (), tuple(notes)

    def score(trial: Mapping[Role, str]) -> float:
        return kit_fit(analysis, [by_name[name] for name in trial.values()], slots)[1]

    members, _ = kit.choose(shortlists, pins=pins, score=score)
    parts = _together(analysis, [by_name[members[role]] for role in ROLES if role in members], slots)
    measured, value, terms = kit_fit(analysis, parts, slots)
    listed = tuple(
        KitMember(role=part.play.role, file=part.drum.name, gain_db=part.gain_db, fit=part.fit,
                  pinned=part.play.role in pins,
                  reason="fixed in beat.toml" if part.play.role in pins else part.reason)
        for part in parts if part.play.role is not None
    )  # fmt: skip
    whole = Kit(
        members=listed, missing_roles=missing, score=value, terms=terms, fit=measured,
        reason=fit.reason(measured, gain_db=None, terms=terms),
    )  # fmt: skip
    return whole, tuple(parts), tuple(notes)


def _together(analysis: Analysis, parts: Sequence[Placed], slots: Indices) -> list[Placed]:
    """The members at the gains at which they are heard beside each other, measured there."""
    on = analysis.scene.subset(slots)
    bounds = [gain_bounds(analysis, part.play.role, part.plays) for part in parts if part.plays is not None]
    solved = solve_together(
        on, powers=[part.powers[slots] for part in parts], bounds=bounds,
        targets=[target_of(analysis, part.play.role) for part in parts], start_db=[part.gain_db for part in parts],
    )  # fmt: skip
    return [
        _scored(part.drum, part.play, analysis, on, part.powers[slots], part.powers, answer.gain_db, plays=part.plays)
        for part, answer in zip(parts, solved, strict=True)
    ]


def kit_target(analysis: Analysis, parts: Sequence[Placed]) -> float:
    """The audible share asked of a kit as one part: the mean of its members'."""
    return sum(target_of(analysis, part.play.role) for part in parts) / max(1, len(parts))


def kit_fit(analysis: Analysis, parts: Sequence[Placed], slots: Indices) -> tuple[Fit, float, dict[str, float]]:
    """Fit and score of one-shots as one drum part, each at its gain."""
    on = analysis.scene.subset(slots)
    powers = sum((part.powers[slots] * 10.0 ** (part.gain_db / 10.0) for part in parts), np.zeros_like(on.powers))
    found = inbeat.measure(on, inbeat.place(on, powers, gain_db=0.0))
    losses = [part.fit.mono_loss_lu for part in parts if part.fit.mono_loss_lu is not None]
    tunings = [part.fit.tuning_match for part in parts if part.fit.tuning_match is not None]
    measured = Fit(
        room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share, lift_lu=found.lift_lu, tempo_match=1.0,
        tuning_match=min(tunings, default=None), mono_loss_lu=max(losses, default=None),
    )  # fmt: skip
    value, terms = fit.score(
        measured, fill=found.fill - found.room_filled, target_share=kit_target(analysis, parts),
        policy=analysis.policy,
    )  # fmt: skip
    return measured, value, terms


def with_members(ranking: Ranking, parts: Sequence[Placed], analysis: Analysis) -> Ranking:
    """The ranking with other (treated) sound in its kit, scored anew."""
    if ranking.kit is None or not parts:
        return ranking
    measured, value, terms = kit_fit(analysis, parts, ranking.slots)
    whole = replace(ranking.kit, score=value, terms=terms, fit=measured,
                    reason=fit.reason(measured, gain_db=None, terms=terms))  # fmt: skip
    return replace(ranking, kit=whole, kit_parts=tuple(parts))
