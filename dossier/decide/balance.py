"""Balance: the gain at which every drum part stands against the music as it usually does in mixes that people made.

Conventions
    Levels are K-weighted, in LU against the music's integrated loudness, both as they play.  Music and parts are
    measured at 0 dB gain: no gain enters what it is solved from.

    level = usual level - (hit level - usual hit level) + what the pattern writes louder than usual

    One hit so has its role's usual level, and the pattern plays it as softly as it is written.  That says how parts
    stand to one another; one offset then brings their sum to the all-drums level of the intent, so that a loop and a
    kit of the same sound end up equally loud.  A part alone, and parts without any that leads (hats alone are no drum
    part), stand at their own usual levels, moved by as much as the intents lie apart.

    Masking sets nothing: authors do not turn parts up where the music covers them.  Published listening tests found
    that simple energy measures match people's balances at least as well as masking models (Wichern et al., AES 139,
    2015; Ma, Reiss and Black, AES 53rd Conference, 2014).  Usual levels, slopes and errors: `dossier.decide.policy`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.model.findings import EqualPeaks, Gains, Mix
from dossier.model.measures import Array
from dossier.model.numbers import signed, unsigned
from dossier.model.usual import UsualLevels
from dossier.model.vocabulary import Intent, Role

LEADS: frozenset[Role] = frozenset({"kick", "snare", "clap"})
FADER_DECIMALS = 1  # what is told is what can be dialled in
ROUNDS = 4  # the gates of the loudness of a sum move a little with its level; two rounds settle it
MOST_PAIRS = 8


class PartToLevel(Struct, frozen=True, eq=False):
    """One drum part as it plays at 0 dB gain.

    `role` is None for a loop, which is the whole drum part.  `blocks` are the K-weighted mean squares of each 100 ms,
    `integrated_lufs` is their gated loudness, `hit_level_db` the loudest 100 ms of one hit as it plays less that.
    `written_db`: how much louder than usual the pattern writes its loudest hit.
    """

    role: Role | None
    intent: Intent
    integrated_lufs: float
    blocks: Array
    hit_level_db: float = 0.0
    written_db: float = 0.0


def usual_levels(base: UsualLevels, policy: Mapping[str, float]) -> UsualLevels:
    """Usual levels as the settings have them."""
    roles = {
        role: replace(of, level_lu=policy[f"usual_{role.replace('-', '_')}_lu"]) for role, of in base.roles.items()
    }
    return replace(base, roles=roles, all_drums_lu={name: policy[f"all_drums_{name}_lu"] for name in base.all_drums_lu})


def usual_level(part: PartToLevel, usual: UsualLevels) -> float:
    """The level against the music, in LU, that a part's role and its hits ask for; a loop is all the drums."""
    if part.role is None:
        return usual.all_drums_lu["level"]
    of = usual.roles[part.role]
    return of.level_lu - (part.hit_level_db - of.hit_level_db) + part.written_db


def solve(
    parts: Sequence[PartToLevel], *, music_lufs: float, intent: Intent, usual: UsualLevels,
    loudness_of: Callable[[Array], float | None],
) -> list[float]:  # fmt: skip
    """Gains in dB, in steps of 0.1, at which the parts stand to one another as usual, and to the music as asked.

    `loudness_of` gives the gated loudness, LUFS, of K-weighted blocks; powers of parts add.  Where it gives None
    (nothing of the sum passes the gate) every part keeps its role's usual level.  A part with an intent of its own
    moves, after the offset, by how far the two intents lie apart.
    """
    drums = usual.all_drums_lu
    gains = [usual_level(part, usual) + music_lufs - part.integrated_lufs for part in parts]
    if any(part.role is None or part.role in LEADS for part in parts) and len(parts) > 1:
        for _ in range(ROUNDS):
            loudness = loudness_of(sum_of(parts, gains))
            offset = 0.0 if loudness is None else music_lufs + drums[intent] - loudness
            gains = [gain + offset for gain in gains]
    else:
        gains = [gain + drums[intent] - drums["level"] for gain in gains]
    return [on_fader(gain + drums[part.intent] - drums[intent]) for gain, part in zip(gains, parts, strict=True)]


def sum_of(parts: Sequence[PartToLevel], gains_db: Sequence[float]) -> Array:
    """K-weighted blocks of all parts at their gains."""
    total = np.zeros(max((len(part.blocks) for part in parts), default=0))
    for part, gain in zip(parts, gains_db, strict=True):
        total[: len(part.blocks)] += part.blocks * 10.0 ** (gain / 10.0)
    return total


def music_gain(gains_db: Sequence[float], policy: Mapping[str, float]) -> float:
    """What the music comes down by, 0 or less, so that no part is set above what a part may have."""
    return on_fader(min(0.0, policy["part_most_db"] - max(gains_db, default=0.0)))


