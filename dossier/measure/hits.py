"""The shape of a hit: kind, role, attack, decay, length, spectrum, tonality.

Conventions
    Samples are `(frames, channels)`, any level, any rate from 8 kHz; times in seconds, frequencies in Hz, shares 0-1.
    Definitions are in `dossier.measure.sound_shape`; `dossier.measure.roles` tells kinds and roles apart.  What the
    user states overrules the file's name, and the name overrules the sound.

    transient-to-sustain: energy of the first 30 ms from the onset over the energy after them, in dB (common practice,
    no source for the 30 ms).
"""

from __future__ import annotations

import numpy as np

from dossier.measure.file_names import kind_from_name, role_from_name, tempo_from_name
from dossier.measure.onsets import detect
from dossier.measure.roles import (
    LOOP_LEAST,
    could_loop,
    duration_of,
    features,
    likeliest,
    loopness,
    role_probabilities,
)
from dossier.measure.sound_shape import (
    LONGEST_S,
    SoundShape,
    centroid_of,
    frequency_at,
    last_within,
    measure_shape,
    share_below,
)
from dossier.model.measures import HitMeasures, Samples
from dossier.model.vocabulary import ZONES, Kind, Role

TRANSIENT_S = 0.030
ROLLOFF_SHARE = 0.85
UNMEASURED = (  # what silence lacks
    "attack_s", "decay_20_s", "decay_60_s", "effective_length_s", "centroid_hz", "rolloff_hz",
    "transient_to_sustain_db", "tonality",
)  # fmt: skip


def _decays(body: SoundShape, reasons: dict[str, str]) -> tuple[float | None, float | None]:
    """Seconds from the envelope's maximum to -20 and -60 dB."""
    maximum_s = int(body.smoothed.argmax()) / body.envelope_hz
    found: list[float | None] = []
    for field, level_db in (("decay_20_s", 20.0), ("decay_60_s", 60.0)):
        time_s, reached = last_within(body, level_db)
        found.append(max(0.0, time_s - maximum_s) if reached else None)
        if not reached and body.cut:
            reasons[field] = f"only the first {LONGEST_S:.0f} s were looked at"
        elif not reached:
            reasons[field] = f"the file ends before the envelope is {level_db:.0f} dB under its maximum"
    return found[0], found[1]


def _length(body: SoundShape) -> float:
    """Effective length in seconds, less the half window by which smoothing spreads a sudden start."""
    end_s, reached = last_within(body, 40.0)
    length = end_s - body.start / body.envelope_hz - (0.5 * body.smooth_s if reached else 0.0)
    return max(min(length, body.file_s - body.onset_s), 1.0 / body.envelope_hz)


def stated_kind(kind: Kind | None, name: str, file_s: float) -> Kind | None:
    """The kind that the user, or the name of a file of this length, states."""
    named, tempo_bpm = kind_from_name(name), tempo_from_name(name)
    if named == "loop" and tempo_bpm is not None and file_s < 0.9 * 60.0 / tempo_bpm:
        named = None  # shorter than one beat of the tempo in its name
    return kind or named


def _kind(
    body: SoundShape, samples: Samples, rate_hz: int, length_s: float, kind: Kind | None, name: str
) -> tuple[Kind, float]:
    stated = stated_kind(kind, name, body.file_s)
    if stated is not None:
        return stated, 1.0
    if body.cut:  # whatever sounds for over half a minute is no hit
        return "loop", 1.0
    lasts = duration_of(body, length_s)
    if not could_loop(lasts):
        return "one-shot", 1.0 - 0.4 * min(1.0, length_s)
    score = loopness(body, lasts, detect(samples, rate_hz))
    return ("loop", 0.5 + 0.5 * score) if score > LOOP_LEAST else ("one-shot", 1.0 - score)


def _silent(kind: Kind | None, role: Role | None, name: str, why: str) -> HitMeasures:
    stated_kind, stated_role = kind or kind_from_name(name), role or role_from_name(name)
    missing = dict.fromkeys(UNMEASURED)
    reasons = dict.fromkeys((*UNMEASURED, "zone_shares") if stated_role else (*UNMEASURED, "zone_shares", "role"), why)
    return HitMeasures(
        kind=stated_kind or "one-shot", kind_confidence=1.0 if stated_kind else 0.0,
        role=stated_role, role_confidence=1.0 if stated_role else 0.0,
        onset_s=0.0, zone_shares={zone.key: 0.0 for zone in ZONES}, likeness={}, reasons=reasons, **missing,
    )  # fmt: skip


def measure(
    samples: Samples, rate_hz: int, *, kind: Kind | None = None, role: Role | None = None, name: str = ""
) -> HitMeasures:
    """Measure the shape of a one-shot, or of the whole of a loop, `(frames, channels)` or `(frames,)`.

    `kind` and `role` are what the user states.  `name`, with or without folders, may state them too; empty lets the
    sound decide.  What is stated has confidence 1.

    A loop has a role only where one is stated.  Silence, an empty array and DC have no shape; `reasons` says so.
    Raises `MeasureError` for a wrong shape or a value that is not finite.
    """
    body = measure_shape(samples, rate_hz)
    if body is None:
        return _silent(kind, role, name, "nothing sounds between 20 Hz and 20 kHz")
    reasons: dict[str, str] = {}
    rate = body.envelope_hz
    decay_20_s, decay_60_s = _decays(body, reasons)
    length_s = _length(body)
    below = share_below(body, np.array([ZONES[0].low_hz, *(zone.high_hz for zone in ZONES)]))
    zones = {zone.key: max(0.0, float(part)) for zone, part in zip(ZONES, np.diff(below), strict=True)}
    inside = sum(zones.values())
    if inside <= 0.0:
        reasons["zone_shares"] = "nothing sounds between 20 Hz and 16 kHz"
    else:
        zones = {key: share / inside for key, share in zones.items()}
    passed = np.cumsum(body.envelope[body.start :])
    first = float(passed[min(len(passed) - 1, int(TRANSIENT_S * rate))])
    after = float(passed[-1]) - first
    ratio_db: float | None = None
    if len(passed) <= int(TRANSIENT_S * rate) or after <= 1e-9 * first:
        reasons["transient_to_sustain_db"] = "nothing sounds later than 30 ms after the onset"
    else:
        ratio_db = 10.0 * float(np.log10(first / after))

    found_kind, kind_confidence = _kind(body, samples, rate_hz, length_s, kind, name)
    found_role: Role | None = role or role_from_name(name)
    role_confidence = 1.0 if found_role else 0.0
    likeness = role_probabilities(features(body)) if found_kind == "one-shot" else {}
    if found_role is None and found_kind == "loop":
        reasons["role"] = "a loop holds the hits of several roles"
    elif found_role is None:
        found_role, role_confidence = likeliest(likeness)
    return HitMeasures(
        kind=found_kind, kind_confidence=float(kind_confidence), role=found_role, onset_s=body.onset_s,
        role_confidence=float(role_confidence), attack_s=body.attack_s, decay_20_s=decay_20_s, decay_60_s=decay_60_s,
        effective_length_s=length_s, centroid_hz=centroid_of(body), rolloff_hz=frequency_at(body, ROLLOFF_SHARE),
        zone_shares=zones, transient_to_sustain_db=ratio_db, tonality=body.tonality, likeness=likeness, reasons=reasons,
    )  # fmt: skip
