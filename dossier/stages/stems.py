"""Stems: summed one after the other, so that memory grows with the song and not with its stems.

Stems that are needed on their own later (for what would change without one, the bass, drums in the music) stay in
memory as far as `MOST_KEPT_BYTES` go; others are read again.
A stem begins where beat.toml says.  Otherwise its time reference says (EBU Tech 3285: samples since midnight), from the
earliest one on; without one it begins at 0.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Sequence
from functools import cache, partial
from importlib import import_module

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio
from dossier.audio.foreign import NoDecoderError
from dossier.errors import AudioError, BeatError, Problem
from dossier.measure import loudness, low_band
from dossier.memo import Memo
from dossier.model.beat import Beat, Stem
from dossier.model.datafile import InputFile
from dossier.model.measures import FRAME_S, Array, Samples
from dossier.model.situation import StemMeasures
from dossier.parallel import LONG_BYTES, thread_map

LOWEST_HZ, LOW_HZ = 20.0, 250.0  # lower end of the sub zone, upper end of the bass zone
LEAST_RATE_HZ = 44_100
LONGEST_APART_S = 1_800.0  # time references further apart belong to several songs; as long as any track may be
SAME_END_S = 0.05  # ends of exports that were meant to be the same
MOST_KEPT_BYTES = 5 * LONG_BYTES  # nine stereo stems of three minutes


class StemSounds:
    """The sound of each stem, `(frames, 2)`, read-only, at the beat's rate and its gain, from the music's start on."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._kept: dict[str, Samples] = {}

    def __getitem__(self, stem: Stem) -> Samples:
        found = self._kept.get(stem.file)
        return self.keep(stem, audio.read_info(stem.path, shown_as=stem.file)) if found is None else found

    def keep(self, stem: Stem, info: audio.ReadInfo) -> Samples:
        """The sound of a stem that was read just now; it stays, if there is room."""
        samples = np.asarray(audio.to_stereo(audio.resample(info.clip, self.rate_hz).samples), dtype=np.float32)
        if stem.gain_db:
            samples = samples * np.float32(10.0 ** (stem.gain_db / 20.0))
        before = round((stem.start_s or 0.0) * self.rate_hz)
        if before:
            samples = np.concatenate([np.zeros((before, 2), np.float32), samples])
        samples.setflags(write=False)
        held = sum(kept.nbytes for kept in list(self._kept.values()))
        if samples.nbytes <= min(LONG_BYTES, MOST_KEPT_BYTES - held):
            self._kept[stem.file] = samples
        return samples


class SummedStems(Struct, frozen=True, eq=False):
    """The instrumental, and where it came from; stems know where they begin."""

    sound: Callable[[], Samples]  # (frames, 2), worked out or read when it is first asked for
    keep: Callable[[], object]  # puts it into the cache, where it is not
    frames: int
    sounds: StemSounds
    stems: tuple[tuple[Stem, StemMeasures], ...]
    inputs: tuple[InputFile, ...]
    remarks: tuple[str, ...]  # on what was left out, and on starts and ends

    @property
    def samples(self) -> Samples:
        return self.sound()

    @property
    def notes(self) -> tuple[str, ...]:
        own = (f"{stem.file}: {note}" for stem, measures in self.stems for note in measures.notes)
        return (*self.remarks, *own)


def sum_stems(beat: Beat, memo: Memo) -> SummedStems:
    """Sum the stems at the rate that most of them have (44.1 kHz and up before lower ones).

    Raises `BeatError` naming every stem that cannot be read: without it the instrumental would be another one.  What
    only a missing decoder could read is left out and named, as long as a stem remains.
    """
    problems: list[Problem] = []
    rates: Counter[int] = Counter()
    digests: list[str] = []
    found: list[tuple[Stem, float | None]] = []
    missing: list[tuple[Stem, str]] = []
    for stem in beat.stems:
        try:
            rate = audio.probe(stem.path, shown_as=stem.file).rate_hz
            time = audio.read_tags(stem.path, shown_as=stem.file).time_reference
            digests.append(audio.sha256(stem.path))
        except NoDecoderError as error:
            missing.append((stem, str(error)))
        except AudioError as error:
            problems.append(Problem(beat.folder.name, "", str(error)))
        else:
            rates[rate] += 1
            found.append((stem, None if time is None else time / rate))
    if problems or not found:
        raise BeatError(problems + [Problem(beat.folder.name, "", why) for _, why in missing])
    placed, remarks = _placed(found)
    rate = max(rates, key=lambda hz: (hz >= LEAST_RATE_HZ, rates[hz], hz))
    told = [(stem.file, digest, stem.gain_db, stem.start_s) for stem, digest in zip(placed, digests, strict=True)]
    sounds = StemSounds(rate)
    summed = cache(partial(_sum, beat.folder.name, placed, sounds))
    measures, frames = memo("heard", tuple[tuple[StemMeasures, ...], int],
                            lambda: (summed()[1], len(summed()[0])), told, rate)  # fmt: skip
    keep = cache(lambda: memo("heard", np.ndarray, lambda: summed()[0], told, rate))

    def sound() -> Samples:
        return summed()[0] if summed.cache_info().currsize else keep()

    stems = tuple(zip(placed, measures, strict=True))
    inputs = tuple(
        InputFile(file=stem.file, sha256=digest, kind="stem", rights=stem.rights, origin=stem.origin,
                  duration_s=one.duration_s, sample_rate_hz=one.rate_hz, channels=one.channels, gain_db=stem.gain_db,
                  start_s=stem.start_s or 0.0, integrated_lufs=one.integrated_lufs, true_peak_dbtp=one.true_peak_dbtp)
        for (stem, one), digest in zip(stems, digests, strict=True)
    )  # fmt: skip
    left_out = tuple(
        InputFile(file=stem.file, sha256="", kind="stem", rights=stem.rights, origin=stem.origin, used=False)
        for stem, _ in missing
    )
    remarks = [*(why for _, why in missing), *remarks, *_unequal_ends(stems)]
    return SummedStems(sound=sound, keep=keep, frames=frames, sounds=sounds, stems=stems, inputs=inputs + left_out,
                       remarks=tuple(remarks))  # fmt: skip


