"""Gains: the one place where they are solved, for a part alone in the music and for parts that play together.

Bounds are rounded inwards to the step of a fader, so that every gain can be set as it is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor

import numpy as np

from dossier.decide import balance
from dossier.measure import in_beat
from dossier.model.findings import Gains
from dossier.model.measures import FRAME_S, Array, Indices, Loudness
from dossier.model.parts import Groove, PlacedCandidate
from dossier.model.scene import PlacedPart, Scene
from dossier.model.situation import Situation
from dossier.model.vocabulary import Intent, Role

LONGEST_BLOCK_BARS = 4
LONGEST_BLOCK_S = 8.0
MOST_KEPT = 64  # excitations a part, at settled gains

Bounds = tuple[float, float]


def blocks(here: Situation, groove: Groove, most: int) -> Indices:
    """About `most` frames in blocks as long as the pattern, spread over the beat; all of a short one."""
    pattern_s = groove.pattern.length_beats * 60.0 / here.grid.tempo_bpm
    return in_beat.spread_frames(here.grid.frames, most, block=round(min(LONGEST_BLOCK_S, pattern_s) / FRAME_S))


def target_of(here: Situation, role: Role | None, intent: Intent | None = None) -> float:
    """The audible share asked of a role; a section's intent, where there is one, goes before the beat's."""
    return balance.target_share(role, intent or here.conditions.intent_of(role), here.policy)


def kit_target(here: Situation, roles: Sequence[Role | None]) -> float:
    """The audible share asked of a kit as one part: the mean of its members'."""
    return sum(target_of(here, role) for role in roles) / max(1, len(roles))


def gain_bounds(here: Situation, role: Role | None, plays: Loudness) -> Bounds:
    """Lowest and highest gain of a part, from how it plays at 0 dB, both settable.

    Its true peak keeps the limit for parts in the mix, and its loudness stays within the policy's distance from the
    instrumental.
    """
    policy = here.policy
    low, high = policy["gain_floor_db"], policy["gain_ceiling_db"]
    loud = plays.integrated_lufs if plays.integrated_lufs is not None else plays.max_momentary_lufs
    if loud is not None:
        kind = "loop" if role is None else "lead" if role in balance.LEADS else "part"
        low = max(low, here.music.integrated_lufs + policy[f"{kind}_at_least_lu"] - loud)
        high = min(high, here.music.integrated_lufs + policy[f"{kind}_at_most_lu"] - loud)
    if plays.true_peak_dbtp is not None:
        high = min(high, policy["part_peak_dbtp"] - plays.true_peak_dbtp - here.playing_gain_db)
    per_db = round(1.0 / balance.FADER_STEP_DB)
    high = floor(high * per_db + 1e-9) / per_db
    return min(ceil(low * per_db - 1e-9) / per_db, high), high


def alone(on: Scene, powers: Array, *, target: float, bounds: Bounds) -> Gains:
    """The gain at which one part is heard as asked, nothing but the music beside it."""
    solved = balance.solve_one(
        lambda gain: in_beat.audible_share(on, in_beat.place(on, powers, gain_db=gain)),
        target=target, low_db=bounds[0], high_db=bounds[1],
    )  # fmt: skip
    return Gains(db=balance.on_fader(solved.gain_db, *bounds), state="alone", stopped=solved.stopped)


def together(
    on: Scene, powers: Sequence[Array], *, targets: Sequence[float], bounds: Sequence[Bounds], start_db: Sequence[float]
) -> tuple[Gains, ...]:
    """Gains at which parts that play together are heard as asked, from their powers on the scene's frames."""
    solved = balance.solve(
        share_function(on, powers), targets=targets, low_db=[low for low, _ in bounds],
        high_db=[high for _, high in bounds], start_db=start_db,
    )  # fmt: skip
    return tuple(Gains(db=one.gain_db, state="together", stopped=one.stopped) for one in solved)


def solve_on(
    scene: Scene, here: Situation, items: Sequence[PlacedCandidate], frames: Indices, *, intent: Intent | None = None
) -> tuple[Gains, ...]:
    """Gains of candidates that play together on some frames of a scene; `intent` overrides the beat's."""
    return together(
        scene.subset(frames), [item.powers[frames] for item in items], start_db=[item.gains.db for item in items],
        targets=[target_of(here, item.part.role, intent) for item in items],
        bounds=[gain_bounds(here, item.part.role, item.plays) for item in items if item.plays is not None],
    )  # fmt: skip


def share_function(on: Scene, powers: Sequence[Array]) -> balance.ShareAt:
    """Audible share of each part at trial gains, on one scene; excitations of settled gains are kept."""
    kept: dict[tuple[int, float], PlacedPart] = {}

    def placed(part: int, gain: float) -> PlacedPart:
        key = (part, gain)
        if key not in kept:
            if len(kept) > MOST_KEPT * len(powers):
                kept.clear()
            kept[key] = in_beat.place(on, powers[part], gain_db=gain)
        return kept[key]

    def share(part: int, gain: float, gains: Sequence[float]) -> float:
        others = [placed(other, gains[other]).excitation for other in range(len(powers)) if other != part]
        masker = np.sum(others, axis=0) if others else None
        return in_beat.audible_share(on, in_beat.place(on, powers[part], gain_db=gain), masker)

    return share
