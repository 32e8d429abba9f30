"""Sensitivity: the approach decided again where an assumption moves, or a stem is really lowered or left out.

Assumptions that move: the listening level, by +-`robust_level_db`; the reference, zone by zone, by
+-`robust_reference_db`.  The best loop and the members of the best kit are turned by as much as their intents ask for
more or less of them in the changed scene, within the bounds that hold in the beat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import sensitivity
from dossier.decide.approach import Contender
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.beat import Stem
from dossier.model.findings import Approach, Fit, WhatIf
from dossier.model.measures import FRAME_S, Array, Grid, Indices, Samples
from dossier.model.numbers import signed
from dossier.model.parts import PlacedCandidate, Ranking
from dossier.model.scene import Scene
from dossier.model.situation import Situation
from dossier.model.vocabulary import ZONES
from dossier.parallel import thread_map
from dossier.stages.gains import alone, gain_bounds, kit_target, target_of
from dossier.stages.music import at_level
from dossier.stages.placing import judge
from dossier.stages.stems import read_stem

SOLVED_FRAMES, SOLVED_BLOCK_FRAMES = 160, 20  # of them gains are solved on, in blocks spread evenly
EXCERPT_S, EXCERPT_BLOCK_S = 60.0, 4.0  # music that is measured again for each changed stem, in blocks spread evenly


def with_sensitivity(here: Situation, ranking: Ranking, approach: Approach, memo: Memo) -> Approach:
    """The approach with what would change it, and with a warning where it hangs on an assumption."""
    return replace(
        approach, what_would_change_it=_what_would_change(here, ranking, approach, memo),
        uncertain=_uncertain(here, ranking, approach),
    )  # fmt: skip


def _uncertain(here: Situation, ranking: Ranking, approach: Approach) -> str | None:
    frames, policy = ranking.frames, here.policy
    again = Redecision.of(here, ranking, here.scene.subset(frames), frames)
    level, zone_db = policy["robust_level_db"], policy["robust_reference_db"]

    def zone_moved(zone: int, change: float) -> tuple[str, sensitivity.Outcome]:
        reference = _shifted_reference(here, occ.zone_weights()[zone], change)
        # The reference moves no gain: what is heard of a drum does not depend on it.
        outcome = again.outcome(replace(here.scene, reference=reference).subset(frames), turned=False)
        return f"with {signed(change, 0)} dB of {ZONES[zone].label} in the reference", outcome

    moved = [
        (f"at a listening level {signed(change, 0)} dB", again.outcome(at_level(here, change).subset(frames)))
        for change in (-level, level)
    ]
    moved += [zone_moved(zone, change) for zone in range(len(ZONES)) for change in (-zone_db, zone_db)]
    return sensitivity.uncertain(moved, approach, again.before)


def _what_would_change(here: Situation, ranking: Ranking, approach: Approach, memo: Memo) -> tuple[WhatIf, ...]:
    stems = [stem for stem, _ in here.music.stems]
    block = round(EXCERPT_BLOCK_S / FRAME_S)
    frames = in_beat.spread_frames(here.grid.frames, round(EXCERPT_S / FRAME_S), block=block)
    as_it_is = _changed_scene(here, None, 0.0, frames, memo)
    if len(stems) < 2 or as_it_is is None:
        return ()
    again = Redecision.of(here, ranking, as_it_is, frames)
    policy = here.policy

    def changed(stem: Stem, change_db: float | None) -> sensitivity.ChangedStem | None:
        scene = _changed_scene(here, stem, change_db, frames, memo)
        if scene is None:
            return None
        # The rest is brought to the playing level again, and the drums' bounds with it.
        shift_db = as_it_is.spl_offset_db - scene.spl_offset_db
        return sensitivity.ChangedStem(stem.file, change_db, again.outcome(scene, shift_db=shift_db))

    def each(stems: Sequence[Stem], change_db: float | None) -> list[sensitivity.ChangedStem]:
        outcomes = thread_map(lambda stem: changed(stem, change_db), stems, each_bytes=here.music.samples.nbytes)
        return [one for one in outcomes if one is not None]

    without = each(stems, None)
    # A stem that moves little when it is gone moves less when it is lowered.
    telling = sensitivity.most_telling(without, approach, again.before, most=int(policy["what_if_lowered"]))
    files = {one.stem for one in telling}
    lower = [stem for stem in stems if stem.file in files]
    lowered = each(lower, -policy["what_if_lower_db"])
    shown = sensitivity.most_telling([*without, *lowered], approach, again.before, most=int(policy["what_if_shown"]))
    return tuple(sensitivity.told(one, approach, again.before) for one in shown)


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """The best loop, or the members of the best kit, to be judged again in changed scenes of the same frames."""

    name: str
    here: Situation
    frames: Indices
    items: tuple[PlacedCandidate, ...]
    fit: Fit
    target: float
    asked: tuple[float, ...] = ()  # gains in the scene as it is

    def gains(self, scene: Scene, shift_db: float = 0.0) -> tuple[float, ...]:
        """The gain that each part's intent asks for in a scene, beside the others at the gains that they have.

        Bounds move by `shift_db`.
        """
        few = in_beat.spread_frames(len(self.frames), SOLVED_FRAMES, block=SOLVED_BLOCK_FRAMES)
        on = scene.subset(few)
        both = [(item, item.powers[self.frames[few]]) for item in self.items]
        placed = [in_beat.place(on, powers, gain_db=item.gains.db + shift_db) for item, powers in both]
        total = np.sum([one.excitation for one in placed], axis=0)
        found = []
        for (item, powers), one in zip(both, placed, strict=True):
            assert item.plays is not None
            low, high = gain_bounds(self.here, item.part.role, item.plays)
            beside = replace(on, excitation=on.excitation + total - one.excitation)
            target = target_of(self.here, item.part.role)
            found.append(alone(beside, powers, target=target, bounds=(low + shift_db, high + shift_db)).db)
        return tuple(found)

    def there(self, scene: Scene, *, shift_db: float, turned: bool) -> Contender:
        """How it does in a scene, its parts turned by what is asked more or less of them there."""
        by_db: Sequence[float] = [0.0] * len(self.items)
        if turned:
            by_db = [new - old for new, old in zip(self.gains(scene, shift_db), self.asked, strict=True)]
        powers = np.sum([
            item.powers[self.frames] * 10.0 ** ((item.gains.db + by) / 10.0)
            for item, by in zip(self.items, by_db, strict=True)
        ], axis=0)  # fmt: skip
        there, value, _ = judge(scene, powers, self.fit, here=self.here, target=self.target)
        return Contender(name=self.name, score=value, fit=there)


@dataclass(frozen=True, slots=True, eq=False)
class Redecision:
    """The approach decided again in changed scenes."""

    here: Situation
    loop: Side | None
    kit: Side | None
    before: sensitivity.Outcome  # what the same calculation says of the scene as it is

    @staticmethod
    def of(here: Situation, ranking: Ranking, scene: Scene, frames: Indices) -> Redecision:
        def side(name: str, items: tuple[PlacedCandidate, ...], like: Fit, target: float) -> Side:
            made = Side(name=name, here=here, frames=frames, items=items, fit=like, target=target)
            return replace(made, asked=made.gains(scene))

        best, kit, items = ranking.best_loop, ranking.kit, ranking.kit_parts
        again = Redecision(
            here=here, loop=side("loop", (best,), best.fit, target_of(here, None)) if best is not None else None,
            kit=side("kit", items, kit.fit, kit_target(here, [item.part.role for item in items])) if kit else None,
            before=sensitivity.Outcome(0.0, "either", "as it is"),
        )  # fmt: skip
        return replace(again, before=again.outcome(scene, turned=False))

    def outcome(self, scene: Scene, *, shift_db: float = 0.0, turned: bool = True) -> sensitivity.Outcome:
        """Fill, kind and direction in a scene."""
        both = (self.loop, self.kit)
        loop, kit = (side.there(scene, shift_db=shift_db, turned=turned) if side is not None else None for side in both)
        fill = float(occ.fill(scene.loudness, scene.reference, active=scene.active))
        return sensitivity.outcome(fill, loop, kit, self.here.policy)


def _shifted_reference(here: Situation, zone: Array, change_db: float) -> Array:
    """N'ref with one zone (weights a band) raised or lowered by `change_db`."""
    weight = np.interp(hearing.FINE_CAM, hearing.BAND_CAM, zone)
    powers, asked = here.reference_powers * 10.0 ** (weight * change_db / 10.0), here.conditions
    return occ.reference_of(powers, target_lufs=asked.target_lufs, listening_level=asked.listening_level_db_spl)


