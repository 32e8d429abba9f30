"""Stems: summed one after the other, so that memory grows with the song and not with its stems.

A stem that is needed on its own later (the bass, a stem that is lowered to see what would change) is read again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import partial

import numpy as np

from dossier import audio
from dossier.errors import AudioError, BeatError, Problem
from dossier.measure import loudness, low_band
from dossier.memo import Memo
from dossier.model.beat import Beat, Stem
from dossier.model.datafile import InputFile
from dossier.model.measures import Samples
from dossier.model.situation import StemMeasures
from dossier.parallel import thread_map

LOWEST_HZ, LOW_HZ = 20.0, 250.0  # lower end of the sub zone, upper end of the bass zone
LEAST_RATE_HZ = 44_100


@dataclass(frozen=True, slots=True, eq=False)
class SummedStems:
    """The instrumental, and where it came from."""

    samples: Samples  # (frames, 2)
    rate_hz: int
    stems: tuple[tuple[Stem, StemMeasures], ...]
    inputs: tuple[InputFile, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        return tuple(f"{stem.file}: {note}" for stem, measures in self.stems for note in measures.notes)


def sum_stems(beat: Beat, memo: Memo) -> SummedStems:
    """Sum the stems at the rate that most of them have (44.1 kHz and up before lower ones).

    Raises `BeatError` naming every stem that cannot be read: without it the instrumental would be another one.
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
    samples, measures = memo("heard", tuple[Samples, tuple[StemMeasures, ...]], partial(_sum, beat, rate), told, rate)
    stems = tuple(zip(beat.stems, measures, strict=True))
    inputs = tuple(
        InputFile(file=stem.file, sha256=digest, kind="stem", rights=stem.rights, origin=stem.origin,
                  duration_s=one.duration_s, sample_rate_hz=one.rate_hz, channels=one.channels, gain_db=stem.gain_db,
                  integrated_lufs=one.integrated_lufs, true_peak_dbtp=one.true_peak_dbtp)
        for (stem, one), digest in zip(stems, digests, strict=True)
    )  # fmt: skip
    return SummedStems(samples=samples, rate_hz=rate, stems=stems, inputs=inputs)


def read_stem(stem: Stem, rate_hz: int, *, gain: bool = True) -> Samples:
    """A stem's sound, `(frames, 2)`, at the beat's rate and, where wanted, its gain."""
    return _at_rate(audio.read_info(stem.path, shown_as=stem.file), stem.gain_db if gain else 0.0, rate_hz)


def _sum(beat: Beat, rate_hz: int) -> tuple[Samples, tuple[StemMeasures, ...]]:
    total: Samples = np.zeros((0, 2), dtype=np.float32)
    found: list[StemMeasures] = []
    problems: list[Problem] = []
    for one in thread_map(partial(_measure, rate_hz=rate_hz), beat.stems):
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
    return total, tuple(found)


def _measure(stem: Stem, *, rate_hz: int) -> tuple[StemMeasures, Samples] | AudioError:
    """One stem measured, and its sound at the beat's rate and its gain; or why it cannot be read."""
    try:
        info = audio.read_info(stem.path, shown_as=stem.file)
    except AudioError as error:
        return error
    samples = _at_rate(info, stem.gain_db, rate_hz)
    own = loudness.measure(samples, rate_hz)
    low, low_rate_hz = low_band.low_band(samples, rate_hz, LOWEST_HZ, LOW_HZ)
    low_energy = float((low**2).sum()) * rate_hz / low_rate_hz
    offsets = np.einsum("ij->j", samples, dtype=np.float64)  # an offset of the file is no sound
    squares = np.einsum("ij,ij->", samples, samples, dtype=np.float64)
    energy = float(squares - offsets @ offsets / max(1, len(samples)))
    return StemMeasures(
        duration_s=info.clip.duration_s, rate_hz=info.clip.rate_hz, channels=info.channels,
        integrated_lufs=own.integrated_lufs, true_peak_dbtp=own.true_peak_dbtp, low_energy=low_energy,
        low_share=low_energy / energy if energy > 0 else 0.0, notes=tuple(info.notes),
    ), samples  # fmt: skip


def _at_rate(info: audio.ReadInfo, gain_db: float, rate_hz: int) -> Samples:
    samples = np.asarray(audio.to_stereo(audio.resample(info.clip, rate_hz).samples), dtype=np.float32)
    return samples * np.float32(10.0 ** (gain_db / 20.0)) if gain_db else samples
