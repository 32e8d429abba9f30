"""Balance: the gain of every drum part at which it is heard as intended, in this beat and beside the other parts.

Conventions
    The measure is the audible share (see `dossier.measure.in_beat`), a rising function of a part's own gain and a
    falling one of every other part's.  All gains are solved together: each round solves every part against the gains
    of the round before, so that the order of the parts cannot matter, and rounds go on until no gain moves.  More of
    the others only ever asks for more of a part, so the rounds approach their answer from one side.
    Lift, the simple energy measure, stands beside it: published listening tests found that simple energy measures match
    people's balances at least as well as masking models (Wichern et al., AES 139, 2015; Ma, Reiss and Black, AES 53rd
    Conference, 2014).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from dossier.model.findings import EqualPeaks, Gains, Mix
from dossier.model.numbers import signed, unsigned
from dossier.model.vocabulary import Intent, Role

LOWS: frozenset[str] = frozenset({"kick", "tom"})
LEADS: frozenset[str] = frozenset({"kick", "snare", "clap"})
GAIN_STEP_DB = 0.01  # a gain is solved to this
FADER_STEP_DB = 0.1  # and then set to this: what is told is what can be dialled in
ROUNDS = 40
GAIN_TOLERANCE_DB = 0.02
SHARE_TOLERANCE = 0.01  # a share this far under its target is as good as there
MOST_PAIRS = 8

ShareAt = Callable[[int, float, Sequence[float]], float]
"""(part, its gain, the gains of all parts) -> audible share of that part."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One part's answer: its gain, its share there, and what stopped it, if anything did.

    "low", "high": the bound; "squeezed": the highest gain that is allowed lies at or under the lowest that belongs to
    the beat.
    """

    gain_db: float
    share: float
    stopped: str = ""


def target_share(role: Role | None, intent: Intent, policy: Mapping[str, float]) -> float:
    """The audible share that an intent asks of a role; a loop (role None) is taken whole."""
    share = policy[f"share_{intent}"]
    return share - policy["share_lows_less"] if role in LOWS else share


def solve_one(share_at: Callable[[float], float], *, target: float, low_db: float, high_db: float) -> Solved:
    """The gain at which a rising share meets its target (Brent's method); bounds say so."""
    from scipy.optimize import brentq

    top, bottom = share_at(high_db), share_at(low_db)
    if top < target:
        return Solved(high_db, top, "high")
    if bottom > target or high_db <= low_db:
        return Solved(low_db, bottom, "low")
    gain = float(brentq(lambda trial: share_at(trial) - target, low_db, high_db, xtol=GAIN_STEP_DB))
    return Solved(gain, share_at(gain))


def on_fader(gain_db: float, low_db: float, high_db: float) -> float:
    """The gain in whole steps of a fader, between bounds that lie on such steps."""
    return float(min(max(round(gain_db, 1), low_db), max(low_db, high_db)))


def solve(
    share_at: ShareAt, *, targets: Sequence[float], low_db: Sequence[float], high_db: Sequence[float],
    start_db: Sequence[float],
) -> tuple[Solved, ...]:  # fmt: skip
    """Solve all gains together (one value a part in each sequence); see the module's conventions.

    Each share is measured beside the final gains of the others.
    """
    gains, width = list(start_db), 12.0
    for _ in range(ROUNDS):
        fixed = tuple(gains)
        moved = []
        for part, target in enumerate(targets):
            low = max(low_db[part], fixed[part] - width)
            high = min(high_db[part], fixed[part] + width)
            answer = solve_one(
                lambda gain, part=part, fixed=fixed: share_at(part, gain, fixed),  # type: ignore[misc]
                target=target, low_db=min(low, high), high_db=high,
            )  # fmt: skip
            moved.append(answer.gain_db)
        gains = moved
        change = max((abs(a - b) for a, b in zip(gains, fixed, strict=True)), default=0.0)
        width = max(0.25, min(12.0, 2.0 * change))
        if change < GAIN_TOLERANCE_DB:
            break
    final = tuple(on_fader(gain, low_db[part], high_db[part]) for part, gain in enumerate(gains))
    answers = []
    for part, (solved, gain) in enumerate(zip(gains, final, strict=True)):
        share = share_at(part, gain, final)
        if solved >= high_db[part] - GAIN_TOLERANCE_DB and share < targets[part] - SHARE_TOLERANCE:
            stopped = "high"
        elif high_db[part] <= low_db[part]:
            stopped = "squeezed"
        else:
            stopped = "low" if solved <= low_db[part] + GAIN_TOLERANCE_DB and share > targets[part] else ""
        answers.append(Solved(gain, share, stopped))
    return tuple(answers)


def advice(
    gains: Gains, *, share: float, part: str, target: float, lift_lu: float | None, treated: bool, conflict: str
) -> str:
    """What to do with one part, in a sentence made of its numbers.

    `conflict` names where the instrumental covers it most; empty where nothing does.
    """
    heard = f"{100 * share:.0f} % of it is heard"
    if gains.stopped == "high":
        way = f"thin out {conflict} under it, or take another {part}" if conflict else f"take another {part}"
        return (
            f"Level alone cannot do it{', even treated' if treated else ''}: at the highest gain that peaks and music "
            f"allow {heard}, against {100 * target:.0f} % asked; {way}."
        )
    if gains.stopped == "squeezed":
        return (
            f"Its gain ends at {signed(gains.db)} dB, the most that its peak and its file allow: there {heard}, but "
            f"it stays softer than a {part} should be beside this music; take a louder or fuller one."
        )
    if gains.stopped == "low":
        return f"It stands clear: at the softest level that still belongs to the beat {heard}. Raise it by taste."
    beside = f", {signed(lift_lu)} LU over the instrumental in its own bands" if lift_lu is not None else ""
    return f"At this gain {heard}{beside}."


@dataclass(frozen=True, slots=True)
class Metered:
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
