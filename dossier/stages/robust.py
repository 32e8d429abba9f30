"""Robust: how far the advice holds when its assumptions move, and what would change the verdict.

Assumptions that are moved: the listening level, by +-`robust_level_db`; the reference, zone by zone, by
+-`robust_reference_db`.  What would change it: each stem is really lowered or left out, and the instrumental measured
again, the best loop and the members of the best kit turned by as much as their intents ask for more or less of them
in it, within the bounds that hold in the beat.  An outcome turns the verdict where it is neither the verdict itself nor
what the same calculation says of the beat as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import approach as decide_approach
from dossier.decide import balance as decide_balance
from dossier.decide import fit
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.model.findings import Approach, Fit, WhatIf
from dossier.model.measures import Array, Indices, Samples
from dossier.model.scene import Scene
from dossier.model.vocabulary import ZONES, ApproachKind, Direction
from dossier.stages.analyse import Analysis
from dossier.stages.levels import gain_bounds, target_of
from dossier.stages.rank import Placed, Ranking, best_loop, kit_target
from dossier.stages.settle import Settled, solve_on
from dossier.stages.stems import StemAudio
from dossier.workers import side_by_side

LOWER_DB = -4.0
LOWERED = 3  # stems that are also lowered: those that say most when they are gone
SHOWN = 2  # the most telling cases
SOLVED_SLOTS = 128  # of them gains are solved on, whole bars spread evenly
EXCERPT_S = 60.0  # music that is measured again for each changed stem; whole bars spread over the beat

Tag = tuple[str | float | None, ...]  # names a changed scene


@dataclass(frozen=True, slots=True)
class Hedge:
    """What would change the verdict, and which assumption turns it, as it is kept."""

    what_would_change: tuple[WhatIf, ...]
    uncertain: str | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a changed beat or assumption leads to."""

    fill: float
    kind: ApproachKind
    direction: Direction


def hedge(analysis: Analysis, ranking: Ranking, approach: Approach) -> Approach:
    """The approach with what would change it, and with a warning where it hangs on an assumption."""
    loop = best_loop(ranking)
    parts = [*ranking.kit_parts, *([loop] if loop is not None else [])]
    found = analysis.keep(
        "hedge", Hedge,
        lambda: Hedge(what_would_change(analysis, ranking, approach), uncertain(analysis, ranking, approach)),
        approach.kind, approach.direction, [[part.drum.sha256, part.gain_db, part.score] for part in parts],
        ranking.slots,
    )  # fmt: skip
    return replace(approach, what_would_change_it=found.what_would_change, uncertain=found.uncertain)


def uncertain(analysis: Analysis, ranking: Ranking, approach: Approach) -> str | None:
    """Which assumption turns the verdict, in a sentence; None where none does."""
    slots = ranking.slots
    policy = analysis.policy
    level, zone_db = policy["robust_level_db"], policy["robust_reference_db"]
    again = Again.of(analysis, ranking, analysis.scene.subset(slots), slots, ("as it is",))
    flips = []
    for change in (-level, level):
        outcome = again.outcome(at_level(analysis, change).subset(slots), ("level", change))
        if again.turns(outcome, approach):
            flips.append(f"at a listening level {change:+.0f} dB it is {_words(outcome)}")
    for zone, row in zip(ZONES, occ.zone_weights(), strict=True):
        for change in (-zone_db, zone_db):
            scene = replace(analysis.scene, reference=shifted_reference(analysis, row, change)).subset(slots)
            # The reference moves no gain: what is heard of a drum does not depend on it.
            outcome = again.outcome(scene, ("zone", zone.key, change), resolve=False)
            if again.turns(outcome, approach):
                flips.append(f"with {change:+.0f} dB of {zone.label} in the reference it is {_words(outcome)}")
    if not flips:
        return None
    more = f", and in {len(flips) - 2} more cases" if len(flips) > 2 else ""
    return f"Close call: {'; '.join(flips[:2])}{more}. Let your ears decide."