def range_of(role: Role | None, usual: UsualLevels) -> tuple[float, float]:
    """Quartiles of what people chose about the model's level, dB."""
    if role is None:
        return usual.all_drums_range_db
    of = usual.roles[role]
    return of.error_low_db, of.error_high_db


def usual_range(role: Role | None, usual: UsualLevels) -> tuple[float, float]:
    """25th and 75th percentile of a role's level against the music in people's mixes, LU; a loop is all the drums."""
    if role is None:
        low, high = usual.all_drums_range_db
        return usual.all_drums_lu["level"] + low, usual.all_drums_lu["level"] + high
    of = usual.roles[role]
    return min(of.low_lu, of.level_lu), max(of.high_lu, of.level_lu)


def on_fader(gain_db: float) -> float:
    """A gain in whole steps of a fader."""
    return round(gain_db, FADER_DECIMALS) + 0.0


def advice(
    gains: Gains, *, usual_lu: tuple[float, float], lift_lu: float | None, policy: Mapping[str, float], mixes: str
) -> str:
    """Where one part stands, in a sentence made of its numbers."""
    if gains.level_lu is None:
        return "Too soft to be measured as it plays."
    low, high = usual_lu
    own = f", {signed(lift_lu)} LU over it in its own bands" if lift_lu is not None else ""
    usual = f"{signed(low)} to {signed(high)} LU in half" if low < high else f"{signed(low)} LU in the middle one"
    words = f"{signed(gains.level_lu)} LU against the music{own}; usual is {usual} of {mixes}."
    if gains.music_db:
        most = signed(policy["part_most_db"], 0)
        words += f" No part is set above {most} dB, so the music comes down by {unsigned(-gains.music_db)} dB."
    return words


class Metered(Struct, frozen=True):
    """One drum as two meters read it: its peak, and its loudness as it plays."""

    name: str
    role: Role | None
    sample_peak_dbfs: float | None
    integrated_lufs: float | None


def equal_peaks(drums: Sequence[Metered], policy: Mapping[str, float], *, together: int) -> tuple[EqualPeaks, ...]:
    """Pairs whose sample peaks agree but whose loudness does not: why a chart of peak levels cannot balance a beat.

    The first `together` drums play at once and are compared with each other, the rest within their role.
    """
    found = []
    for (_, first), (number, second) in combinations(enumerate(drums), 2):
        if number >= together and first.role != second.role:
            continue
        peaks = (first.sample_peak_dbfs, second.sample_peak_dbfs)
        loudness = (first.integrated_lufs, second.integrated_lufs)
        if peaks[0] is None or peaks[1] is None or loudness[0] is None or loudness[1] is None:
            continue
        apart, louder = abs(peaks[0] - peaks[1]), abs(loudness[0] - loudness[1])
        # The thresholds are exact; a hair of tolerance keeps 0.5 and 3.0 themselves inside.
        if apart > policy["equal_peak_within_db"] + 1e-9 or louder < policy["unequal_loudness_from_lu"] - 1e-9:
            continue
        loud, soft = (first.name, second.name) if loudness[0] > loudness[1] else (second.name, first.name)
        peak = f"within {apart:.1f} dB of each other" if apart >= 0.05 else "alike"
        text = f"{loud} and {soft} peak {peak}, yet {loud} is {louder:.1f} LU louder."
        found.append(EqualPeaks(loud, soft, peak_difference_db=apart, loudness_difference_lu=louder, text=text))
    found.sort(key=lambda pair: (-pair.loudness_difference_lu, pair.first, pair.second))
    return tuple(found[:MOST_PAIRS])


def mix_advice(mix: Mix, target_lufs: float, policy: Mapping[str, float]) -> str:
    """How the rough mix came out, in a sentence."""
    if mix.integrated_lufs is None or mix.true_peak_dbtp is None:
        return "The rough mix is too short or too soft to be measured."
    ceiling = f"{policy['ceiling_dbtp']:.0f} dBTP"
    limiter = f" and a limiter that takes at most {mix.limiter_db:.1f} dB" if mix.limiter_db > 0 else ""
    words = (
        f"The rough mix reads {unsigned(mix.integrated_lufs)} LUFS and {unsigned(mix.true_peak_dbtp)} dBTP "
        f"with {signed(mix.gain_db)} dB on everything{limiter}"
    )
    if mix.limited:
        return (
            f"{words}; the target of {target_lufs:.1f} LUFS under a ceiling of {ceiling} would ask more of the "
            "limiter, so it was stopped there."
        )
    return f"{words}, which leaves {unsigned(mix.headroom_db or 0.0)} dB to {ceiling}."
