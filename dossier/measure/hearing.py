"""Excitation, loudness and partial loudness in auditory bands.

Conventions
    Power is full-scale^2 in fine bands (see `bands`, `spectra`); `spl_offset_db` turns it into sound pressure level:
    dB SPL = 10 log10(power) + spl_offset_db.  Excitation is a linear ratio to the excitation of a 1 kHz tone at
    0 dB SPL.  Specific loudness is in sone/Cam for listening with both ears; bands are 1 Cam wide, so its sum over
    bands is loudness in sone.

The steps, exactly (a page repeats them from `page_constants`)
    With b a fine band, c a band, P[b] the power:
    1.  Ear.  E[b] = P[b] * 10^((spl_offset_db + ear_db[b]) / 10).
    2.  Level in one ERB.  S[b] = 0.5 E[b-2] + E[b-1] + E[b] + E[b+1] + 0.5 E[b+2], with 0 for bands past the ends.
        X[b] = 10 log10(S[b]), rounded to a whole dB as floor(X + 0.5), then clipped to 0 ... 120.
    3.  Spreading.  g = (fine_hz[b] - band_hz[c]) / band_hz[c].  q = p[c] where g >= 0, else
        q = p[c] - p_slope[c] (X[b] - 51).  W = (1 + q|g|) exp(-q|g|).  Excitation[c] = sum over b of W E[b].
        W depends on X, b and c only: 121 tables of (fine, bands), computed once.
    4.  Specific loudness, with E for Excitation[c] and Q, G, A, alpha, C for threshold[c], gain[c], a[c], alpha[c], c:
        N' = C ((G E + A)^alpha - A^alpha), times (2E / (E + Q))^1.5 where E < Q.
    5.  Partial loudness of a signal of excitation E in a masker of excitation M, with T = k[c] M + Q:
        E >= T:  N' = C ((G(E+M) + A)^alpha - A^alpha) - C ((G(M+T) + A)^alpha - (G Q + A)^alpha) (T/E)^0.3
        E < T:   N' = C (2E / (E+T))^1.5 ((G Q + A)^alpha - A^alpha)
                      / ((G(M+T) + A)^alpha - (G M + A)^alpha) * ((G(E+M) + A)^alpha - (G M + A)^alpha)
        clipped to between 0 and the specific loudness of the signal alone, which only catches rounding errors.

Choices
    The level that widens the skirt (step 2) is that within one ERB of the component, after the ear, as Glasberg and
    Moore define it.  Taken before the ear, 3 kHz at 60 dB SPL reads 6.4 instead of 7.0 sone (published: 7.1).  Taken
    from the fine band alone, tones read the same, but a broadband sound would depend on how finely its spectrum is cut
    (noise 1 % quieter with bands of 0.25 Cam, 2 % with 0.05), and three close tones read 6.1 instead of 6.3 sone
    (published: 6.35).
    The ear (step 1) is excitation at threshold less the free-field threshold of hearing, so that a tone at that
    threshold just excites its own; the value is held above 12.5 kHz, where the standard's table ends.
    C makes 1 kHz at 40 dB SPL 1 sone.  Above an excitation of 100 dB the standard bends the curve; music at moderate
    levels stays below, so the bend is left out.

References
    Glasberg and Moore, Hearing Research 47 (1990), 103-138: roex filters and their level dependence.
    Moore, Glasberg and Baer, J. Audio Eng. Soc. 45 (1997), 224-240: loudness and partial loudness; ANSI S3.4-2007.
    ISO 226:2023, Table 1: threshold of hearing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from dossier.errors import MeasureError
from dossier.measure.bands import (
    BAND_CAM,
    BAND_EDGES_CAM,
    BAND_EDGES_HZ,
    BAND_HZ,
    FINE_CAM,
    FINE_EDGES_HZ,
    FINE_HZ,
    erb_hz,
)
from dossier.measure.spectra import band_energies, slot_powers
from dossier.model.measures import Array

__all__ = [
    "BAND_CAM", "BAND_EDGES_CAM", "BAND_EDGES_HZ", "BAND_HZ", "FINE_CAM", "FINE_HZ", "band_energies", "excitation",
    "page_constants", "partial_loudness", "slot_powers", "specific_loudness",
]  # fmt: skip

ERB_WEIGHTS = (0.5, 1.0, 1.0, 1.0, 0.5)  # fine bands in one ERB round the middle one
LEVEL_FIRST_DB, LEVEL_LAST_DB = 0, 120
LEVEL_PIVOT_DB = 51.0  # Glasberg and Moore 1990
LEVEL_SLOPE = 0.35
_ROWS_AT_ONCE = 512


@dataclass(frozen=True, slots=True, eq=False)
class Ear:
    """Constants of each fine band `(156,)` and band `(38,)`; see the steps above."""

    ear_db: Array
    p: Array
    p_slope: Array
    threshold: Array
    gain: Array
    a: Array
    alpha: Array
    k: Array
    spreading: Array  # (fine, levels, bands)


@lru_cache(maxsize=1)
def ear() -> Ear:
    """The tables of the standards at this module's bands."""
    parameters, thresholds = _table("loudness_parameters.csv"), _table("hearing_threshold.csv")
    ear_db = _column(parameters, FINE_HZ, "excitation_threshold_db") - _column(thresholds, FINE_HZ, "T_f_db")
    p = 4.0 * BAND_HZ / erb_hz(BAND_HZ)
    p_slope = LEVEL_SLOPE * p / (4.0 * 1000.0 / erb_hz(1000.0))
    g = (FINE_HZ[:, None, None] - BAND_HZ) / BAND_HZ
    levels = np.arange(LEVEL_FIRST_DB, LEVEL_LAST_DB + 1)[None, :, None]
    steepness = np.abs(g) * np.where(g < 0, p - p_slope * (levels - LEVEL_PIVOT_DB), p)
    return Ear(
        ear_db=ear_db, p=p, p_slope=p_slope,
        threshold=10.0 ** (_column(parameters, BAND_HZ, "excitation_threshold_db") / 10.0),
        gain=10.0 ** (_column(parameters, BAND_HZ, "gain_db") / 10.0),
        a=_column(parameters, BAND_HZ, "A"), alpha=_column(parameters, BAND_HZ, "alpha"),
        k=10.0 ** (_column(parameters, BAND_HZ, "K_db") / 10.0),
        spreading=(1.0 + steepness) * np.exp(-steepness),
    )  # fmt: skip