def what_would_change(analysis: Analysis, ranking: Ranking, approach: Approach) -> tuple[WhatIf, ...]:
    """The most telling changes of one stem: those that turn the verdict first, then those that move the fill most."""
    if len(analysis.stems) < 2:
        return ()
    found: list[tuple[bool, float, WhatIf]] = []
    as_it_is = _rebuilt(analysis, _heard(analysis, None, 0.0))
    if as_it_is is None:
        return ()
    again = Again.of(analysis, ranking, as_it_is, _excerpt_slots(analysis), ("stem", None, None))
    before = again.before.fill

    def changed(stems: Iterable[StemAudio], change: float | None) -> None:
        stems = tuple(stems)
        for stem, heard in zip(stems, side_by_side(lambda stem: _heard(analysis, stem, change), stems), strict=True):
            scene = _rebuilt(analysis, heard)
            if scene is None:
                continue
            # The rest is brought to the playing level again, and the drums' bounds with it.
            outcome = again.outcome(
                scene, ("stem", stem.stem.file, change), shift_db=as_it_is.spl_offset_db - scene.spl_offset_db
            )
            turned = again.turns(outcome, approach)
            how = f"With {-change:.0f} dB less of" if change is not None else "Without"
            verdict = f"the verdict becomes {_words(outcome)}" if turned else "the verdict stays"
            text = (
                f"{how} {stem.stem.file.rsplit('/', 1)[-1]} the fill goes from {100 * before:.0f} to "
                f"{100 * outcome.fill:.0f} %, and {verdict}."
            )
            entry = WhatIf(text=text, stem=stem.stem.file, change_db=change, fill=outcome.fill, kind=outcome.kind,
                           direction=outcome.direction)  # fmt: skip
            found.append((turned, abs(outcome.fill - before), entry))

    changed(analysis.stems, None)
    # A stem that moves little when it is gone moves less when it is lowered.
    telling = {item[2].stem for item in sorted(found, key=lambda item: (not item[0], -item[1]))[:LOWERED]}
    changed((stem for stem in analysis.stems if stem.stem.file in telling), LOWER_DB)
    # A small change that turns the verdict says more than a removed stem that does; then the largest move of the fill.
    found.sort(key=lambda item: (not item[0], item[2].change_db is None and item[0], -item[1], item[2].stem))
    return tuple(entry for _, _, entry in found[:SHOWN])


@dataclass(frozen=True, slots=True)
class Asked:
    """Gains that intents ask for, as they are kept."""

    gains_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Rival:
    """The best loop, or the members of the best kit, to be judged again in changed scenes of the same slots."""

    name: str
    analysis: Analysis
    slots: Indices
    parts: tuple[Placed, ...]
    fit: Fit
    target: float
    mark: str  # all that its results depend on but the scene
    asked: tuple[float, ...] = ()  # gains in the scene as it is

    @staticmethod
    def of(name: str, analysis: Analysis, parts: tuple[Placed, ...], fit: Fit, target: float, slots: Indices) -> Rival:
        sounds = [(part.drum.sha256, part.play.role, part.gain_db, part.play.samples) for part in parts]
        mark = analysis.keep.key(name, sounds, dict(analysis.policy), slots)
        return Rival(name=name, analysis=analysis, slots=slots, parts=parts, fit=fit, target=target, mark=mark)

    def gains(self, scene: Scene, tag: Tag, shift_db: float) -> tuple[float, ...]:
        """The gain that each part's intent asks for in a scene, beside the others at the gains that they have.

        Bounds move by `shift_db`.
        """
        return self.analysis.keep(
            "rival gains", Asked, lambda: Asked(self._solved(scene, shift_db)), self.mark, tag
        ).gains_db

    def _solved(self, scene: Scene, shift_db: float) -> tuple[float, ...]:
        few = in_beat.spread_slots(len(self.slots), self.analysis.grid.slots_per_bar, SOLVED_SLOTS)
        on = scene.subset(few)
        thin = [part.powers[self.slots[few]] for part in self.parts]
        placed = [
            in_beat.place(on, powers, gain_db=part.gain_db + shift_db)
            for part, powers in zip(self.parts, thin, strict=True)
        ]
        total = np.sum([item.excitation for item in placed], axis=0)
        found = []
        for part, powers, item in zip(self.parts, thin, placed, strict=True):
            low, high = (-np.inf, np.inf) if part.plays is None else gain_bounds(
                self.analysis, part.play.role, part.plays
            )
            others = total - item.excitation
            found.append(decide_balance.solve_one(
                lambda gain, powers=powers, others=others: in_beat.audible_share(  # type: ignore[misc]
                    on, in_beat.place(on, powers, gain_db=gain), others
                ),
                target=target_of(self.analysis, part.play.role), low_db=low + shift_db, high_db=high + shift_db,
            ).gain_db)  # fmt: skip
        return tuple(found)

    def there(self, scene: Scene, tag: Tag, *, shift_db: float, resolve: bool) -> decide_approach.Contender:
        """How it does in a scene, its parts turned by what is asked more or less of them there."""
        turned = [0.0] * len(self.parts)
        if resolve:
            turned = [new - old for new, old in zip(self.gains(scene, tag, shift_db), self.asked, strict=True)]
        return self.analysis.keep(
            "rival", decide_approach.Contender, lambda: self._measured(scene, turned), self.mark, tag, turned
        )

    def _measured(self, scene: Scene, turned: Sequence[float]) -> decide_approach.Contender:
        powers = np.sum([
            part.powers[self.slots] * 10.0 ** ((part.gain_db + by) / 10.0)
            for part, by in zip(self.parts, turned, strict=True)
        ], axis=0)  # fmt: skip
        found = in_beat.measure(scene, in_beat.place(scene, powers, gain_db=0.0))
        there: Fit = replace(
            self.fit, room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
            audible_share=found.audible_share, lift_lu=found.lift_lu,
        )  # fmt: skip
        value, _ = fit.score(
            there, fill=found.fill - found.room_filled, target_share=self.target, policy=self.analysis.policy
        )
        return decide_approach.Contender(name=self.name, score=value, fit=there)


