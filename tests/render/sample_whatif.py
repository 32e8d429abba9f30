"""Band powers and block energies for the sample's level sliders, made with the analysis' own functions."""

from __future__ import annotations

import functools

import numpy as np
import sample_maps

from dossier.measure import hearing, occupancy
from dossier.model.measures import Array
from dossier.model.page import WhatIfArrays, WhatIfPart

TARGET_LUFS, LISTENING_DB = -16.0, 75.0
SPL_OFFSET_DB = LISTENING_DB - TARGET_LUFS
BLOCKS_PER_SLOT = sample_maps.SLOT_S / 0.1


def _bump(centre_cam: float, width_cam: float, level_db: float) -> Array:
    return 10 ** (level_db / 10) * np.exp(-0.5 * ((hearing.FINE_CAM - centre_cam) / width_cam) ** 2)


def _hits(slots: int, steps: tuple[int, ...], decay_db: float, shape: Array) -> Array:
    """Hits on some sixteenths of every bar, each falling by `decay_db` a slot for four slots."""
    rng = np.random.default_rng(len(steps))
    out = np.zeros((slots, len(shape)))
    for bar in range(slots // 16):
        for step in steps:
            level = 10 ** (rng.uniform(-2, 0) / 10)
            for later in range(4):
                at = bar * 16 + step + later
                if at < slots:
                    out[at] += level * 10 ** (-decay_db * later / 10) * shape
    return out


def _blocks(powers: Array, seconds: float) -> Array:
    """100 ms energies that follow the slots."""
    count = int(seconds / 0.1)
    at = np.minimum((np.arange(count) / BLOCKS_PER_SLOT).astype(int), len(powers) - 1)
    return np.asarray(powers.sum(axis=1)[at])


@functools.cache
def what_if(bars: int = 24) -> WhatIfArrays:
    slots = bars * 16
    rng = np.random.default_rng(5)
    music = np.zeros((slots, len(hearing.FINE_CAM)))
    for at in range(slots):
        root = (4.0, 5.5, 3.5, 5.0)[at // 16 % 4]
        bass, keys = _bump(root, 0.5, -47 + (at % 8 < 6) * 8), _bump(24.0, 3.0, -64 + 4 * (at % 4 == 0))
        music[at] = bass + _bump(15.0, 3.5, -58) + keys
    music *= 10 ** (rng.uniform(-1.5, 1.5, music.shape) / 10)
    music[:4] = 0.0
    drums = {
        "kick": (-3.0, _hits(slots, (0, 6, 8), 7.0, _bump(3.5, 0.8, -24) + _bump(14.0, 4.0, -52))),
        "snare": (-4.5, _hits(slots, (4, 12), 9.0, _bump(10.0, 1.5, -36) + _bump(26.0, 6.0, -44))),
        "closed-hat": (-9.5, _hits(slots, (0, 2, 4, 6, 8, 10, 12, 14), 12.0, _bump(34.0, 2.5, -40))),
    }
    active = np.zeros(slots)
    active[4:] = 1.0
    seconds = slots * sample_maps.SLOT_S
    return WhatIfArrays(
        instrumental_excitation=hearing.excitation(music, spl_offset_db=SPL_OFFSET_DB - 3.0),
        instrumental_block_energy=_blocks(music, seconds),
        reference_sone=occupancy.reference_loudness(TARGET_LUFS, LISTENING_DB),
        active=active, zone_weights=occupancy.zone_weights(), spl_offset_db=SPL_OFFSET_DB - 3.0, mix_gain_db=2.3,
        parts=tuple(
            WhatIfPart(id=name, label=name.replace("-", " "), gain_db=gain, powers=powers,
                       block_energy=_blocks(powers, seconds))
            for name, (gain, powers) in drums.items()
        ),
    )  # fmt: skip