def excitation(powers: npt.ArrayLike, *, spl_offset_db: float) -> Array:
    """Linear excitation in the bands, `(..., 38)`, from power in the fine bands, `(..., 156)` (steps 1 to 3).

    Zero for silence, never falling as power grows.  A tone at the centre of a band excites it with its own level after
    the ear.  Raises `MeasureError` for another last dimension.
    """
    from scipy.sparse import csr_array

    given = np.asarray(powers, dtype=float)
    if given.shape[-1:] != FINE_HZ.shape:
        raise MeasureError(f"excitation needs powers in {len(FINE_HZ)} fine bands, found shape {given.shape}")
    tables = ear()
    to_ear = 10.0 ** ((spl_offset_db + tables.ear_db) / 10.0)
    rows = given.reshape(-1, len(FINE_HZ))
    out = np.zeros((len(rows), len(BAND_HZ)))
    table = tables.spreading.reshape(-1, len(BAND_HZ))
    first = np.arange(len(FINE_HZ)) * tables.spreading.shape[1]  # row of each fine band's lowest level in the table
    for at in range(0, len(rows), _ROWS_AT_ONCE):
        inner = rows[at : at + _ROWS_AT_ONCE] * to_ear
        # Each fine band spreads its power over the bands by the table row of its level: a sparse product.
        ends = np.arange(0, inner.size + 1, len(FINE_HZ))
        spread = csr_array((inner.ravel(), (first + _levels(inner)).ravel(), ends), shape=(len(inner), len(table)))
        out[at : at + _ROWS_AT_ONCE] = spread @ table
    return out.reshape(*given.shape[:-1], len(BAND_HZ))


def specific_loudness(exc: npt.ArrayLike) -> Array:
    """Specific loudness in sone/Cam of an excitation `(..., 38)` (step 4); 0 for silence."""
    return np.asarray(scale() * _specific(np.asarray(exc, dtype=float), ear()))


