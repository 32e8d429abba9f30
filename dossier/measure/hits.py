"""The shape of a hit: kind, role, attack, decay, length, spectrum, tonality.

Conventions
    Samples are `(frames, channels)`, any level, any rate from 8 kHz; times in seconds, frequencies in Hz, shares 0-1.
    The definitions stand in `dossier.measure.body`; kind and role are told apart in `dossier.measure.roles`.  What the
    user states overrules the file's name, that overrules the sound.

    transient-to-sustain: energy of the first 30 ms from the onset over the energy after them, in dB (common practice,
    no source for the 30 ms).
"""

from __future__ import annotations

import numpy as np

from dossier.measure.body import (
    LONGEST_S,
    SMOOTH_S,
    Body,
    centroid_of,
    frequency_at,
    measure_body,
    share_below,
    smooth,
)
from dossier.measure.names import kind_from_name, role_from_name, tempo_from_name
from dossier.measure.onsets import detect
from dossier.measure.roles import could_loop, features, loopness, role_of, spread_of
from dossier.model.measures import Array, HitMeasures, Samples
from dossier.model.vocabulary import ZONES, Kind, Role

TRANSIENT_S = 0.030
ROLLOFF_SHARE = 0.85
_ATTACK_WINDOWS_S = (0.008, 0.004, 0.002, 0.001, 0.0005, 0.00025, 0.0)


def _crossing(power: Array, threshold: float, index: int, rate_hz: float) -> float:
    """Time at which `power` passes the threshold between `index` and its right neighbour, in seconds."""
    if index + 1 >= len(power) or power[index + 1] == power[index]:
        return index / rate_hz
    part = (threshold - power[index]) / (power[index + 1] - power[index])
    return (index + float(np.clip(part, 0.0, 1.0))) / rate_hz


def _attack(body: Body) -> float:
    """10-90 % of the envelope.  The smoothing is as long as it can be without showing: a sixth of the attack."""
    rate = body.envelope_hz
    attack = 0.0
    used = body.envelope
    for window_s in _ATTACK_WINDOWS_S:
        power = smooth(used, max(1, int(window_s * rate)))
        if window_s == _ATTACK_WINDOWS_S[0]:  # what lies well past the maximum does not matter any more
            used = used[: int(power.argmax()) + 2 * int(window_s * rate) + 1]
        top = float(power.max())
        over = int(np.argmax(power >= 0.81 * top))
        under = np.flatnonzero(power[: over + 1] < 0.01 * top)
        late = _crossing(power, 0.81 * top, max(0, over - 1), rate)
        early = _crossing(power, 0.01 * top, int(under[-1]), rate) if len(under) else 0.0
        attack = max(0.0, late - early)
        if attack >= 6.0 * window_s:
            break
    return attack


def _last_within(power: Array, level_db: float, rate_hz: float, start: int) -> tuple[float, bool]:
    """Seconds from index `start` to the last moment within `level_db` of the maximum; False if the file ends first."""
    threshold = float(power.max()) * 10.0 ** (-level_db / 10.0)
    last = len(power) - 1 - int(np.argmax(power[::-1] >= threshold))
    reached = last + 1 < len(power)
    return max(0.0, _crossing(power, threshold, last, rate_hz) - start / rate_hz), reached


def _decays(body: Body, power: Array, reasons: dict[str, str]) -> tuple[float | None, float | None]:
    peak = int(power.argmax())
    found: list[float | None] = []
    # The smoothing that looks past the end of the file sees silence there: the last half window is left out.
    used = power[: max(peak + 1, len(power) - int(0.5 * SMOOTH_S * body.envelope_hz))]
    for field, level in (("decay_20_s", 20.0), ("decay_60_s", 60.0)):
        time, reached = _last_within(used, level, body.envelope_hz, peak)
        if reached:
            found.append(time)
            continue
        found.append(None)
        if body.cut:
            reasons[field] = f"only the first {LONGEST_S:.0f} s were looked at"
        else:
            above = 10.0 * np.log10(max(float(used[-1]) / float(power.max()), 1e-12))
            reasons[field] = f"the file ends {-above:.0f} dB below the envelope's maximum"
    return found[0], found[1]