def _placed(found: Sequence[tuple[Stem, float | None]]) -> tuple[list[Stem], list[str]]:
    """Stems with the start that each has, and remarks, from the times in seconds that their time references give."""
    times = [time for stem, time in found if stem.start_s is None and time is not None]
    first, remarks = min(times, default=0.0), []
    apart = max(times, default=0.0) - first
    if apart > LONGEST_APART_S:
        remarks.append(f"The stems' time references lie {apart / 60:.0f} minutes apart, as of several songs: not used.")
    stems = []
    for stem, time in found:
        start, why = stem.start_s, "as beat.toml says"
        if start is None and time is not None and apart <= LONGEST_APART_S:
            start, why = time - first, "by its time reference"
        elif start is None and 0.0 < apart <= LONGEST_APART_S:
            remarks.append(f"{stem.file}: has no time reference, which others have; it is laid at 0 s")
        if start:
            remarks.append(f"{stem.file}: starts at {start:.2f} s, {why}")
        stems.append(replace(stem, start_s=start or 0.0))
    return stems, remarks


def _unequal_ends(stems: Sequence[tuple[Stem, StemMeasures]]) -> list[str]:
    ends = sorted(((stem.start_s or 0.0) + one.duration_s, stem.file) for stem, one in stems)
    (first, early), (last, late) = ends[0], ends[-1]
    if last - first <= SAME_END_S:
        return []
    return [f"The stems end at different times, from {first:.2f} s ({early}) to {last:.2f} s ({late})."]


def _sum(where: str, stems: Sequence[Stem], sounds: StemSounds) -> tuple[Samples, tuple[StemMeasures, ...]]:
    total: Samples = np.zeros((0, 2), dtype=np.float32)
    found: list[StemMeasures] = []
    problems: list[Problem] = []
    threading.Thread(target=import_module, args=("scipy.signal",)).start()  # as long to load as a stem to decode
    for one in thread_map(partial(_measure, sounds=sounds), stems):
        if isinstance(one, AudioError):
            problems.append(Problem(where, "", str(one)))
            continue
        measured, samples = one
        found.append(measured)
        if len(samples) > len(total):
            total = np.concatenate([total, np.zeros((len(samples) - len(total), 2), dtype=np.float32)])
        total[: len(samples)] += samples
    if problems:
        raise BeatError(problems)
    return total, tuple(found)


def _measure(stem: Stem, *, sounds: StemSounds) -> tuple[StemMeasures, Samples] | AudioError:
    """One stem measured, and its sound at the beat's rate and its gain; or why it cannot be read."""
    try:
        info = audio.read_info(stem.path, shown_as=stem.file)
    except AudioError as error:
        return error
    samples, rate_hz = sounds.keep(stem, info), sounds.rate_hz
    low, low_rate_hz = low_band.low_band(samples, rate_hz, LOWEST_HZ, LOW_HZ)
    own = loudness.measure(samples, rate_hz)
    low_energies = _in_steps(low[round(low_band.LEAD_S * low_rate_hz) :], low_rate_hz) * (rate_hz / low_rate_hz)
    offsets = np.array([side.sum() for side in samples.T], dtype=np.float64)  # an offset of the file is no sound
    squares = np.einsum("ij,ij->", samples, samples, dtype=np.float64)
    energy = float(squares - offsets @ offsets / max(1, len(samples)))
    return StemMeasures(
        duration_s=info.clip.duration_s, rate_hz=info.clip.rate_hz, channels=info.channels,
        integrated_lufs=own.integrated_lufs, true_peak_dbtp=own.true_peak_dbtp, low_energies=low_energies,
        low_share=float(low_energies.sum()) / energy if energy > 0 else 0.0, notes=tuple(info.notes),
    ), samples  # fmt: skip


def _in_steps(samples: Array, rate_hz: float) -> Array:
    """Energy in steps of `FRAME_S`, `(steps,)`."""
    if not len(samples):
        return np.zeros(0)
    firsts = np.round(np.arange(0.0, len(samples) / rate_hz, FRAME_S) * rate_hz).astype(int)
    return np.asarray(np.add.reduceat((samples**2).sum(axis=1), firsts[firsts < len(samples)]))