@dataclass(frozen=True, slots=True, eq=False)
class Again:
    """The approach decided again in changed scenes."""

    policy: Mapping[str, float]
    loop: Rival | None
    kit: Rival | None
    before: Outcome  # what the same calculation says of the scene as it is

    @staticmethod
    def of(analysis: Analysis, ranking: Ranking, scene: Scene, slots: Indices, tag: Tag) -> Again:
        def rival(name: str, parts: tuple[Placed, ...], like: Fit, target: float) -> Rival:
            made = Rival.of(name, analysis, parts, like, target, slots)
            return replace(made, asked=made.gains(scene, tag, 0.0))

        best, parts = best_loop(ranking), ranking.kit_parts
        loop = rival("loop", (best,), best.fit, target_of(analysis, None)) if best is not None else None
        kit = rival("kit", parts, ranking.kit.fit, kit_target(analysis, parts)) if ranking.kit and parts else None
        again = Again(policy=analysis.policy, loop=loop, kit=kit, before=Outcome(0.0, "either", "as it is"))
        return replace(again, before=again.outcome(scene, tag, resolve=False))

    def turns(self, outcome: Outcome, approach: Approach) -> bool:
        found = (outcome.kind, outcome.direction)
        return found != (approach.kind, approach.direction) and found != (self.before.kind, self.before.direction)

    def outcome(self, scene: Scene, tag: Tag, *, shift_db: float = 0.0, resolve: bool = True) -> Outcome:
        """Fill, kind and direction in a scene, which the tag names."""
        loop, kit = (
            rival.there(scene, tag, shift_db=shift_db, resolve=resolve) if rival is not None else None
            for rival in (self.loop, self.kit)
        )
        kind, _ = decide_approach.kind(loop, kit, self.policy)
        winner = decide_approach.winner(kind, loop, kit)
        fill = float(occ.fill(scene.loudness, scene.reference, active=scene.active))
        direction, _ = decide_approach.direction(fill, winner.fit if winner else None, self.policy)
        return Outcome(fill=fill, kind=kind, direction=direction)


def with_ranges(analysis: Analysis, settled: Settled, slots: Indices) -> Settled:
    """The balance with the range over which each chosen gain moves when the listening level does.

    Advice that is bounded at one level and not at another is marked as uncertain.  The reference moves no gain: what is
    heard of a drum does not depend on it.
    """
    chosen = [part for part, _ in settled.chosen]
    rows = settled.rows
    start = [row.gain_db for row in rows[: len(chosen)]]
    moved = [start]
    stopped = [[row.bounded] for row in rows[: len(chosen)]]
    for change in (-analysis.policy["robust_level_db"], analysis.policy["robust_level_db"]):
        solved = solve_on(at_level(analysis, change), analysis, chosen, slots, start_db=start)
        moved.append([answer.gain_db for answer in solved])
        for seen, answer in zip(stopped, solved, strict=True):
            seen.append(answer.stopped_high or answer.stopped_low)
    ranges = [(min(gains), max(gains)) for gains in zip(*moved, strict=True)]
    level = analysis.policy["robust_level_db"]
    turns = f" Uncertain: {level:.0f} dB lower or higher in the room this turns."
    hedged = [
        replace(row, gain_low_db=low, gain_high_db=high, advice=row.advice + (turns if len(set(seen)) > 1 else ""))
        for row, (low, high), seen in zip(rows, ranges, stopped, strict=False)
    ]
    return replace(settled, rows=(*hedged, *rows[len(chosen) :]))


