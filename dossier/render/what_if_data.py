"""The arrays behind the level sliders, packed for the page's script.

Conventions: levels travel as steps, 0 is nothing, n is floor + n steps.  Half a step of a drum's power is under 2 % of
one cell's loudness and as often too much as too little, so sums over many cells agree far closer.  The masker is kept
finer: a drum near its masked threshold answers several times as strongly to a change of the masker.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dossier.model.page import PageAssets
from dossier.names import printable
from dossier.render.pack import packed

OWN_HIT_SHARE = 0.25  # as the analysis has it: a frame belongs to a drum's hits from this share of its loudest frame
POWER_FLOOR_DB = -120.0  # full-scale^2 in a fine band
POWER_STEP_DB = 0.5
EXCITATION_FLOOR_DB = -40.0  # the threshold of hearing lies between 3 and 28 dB
EXCITATION_STEP_DB = 0.1


def excitation_as_words(excitation: Any) -> npt.NDArray[np.uint16]:
    """Excitation in steps of 0.1 dB from -40 dB, in two bytes."""
    return _coded(excitation, EXCITATION_FLOOR_DB, EXCITATION_STEP_DB, 65535).astype(np.uint16)


def powers_as_bytes(powers: Any) -> npt.NDArray[np.uint8]:
    """Fine-band powers in steps of 0.5 dB from -120 to 7.5 dB."""
    return _coded(powers, POWER_FLOOR_DB, POWER_STEP_DB, 255).astype(np.uint8)


def _coded(values: Any, floor_db: float, step_db: float, most: int) -> npt.NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        decibels = 10 * np.log10(np.maximum(np.asarray(values, dtype=np.float64), 0.0))
    codes = np.rint((decibels - floor_db) / step_db)
    return np.where(np.isfinite(codes), np.clip(codes, 0, most), 0)


def what_if_data(assets: PageAssets, measured_lufs: float | None) -> dict[str, Any] | None:
    """The arrays behind the level sliders, and the loudness that the rendered mix was measured to have."""
    arrays = assets.what_if
    if arrays is None or not arrays.parts:
        return None
    return {
        "instrumentalExcitation": packed(excitation_as_words(arrays.instrumental_excitation)),
        "instrumentalBlocks": packed(np.asarray(arrays.instrumental_block_energy, dtype=np.float32)),
        "reference": [float(v) for v in arrays.reference_sone],
        "active": [round(float(v)) for v in arrays.active],
        "zoneWeights": [[float(v) for v in row] for row in arrays.zone_weights],
        "splOffset": float(arrays.spl_offset_db), "mixGain": float(arrays.mix_gain_db),
        "excitationFloor": EXCITATION_FLOOR_DB,
        "excitationStep": EXCITATION_STEP_DB,
        "measured": measured_lufs,
        "ownHitShare": OWN_HIT_SHARE,
        "powerFloor": POWER_FLOOR_DB, "powerStep": POWER_STEP_DB,
        "parts": [
            {"id": part.id, "label": printable(part.label), "gain": float(part.gain_db),
             "powers": packed(powers_as_bytes(part.powers)),
             "blocks": packed(np.asarray(part.block_energy, dtype=np.float32))}
            for part in arrays.parts
        ],
    }  # fmt: skip
