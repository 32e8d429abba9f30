"""Low end: the search for remedies, what the measured meeting of kick and bass means, and which remedy costs least.

Remedies are compared by what they are for: what is heard of the kick below 250 Hz, in sone over the frames in which the
untreated kick plays, against the loudness of the bass that is lost for it.  A share is always one of the untreated kick
alone, so a kick that gets shorter or softer cannot gain by it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import ceil

from dossier.decide.approach import percent
from dossier.decide.fit import cents_from_key
from dossier.model.findings import LowEndRemedy
from dossier.model.numbers import signed

DUCK, TUNE = "duck the bass", "tune the kick"
MOST_BASSES = 3
LONGER_RELEASES = (1.0, 1.6, 2.5)  # of the kick's effective length

Judged = tuple[float, float]
"""What is heard of the kick below 250 Hz, as a share of it untreated and alone; what of the bass is lost (0-1)."""


def remedies(
    *, duck: Callable[[float, float], Judged], tune: Callable[[float], Judged], as_it_is: Judged, has_bass: bool,
    effective_ms: float, gap_ms: float | None, shifts: Sequence[float], onto_key: float | None,
    policy: Mapping[str, float],
) -> tuple[LowEndRemedy, ...]:  # fmt: skip
    """The ways out of a kick that is covered, the one that costs least first, at the mildest amount that does.

    `duck` (by dB, with a release in ms) and `tune` (by semitones) render, measure again and give what came out.
    `effective_ms`: of the kick; `gap_ms`: usual time between its hits, in which the bass has to be back, None for one
    hit; `shifts`: semitones worth trying, none for a kick without a pitch; `onto_key`: those that a kick which is also
    the bass needs anyway.  A cut is none of them: it takes from what is heard of the kick.
    """
    good = policy["low_end_good_share"]
    shortest, longest = policy["duck_shortest_release_ms"], policy["duck_longest_release_ms"]
    longest = longest if gap_ms is None else max(shortest, min(longest, gap_ms))

    def told(name: str, label: str, judged: Judged, **amounts: float) -> LowEndRemedy:
        return LowEndRemedy(name=name, label=label, kick_share=judged[0], bass_lost=judged[1] - as_it_is[1],
                            amounts=amounts)  # fmt: skip

    def ducked(depth: float, release: float) -> LowEndRemedy:
        label = f"duck the bass {depth:.0f} dB, {release:.0f} ms release"
        return told(DUCK, label, duck(depth, release), depth_db=depth, release_ms=float(round(release)))

    listed: list[LowEndRemedy] = []
    covered = as_it_is[0] < policy["low_end_covered_share"]
    if has_bass and covered:
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
    listed += [told(TUNE, tuning_words(by), tune(by), semitones=by) for by in shifts if covered]
    helping = [remedy for remedy in listed if helps(remedy, as_it_is[0], policy)]

    def order(remedy: LowEndRemedy) -> tuple[bool, float, float]:
        enough = remedy.kick_share >= good
        return not enough, remedy.bass_lost if enough else remedy.bass_lost - remedy.kick_share, -remedy.kick_share

    first: dict[str, LowEndRemedy] = {}
    for remedy in sorted(helping, key=order):
        first.setdefault(remedy.name, remedy)
    if onto_key is not None:
        first.setdefault(TUNE, told(TUNE, tuning_words(onto_key), tune(onto_key), semitones=onto_key))
    return tuple(first.values())


def tuning_words(semitones: float) -> str:
    way = "up" if semitones > 0 else "down"
    size = abs(semitones)
    if round(100.0 * size) % 100:
        return f"tune the kick {way} {100.0 * size:.0f} cents"
    return f"tune the kick {way} {size:.0f} semitone{'s' if round(size) != 1 else ''}"


def shifts(hz: float | None, key: str | None, policy: Mapping[str, float]) -> tuple[float, ...]:
    """Semitones that bring a pitched kick onto notes of the key, the nearest first; none without a pitch or a key."""
    if hz is None or key is None:
        return ()
    found, most = dict[float, None](), policy["low_end_tune_most"]
    for by in range(-ceil(most), ceil(most) + 1):
        onto = round(by - cents_from_key(hz * 2.0 ** (by / 12.0), key) / 100.0, 2)
        if 100.0 * abs(onto) >= policy["low_end_least_cents"] and abs(onto) <= most:
            found[onto] = None
    return tuple(sorted(found, key=lambda by: (abs(by), by)))


def bass_stems(stems: Sequence[tuple[str, str, float, float]], policy: Mapping[str, float]) -> tuple[str, ...]:
    """Up to `MOST_BASSES` stems that are called bass or live below 250 Hz, those with the most energy there first.

    `stems`: file, role in the user's words, energy below 250 Hz, and its share of the stem's energy.  A single file is
    all of the music, which no one ducks for a kick, unless it is called bass.
    """
    living = [stem for stem in stems if "bass" in stem[1].lower() or (
        "bass" in stem[0].lower() if len(stems) == 1 else stem[3] > policy["low_end_bass_share"])]  # fmt: skip
    return tuple(stem[0] for stem in sorted(living, key=lambda stem: -stem[2])[:MOST_BASSES])


def helps(remedy: LowEndRemedy, kick_share: float, policy: Mapping[str, float]) -> bool:
    """Whether a remedy gives the kick enough more to be worth a file."""
    return remedy.kick_share >= kick_share + policy["low_end_helps"]


def other_kick(
    own: tuple[str, float], others: Sequence[tuple[str, float, bool]], policy: Mapping[str, float]
) -> str | None:
    """The candidate that would be heard clearly more below 250 Hz than the kick; None where there is none.

    `own`, `others`: file and sone heard there; of the others, whether they work as a kick here.
    """
    better = [(sone, file) for file, sone, works in others if works and file != own[0]
              and sone > own[1] * (1.0 + policy["plan_heard_loss"]) + policy["inaudible_sone"]]  # fmt: skip
    return max(better)[1] if better else None


def sentences(
    *, kick: str, bass: str, kick_share: float | None, freed: float | None, other: str | None,
    cents: float | None, key: str | None, is_bass: bool, rings_ms: float, gaps_ms: Sequence[float],
    polarity: str | None, delay_ms: float | None, delay_gain_db: float | None, remedies: Sequence[LowEndRemedy],
    policy: Mapping[str, float],
) -> tuple[str, ...]:  # fmt: skip
    """What is wrong and the best fix, each in a clause; only that all is fine where nothing is.

    `kick_share`: None without a bass beside it, `freed`: how much more were it silent; `other`: a kick that would be
    heard more; `is_bass`: the kick is long and pitched; `gaps_ms`: between its hits.
    """
    said, good = [], policy["low_end_good_share"]
    if kick_share is not None and kick_share < policy["low_end_covered_share"]:
        heard = f"{percent(kick_share)} of it is heard below 250 Hz"
        if freed is not None and freed < policy["low_end_helps"]:
            said.append(f"The stems together cover {kick}: {heard}, and hardly more without {bass}.")
        else:
            said.append(f"{bass} covers {kick}: {heard}, less than of three in four kicks that people set.")
        fixes = [remedy for remedy in remedies if helps(remedy, kick_share, policy)]
        more = f"try {other.rsplit('/', 1)[-1]}, which is heard more here" if other else (
            "take a kick with its weight elsewhere")  # fmt: skip
        if fixes:
            said.append(f"Best fix: {fixes[0].label}.")
            enough = fixes[0].kick_share >= good
            said.append(f"{percent(fixes[0].kick_share)} of it is heard then{'' if enough else f'; for more, {more}'}.")
        else:
            said.append(f"No duck or tuning frees it: {more}.")
    if is_bass and cents is not None and abs(cents) >= policy["low_end_least_cents"]:
        said.append(f"{kick} is a bass note out of key ({key}): {tuning_words(-cents / 100.0)}.")
    sooner = [gap for gap in gaps_ms if gap < rings_ms]
    if is_bass and sooner:
        share = percent(len(sooner) / len(gaps_ms))
        said.append(f"{kick} rings like a bass note for {rings_ms:.0f} ms, and {share} of its hits follow sooner: let "
                    f"each hit cut the last, or cut it to {min(sooner):.0f} ms.")  # fmt: skip
    if delay_gain_db is not None and delay_ms is not None and delay_gain_db >= policy["low_end_alignment_db"]:
        moved = f"{abs(delay_ms):.1f} ms {'later' if delay_ms > 0 else 'earlier'}"
        how = [moved] if abs(delay_ms) >= 0.05 else []
        how += ["with its polarity inverted"] if polarity == "invert" else []
        said.append(f"Play {kick} {', '.join(how)}: {signed(delay_gain_db)} dB of low end.")
    return tuple(said) or ("Kick and bass: fine.",)
