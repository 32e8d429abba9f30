"""How much of a reference loudness music carries, cell by cell, and what room that leaves.

Conventions
    A cell is one band in one frame or slot.  N' is specific loudness in sone/Cam (see `hearing`), `(slots, 38)`; N'ref
    is the reference, `(38,)`.  Occupancy is N' / N'ref, 0 and up: what exceeds the reference reads over 1.  Sums over a
    zone or section run over its active slots: silence before and after the music does not count, a rest inside does.
        fill          sum of N' / sum of N'ref                      0 and up
        spill         sum of max(0, N' - N'ref) / sum of N'ref      0 and up
    A band across a zone's border counts for the part that lies inside, measured in Cam.

The reference: 1 is what finished mixes carry
    The long-term average spectrum of 12,345 popular recordings, or of the user's own, scaled so that its K-weighted
    loudness (ITU-R BS.1770-5, Annex 1) is the mix's target loudness, and played at the listening level.  It averages
    years of finished mixes: a habit of listeners, not a law, and single recordings scatter round it.

    Loudness is compressive, so uneven music is less loud than steady sound of the same mean power.  With E the
    excitation of the mean power and x the excitation of a frame of 100 ms over that,
        N'ref = mean over x of N'(E x),
    with x of finished mixes (frame_spread.csv, by tests/bench/learn_frame_spread.py): 112 renderings of 56 pieces.
    Against the reference of their own mean spectrum, with x of the other collections, these mixes fill 1.01 (median;
    5 to 95 %: 0.90 to 1.06); without x, 0.90.  Against the popular recordings' spectrum they fill 0.94 (0.76 to 1.07)
    and their music without drums, at its place under a mix of usual levels, 0.85 (0.65 to 0.98).  Steady noise fills
    1.11.

References
    Elowsson and Friberg, AES 142nd Convention, paper 9762 (2017): long-term average spectrum of popular music (formula
    read second-hand; its slopes agree with the paper's Table 1).
    Zones: common practice in mixing, no source.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from dossier.errors import MeasureError
from dossier.measure.bands import BAND_EDGES_CAM, FINE_EDGES_CAM, FINE_HZ, cam, hz
from dossier.measure.hearing import excitation, specific_loudness
from dossier.measure.k_weighting import OFFSET_DB, k_weight_db
from dossier.model.measures import Array, Mask
from dossier.model.vocabulary import ZONE_KEYS, ZONES

SILENCE_SHARE = 1e-6  # 60 dB below the loudest slot
LEAST_REFERENCE_SHARE = 0.01  # of the default reference: a floor where the user's recordings have next to nothing
_PARTS = 16  # parts into which a fine band is cut to sum a smooth spectrum


def reference_spectrum_db(f_hz: npt.ArrayLike) -> Array:
    """Power density per Hz of the average recording, dB with an arbitrary zero, at frequencies in Hz above 0.

    With x = 1 + 60 log2(f / 30): -0.000907 x^2 + 0.256 x - 32.942 below x = 100 (94 Hz), else
    -0.000183 x^2 + 0.0213 x - 16.735 (Elowsson and Friberg 2017).
    """
    x = 1.0 + 60.0 * np.log2(np.asarray(f_hz, dtype=float) / 30.0)
    return np.where(x < 100.0, -0.000907 * x**2 + 0.256 * x - 32.942, -0.000183 * x**2 + 0.0213 * x - 16.735)


def reference_powers(*, target_lufs: float) -> Array:
    """Power of the average recording in the fine bands, `(156,)`, full-scale^2, at a K-weighted loudness."""
    width = FINE_EDGES_CAM[1] - FINE_EDGES_CAM[0]
    edges = hz(FINE_EDGES_CAM[:-1, None] + width * np.arange(_PARTS + 1) / _PARTS)
    density = 10.0 ** (reference_spectrum_db((edges[:, :-1] + edges[:, 1:]) / 2.0) / 10.0)
    return _at_loudness((density * np.diff(edges, axis=1)).sum(axis=1), target_lufs)


def reference_loudness(target_lufs: float, listening_level: float) -> Array:
    """N'ref of the average recording, `(38,)` sone/Cam, at a target loudness (LUFS) and listening level (dB SPL).

    The target cancels out: the finished mix plays at the listening level whatever its loudness as a file.
    """
    return carried(reference_powers(target_lufs=target_lufs), spl_offset_db=listening_level - target_lufs)


def reference_of(powers: Array, *, target_lufs: float, listening_level: float) -> Array:
    """N'ref, `(38,)` sone/Cam, of mean powers `(156,)` at the target loudness.

    Recordings without a top, say, would make occupancy infinite: N'ref never falls below 1 % of the default's.
    """
    own = carried(powers, spl_offset_db=listening_level - target_lufs)
    return np.asarray(np.maximum(own, LEAST_REFERENCE_SHARE * reference_loudness(target_lufs, listening_level)))


def carried(powers: Array, *, spl_offset_db: float) -> Array:
    """Mean N', `(38,)` sone/Cam, of a finished mix of mean powers `(156,)`: its frames spread as those of mixes do."""
    return np.asarray(specific_loudness(excitation(powers, spl_offset_db=spl_offset_db) * frame_spread()).mean(axis=0))


