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
    The ear (step 1) is such that a tone at the free-field threshold of hearing just excites the threshold of the place,
    on a continuous scale, that hears it best.  From 500 Hz up that is its own place.  Below, where thresholds fall with
    frequency, it is a higher one: with its own place, 50 Hz read 12 phon too loud.  The value is held above 12.5 kHz,
    where the standard's table ends.
    Below 500 Hz and above 7.5 kHz the parameters are fitted to the contours of ISO 226:2023 (tests/fit_hearing.py);
    between, they are as published.  Above, that makes up for bands past 15 kHz, which are not computed.
    `contour_errors` says how far the contours are met.
    C makes 1 kHz at 40 dB SPL 1 sone.  Above an excitation of 100 dB the standard bends the curve; music at moderate
    levels stays below, so the bend is left out.

References
    Glasberg and Moore, Hearing Research 47 (1990), 103-138: roex filters and their level dependence.
    Moore, Glasberg and Baer, J. Audio Eng. Soc. 45 (1997), 224-240: loudness and partial loudness; ANSI S3.4-2007.
    ISO 226:2023, Table 1 and equation 1: threshold of hearing, equal-loudness contours.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.measure.bands import (
    BAND_CAM,
    BAND_EDGES_CAM,
    BAND_EDGES_HZ,
    BAND_HZ,
    FINE_CAM,
    FINE_HZ,
    FINE_WIDTH_CAM,
    cam,
    erb_hz,
)
from dossier.measure.spectra import band_energies, slot_powers
from dossier.model.measures import Array

__all__ = [
    "BAND_CAM", "BAND_EDGES_CAM", "BAND_EDGES_HZ", "BAND_HZ", "CONTOUR_HZ", "CONTOUR_PHON", "FINE_CAM", "FINE_HZ",
    "band_energies", "compressed", "contour_db", "contour_errors", "excitation", "page_constants", "page_contours",
    "partial_loudness", "slot_powers", "specific_loudness", "tone_powers",
]  # fmt: skip

ERB_WEIGHTS = (0.5, 1.0, 1.0, 1.0, 0.5)  # fine bands in one ERB round the middle one
LEVEL_FIRST_DB, LEVEL_LAST_DB = 0, 120
LEVEL_PIVOT_DB = 51.0  # Glasberg and Moore 1990
LEVEL_SLOPE = 0.35
CONTOUR_PHON: Array = np.arange(20.0, 90.0, 10.0)  # the standard's range: 20 to 80 phon
_ROWS_AT_ONCE = 512
_SPREAD_AT_ONCE = 16  # rows whose part of the spreading table fits the processor's cache


class Ear(Struct, frozen=True, eq=False):
    """Constants of each fine band `(156,)` and band `(38,)`; see the steps above."""

    ear_db: Array
    p: Array
    p_slope: Array
    threshold: Array
    gain: Array
    a: Array
    alpha: Array
    k: Array
    spreading: Array  # (fine, levels, bands), of single precision


@lru_cache(maxsize=1)
def ear() -> Ear:
    """The tables of the standards at this module's bands."""
    parameters, thresholds = _table("loudness_parameters.csv"), _table("hearing_threshold.csv")
    ear_db = _ear_at_threshold_db(parameters) - _column(thresholds, FINE_HZ, "T_f_db")
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
        spreading=((1.0 + steepness) * np.exp(-steepness)).astype(np.float32),
    )  # fmt: skip


def excitation(powers: npt.ArrayLike, *, spl_offset_db: float) -> Array:
    """Linear excitation in the bands, `(..., 38)`, from power in the fine bands, `(..., 156)` (steps 1 to 3).

    Zero for silence, never falling as power grows.  A tone at the centre of a band excites it with its own level after
    the ear.  Raises `MeasureError` for another last dimension.
    """
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
        places, spread = first + _levels(inner), out[at : at + _ROWS_AT_ONCE]
        single = inner.astype(np.float32)
        # Each fine band spreads its power over the bands by the table row of its level; sums of single precision are
        # right to a millionth.
        for few in range(0, len(inner), _SPREAD_AT_ONCE):
            some = slice(few, few + _SPREAD_AT_ONCE)
            spread[some] = (single[some, None] @ table.take(places[some], axis=0))[:, 0]
    return out.reshape(*given.shape[:-1], len(BAND_HZ))


