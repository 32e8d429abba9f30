"""Sensitivity: the approach decided again where an assumption moves, or a stem is really lowered or left out.

Assumptions that move: the listening level, by +-`robust_level_db`; the reference, zone by zone, by
+-`robust_reference_db`.  Gains are levels against the music, so none of these moves them.
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
from dossier.stages.music import at_level
from dossier.stages.placing import judge
from dossier.stages.stems import read_stem

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
        outcome = again.outcome(replace(here.scene, reference=reference).subset(frames))
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
        # The rest is brought to the playing level again, and the drums stay where they are to it.
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
    """The best loop, or the best kit, to be judged again in changed scenes of the same frames."""

    name: str
    here: Situation
    powers: Array  # at its gains
    fit: Fit

    def there(self, scene: Scene, shift_db: float) -> Contender:
        """How it does in a scene, turned with the music."""
        there, value, _ = judge(scene, self.powers, self.fit, here=self.here, gain_db=shift_db)
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
        def side(name: str, items: tuple[PlacedCandidate, ...], like: Fit) -> Side:
            powers = np.sum([item.powers[frames] * 10.0 ** (item.gains.db / 10.0) for item in items], axis=0)
            return Side(name=name, here=here, powers=powers, fit=like)

        best, kit, items = ranking.best_loop, ranking.kit, ranking.kit_parts
        again = Redecision(
            here=here, loop=side("loop", (best,), best.fit) if best is not None else None,
            kit=side("kit", items, kit.fit) if kit is not None else None,
            before=sensitivity.Outcome(0.0, "either", "as it is"),
        )  # fmt: skip
        return replace(again, before=again.outcome(scene))

    def outcome(self, scene: Scene, *, shift_db: float = 0.0) -> sensitivity.Outcome:
        """Fill, kind and direction in a scene."""
        both = (self.loop, self.kit)
        loop, kit = (side.there(scene, shift_db) if side is not None else None for side in both)
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
    gain = conditions.target_lufs - here.mix_over_music_lu - integrated
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
