"""Fit: whether one candidate does its job in this beat, in measured terms and the one score that orders the table.

The score is a weighted sum; every term is kept beside it with its sign, so that the order can be argued with.  Weights,
and what is usual in people's mixes, are in `dossier.decide.policy`.

Conventions
    job     how like its role it sounds, 0-1.  Of a loop or a kit, taken as one drum part: how surely it has two of
            something low, a backbeat and something on top, each sure enough at `likely_enough`.  Two, because of drums
            that strike together in a loop only one is told.
    heard   sone that it keeps in the zones where its role works (`OWN_ZONES`), beside all else that plays.
    room    what it fills up to the reference, weighed by 1 - fill: the same two points of room count for much in an
            open instrumental and for little in a full one (common practice, no source).
    over    what it pushes beyond the reference;  covers  what it masks of the music, weighed by the music's fill.
            Both count only beyond what is usual for the role.
    Heard is enough at what three quarters of people's drums reach.  Room earns in proportion to what is usual, up to
    `room_most` times as much.  What costs, costs 1 - u / x of its weight where x is beyond what is usual, u.
    A part below the threshold of hearing comes after all that can be heard.  A single drum that only this music
    covers is still what it is: it loses what is heard, and stays before a copy that is heard but does another job.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import log2

from dossier.decide.policy import USUAL_FIT, UsualFit
from dossier.model.findings import Fit
from dossier.model.measures import FileMeasures
from dossier.model.notes import MAJOR_STEPS, MINOR_STEPS, pitch_class
from dossier.model.numbers import signed
from dossier.model.vocabulary import ZONE_LABELS, Grade, Role

_TOP = (("high_mid", "presence", "brilliance"),)
OWN_ZONES: Mapping[Role | None, tuple[tuple[str, ...], ...]] = {
    "kick": (("sub", "bass"), ("high_mid", "presence")),
    "snare": (("low_mid", "mid"), ("high_mid", "presence")),
    "clap": (("mid", "high_mid"), ("presence",)),
    "rim": (("mid",), ("high_mid", "presence")),
    "closed-hat": _TOP, "open-hat": _TOP, "ride": _TOP, "crash": _TOP, "shaker": _TOP,
    "tom": (("bass", "low_mid"), ("mid", "high_mid")),
    "percussion": (("low_mid", "mid"), ("high_mid", "presence")),
    None: (("sub", "bass"), ("low_mid", "mid", "high_mid"), ("presence", "brilliance")),
}  # fmt: skip
"""Where a role works: zones whose loudness adds up, and groups of them that all count (common practice, no source).  A
kick has its weight and its click, a snare its body and its crack; None is a loop or a kit as one drum part."""

PLACES: tuple[tuple[Role, ...], ...] = (
    ("kick", "tom"), ("snare", "clap", "rim", "percussion"),
    ("closed-hat", "open-hat", "ride", "crash", "shaker"),
)  # fmt: skip
"""What a whole drum part has: something low, a backbeat, something on top (common practice, no source)."""


def usual_of(role: Role | None) -> UsualFit:
    return USUAL_FIT[role or "all-drums"]


def score(fit: Fit, *, role: Role | None, fill: float, policy: Mapping[str, float]) -> tuple[float, dict[str, float]]:
    """The score of a fit and its terms by name (positive speaks for the candidate); the terms add up to the score.

    `fill`: of the instrumental without the drum, on the frames of the fit; `role`: None for a loop or a kit as a whole.
    """
    usual = usual_of(role)
    filled = max(0.0, fit.room_filled)
    mono_lu = fit.mono_loss_lu if fit.mono_loss_lu is not None else policy["mono_gone_lu"]
    unheard = sum(fit.heard_zones.values()) < policy["inaudible_sone"]
    inaudible = unheard and (role is None or fit.overlap <= 0.0)
    terms = {
        "job": policy["weight_job"] * (fit.job or 0.0),
        "heard": policy["weight_heard"] * heard_well(fit.heard_zones, role),
        "room": policy["weight_room"] * max(0.0, 1.0 - fill) * min(policy["room_most"], filled / usual.room),
        "over": -policy["weight_over"] * _beyond(fit.over, usual.over),
        "covers": -policy["weight_covers"] * min(1.0, fill) * _beyond(fit.covered_music, usual.covers),
        "tempo": -policy["weight_tempo"] * (1.0 - fit.tempo_match),
        "tuning": -policy["weight_tuning"] * (1.0 - fit.tuning_match) if fit.tuning_match is not None else 0.0,
        "mono": -policy["weight_mono"] * mono_lu,
        "silent": -policy["weight_silent"] if inaudible else 0.0,
    }
    return sum(terms.values()), terms


def job_done(
    job: float | None, zones: Mapping[str, float], role: Role | None, policy: Mapping[str, float]
) -> float:
    """The part of the score that says whether it does its job: how like it it sounds, and is heard where it works."""
    return policy["weight_job"] * (job or 0.0) + policy["weight_heard"] * heard_well(zones, role)


def heard_well(zones: Mapping[str, float], role: Role | None) -> float:
    """0-1: what is heard in each group of the role's own zones, of what is enough there; `zones`: sone a zone."""
    groups, enough = OWN_ZONES[role], usual_of(role).heard
    found = [
        min(1.0, sum(zones.get(zone, 0.0) for zone in group) / of) for group, of in zip(groups, enough, strict=True)
    ]
    return sum(found) / len(found)