def at_level(analysis: Analysis, change_db: float) -> Scene:
    """The scene when everything is played `change_db` louder, the reference included."""
    scene, level = analysis.scene, analysis.listening_level_db_spl + change_db
    excitation = hearing.excitation(scene.powers, spl_offset_db=scene.spl_offset_db + change_db)
    reference = occ.reference_of(
        analysis.reference_powers, target_lufs=analysis.target_lufs, listening_level=level
    )  # fmt: skip
    return replace(
        scene, excitation=excitation, loudness=hearing.specific_loudness(excitation), reference=reference,
        spl_offset_db=scene.spl_offset_db + change_db,
    )  # fmt: skip


def shifted_reference(analysis: Analysis, zone: Array, change_db: float) -> Array:
    """N'ref with one zone (weights a band) raised or lowered by `change_db`."""
    weight = np.interp(hearing.FINE_CAM, hearing.BAND_CAM, zone)
    powers = analysis.reference_powers * 10.0 ** (weight * change_db / 10.0)
    return occ.reference_of(
        powers, target_lufs=analysis.target_lufs, listening_level=analysis.listening_level_db_spl
    )


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """The instrumental on the excerpt's slots with one stem changed, as it is kept."""

    powers: Array  # (slots, fine)
    integrated_lufs: float | None


def _heard(analysis: Analysis, stem: StemAudio | None, change_db: float | None) -> Heard:
    """The instrumental's excerpt measured anew with a stem turned by `change_db`; None: left out."""

    def measured() -> Heard:
        samples, rate = _excerpt(analysis, analysis.instrumental), analysis.rate_hz
        if stem is not None:
            factor = 0.0 if change_db is None else 10.0 ** (change_db / 20.0)
            samples += (factor - 1.0) * _excerpt(analysis, stem.read())
        edges = analysis.grid.slot_s * np.arange(len(_excerpt_slots(analysis)) + 1)
        powers = hearing.slot_powers(hearing.band_energies(samples, rate), edges)
        return Heard(powers=powers, integrated_lufs=loudness.integrated(samples, rate))

    file = stem.stem.file if stem is not None else ""
    return analysis.keep("heard", Heard, measured, file, change_db, _excerpt_slots(analysis))


def _rebuilt(analysis: Analysis, heard: Heard) -> Scene | None:
    """The scene of a changed instrumental, brought to its playing level again."""
    if heard.integrated_lufs is None:
        return None
    gain = analysis.target_lufs - analysis.policy["instrumental_below_mix"] - heard.integrated_lufs
    return in_beat.scene(
        heard.powers, reference=analysis.scene.reference, active=analysis.scene.active[_excerpt_slots(analysis)],
        k_weights=analysis.scene.k_weights,
        spl_offset_db=analysis.listening_level_db_spl - analysis.target_lufs + gain,
    )  # fmt: skip


def _excerpt_slots(analysis: Analysis) -> Indices:
    grid = analysis.grid
    most = max(grid.slots_per_bar, int(EXCERPT_S / grid.slot_s))
    return in_beat.spread_slots(grid.slots, grid.slots_per_bar, most)


def _excerpt(analysis: Analysis, samples: Samples) -> Samples:
    """The samples of the excerpt's slots, one after the other."""
    grid, rate = analysis.grid, analysis.rate_hz
    slots = _excerpt_slots(analysis)
    pieces = []
    runs = np.split(slots, np.flatnonzero(np.diff(slots) != 1) + 1)
    for run in runs:
        begin = round((grid.first_downbeat_s + run[0] * grid.slot_s) * rate)
        end = round((grid.first_downbeat_s + (run[-1] + 1) * grid.slot_s) * rate)
        piece = np.zeros((end - begin, samples.shape[1]))
        found = samples[max(0, begin) : max(0, min(end, len(samples)))]
        piece[max(0, -begin) : max(0, -begin) + len(found)] = found
        pieces.append(piece)
    return np.concatenate(pieces)


def _words(outcome: Outcome) -> str:
    return f"{decide_approach.KIND_WORDS[outcome.kind]}, {outcome.direction}"
