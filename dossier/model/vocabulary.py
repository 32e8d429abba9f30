"""The fixed words of the project: roles, zones, rights, intents, kinds.

Zones follow common practice in mixing (no source): sub 20-60, bass 60-250, low mid 250-500, mid 500-2k, high mid 2-4k,
presence 4-6k, brilliance 6-16k Hz.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, get_args

from msgspec import Struct

Role = Literal["kick", "snare", "clap", "rim", "closed-hat", "open-hat", "ride", "crash", "tom", "shaker", "percussion"]
Kind = Literal["loop", "one-shot"]
Rights = Literal["own", "licensed", "cleared", "pending", "unknown"]
Intent = Literal["forward", "level", "tucked"]
Voice = Literal["none", "expected", "in-stems"]  # of a singer: none, to come, there already
Means = Literal["as it is", "repitch", "sliced", "stretch", "re-laid"]  # how a loop meets a tempo, gentle ones first
Feel = Literal["own", "beat"]  # the swing that a sliced loop keeps, or is given
Direction = Literal["fuller", "leaner", "as it is"]
ApproachKind = Literal["loop", "one-shots", "either"]
Grade = Literal["fits well", "workable", "poor"]

ROLES: tuple[Role, ...] = get_args(Role)
MEANS: tuple[Means, ...] = get_args(Means)
RIGHTS: tuple[Rights, ...] = get_args(Rights)
INTENTS: tuple[Intent, ...] = get_args(Intent)


class Zone(Struct, frozen=True):
    """A named stretch of the spectrum."""

    key: str
    label: str
    low_hz: float
    high_hz: float


ZONES: tuple[Zone, ...] = (
    Zone("sub", "sub", 20.0, 60.0),
    Zone("bass", "bass", 60.0, 250.0),
    Zone("low_mid", "low mid", 250.0, 500.0),
    Zone("mid", "mid", 500.0, 2000.0),
    Zone("high_mid", "high mid", 2000.0, 4000.0),
    Zone("presence", "presence", 4000.0, 6000.0),
    Zone("brilliance", "brilliance", 6000.0, 16000.0),
)
ZONE_KEYS: tuple[str, ...] = tuple(zone.key for zone in ZONES)
ZONE_LABELS: Mapping[str, str] = MappingProxyType({zone.key: zone.label for zone in ZONES})
