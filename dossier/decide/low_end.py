"""Low end: what the measured meeting of kick and bass means, and which way out costs least.

Remedies are compared by what they are for: the share of the kick that is heard below 250 Hz, against the loudness of
the bass that is lost for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log2

from dossier.decide.approach import percent
from dossier.model.findings import LowEndRemedy


def best_remedy(
    kick_share: float, remedies: Sequence[LowEndRemedy], policy: Mapping[str, float]
) -> LowEndRemedy | None:
    """The remedy that costs the bass least among those that give the kick its share; else the one that gives most.

    None where the kick has its share already, or no remedy brings at least two hundredths.
    """
    helping = [remedy for remedy in remedies if remedy.kick_share >= kick_share + 0.02]
    good = policy["low_end_good_share"]
    if kick_share >= good or not helping:
        return None
    enough = [remedy for remedy in helping if remedy.kick_share >= good]
    if enough:
        return min(enough, key=lambda remedy: (remedy.bass_lost, remedy.name))
    return max(helping, key=lambda remedy: (remedy.kick_share - remedy.bass_lost, remedy.name))


def sentences(
    *,
    kick: str,
    bass: str,
    overlap_sub: float | None,
    overlap_bass: float | None,
    kick_share: float,
    cents: float | None,
    key: str | None,
    note: str | None,
    bass_notes: Mapping[str, float],
    bass_cents: tuple[str, float] | None,
    polarity: str | None,
    delay_ms: float | None,
    delay_gain_db: float | None,
    remedies: Sequence[LowEndRemedy],
    policy: Mapping[str, float],
) -> tuple[str, ...]:
    """The findings in words, each made of its numbers.

    `bass_notes`: the notes of the bass line and their frequencies; `bass_cents`: the one nearest to the kick, in any
    octave, and how far from it the kick lies.
    """
    said = []
    lost = [
        f"{percent(value)} of it in the {zone}"
        for value, zone in ((overlap_sub, "sub"), (overlap_bass, "bass"))
        if value is not None
    ]
    if lost:
        said.append(f"Beside {bass}, {percent(kick_share)} of {kick} is heard below 250 Hz; {bass} masks "
                    f"{' and '.join(lost)}.")  # fmt: skip
    if cents is not None and key is not None:
        near = abs(cents) <= policy["low_end_cents_off"]
        place = "sits on a note of the key" if near else "lies beside the notes of the key"
        said.append(f"The kick's pitch ({note}) {place} {key}: {cents:+.0f} cents from the nearest.")
    if bass_cents is not None:
        name, apart = bass_cents
        near = abs(apart) <= policy["low_end_cents_off"]
        line = f"Of the bass line's notes ({', '.join(bass_notes)}) the nearest is {name}, in any octave"
        said.append(f"{line}: the kick {'agrees with it' if near else 'lies beside it'}, {apart:+.0f} cents from it.")
    if delay_gain_db is not None and polarity is not None and delay_ms is not None:
        if delay_gain_db < policy["low_end_alignment_db"]:
            said.append(f"Kick and bass line up: no delay within 10 ms and no change of polarity brings more than "
                        f"{delay_gain_db:.1f} dB of low end.")  # fmt: skip
        else:
            how = "with its polarity inverted" if polarity == "invert" else "with its polarity as it is"
            when = f"{abs(delay_ms):.1f} ms {'later' if delay_ms > 0 else 'earlier'}" if abs(delay_ms) >= 0.05 else (
                "in place"
            )  # fmt: skip
            said.append(f"The low end of the two adds up better with the kick {when}, {how}: {delay_gain_db:+.1f} dB.")
    best = best_remedy(kick_share, remedies, policy)
    if best is not None:
        said.append(f"Of the ways out, {best.label} costs least for what it gives: the kick's share goes from "
                    f"{percent(kick_share)} to {percent(best.kick_share)}, and {_bass(best.bass_lost)}.")  # fmt: skip
    elif kick_share >= policy["low_end_good_share"]:
        said.append("The kick has its share of the low end; nothing needs to give way.")
    elif remedies:
        said.append("None of the ways out that were computed gives the kick clearly more.")
    return tuple(said)


def cents_from_bass(kick_hz: float, bass_notes: Mapping[str, float]) -> tuple[str, float] | None:
    """The bass note nearest to the kick in any octave, and the kick's distance from it in cents, -600 to 600.

    None without bass notes.  Positive: the kick lies above.
    """
    apart = {name: (1200.0 * log2(kick_hz / hz) + 600.0) % 1200.0 - 600.0 for name, hz in bass_notes.items()}
    name = min(apart, key=lambda note: (abs(apart[note]), note), default=None)
    return None if name is None else (name, apart[name])


def _bass(lost: float) -> str:
    """What a remedy takes from the bass beside the kick, or gives back to it."""
    if lost < 0:
        return f"{percent(-lost)} of the bass's loudness comes back"
    return f"{percent(lost)} of the bass's loudness is lost"