def _kind(
    body: Body, samples: Samples, rate_hz: int, length_s: float, kind: Kind | None, name: str
) -> tuple[Kind, float]:
    named = kind_from_name(name)
    if named == "loop" and tempo_from_name(name) is not None and kind is None:
        # A tempo in the name of something shorter than a beat of it is no loop.
        named = None if body.file_s < 0.9 * 60.0 / (tempo_from_name(name) or 60.0) else named
    if kind is not None or named is not None:
        return kind or named or "one-shot", 1.0
    spread = spread_of(body, length_s)
    if not could_loop(spread):
        return "one-shot", 1.0 - 0.4 * min(1.0, length_s)
    score = loopness(body, spread, detect(samples, rate_hz))
    return ("loop", 0.5 + 0.5 * score) if score > 0.35 else ("one-shot", 1.0 - score)


def _silent(kind: Kind | None, role: Role | None, name: str, why: str) -> HitMeasures:
    fields = (
        "attack_s", "decay_20_s", "decay_60_s", "effective_length_s", "centroid_hz", "rolloff_hz", "zone_shares",
        "transient_to_sustain_db", "tonality",
    )  # fmt: skip
    stated_kind, stated_role = kind or kind_from_name(name), role or role_from_name(name)
    reasons = dict.fromkeys(fields, why)
    if stated_role is None:
        reasons["role"] = why
    return HitMeasures(
        kind=stated_kind or "one-shot",
        kind_confidence=1.0 if stated_kind else 0.0,
        role=stated_role,
        role_confidence=1.0 if stated_role else 0.0,
        onset_s=0.0,
        attack_s=None,
        decay_20_s=None,
        decay_60_s=None,
        effective_length_s=None,
        centroid_hz=None,
        rolloff_hz=None,
        zone_shares={zone.key: 0.0 for zone in ZONES},
        transient_to_sustain_db=None,
        tonality=None,
        reasons=reasons,
    )


def measure(
    samples: Samples, rate_hz: int, *, kind: Kind | None = None, role: Role | None = None, name: str = ""
) -> HitMeasures:
    """Measure the shape of a one-shot, or of the whole of a loop.

    Parameters
    ----------
    samples : (frames, channels) or (frames,)
    rate_hz : sample rate
    kind, role : what the user states; with confidence 1
    name : file name, possibly with folders, which may state kind and role; with confidence 1.  Empty: the sound decides

    Returns
    -------
    HitMeasures : a loop has a role only where one is stated.  Silence, an empty array and DC have no shape, and say so.

    Raises
    ------
    MeasureError
        If the array is not one of samples, or holds a value that is not finite.
    """
    body = measure_body(samples, rate_hz)
    if body is None:
        return _silent(kind, role, name, "nothing sounds between 20 Hz and 20 kHz")
    reasons: dict[str, str] = {}
    rate = body.envelope_hz
    attack_s = _attack(body)
    power = smooth(body.envelope, int(SMOOTH_S * rate))
    decay_20_s, decay_60_s = _decays(body, power, reasons)
    length_s, _ = _last_within(power, 40.0, rate, body.start)
    length_s = max(min(length_s, body.file_s - body.onset_s), 1.0 / rate_hz)
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
    if found_role is None and found_kind == "loop":
        reasons["role"] = "a loop holds the hits of several roles"
    elif found_role is None:
        within_20_s, _ = _last_within(power, 20.0, rate, body.start)
        found_role, role_confidence = role_of(features(body, attack_s, within_20_s))
    return HitMeasures(
        kind=found_kind,
        kind_confidence=float(kind_confidence),
        role=found_role,
        role_confidence=float(role_confidence),
        onset_s=body.onset_s,
        attack_s=attack_s,
        decay_20_s=decay_20_s,
        decay_60_s=decay_60_s,
        effective_length_s=length_s,
        centroid_hz=centroid_of(body),
        rolloff_hz=frequency_at(body, ROLLOFF_SHARE),
        zone_shares=zones,
        transient_to_sustain_db=ratio_db,
        tonality=body.tonality,
        reasons=reasons,
    )
