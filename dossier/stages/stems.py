"""Stems: read one after the other into the instrumental, so that memory grows with the song and not with its stems.

A stem that is needed on its own later (the bass, a stem that is lowered to see what would change) is read again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import partial

import numpy as np

from dossier import audio, workers
from dossier.cache import Cache, key_of
from dossier.errors import AudioError, BeatError, Problem
from dossier.measure import loudness, low_band
from dossier.model.beat import Beat, Stem
from dossier.model.datafile import InputFile
from dossier.model.measures import Samples
from dossier.stages.keep import KEPT_BYTES, source

LOWEST_HZ, LOW_HZ = 20.0, 250.0  # lower end of the sub zone, upper end of the bass zone
LEAST_RATE_HZ = 44_100


@dataclass(frozen=True, slots=True, eq=False)
class StemAudio:
    """One stem, and what the beat needs to know of it without keeping its sound."""

    stem: Stem
    rate_hz: int  # the beat's
    low_energy: float  # below 250 Hz
    low_share: float  # of its whole energy

    def read(self, *, gain: bool = True) -> Samples:
        """Its sound again, `(frames, 2)`, at the beat's rate and, where that is wanted, its gain."""
        info = audio.read_info(self.stem.path, shown_as=self.stem.file)
        return _at_rate(info, self.stem.gain_db if gain else 0.0, self.rate_hz)


@dataclass(frozen=True, slots=True, eq=False)
class Instrumental:
    """The sum of the stems, and where it came from."""

    samples: Samples  # (frames, 2)
    rate_hz: int
    stems: tuple[StemAudio, ...]
    inputs: tuple[InputFile, ...]
    notes: tuple[str, ...]


def read_instrumental(beat: Beat, *, cache: Cache) -> Instrumental:
    """Sum the stems at the rate that most of them have (44.1 kHz and up before lower ones).

    Raises
    ------
    BeatError
        Naming every stem that cannot be read: without it the instrumental would be another one.
    """
    problems: list[Problem] = []
    rates: Counter[int] = Counter()
    digests: list[str] = []
    for stem in beat.stems:
        try:
            rates[audio.probe(stem.path, shown_as=stem.file).rate_hz] += 1
            digests.append(audio.sha256(stem.path))
        except AudioError as error:
            problems.append(Problem(beat.folder.name, "", str(error)))
    if problems:
        raise BeatError(problems)
    rate = max(rates, key=lambda hz: (hz >= LEAST_RATE_HZ, rates[hz], hz))
    told = [(stem.file, digest, stem.gain_db) for stem, digest in zip(beat.stems, digests, strict=True)]
    summed = cache.remember(key_of("instrumental", source(), told, rate), Summed, lambda: _summed(beat, rate),
                            most_bytes=KEPT_BYTES)  # fmt: skip
    stems, inputs = [], []
    for stem, digest, one in zip(beat.stems, digests, summed.stems, strict=True):
        stems.append(
            StemAudio(stem=stem, rate_hz=rate, low_energy=one.low_energy,
                      low_share=one.low_energy / one.energy if one.energy > 0 else 0.0)
        )  # fmt: skip
        inputs.append(
            InputFile(file=stem.file, sha256=digest, kind="stem", rights=stem.rights, origin=stem.origin,
                      duration_s=one.duration_s, sample_rate_hz=one.rate_hz, channels=one.channels,
                      gain_db=stem.gain_db, integrated_lufs=one.integrated_lufs, true_peak_dbtp=one.true_peak_dbtp)
        )  # fmt: skip
    notes = [f"{stem.file}: {note}" for stem, one in zip(beat.stems, summed.stems, strict=True) for note in one.notes]
    return Instrumental(
        samples=summed.samples, rate_hz=rate, stems=tuple(stems), inputs=tuple(inputs), notes=tuple(notes)
    )


@dataclass(frozen=True, slots=True)
class OneStem:
    """What is kept of a stem."""

    duration_s: float
    rate_hz: int
    channels: int
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    low_energy: float
    energy: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Summed:
    """The sum of the stems and what each of them is, as they are kept."""

    samples: Samples
    stems: tuple[OneStem, ...]


def _summed(beat: Beat, rate_hz: int) -> Summed:
    total: Samples = np.zeros((0, 2), dtype=np.float32)
    found: list[OneStem] = []
    problems: list[Problem] = []
    for one in workers.side_by_side(partial(_one, rate_hz=rate_hz), beat.stems):
        if isinstance(one, AudioError):
            problems.append(Problem(beat.folder.name, "", str(one)))
            continue
        measured, samples = one
        found.append(measured)
        if len(samples) > len(total):
            total = np.concatenate([total, np.zeros((len(samples) - len(total), 2), dtype=np.float32)])
        total[: len(samples)] += samples
    if problems:
        raise BeatError(problems)
    return Summed(samples=total, stems=tuple(found))


def _one(stem: Stem, *, rate_hz: int) -> tuple[OneStem, Samples] | AudioError:
    """One stem measured, and its sound at the beat's rate and its gain; or why it cannot be read."""
    try:
        info = audio.read_info(stem.path, shown_as=stem.file)
    except AudioError as error:
        return error
    samples = _at_rate(info, stem.gain_db, rate_hz)
    own = loudness.measure(samples, rate_hz)
    low, low_rate_hz = low_band.low_band(samples, rate_hz, LOWEST_HZ, LOW_HZ)
    offsets = np.einsum("ij->j", samples, dtype=np.float64)  # an offset of the file is no sound
    squares = np.einsum("ij,ij->", samples, samples, dtype=np.float64)
    energy = float(squares - offsets @ offsets / max(1, len(samples)))
    return OneStem(
        duration_s=info.clip.duration_s, rate_hz=info.clip.rate_hz, channels=info.channels,
        integrated_lufs=own.integrated_lufs, true_peak_dbtp=own.true_peak_dbtp,
        low_energy=float((low**2).sum()) * rate_hz / low_rate_hz, energy=energy, notes=tuple(info.notes),
    ), samples  # fmt: skip


def _at_rate(info: audio.ReadInfo, gain_db: float, rate_hz: int) -> Samples:
    samples = np.asarray(audio.to_stereo(audio.resample(info.clip, rate_hz).samples), dtype=np.float32)
    return samples * np.float32(10.0 ** (gain_db / 20.0)) if gain_db else samples
