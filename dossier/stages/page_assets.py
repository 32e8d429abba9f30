"""Page assets: the arrays from which the page computes again as its sliders move."""

from __future__ import annotations

import numpy as np

from dossier.arrange import loops
from dossier.arrange.parts import LaidParts
from dossier.measure import loudness
from dossier.memo import Memo
from dossier.model.choice import Balanced
from dossier.model.measures import Array
from dossier.model.page import WhatIfArrays, WhatIfPart
from dossier.model.parts import DrumPart
from dossier.model.situation import Music, Situation
from dossier.parallel import thread_map

SHORT_CYCLE_S = 20.0  # a longer one is not worth the memory of its passes


def what_if(here: Situation, balanced: Balanced, *, mix_gain_db: float, memo: Memo) -> WhatIfArrays | None:
    """What the page computes again; None without drums."""
    chosen = balanced.chosen
    if not chosen:
        return None
    scene = here.scene
    blocks = thread_map(lambda part: _block_energy(here.music, part.item.part, memo), chosen)
    return WhatIfArrays(
        instrumental_excitation=scene.excitation, instrumental_block_energy=here.music.blocks,
        reference_sone=scene.reference, active=scene.active.astype(np.float64), zone_weights=scene.zone_weights,
        spl_offset_db=scene.spl_offset_db, mix_gain_db=mix_gain_db,
        parts=tuple(
            WhatIfPart(id=part.id, label=part.row.part, gain_db=part.item.gains.db, powers=part.item.powers,
                       block_energy=energy)
            for part, energy in zip(chosen, blocks, strict=True)
        ),
    )  # fmt: skip


def _block_energy(music: Music, part: DrumPart, memo: Memo) -> Array:
    """K-weighted energy of a part in the beat's length at 0 dB gain, by blocks of 100 ms."""
    rate, frames = music.rate_hz, len(music.samples)

    def measured() -> Array:
        if part.voice is not None or len(part.samples) > SHORT_CYCLE_S * rate:
            sound = LaidParts.at_gains([(part, 0.0)], frames=frames, rate_hz=rate)
            return loudness.block_energy(sound, rate)
        first, last = loops.span(music.grid, rate)
        last = min(frames, last)
        return loudness.repeated_block_energy(part.samples, rate, first=first, last=last, frames=frames)

    return memo("mix", np.ndarray, measured, part.role, part.samples)
