"""Low end: the search for remedies, what the measured meeting of kick and bass means, and which remedy costs least.

Remedies are compared by what they are for: the share of the kick that is heard below 250 Hz, against the loudness of
the bass that is lost for it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import log2

from dossier.decide.approach import percent
from dossier.model.findings import LowEndRemedy
from dossier.model.numbers import signed, unsigned

DUCK, SHORTEN, TUNE = "duck the bass", "shorten the kick", "tune the kick"
LONGER_RELEASES = (1.0, 1.6, 2.5)  # of the kick's effective length
SHORTER_MS = (300.0, 220.0, 160.0, 110.0)
TUNE_SEMITONES = (-5, -4, -3, -2, -1, 1, 2, 3, 4, 5)

Judged = tuple[float, float]
"""Share of the kick that is heard in the low zones, and what of the bass's loudness is lost there (0-1)."""


def remedies(
    *, duck: Callable[[float, float], Judged], shorten: Callable[[float], Judged], tune: Callable[[int], Judged],
    bass_lost: float, has_bass: bool, kick_ms: float, effective_ms: float, policy: Mapping[str, float],
) -> tuple[LowEndRemedy, ...]:  # fmt: skip
    """Duck the bass, shorten the kick, tune the kick: each at the mildest amount that gives the kick its share.

    `duck` (by dB, with a release in ms), `shorten` (to ms) and `tune` (by semitones) render, measure again and give
    what came out.  `bass_lost`: what the kick masks of the bass as it is; remedies count what is lost beyond it
    (negative: something comes back).  `kick_ms`, `effective_ms`: length of the kick's sound, and its effective length.
    """
    good = policy["low_end_good_share"]
    shortest, longest = policy["duck_shortest_release_ms"], policy["duck_longest_release_ms"]

    def told(name: str, label: str, judged: Judged, **amounts: float) -> LowEndRemedy:
        return LowEndRemedy(name=name, label=label, kick_share=judged[0], bass_lost=judged[1] - bass_lost,
                            amounts=amounts)  # fmt: skip

    def ducked(depth: float, release: float) -> LowEndRemedy:
        label = f"ducking the bass by {depth:.0f} dB with a release of {release:.0f} ms"
        return told(DUCK, label, duck(depth, release), depth_db=depth, release_ms=float(round(release)))

    listed: list[LowEndRemedy] = []
    if has_bass:
        release = min(longest, max(shortest, effective_ms))
        releases = sorted({float(round(min(longest, ratio * release))) for ratio in LONGER_RELEASES})
        deepest = [(ducked(policy["duck_most_db"], ms), ms) for ms in releases]
        enough = [item for item in deepest if item[0].kick_share >= good]
        # The shortest that is enough; where none is, what gives most for what it takes.
        best, release = enough[0] if enough else max(deepest, key=lambda item: item[0].kick_share - item[0].bass_lost)
        low, high = 0, int(policy["duck_most_db"])
        while best.kick_share >= good and high - low > 1:  # the least depth in whole dB that is enough
            middle = (low + high) // 2
            found = ducked(float(middle), release)
            low, high, best = (low, middle, found) if found.kick_share >= good else (middle, high, best)
        listed.append(best)
    shorter: list[LowEndRemedy] = []
    for ms in (ms for ms in SHORTER_MS if ms < kick_ms):
        shorter.append(told(SHORTEN, f"cutting the kick to {ms:.0f} ms", shorten(ms), length_ms=ms))
        if shorter[-1].kick_share >= good:
            break
    if shorter:
        listed.append(max(shorter, key=lambda remedy: (remedy.kick_share >= good, remedy.kick_share)))
    tuned = [
        told(TUNE, f"tuning the kick by {by:+d} semitones", tune(by), semitones=float(by)) for by in TUNE_SEMITONES
    ]
    return (*listed, max(tuned, key=lambda remedy: remedy.kick_share))


def bass_stem(stems: Sequence[tuple[str, str, float, float]], policy: Mapping[str, float]) -> str | None:
    """The stem that is called bass, else the one with the most energy below 250 Hz among those that live there.

    `stems`: file, role in the user's words, energy below 250 Hz, and its share of the stem's energy.
    """
    named = [stem for stem in stems if "bass" in stem[1].lower()]
    living = named or [stem for stem in stems if stem[3] > policy["low_end_bass_share"]]
    return max(living, key=lambda stem: stem[2])[0] if living else None


def helps(remedy: LowEndRemedy, kick_share: float, policy: Mapping[str, float]) -> bool:
    """Whether a remedy gives the kick enough more to be worth a file."""
    return remedy.kick_share >= kick_share + policy["low_end_helps"]


