"""What a page holds beside the data file: where the beat stands, sound, and the arrays behind the level sliders."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from dossier.model.measures import Array
from dossier.model.standing import Standing


@dataclass(frozen=True, slots=True)
class Preview:
    """One audio layer of the listening excerpt, or a drum on its own; all layers start together.

    Every excerpt layer has the same length.  `gain_db` is what the balance asks for, so that the layers played at
    their `gain_db` are the rough mix (before its overall gain).
    """

    # "instrumental", a BalancePart.id, "untreated:<BalancePart.id>", "candidate:<file>" (as it fits in the beat)
    id: str
    label: str
    mp3: bytes
    # "layer": part of the mix, treated where a plan helped; "untreated": the same part as it was, stands in for layer
    # `of`; "candidate": to audition, in the beat or alone
    group: str
    of: str | None
    gain_db: float
    matched_gain_db: float  # extra gain that makes an untreated layer as loud as the treated one
    start_s: float  # where the excerpt starts in the beat
    duration_s: float


@dataclass(frozen=True, slots=True, eq=False)
class WhatIfPart:
    """One slider: fine-band powers of the drum part at 0 dB gain, full-scale^2 a frame."""

    id: str
    label: str
    gain_db: float  # as the balance set it
    powers: Array  # (frames, fine bands)
    block_energy: Array  # (blocks,) K-weighted mean square of each 100 ms block, at 0 dB gain


@dataclass(frozen=True, slots=True, eq=False)
class WhatIfArrays:
    """Everything the page needs to run the analysis' own formulas again."""

    instrumental_excitation: Array  # (frames, bands), linear, at the level the analysis used
    instrumental_block_energy: Array  # (blocks,)
    reference_sone: Array  # (bands,) sone/Cam
    active: Array  # (frames,) 0 or 1
    zone_weights: Array  # (zones, bands)
    spl_offset_db: float  # dB SPL of a fine band = 10 log10(power) + spl_offset_db, drums at 0 dB gain
    mix_gain_db: float
    parts: tuple[WhatIfPart, ...]


@dataclass(frozen=True, slots=True)
class PageAssets:
    previews: tuple[Preview, ...]
    what_if: WhatIfArrays | None
    standing: Standing


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """What can be heard and dialled in: sound and arrays for the page, and the files beside it, by name."""

    previews: tuple[Preview, ...]
    what_if: WhatIfArrays | None
    files: Mapping[str, bytes | Callable[[Path], None]]
    lowered: Mapping[str, float]  # files whose sound would pass full scale, and by how many dB they are lowered