def heard_in_zones(zones: Mapping[str, float], role: Role | None) -> float:
    """Sone heard in the role's own zones, of what is heard in all."""
    return sum(zones.get(zone, 0.0) for zone in dict.fromkeys(sum(OWN_ZONES[role], ())))


def job_of_parts(parts: Iterable[tuple[Role, float, float]], policy: Mapping[str, float]) -> float:
    """The job of several drums as one part, 0-1, from role, likeness and weight of each; see `PLACES`."""
    every = list(parts)
    found = []
    for place in PLACES:
        own = [(likeness, weight) for role, likeness, weight in every if role in place and weight > 0]
        sure = sum(likeness * weight for likeness, weight in own) / sum(weight for _, weight in own) if own else 0.0
        found.append(min(1.0, sure / policy["likely_enough"]))
    return min(1.0, sum(found) / 2.0)


def job(measures: FileMeasures, role: Role | None, policy: Mapping[str, float]) -> float:
    """How like its role a file sounds, 0-1; of a loop (role None), how like a whole drum part."""
    if role is not None:
        return measures.hit.likeness.get(role, 0.0)
    hits = measures.loop.hits if measures.loop is not None else ()
    return job_of_parts(((hit.role, hit.likeness, 10.0 ** (hit.level_db / 20.0)) for hit in hits), policy)


def _beyond(value: float, usual: float) -> float:
    return max(0.0, 1.0 - usual / value) if value > 0 else 0.0


def cents_from_key(pitch_hz: float, key: str) -> float:
    """Distance in cents from a pitch to the nearest note of a key's scale (A4 = 440 Hz), -100 to 100.

    Minor is the natural minor.  Positive: the pitch lies above the note.  `key` reads "F# minor", "Db major"; a tonic
    that is no note raises `ValueError`.
    """
    tonic, _, mode = key.partition(" ")
    root = pitch_class(tonic)
    steps = MINOR_STEPS if mode.strip().lower().startswith("min") else MAJOR_STEPS
    inside = (12.0 * log2(pitch_hz / 440.0) + 9.0 - root) % 12.0  # A is 9 semitones above C
    return 100.0 * min((inside - step for step in (*steps, 12)), key=abs)


def tuning_match(pitch_hz: float | None, key: str | None, *, gone_cents: float) -> float | None:
    """1 on a note of the key, falling to 0 at `gone_cents` beside it; None for an unpitched drum or an unknown key."""
    if pitch_hz is None or key is None:
        return None
    return max(0.0, 1.0 - abs(cents_from_key(pitch_hz, key)) / gone_cents)


def grade(value: float, role: Role | None) -> Grade:
    """What a score is worth among those of the drums that authors chose for their own pieces."""
    usual = usual_of(role)
    return "fits well" if value >= usual.fits_well else "poor" if value < usual.poor else "workable"