def partial_loudness(signal_exc: npt.ArrayLike, masker_exc: npt.ArrayLike) -> Array:
    """Specific loudness in sone/Cam that a signal keeps in a masker (step 5); both excitations are `(..., 38)`.

    Equals `specific_loudness` without a masker and falls as the masker grows; 0 for a silent signal.
    """
    signal, masker = np.broadcast_arrays(np.asarray(signal_exc, dtype=float), np.asarray(masker_exc, dtype=float))
    e = ear()
    q, gain, a, alpha = e.threshold, e.gain, e.a, e.alpha
    masked = e.k * masker + q
    both = (gain * (signal + masker) + a) ** alpha
    at_masked = (gain * (masker + masked) + a) ** alpha
    masker_alone = (gain * masker + a) ** alpha
    at_threshold = (gain * q + a) ** alpha
    silence = a**alpha
    with np.errstate(divide="ignore", over="ignore"):
        ratio = np.where(signal > 0, masked / signal, np.inf)
        above = both - silence - (at_masked - at_threshold) * np.minimum(ratio, 1.0) ** 0.3
    below = (
        (2.0 * signal / (signal + masked)) ** 1.5
        * (at_threshold - silence)
        / (at_masked - masker_alone)
        * (both - masker_alone)
    )
    partial = np.where(signal >= masked, above, below)
    return np.asarray(scale() * np.clip(partial, 0.0, _specific(signal, e)))


@lru_cache(maxsize=1)
def scale() -> float:
    """C: the factor that makes a 1 kHz tone at 40 dB SPL 1 sone."""
    powers = np.zeros(len(FINE_HZ))
    powers[int(np.searchsorted(FINE_EDGES_HZ, 1000.0)) - 1] = 1e4
    return float(1.0 / _specific(excitation(powers, spl_offset_db=0.0), ear()).sum())


def page_constants() -> dict[str, list[float] | float]:
    """Every constant of the module's steps, by the names used there, for the page's own copy of the formulas.

    Lists have 156 (`fine_hz`, `ear_db`) or 38 values (`band_hz`, `p`, `p_slope`, `threshold`, `gain`, `a`, `alpha`,
    `k`), `erb_weights` has 5; the rest are single numbers (`c`, `level_first_db`, `level_last_db`, `level_pivot_db`).
    """
    e = ear()
    lists = {
        "fine_hz": FINE_HZ, "ear_db": e.ear_db, "band_hz": BAND_HZ, "p": e.p, "p_slope": e.p_slope,
        "threshold": e.threshold, "gain": e.gain, "a": e.a, "alpha": e.alpha, "k": e.k,
        "erb_weights": np.array(ERB_WEIGHTS),
    }  # fmt: skip
    constants: dict[str, list[float] | float] = {name: [float(v) for v in values] for name, values in lists.items()}
    constants["c"] = scale()
    constants["level_first_db"] = float(LEVEL_FIRST_DB)
    constants["level_last_db"] = float(LEVEL_LAST_DB)
    constants["level_pivot_db"] = LEVEL_PIVOT_DB
    return constants


def _specific(exc: Array, e: Ear) -> Array:
    """Specific loudness before the factor C."""
    n = (e.gain * exc + e.a) ** e.alpha - e.a**e.alpha
    quiet = np.minimum(1.0, 2.0 * exc / (exc + e.threshold)) ** 1.5
    return np.asarray(n * quiet)


def _levels(inner: Array) -> npt.NDArray[np.intp]:
    """Row of the spreading table for each fine band: the level within one ERB, in whole dB."""
    reach = len(ERB_WEIGHTS) // 2
    padded = np.pad(inner, ((0, 0), (reach, reach)))
    width = inner.shape[1]
    total = sum((w * padded[:, at : at + width] for at, w in enumerate(ERB_WEIGHTS)), start=np.zeros_like(inner))
    level = 10.0 * np.log10(np.maximum(total, 1e-30))
    rounded = np.clip(np.floor(level + 0.5), LEVEL_FIRST_DB, LEVEL_LAST_DB) - LEVEL_FIRST_DB
    return np.asarray(rounded, dtype=np.intp)


def _table(name: str) -> dict[str, Array]:
    """Columns of one of the package's tables by heading."""
    from importlib.resources import files

    text = (files("dossier.measure") / name).read_text(encoding="utf-8")
    heading, *rows = [line.split(",") for line in text.splitlines() if line and not line.startswith("#")]
    values = np.array(rows, dtype=float)
    return {column: values[:, at] for at, column in enumerate(heading)}


def _column(table: dict[str, Array], f_hz: Array, column: str) -> Array:
    """A column at other frequencies: linear in log frequency, held past the ends."""
    return np.asarray(np.interp(np.log(f_hz), np.log(table["frequency_hz"]), table[column]))