def compressed(exc: Array) -> Array:
    """(G E + A)^alpha of an excitation E, `(..., 38)`: what steps 4 and 5 spend most of their time on."""
    e = ear()
    return np.asarray((e.gain * exc + e.a) ** e.alpha)


def specific_loudness(exc: npt.ArrayLike, *, compressed_exc: Array | None = None) -> Array:
    """Specific loudness in sone/Cam of an excitation `(..., 38)` (step 4); 0 for silence.

    `compressed_exc`: what `compressed` gives for it, where that is known.
    """
    exc = np.asarray(exc, dtype=float)
    return np.asarray(scale() * _specific(exc, compressed(exc) if compressed_exc is None else compressed_exc))


def partial_loudness(
    signal_exc: npt.ArrayLike, masker_exc: npt.ArrayLike, *, k_moved_db: float = 0.0, alone: Array | None = None,
    compressed_sum: Array | None = None,
) -> Array:  # fmt: skip
    """Specific loudness in sone/Cam that a signal keeps in a masker (step 5); both excitations are `(..., 38)`.

    Equals `specific_loudness` without a masker and falls as the masker grows; 0 for a silent signal.  `k_moved_db`
    moves K, the signal-to-masker ratio at the masked threshold.  Where they are known: `alone`, the signal's specific
    loudness, and `compressed_sum`, what `compressed` gives for signal and masker together.
    """
    signal, masker = np.broadcast_arrays(np.asarray(signal_exc, dtype=float), np.asarray(masker_exc, dtype=float))
    e = ear()
    q, gain, a, alpha = e.threshold, e.gain, e.a, e.alpha
    masked = 10.0 ** (k_moved_db / 10.0) * e.k * masker + q
    both = compressed(signal + masker) if compressed_sum is None else compressed_sum
    alone = specific_loudness(signal) if alone is None else alone
    at_masked = (gain * (masker + masked) + a) ** alpha
    at_threshold = (gain * q + a) ** alpha
    silence = a**alpha
    heard = signal >= masked
    ratio, masker_alone = np.ones_like(signal), np.zeros_like(signal)
    np.divide(masked, signal, out=ratio, where=heard)
    np.power(ratio, 0.3, out=ratio, where=heard)
    np.power(gain * masker + a, alpha, out=masker_alone, where=~heard)
    above = both - silence - (at_masked - at_threshold) * ratio
    below = (
        _to_1_5(2.0 * signal / (signal + masked))
        * (at_threshold - silence)
        / (at_masked - masker_alone)
        * (both - masker_alone)
    )
    return np.asarray(np.clip(scale() * np.where(heard, above, below), 0.0, alone))


@lru_cache(maxsize=1)
def scale() -> float:
    """C: the factor that makes a 1 kHz tone at 40 dB SPL 1 sone."""
    exc = excitation(tone_powers(1000.0, 40.0), spl_offset_db=0.0)
    return float(1.0 / _specific(exc, compressed(exc)).sum())


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


def tone_powers(f_hz: float, level_db: float) -> Array:
    """Power in the fine bands, `(156,)`, of a pure tone, split between the two whose centres lie round it."""
    at = np.clip((cam(f_hz) - FINE_CAM[0]) / FINE_WIDTH_CAM, 0.0, len(FINE_HZ) - 1.0)
    return np.asarray(10.0 ** (level_db / 10.0) * np.maximum(0.0, 1.0 - np.abs(np.arange(len(FINE_HZ)) - at)))