def _changed_scene(
    here: Situation, stem: Stem | None, change_db: float | None, frames: Indices, memo: Memo
) -> Scene | None:
    """The excerpt's scene with a stem turned by `change_db` (None: left out), at its playing level again."""
    music, grid = here.music, here.grid

    def measured() -> tuple[Array, float | None]:
        samples = _excerpt(grid, music.rate_hz, frames, music.samples)
        if stem is not None:
            factor = 0.0 if change_db is None else 10.0 ** (change_db / 20.0)
            samples += (factor - 1.0) * _excerpt(grid, music.rate_hz, frames, read_stem(stem, music.rate_hz))
        edges = FRAME_S * np.arange(len(frames) + 1)
        powers = hearing.slot_powers(hearing.band_energies(samples, music.rate_hz), edges)
        return powers, loudness.integrated(samples, music.rate_hz)

    changed = stem.file if stem is not None else ""
    powers, integrated = memo("heard", tuple[Array, float | None], measured, changed, change_db, frames)
    if integrated is None:
        return None
    conditions = here.conditions
    gain = conditions.target_lufs - here.policy["instrumental_below_mix"] - integrated
    return in_beat.scene(
        powers, reference=here.scene.reference, active=here.scene.active[frames], k_weights=here.scene.k_weights,
        spl_offset_db=conditions.listening_level_db_spl - conditions.target_lufs + gain,
    )  # fmt: skip


def _excerpt(grid: Grid, rate_hz: int, frames: Indices, samples: Samples) -> Samples:
    """The samples of the excerpt's frames, one after the other."""
    pieces = []
    for run in np.split(frames, np.flatnonzero(np.diff(frames) != 1) + 1):
        begin = round((grid.first_downbeat_s + run[0] * FRAME_S) * rate_hz)
        end = round((grid.first_downbeat_s + (run[-1] + 1) * FRAME_S) * rate_hz)
        piece = np.zeros((end - begin, samples.shape[1]))
        found = samples[max(0, begin) : max(0, min(end, len(samples)))]
        piece[max(0, -begin) : max(0, -begin) + len(found)] = found
        pieces.append(piece)
    return np.concatenate(pieces)
