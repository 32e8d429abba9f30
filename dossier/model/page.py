"""What a page holds beside the data file: where the beat stands, sound, and the arrays behind the level sliders."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from msgspec import Struct

from dossier.model.ears import Agreement, Comparison, RunTold
from dossier.model.measures import Array
from dossier.model.standing import Standing


class Preview(Struct, frozen=True):
    """One sound of the listening excerpt; all start together and have one length.

    Played at their `gain_db`, the music and the chosen parts are the rough mix before its overall gain.
    """

    # "instrumental", a BalancePart.id, "untreated:<BalancePart.id>", "candidate:<file>", "mix",
    # "means:<means>:<file>" (a loop brought to the tempo by another means than the one that plays)
    id: str
    label: str
    mp3: bytes
    rate_hz: int  # of the file
    # "layer": the music and the chosen parts, as they are treated; "untreated": part `of` as it was; "other": a part of
    # the other choice (loop against kit); "candidate": one that could be used instead; "mix": all layers in one file
    group: str
    of: str | None
    gain_db: float
    start_s: float  # where the excerpt starts in the beat
    duration_s: float


class WhatIfPart(Struct, frozen=True, eq=False):
    """One slider: fine-band powers of the drum part at 0 dB gain, full-scale^2 a frame."""

    id: str
    label: str
    gain_db: float  # as the balance set it
    powers: Array  # (frames, fine bands)
    block_energy: Array  # (blocks,) K-weighted mean square of each 100 ms block, at 0 dB gain


class WhatIfArrays(Struct, frozen=True, eq=False):
    """Everything the page needs to run the analysis' own formulas again."""

    instrumental_excitation: Array  # (frames, bands), linear, at the level the analysis used
    instrumental_block_energy: Array  # (blocks,)
    reference_sone: Array  # (bands,) sone/Cam
    active: Array  # (frames,) 0 or 1
    zone_weights: Array  # (zones, bands)
    spl_offset_db: float  # dB SPL of a fine band = 10 log10(power) + spl_offset_db, drums at 0 dB gain
    mix_gain_db: float
    parts: tuple[WhatIfPart, ...]


class PageAssets(Struct, frozen=True):
    previews: tuple[Preview, ...]
    what_if: WhatIfArrays | None
    standing: Standing
    energies: Array | None = None  # see `Rendered`
    heard: tuple[RunTold, ...] = ()  # blind comparisons of this beat, oldest first
    agreement: Agreement | None = None  # of this archive's listeners with the advice


class Rendered(Struct, frozen=True, eq=False):
    """What can be heard and dialled in: sound and arrays for the page, and the files beside it, by name."""

    previews: tuple[Preview, ...]
    what_if: WhatIfArrays | None
    energies: Array  # (previews, previews, blocks), `measure.loudness.shared_energy`; of a candidate only its own
    files: Mapping[str, bytes | Callable[[Path], None]]
    lowered: Mapping[str, float]  # files whose sound would pass full scale, and by how many dB they are lowered
    comparisons: tuple[Comparison, ...] = ()