def contour_db(phon: npt.ArrayLike) -> Array:
    """Sound pressure level in dB of tones of equal loudness, `(..., 29)`: ISO 226:2023, equation 1, at `CONTOUR_HZ`."""
    table = _table("hearing_threshold.csv")
    alpha, magnitude = table["alpha_f"], table["L_U_db"]
    growth = 10.0 ** (0.03 * np.asarray(phon, dtype=float)[..., None]) - 10.0**0.072
    at_threshold = 10.0 ** (alpha * (table["T_f_db"] + magnitude) / 10.0)
    return np.asarray(10.0 / alpha * np.log10(4e-10 ** (0.3 - alpha) * growth + at_threshold) - magnitude)


def contour_errors() -> Array:
    """How many phon too loud the model reads each tone of `contour_db(CONTOUR_PHON)`, `(7, 29)`."""
    levels = np.arange(0.0, 110.5, 0.5)  # of 1 kHz: by definition, phon
    one_khz = specific_loudness(excitation([tone_powers(1000.0, v) for v in levels], spl_offset_db=0.0)).sum(axis=1)
    tones = [[tone_powers(f, v) for f, v in zip(CONTOUR_HZ, row, strict=True)] for row in contour_db(CONTOUR_PHON)]
    read = specific_loudness(excitation(tones, spl_offset_db=0.0)).sum(axis=-1)
    return np.asarray(np.interp(read, one_khz, levels) - CONTOUR_PHON[:, None])


def page_contours() -> dict[float, list[float]]:
    """`contour_errors` by frequency in Hz, for the page."""
    return {float(f_hz): row.tolist() for f_hz, row in zip(CONTOUR_HZ, contour_errors().T, strict=True)}


def _ear_at_threshold_db(parameters: dict[str, Array]) -> Array:
    """Level after the ear, `(156,)`, at which a tone just excites the threshold of the place that hears it best."""
    place_hz = FINE_HZ[:, None] * np.geomspace(1.0, 3.0, 200)
    g = 1.0 - FINE_HZ[:, None] / place_hz
    p = 4.0 * place_hz / erb_hz(place_hz)
    p_slope = LEVEL_SLOPE * p / (4.0 * 1000.0 / erb_hz(1000.0))
    threshold_db = _column(parameters, place_hz, "excitation_threshold_db")
    level_db = threshold_db[:, 0]
    for _ in range(4):  # the skirt depends on the level, but little
        steepness = g * (p - p_slope * (level_db[:, None] - LEVEL_PIVOT_DB))
        level_db = (threshold_db - 10.0 * np.log10((1.0 + steepness) * np.exp(-steepness))).min(axis=1)
    return np.asarray(level_db)


def _specific(exc: Array, compressed_exc: Array) -> Array:
    """Specific loudness before the factor C."""
    e = ear()
    n = compressed_exc - e.a**e.alpha
    return np.asarray(n * _to_1_5(np.minimum(1.0, 2.0 * exc / (exc + e.threshold))))


def _to_1_5(x: Array) -> Array:
    """x^1.5, in an eighth of the time that a power takes."""
    return np.asarray(x * np.sqrt(x))


def _levels(inner: Array) -> npt.NDArray[np.intp]:
    """Row of the spreading table for each fine band: the level within one ERB, in whole dB.

    Single precision reads it to 0.00001 dB, in a fifth of the time.
    """
    reach = len(ERB_WEIGHTS) // 2
    padded = np.zeros((len(inner), inner.shape[1] + 2 * reach))
    padded[:, reach:-reach] = inner
    total = np.convolve(padded.ravel(), ERB_WEIGHTS, mode="same").reshape(padded.shape)[:, reach:-reach]
    level = np.log(np.maximum(total, 1e-30, dtype=np.float32)) * np.float32(10.0 / np.log(10.0))
    rounded = np.clip(np.floor(level + np.float32(0.5)), LEVEL_FIRST_DB, LEVEL_LAST_DB) - LEVEL_FIRST_DB
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


CONTOUR_HZ: Array = _table("hearing_threshold.csv")["frequency_hz"]