def why(terms: Mapping[str, float], *, role: Role | None, grade: Grade, policy: Mapping[str, float]) -> str:
    """The grade's reason in at most eight words: what it lacks most against what is usual, if it does not fit well."""
    like = role_words(role)
    lacks = _lacks(terms, role, policy)
    worst = max(lacks, key=lambda term: lacks[term])
    if grade == "fits well":
        heard = ", little is heard" if lacks["heard"] >= policy["lack_told"] else " and is heard"
        return f"sounds like {like}{heard}"
    return {
        "job": f"does not sound like {like}" if role else "lacks two of kick, backbeat and top",
        "heard": f"little is heard where {like} works" if role else "little is heard where drums work",
        "over": "fills more than finished mixes do",
        "covers": "covers more music than is usual",
        "tempo": "its tempo does not fit",
        "tuning": "its pitch is off the key",
        "mono": "it is lost in mono",
        "silent": "cannot be heard in this beat",
    }[worst]


def poor_words(terms: Mapping[str, float], *, role: Role | None, policy: Mapping[str, float]) -> str:
    """Why what was chosen is poor, and what would work: "little is heard where a kick works; one with more ..."."""
    like = role_words(role)
    lacks = _lacks(terms, role, policy)
    worst = max(lacks, key=lambda term: lacks[term])
    zones = ", ".join(ZONE_LABELS[zone] for zone in dict.fromkeys(zone for group in OWN_ZONES[role] for zone in group))
    would = {
        "job": f"a sound that is plainly {like}" if role else "a part with a kick and a backbeat",
        "heard": f"one that is stronger in its own zones ({zones})",
        "over": "a softer or leaner one",
        "covers": "a shorter or leaner one",
        "tempo": "a loop nearer to the beat's tempo, or one-shots",
        "tuning": "one tuned to the key, or without a pitch",
        "mono": "one that keeps its level in mono",
        "silent": "one that sounds where the music leaves room",
    }[worst]
    return f"{why(terms, role=role, grade='poor', policy=policy)}; what would work is {would}"


def role_words(role: Role | None) -> str:
    """A role with its article: "an open hat"; of a loop or a kit, "drums"."""
    if role is None or role == "percussion":
        return role or "drums"
    return f"{'an' if role.startswith('o') else 'a'} {role.replace('-', ' ')}"


def _lacks(terms: Mapping[str, float], role: Role | None, policy: Mapping[str, float]) -> dict[str, float]:
    """What each term lacks against what is usual for the role, in points of score."""
    return {
        "job": policy["weight_job"] * usual_of(role).job - terms["job"],
        "heard": policy["weight_heard"] - terms["heard"],
        **{term: -terms[term] for term in ("over", "covers", "tempo", "tuning", "mono", "silent")},
    }


def reason(
    fit: Fit, *, role: Role | None, gain_db: float | None, terms: Mapping[str, float], policy: Mapping[str, float]
) -> str:
    """The fit in one sentence: what it brings and what weighs most against it; shares are of the reference.

    `gain_db` is None for a kit, whose members have gains of their own.
    """
    like = role_words(role)
    at = "with each member at its gain" if gain_db is None else f"at {signed(gain_db)} dB"
    brings = f"Fills {100 * fit.room_filled:.1f} % more of the beat {at}"
    lacks = _lacks(terms, role, policy)
    worst = max(lacks, key=lambda term: lacks[term])
    if lacks[worst] < policy["lack_told"] and grade(sum(terms.values()), role) == "fits well":
        return f"{brings}."
    likely = 100 * (fit.job or 0.0)
    costs = {
        "job": f"it sounds like {like} to {likely:.0f} % only" if role
        else f"that it has two of kick, backbeat and top is sure to {likely:.0f} % only",
        "heard": f"little is heard where {like} {'works' if role else 'work'} ({fit.heard_in_zones or 0.0:.2f} sone)",
        "over": f"{100 * fit.over:.1f} % goes over what finished mixes carry",
        "covers": f"it covers {100 * fit.covered_music:.1f} % of the music",
        "tempo": "its tempo does not fit as it is",
        "tuning": "it is out of key",
        "silent": "nothing of it is heard",
        "mono": "it vanishes in mono" if fit.mono_loss_lu is None else f"it loses {fit.mono_loss_lu:.1f} LU in mono",
    }
    return f"{brings}; {costs[worst]}."
