"""Fit: the measured terms of one candidate in this beat, and the one score that orders the table.

The score is a weighted sum; every term is kept beside it with its sign, so that the order can be argued with.  Weights
are in `dossier.decide.policy`.

Conventions
    Loudness won and lost is counted in one currency, shares of the reference: what the drum fills, what the music
    masks of it (overlap), what it masks of the music (buried is a share of the music, which itself carries `fill` of
    the reference).
    What is filled is worth the more, the more room there is: weighed by 1 - fill, so that the same two points of room
    count for much in an open instrumental and for little in a full one (common practice, no source: much room favours
    rich drums, little room lean ones).
"""

from __future__ import annotations

from collections.abc import Mapping
from math import log2

from dossier.model.findings import Fit
from dossier.model.notes import MAJOR_STEPS, MINOR_STEPS, pitch_class
from dossier.model.numbers import signed


def score(fit: Fit, *, fill: float, policy: Mapping[str, float]) -> tuple[float, dict[str, float]]:
    """The score of a fit and its terms by name (positive speaks for the candidate); the terms add up to the score.

    `fill`: of the instrumental without the drum, on the frames of the fit.
    """
    terms = {
        "room": policy["weight_room"] * max(0.0, 1.0 - fill) * fit.room_filled,
        "overlap": -policy["weight_overlap"] * fit.overlap,
        "buried": -policy["weight_buried"] * min(1.0, fill) * fit.buried,
        "spill": -policy["weight_spill"] * fit.spill,
        "audibility": -policy["weight_share"] * missing_share(fit.audible_share, policy["usual_share"]),
        "tempo": -policy["weight_tempo"] * (1.0 - fit.tempo_match),
        "tuning": -policy["weight_tuning"] * (1.0 - fit.tuning_match) if fit.tuning_match is not None else 0.0,
        "mono": -policy["weight_mono"] * (fit.mono_loss_lu if fit.mono_loss_lu is not None else policy["mono_gone_lu"]),
    }
    return sum(terms.values()), terms


def missing_share(audible_share: float, usual_share: float) -> float:
    """The part of the usual share that is missing, 0-1."""
    return max(0.0, 1.0 - audible_share / usual_share)


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


def reason(fit: Fit, *, gain_db: float | None, terms: Mapping[str, float], policy: Mapping[str, float]) -> str:
    """The fit in one sentence: what it brings and what weighs most against it; shares are of the reference.

    `gain_db` is None for a kit, whose members have gains of their own.
    """
    at = "with each member at its gain" if gain_db is None else f"at {signed(gain_db)} dB"
    brings = f"Fills {100 * fit.room_filled:.1f} % of the reference {at}"
    against = min(terms, key=lambda name: terms[name])
    costs = {
        "overlap": f"another {100 * fit.overlap:.1f} % is lost under the instrumental",
        "buried": f"it hides {100 * fit.buried:.1f} % of the instrumental",
        "spill": f"{100 * fit.spill:.1f} % goes above the reference",
        "audibility": f"only {100 * fit.audible_share:.0f} % of it is heard",
        "tempo": "its tempo does not fit as it is",
        "tuning": "its pitch lies beside the notes of the key",
        "mono": "it vanishes in mono" if fit.mono_loss_lu is None else f"it loses {fit.mono_loss_lu:.1f} LU in mono",
    }
    if terms[against] >= -policy["cost_told"] or against not in costs:
        return f"{brings}, and costs nearly nothing."
    return f"{brings}; {costs[against]}."
