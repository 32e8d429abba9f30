"""Page assets: the arrays from which the page computes again as its sliders move."""

from __future__ import annotations

import numpy as np

from dossier.model.choice import Balanced
from dossier.model.page import WhatIfArrays, WhatIfPart
from dossier.model.situation import Situation


def what_if(here: Situation, balanced: Balanced, *, mix_gain_db: float) -> WhatIfArrays | None:
    """What the page computes again; None without drums."""
    chosen = balanced.chosen
    if not chosen:
        return None
    scene, music_db = here.scene, chosen[0].item.gains.music_db
    return WhatIfArrays(
        instrumental_excitation=scene.excitation,
        instrumental_block_energy=here.music.blocks * 10.0 ** (music_db / 10.0),
        reference_sone=scene.reference, active=scene.active.astype(np.float64), zone_weights=scene.zone_weights,
        spl_offset_db=scene.spl_offset_db - music_db, mix_gain_db=mix_gain_db,
        parts=tuple(
            WhatIfPart(id=part.id, label=part.row.part, gain_db=part.item.gains.to_set_db, powers=part.item.powers,
                       block_energy=part.item.plays.blocks)
            for part in chosen
        ),
    )  # fmt: skip
