"""The sample's maps over band and slot, in the shape of real music, and what is summed from them."""

from __future__ import annotations

import functools

import numpy as np

from dossier.model.findings import SectionFill
from dossier.model.vocabulary import ZONE_KEYS, ZONES

BANDS = 38
TEMPO = 92.0
SLOTS_PER_BAR = 16
SLOT_S = 15.0 / TEMPO
SECTIONS = (("intro", 0.55), ("verse", 0.8), ("hook", 1.0), ("outro", 0.6))


def band_hz() -> np.ndarray:
    """Centres of 38 bands 1 Cam wide from 1.5 to 38.5 Cam (ERB-number scale, Glasberg and Moore 1990, from memory)."""
    cam = np.arange(BANDS) + 2.0
    return (10 ** (cam / 21.4) - 1) / 0.00437


def zone_of(hz: float) -> str:
    for zone in ZONES:
        if hz < zone.high_hz:
            return zone.key
    return ZONES[-1].key


@functools.cache
def maps(bars: int = 24) -> dict[str, np.ndarray]:
    """Instrumental, drums, overlap and treatment change over band x slot, with the shape of real music."""
    rng = np.random.default_rng(20)
    slots = bars * SLOTS_PER_BAR
    bar = np.arange(slots) // SLOTS_PER_BAR
    step = np.arange(slots) % SLOTS_PER_BAR
    section = np.minimum(bar * len(SECTIONS) // bars, len(SECTIONS) - 1)
    strength = np.array([s for _, s in SECTIONS])[section]
    band = np.arange(BANDS)[:, None]
    root = np.array([4, 6, 3, 5])[bar % 4]
    bass = 2.0 * np.exp(-(((band - root) / 2.0) ** 2)) * np.where(step % 8 < 6, 1.0, 0.35)
    pad = 0.75 * np.exp(-(((band - 15) / 6.5) ** 2)) * (0.85 + 0.15 * np.cos(2 * np.pi * bar / 8))
    keys = 0.55 * np.exp(-(((band - 23 - (bar % 3)) / 4.0) ** 2)) * np.isin(step, (0, 3, 4, 6, 10, 11))
    air = 0.16 * np.exp(-(((band - 33) / 4.0) ** 2)) * (section == 2)
    instrumental = 1.6 * (bass + pad + keys + air) * strength + 0.03 * rng.random((BANDS, slots))
    kick = 0.8 * np.exp(-(((band - 3) / 2.2) ** 2)) * np.isin(step, (0, 6, 8))
    snare = 0.7 * np.exp(-(((band - 22) / 8.0) ** 2)) * np.isin(step, (4, 12))
    hat = 0.5 * np.exp(-(((band - 34) / 3.0) ** 2)) * (step % 2 == 0)
    drums = (kick + snare + hat) * (section > 0)
    together = (instrumental**3 + drums**3) ** (1 / 3)
    overlap = drums * instrumental / (instrumental + drums + 0.05) * 0.8
    change = -0.3 * overlap * (band > 14) + 0.15 * hat * (section > 0)
    return {
        "instrumental": np.round(instrumental, 4), "with_drums": np.round(together, 4),
        "overlap": np.round(overlap, 4), "treatment_change": np.round(change, 4),
    }  # fmt: skip


def rows(array: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in array)


def zone_fills(array: np.ndarray) -> dict[str, float]:
    hz = band_hz()
    names = np.array([zone_of(f) for f in hz])
    return {
        key: round(float(array[names == key].mean()), 4) if (names == key).any() else 0.0
        for key in ZONE_KEYS
    }


def section_fills(array: np.ndarray, bars: int) -> tuple[SectionFill, ...]:
    each = bars // len(SECTIONS)
    out = []
    for i, (name, _) in enumerate(SECTIONS):
        first = i * each
        count = each if i < len(SECTIONS) - 1 else bars - first
        part = array[:, first * SLOTS_PER_BAR : (first + count) * SLOTS_PER_BAR]
        out.append(SectionFill(name, first + 1, count, round(float(np.minimum(part, 1).mean()), 4), zone_fills(part)))
    return tuple(out)
