"""Levels: what is asked of a part, how far it may be turned, and the gains of parts that play together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dossier.decide import balance
from dossier.measure import in_beat, loudness
from dossier.model.measures import Array, Indices, Loudness
from dossier.model.scene import PlacedPart, Scene
from dossier.model.vocabulary import Intent, Role
from dossier.stages.analyse import Analysis
from dossier.stages.keep import Keep
from dossier.stages.placing import Groove, Playable

AS_IT_PLAYS_BARS = 8  # a repeated part reads the same gated loudness over more bars
LONGEST_BLOCK_BARS = 4

Bounds = tuple[float, float]


def ranking_slots(analysis: Analysis, groove: Groove) -> Indices:
    """The slots on which candidates are compared: all of a short beat, blocks as long as the pattern of a long one."""
    return blocks(analysis, groove, int(analysis.policy["ranking_slots"]))


def blocks(analysis: Analysis, groove: Groove, most: int) -> Indices:
    """About `most` slots in blocks as long as the pattern, spread over the beat."""
    grid = analysis.grid
    bar_beats = grid.meter[0] * 4.0 / grid.meter[1]
    bars = max(1, min(LONGEST_BLOCK_BARS, round(groove.pattern.length_beats / bar_beats)))
    return in_beat.spread_slots(grid.slots, grid.slots_per_bar, most, block_bars=bars)


def intent_of(analysis: Analysis, role: Role | None) -> Intent:
    beat = analysis.beat
    return beat.role_intents.get(role, beat.intent) if role is not None else beat.intent


def target_of(analysis: Analysis, role: Role | None, intent: Intent | None = None) -> float:
    """The audible share asked of a role; a section's intent, where there is one, goes before the beat's."""
    return balance.target_share(role, intent or intent_of(analysis, role), analysis.policy)


def as_it_plays(play: Playable) -> Loudness:
    """Loudness and peaks of the drum part on the grid at 0 dB gain, over a few bars from its first hit."""
    grid = play.grid
    start = max(0.0, grid.first_downbeat_s + play.first_bar * grid.bar_s)
    end = min(grid.first_downbeat_s + grid.bars * grid.bar_s, start + AS_IT_PLAYS_BARS * grid.bar_s)
    return loudness.measure(play.laid(start_s=start, length_s=end - start), play.rate_hz)


def gain_bounds(analysis: Analysis, role: Role | None, plays: Loudness) -> Bounds:
    """Lowest and highest gain of a part, from how it plays at 0 dB.

    Its true peak keeps the limit for parts in the mix, and its loudness stays within the policy's distance from the
    instrumental.
    """
    policy = analysis.policy
    low, high = policy["gain_floor_db"], policy["gain_ceiling_db"]
    music = analysis.loudness.integrated_lufs
    loud = plays.integrated_lufs if plays.integrated_lufs is not None else plays.max_momentary_lufs
    if loud is not None and music is not None:
        kind = "loop" if role is None else "lead" if role in balance.LEADS else "part"
        low = max(low, music + policy[f"{kind}_at_least_lu"] - loud)
        high = min(high, music + policy[f"{kind}_at_most_lu"] - loud)
    if plays.true_peak_dbtp is not None:
        high = min(high, policy["part_peak_dbtp"] - plays.true_peak_dbtp - analysis.scene_gain_db)
    return min(low, high), high


@dataclass(frozen=True, slots=True)
class Gains:
    """Solved gains, as they are kept."""

    solved: tuple[balance.Solved, ...]


def solve_together(
    scene: Scene,
    *,
    powers: Sequence[Array],
    targets: Sequence[float],
    bounds: Sequence[Bounds],
    start_db: Sequence[float],
    keep: Keep | None = None,
) -> tuple[balance.Solved, ...]:
    """Gains of parts that play together in a scene, from their powers on its slots."""

    def solve() -> Gains:
        return Gains(
            balance.solve(
                share_function(scene, powers), targets=targets, low_db=[low for low, _ in bounds],
                high_db=[high for _, high in bounds], start_db=start_db,
            )
        )  # fmt: skip

    depends = (scene.excitation, scene.active, scene.spl_offset_db, dict(enumerate(powers)), targets, bounds, start_db)
    if keep is None:
        return solve().solved
    return keep("gains", Gains, solve, *depends).solved


def share_function(on: Scene, powers: Sequence[Array]) -> balance.ShareAt:
    """Audible share of each part at trial gains, on one scene; excitations of settled gains are kept."""
    kept: dict[tuple[int, float], PlacedPart] = {}

    def placed(part: int, gain: float) -> PlacedPart:
        key = (part, gain)
        if key not in kept:
            if len(kept) > 64 * len(powers):
                kept.clear()
            kept[key] = in_beat.place(on, powers[part], gain_db=gain)
        return kept[key]

    def share(part: int, gain: float, gains: Sequence[float]) -> float:
        others = [placed(other, gains[other]).excitation for other in range(len(powers)) if other != part]
        masker = np.sum(others, axis=0) if others else None
        return in_beat.audible_share(on, in_beat.place(on, powers[part], gain_db=gain), masker)

    return share
