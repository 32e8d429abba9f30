"""A small beat that can be measured in a millisecond: band energies, a power law of loudness, plain masking.

Not the program's hearing model: a stand-in with the same shape (fill, overlap, buried, audible share all follow from
energies by band and slot), so that a search meets real trade-offs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from dossier.measure.true_peak import true_peak
from dossier.model.findings import DrumFigures, Step
from dossier.model.measures import Array, Samples
from dossier.treat import FAMILIES

RATE = 48_000
EDGES_HZ = np.array([20, 60, 120, 250, 500, 1000, 2000, 4000, 8000, 16_000.0])
BANDS = len(EDGES_HZ) - 1
SLOT = 4800  # 0.1 s
SLOTS = 8
ZONES = ("sub", "bass", "bass", "low_mid", "mid", "mid", "high_mid", "presence", "brilliance")  # of the bands
REFERENCE = np.array([0.9, 1.0, 1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4])  # loudness a band

FIGURES = DrumFigures(
    sample_peak_dbfs=-1.0, true_peak_dbtp=-0.9, integrated_lufs=-20.0, crest_factor_db=15.0, effective_length_s=0.3,
    fill=0.5, room_filled=0.10, spill=0.02, overlap=0.05, buried=0.05, audible_share=0.8,
    heard_zones={"low_mid": 1.0, "mid": 2.0, "high_mid": 1.0, "presence": 0.5, "brilliance": 0.2},
)  # fmt: skip


def band_powers(samples: Samples) -> Array:
    """`(slots, bands)` mean power, cut after 0.8 s."""
    mono_energy = np.zeros((SLOTS, BANDS))
    frequencies = np.fft.rfftfreq(SLOT, 1.0 / RATE)
    places = np.digitize(frequencies, EDGES_HZ) - 1
    padded = np.zeros((SLOTS * SLOT, samples.shape[1]))
    padded[: min(len(samples), len(padded))] = samples[: len(padded)]
    spectrum = np.abs(np.fft.rfft(padded.reshape(SLOTS, SLOT, -1), axis=1)) ** 2
    power = spectrum.sum(axis=2) * 2.0 / SLOT**2
    for band in range(BANDS):
        mono_energy[:, band] = power[:, places == band].sum(axis=1)
    return mono_energy


def loudness(power: Array) -> Array:
    return (1e4 * power + 1.0) ** 0.3 - 1.0


def partial(power: Array, masker: Array) -> Array:
    """What a masker leaves of a sound: all of it where the masker is silent, nothing where it is far louder."""
    hidden = loudness(masker * power / (power + 0.1 * masker + 1e-12))
    return np.minimum(loudness(power), loudness(power + masker) - hidden)


@dataclass(frozen=True)
class SmallBeat:
    """Music of steady power a band, `(bands,)`."""

    music: Array

    def figures(self, drum: Samples) -> DrumFigures:
        power = band_powers(drum)
        music = np.broadcast_to(self.music, power.shape)
        alone, heard = loudness(power), np.maximum(partial(power, music), 0.0)
        left = np.maximum(partial(music, power), 0.0)
        whole, before = loudness(power + music), loudness(music)
        total = float(SLOTS * REFERENCE.sum())
        fill = float(np.minimum(whole, REFERENCE).sum()) / total
        fill_before = float(np.minimum(before, REFERENCE).sum()) / total
        spill = float(np.maximum(whole - REFERENCE, 0.0).sum() - np.maximum(before - REFERENCE, 0.0).sum()) / total
        peak = float(np.max(np.abs(drum))) if drum.size else 0.0
        level = float(np.mean(drum**2)) if drum.size else 0.0
        energy = float(np.sum(drum**2)) / RATE
        return DrumFigures(
            sample_peak_dbfs=_db(peak), true_peak_dbtp=_db(true_peak(drum)),
            integrated_lufs=_db(np.sqrt(energy)), crest_factor_db=_db(peak / np.sqrt(level)) if level else None,
            effective_length_s=len(drum) / RATE, fill=fill, room_filled=fill - fill_before, spill=spill,
            overlap=float((alone - heard).sum()) / total,
            buried=float((before - left).sum()) / max(float(before.sum()), 1e-12),
            audible_share=float(heard.sum() / alone.sum()) if alone.sum() else 0.0,
            heard_zones={z: float(heard[:, [i for i, of in enumerate(ZONES) if of == z]].sum()) for z in set(ZONES)},
        )  # fmt: skip


def played(drum: Samples, steps: Iterable[Step], layers: Mapping[str, Samples]) -> Samples:
    """The recorded steps, output level included, as anyone would play them."""
    for step in steps:
        file = step.amounts.get("file")
        drum = FAMILIES[step.treatment].play(drum, RATE, step.amounts, layer=layers.get(str(file)))
    return drum


class SmallEar:
    """Hears a drum in a small beat, as loud as it was; its final gain is one of true peak.  Counts what it hears."""

    def __init__(self, drum: Samples, figures: Callable[[Samples], DrumFigures]) -> None:
        self.drum, self.figures, self.calls = drum, figures, 0

    def level(self, samples: Samples) -> DrumFigures:
        self.calls += 1
        energies = [float(np.sum(sound**2)) for sound in (self.drum, samples)]
        return self.figures(samples * np.sqrt(energies[0] / energies[1])) if min(energies) else self.figures(samples)

    def final(self, samples: Samples) -> DrumFigures:
        peaks = [float(np.abs(sound).max(initial=0.0)) for sound in (self.drum, samples)]
        return self.figures(samples * (peaks[0] / peaks[1] if peaks[1] else 1.0))


def _db(value: float) -> float | None:
    return float(20.0 * np.log10(value)) if value > 0.0 else None


EMPTY = SmallBeat(np.zeros(BANDS))
SPARSE = SmallBeat(np.array([1e-3, 2e-3, 5e-4, 1e-5, 0, 0, 0, 0, 0]))
DENSE = SmallBeat(np.array([3e-4, 1e-3, 1e-3, 6e-4, 4e-4, 2e-4, 1e-4, 5e-5, 2e-5]))


def snare(*, seed: int = 1, seconds: float = 0.35, per_s: float = 9.0, level: float = 0.5) -> Samples:
    """Noise over a body at 190 Hz, two channels."""
    time = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((len(time), 2))
    sound = 0.2 * noise * np.exp(-1.5 * per_s * time)[:, None]
    sound += 0.6 * (np.sin(2.0 * np.pi * 190.0 * time) * np.exp(-per_s * time))[:, None]
    return level * sound / np.max(np.abs(sound))
