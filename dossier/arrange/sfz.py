"""SFZ: sounds mapped to keys, as a text file that lies beside its samples.

Conventions
    The open text format, version 1 (MEM): headers `<group>` and `<region>`, `opcode=value` in each, `//` before a
    remark; keys are MIDI notes, `volume` is in dB from -144 to 6, `offset` and `end` are sample frames, both played.
    A region that states no velocity curve plays at (velocity / 127) squared in amplitude, as hits do in a pattern.
"""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

LOWEST_DB, HIGHEST_DB = -144.0, 6.0


class Region(Struct, frozen=True):
    """One sound on one key."""

    sample: str  # file name, beside the .sfz
    key: int  # MIDI note
    volume_db: float = 0.0
    low_velocity: int = 0
    high_velocity: int = 127
    group: int = 0  # 0: none
    off_by: int = 0  # the group whose next note ends this one
    frames: tuple[int, int] | None = None  # of the file: first, and one past the last; None: all


def write(regions: Iterable[Region], *, remarks: Iterable[str] = ()) -> bytes:
    """The instrument: every region plays to its end once it was hit, however short the note.

    Raises ValueError for a sample that no instrument finds beside it, or a number outside the format's range.
    """
    lines = [*(f"// {' '.join(remark.split())}" for remark in remarks), "<group>", "loop_mode=one_shot"]
    for region in regions:
        _check(region)
        layered = (region.low_velocity, region.high_velocity) != (0, 127)
        opcodes = {
            "sample": region.sample, "key": region.key,
            "lovel": region.low_velocity if layered else None, "hivel": region.high_velocity if layered else None,
            "volume": f"{region.volume_db + 0.0:.2f}", "group": region.group or None, "off_by": region.off_by or None,
            "offset": region.frames[0] if region.frames else None,
            "end": region.frames[1] - 1 if region.frames else None,
        }  # fmt: skip
        lines += ["", "<region>", *(f"{name}={value}" for name, value in opcodes.items() if value is not None)]
    return ("\n".join(lines) + "\n").encode()


def _check(region: Region) -> None:
    if not region.sample or not region.sample.isprintable() or any(sign in region.sample for sign in "/\\=<>"):
        raise ValueError(f"{region.sample!r} cannot be named as a sample")
    if not (0 <= region.key <= 127 and 0 <= region.low_velocity <= region.high_velocity <= 127):
        raise ValueError(f"{region.sample}: keys and velocities are 0 to 127, velocities from low to high")
    if not LOWEST_DB <= region.volume_db <= HIGHEST_DB:
        raise ValueError(f"{region.sample}: a volume is {LOWEST_DB:g} to {HIGHEST_DB:g} dB, not {region.volume_db:g}")
    if region.frames is not None and not 0 <= region.frames[0] < region.frames[1]:
        raise ValueError(f"{region.sample}: frames {region.frames} hold no sound")
