"""SFZ instruments, read back by a reader of their own."""

from __future__ import annotations

import pytest
from sfz_reading import regions

from dossier.arrange import sfz


def test_what_was_written_is_read_back() -> None:
    """conformance: sections and opcodes of SFZ 1 (MEM)."""
    kit = [
        sfz.Region("beat-kick.wav", 36, -3.25, group=1, off_by=1),
        sfz.Region("soft snare.wav", 38, 0.0, high_velocity=63),
        sfz.Region("soft snare.wav", 38, 6.0, low_velocity=64, frames=(100, 4_900)),
    ]
    text = sfz.write(kit, remarks=["Lantern // Market", "two\nlines"]).decode()
    assert text.startswith("// Lantern // Market\n// two lines\n<group>\n")
    common = {"loop_mode": "one_shot"}
    assert regions(text) == [
        common | {"sample": "beat-kick.wav", "key": "36", "volume": "-3.25", "group": "1", "off_by": "1"},
        common | {"sample": "soft snare.wav", "key": "38", "lovel": "0", "hivel": "63", "volume": "0.00"},
        common | {"sample": "soft snare.wav", "key": "38", "lovel": "64", "hivel": "127", "volume": "6.00",
                  "offset": "100", "end": "4899"},
    ]  # fmt: skip


@pytest.mark.parametrize(
    "region",
    [
        sfz.Region("../kick.wav", 36), sfz.Region("a\nkey=1.wav", 36), sfz.Region("a=b.wav", 36), sfz.Region("", 36),
        sfz.Region("a.wav", 128), sfz.Region("a.wav", 36, 6.1), sfz.Region("a.wav", 36, float("nan")),
        sfz.Region("a.wav", 36, low_velocity=80, high_velocity=79), sfz.Region("a.wav", 36, frames=(4, 4)),
    ],
)  # fmt: skip
def test_what_no_instrument_can_play_is_refused(region: sfz.Region) -> None:
    with pytest.raises(ValueError, match=r"sample|velocities|volume|frames"):
        sfz.write([region])