def best_remedy(
    kick_share: float, remedies: Sequence[LowEndRemedy], policy: Mapping[str, float]
) -> LowEndRemedy | None:
    """The remedy that costs the bass least among those that give the kick its share; else the one that gives most.

    None where the kick has its share already, or no remedy helps.
    """
    helping = [remedy for remedy in remedies if helps(remedy, kick_share, policy)]
    good = policy["low_end_good_share"]
    if kick_share >= good or not helping:
        return None
    enough = [remedy for remedy in helping if remedy.kick_share >= good]
    if enough:
        return min(enough, key=lambda remedy: (remedy.bass_lost, remedy.name))
    return max(helping, key=lambda remedy: (remedy.kick_share - remedy.bass_lost, remedy.name))


def sentences(
    *, kick: str, bass: str, overlap_sub: float | None, overlap_bass: float | None, kick_share: float,
    cents: float | None, key: str | None, note: str | None, bass_notes: Mapping[str, float],
    bass_cents: tuple[str, float] | None, polarity: str | None, delay_ms: float | None, delay_gain_db: float | None,
    remedies: Sequence[LowEndRemedy], policy: Mapping[str, float],
) -> tuple[str, ...]:  # fmt: skip
    """The findings in words, each made of its numbers.

    `bass_notes`: the notes of the bass line and their frequencies; `bass_cents`: the one nearest to the kick, in any
    octave, and how far from it the kick lies.
    """
    said = []
    overlaps = ((overlap_sub, "sub"), (overlap_bass, "bass"))
    lost = [f"{percent(value)} of it in the {zone}" for value, zone in overlaps if value is not None]
    if lost:
        said.append(f"Beside {bass}, {percent(kick_share)} of {kick} is heard below 250 Hz; {bass} covers "
                    f"{' and '.join(lost)}.")  # fmt: skip
    if cents is not None and key is not None:
        near = abs(cents) <= policy["low_end_cents_off"]
        place = "sits on a note of the key" if near else "is out of key in"
        said.append(f"The kick's pitch ({note}) {place} {key}: {signed(cents, 0)} cents from the nearest.")
    if bass_cents is not None:
        name, apart = bass_cents
        where = "agrees with it" if abs(apart) <= policy["low_end_cents_off"] else "lies beside it"
        line = f"Of the bass line's notes ({', '.join(bass_notes)}) the nearest is {name}, in any octave"
        said.append(f"{line}: the kick {where}, {signed(apart, 0)} cents from it.")
    if delay_gain_db is not None and polarity is not None and delay_ms is not None:
        if delay_gain_db < policy["low_end_alignment_db"]:
            within = f"{policy['low_end_longest_delay_ms']:.0f} ms"
            said.append(f"Kick and bass line up: no delay within {within} and no change of polarity brings more than "
                        f"{unsigned(delay_gain_db)} dB of low end.")  # fmt: skip
        else:
            how = "with its polarity inverted" if polarity == "invert" else "with its polarity as it is"
            moved = f"{abs(delay_ms):.1f} ms {'later' if delay_ms > 0 else 'earlier'}"
            when = moved if abs(delay_ms) >= 0.05 else "in place"
            gain = signed(delay_gain_db)
            said.append(f"The low end of the two adds up better with the kick {when}, {how}: {gain} dB.")
    best = best_remedy(kick_share, remedies, policy)
    if best is not None:
        what = "is lost" if best.bass_lost >= 0 else "comes back"
        said.append(f"Best fix: {in_short(best)}.")
        said.append(f"The kick's share goes from {percent(kick_share)} to {percent(best.kick_share)}, and "
                    f"{percent(abs(best.bass_lost))} of the bass's loudness {what}.")  # fmt: skip
    elif kick_share >= policy["low_end_good_share"]:
        said.append("The kick has its share of the low end; nothing needs to give way.")
    elif remedies:
        said.append("No fix that was tried gives the kick clearly more.")
    return tuple(said)


def cents_from_bass(kick_hz: float, bass_notes: Mapping[str, float]) -> tuple[str, float] | None:
    """The bass note nearest to the kick in any octave, and the kick's distance from it in cents, -600 to 600.

    None without bass notes.  Positive: the kick lies above.
    """
    apart = {name: (1200.0 * log2(kick_hz / hz) + 600.0) % 1200.0 - 600.0 for name, hz in bass_notes.items()}
    name = min(apart, key=lambda note: (abs(apart[note]), note), default=None)
    return None if name is None else (name, apart[name])


def in_short(remedy: LowEndRemedy) -> str:
    """`duck the bass 11 dB, 80 ms release`, as it is said."""
    amounts = {name: float(value) for name, value in remedy.amounts.items() if not isinstance(value, str)}
    if {"depth_db", "release_ms"} <= amounts.keys():
        return f"{remedy.name} {amounts['depth_db']:.0f} dB, {amounts['release_ms']:.0f} ms release"
    if "length_ms" in amounts:
        return f"{remedy.name} to {amounts['length_ms']:.0f} ms"
    if "semitones" in amounts:
        return f"{remedy.name} by {signed(amounts['semitones'], 0)} semitones"
    return remedy.label
