"""What was checked of the chosen drums in the beat: the mix, the low end, how it travels, what room is left."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from msgspec import Struct, field

from dossier.model.datafile import Occupancy
from dossier.model.findings import Approach, Covered, LowEnd, Mix, RoomLeft, Translation
from dossier.model.measures import Samples, StereoImage


class RoughMix(Struct, frozen=True, eq=False):
    """The rough mix's figures, and its sound, which may be made again when it is asked for."""

    mix: Mix
    image: StereoImage
    sound: Callable[[], Samples]


class LowEndCheck(Struct, frozen=True):
    """The finding, and a file to hear each remedy that helps, by name, with what some are lowered by in dB."""

    finding: LowEnd
    renders: Mapping[str, bytes | Callable[[Path], None]] = field(default_factory=dict)
    lowered: Mapping[str, float] = field(default_factory=dict)


class Checks(Struct, frozen=True, eq=False):
    """Everything that was checked once the drums were at their gains."""

    approach: Approach  # with what would change it
    mix: RoughMix
    low_end: LowEndCheck
    translation: Translation | None
    occupancy: Occupancy
    room_left: RoomLeft | None
    covered: tuple[Covered, ...]
    drums_file_gain_db: float  # 0 or less: what the file of all drums is lowered by, and the music beside it