@lru_cache(maxsize=1)
def frame_spread() -> Array:
    """x of finished mixes, `(20, 38)`: by band, the mean of each twentieth of the frames, softest first."""
    with (files("dossier.measure") / "frame_spread.csv").open(encoding="utf-8") as rows:
        spread = np.loadtxt(rows, delimiter=",")
    spread.setflags(write=False)
    return np.asarray(spread)


def own_reference_powers(powers: npt.ArrayLike, *, target_lufs: float) -> Array:
    """Mean power of the user's own recordings in the fine bands, `(156,)`, each scaled to the target loudness first.

    `powers` is `(156,)` or `(recordings, 156)`.  Raises `MeasureError` for another shape or a silent recording.
    """
    given = np.atleast_2d(np.asarray(powers, dtype=float))
    if given.ndim != 2 or given.shape[1] != len(FINE_HZ):
        raise MeasureError(f"a reference needs powers in {len(FINE_HZ)} fine bands, found shape {given.shape}")
    return np.asarray(np.mean([_at_loudness(row, target_lufs) for row in given], axis=0))


def occupancy(n: Array, ref: Array) -> Array:
    """N' / N'ref, `(..., 38)`, 0 and up; 0 where the reference itself is silent."""
    return np.divide(n, ref, out=np.zeros(np.broadcast_shapes(np.shape(n), np.shape(ref))), where=ref > 0)


def room(n: Array, ref: Array, kept: npt.ArrayLike = 0.0) -> Array:
    """What is left of each cell, `(..., 38)`, 0 to 1; `kept`: the share of each band that stays free, `(38,)`."""
    return np.asarray(np.maximum(0.0, 1.0 - occupancy(n, ref) - np.asarray(kept)))


def kept_share(share: float, low_hz: float, high_hz: float) -> Array:
    """A share of each band, `(38,)`, in a range of frequency; of bands across its ends, of the part inside."""
    inside = np.minimum(cam(high_hz), BAND_EDGES_CAM[1:]) - np.maximum(cam(low_hz), BAND_EDGES_CAM[:-1])
    return np.asarray(share * np.clip(inside / np.diff(BAND_EDGES_CAM), 0.0, 1.0))


def fill(n: Array, ref: Array, *, active: npt.ArrayLike | None = None) -> float:
    """Fill of N' `(frames, 38)` over its active frames (all by default), 0 and up; 0 without an active frame."""
    return _share(_rows(n, active), ref)


def spill(n: Array, ref: Array, *, active: npt.ArrayLike | None = None, kept: npt.ArrayLike = 0.0) -> float:
    """Loudness above the reference, or above what is left of it where a share is kept free, 0 and up.

    Over the active slots, as a share of the reference.
    """
    return _share(np.maximum(_rows(n, active) - ref * (1.0 - np.asarray(kept)), 0.0), ref)


def zone_fills(n: Array, ref: Array, active: npt.ArrayLike | None = None) -> dict[str, float]:
    """Fill of each zone over the active slots, by `ZONE_KEYS`."""
    rows = _rows(n, active)
    return {key: _share(rows * weights, ref * weights) for key, weights in zip(ZONE_KEYS, zone_weights(), strict=True)}


def zone_weights() -> Array:
    """Share of each band that lies in each zone, `(7, 38)`; a band's shares add to 1, or less at the outer ends."""
    lows = cam([zone.low_hz for zone in ZONES])[:, None]
    highs = cam([zone.high_hz for zone in ZONES])[:, None]
    overlap = np.minimum(highs, BAND_EDGES_CAM[1:]) - np.maximum(lows, BAND_EDGES_CAM[:-1])
    return np.asarray(np.maximum(0.0, overlap))


def active_frames(powers: npt.ArrayLike) -> Mask:
    """Mark every slot from the first to the last that sounds, `(slots,)`; all false for silence.

    `powers` is `(slots, bands)`; a slot sounds when its sum exceeds `SILENCE_SHARE` of the loudest one's.
    """
    total = np.asarray(powers, dtype=float).sum(axis=1)
    active = np.zeros(len(total), dtype=bool)
    sounding = np.flatnonzero(total > SILENCE_SHARE * total.max(initial=0.0))
    if len(sounding):
        active[sounding[0] : sounding[-1] + 1] = True
    return active


def _at_loudness(powers: Array, lufs: float) -> Array:
    """Powers `(156,)` scaled so that their K-weighted loudness is `lufs`."""
    weighted = float((powers * 10.0 ** (k_weight_db(FINE_HZ) / 10.0)).sum())
    if weighted <= 0 or not np.isfinite(weighted):
        raise MeasureError("a reference needs a recording that sounds")
    return np.asarray(powers * (10.0 ** ((lufs - OFFSET_DB) / 10.0) / weighted))


def _rows(n: Array, active: npt.ArrayLike | None) -> Array:
    return n if active is None else n[np.asarray(active, dtype=bool)]


def _share(n: Array, ref: Array) -> float:
    whole = float(ref.sum()) * len(n)
    return float(n.sum()) / whole if whole > 0 else 0.0
