"""Placing: a candidate becomes something that plays in the beat, as sound and as powers a slot.

A `Playable` is a one-shot from its onset on, with the voice that plays it, or one pass of a loop fitted to the tempo;
both at the beat's sample rate, so that treatments and renders work on exactly what was measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from dossier import audio
from dossier.arrange import loops, one_shots
from dossier.arrange import pattern as patterns
from dossier.measure import hearing
from dossier.model.beat import Pattern
from dossier.model.findings import LoopFit
from dossier.model.measures import Array, BandEnergies, Clip, Grid, Samples
from dossier.model.vocabulary import Kind, Role
from dossier.stages.analyse import Analysis, Drum

WRAP_S = 0.25  # of the loop's own end and start around it, so that analysis windows see its neighbours


@dataclass(frozen=True, slots=True, eq=False)
class Playable:
    """A candidate as it plays in one beat."""

    name: str  # the candidate's file
    kind: Kind
    role: Role | None
    samples: Samples  # (frames, 2): the hit from its onset, or one pass of the fitted loop
    rate_hz: int
    grid: Grid
    voice: one_shots.Voice | None  # None for a loop
    loop: LoopFit | None
    assumed_voice: bool = False
    notes: tuple[str, ...] = ()  # what is odd about it in this beat

    @property
    def first_bar(self) -> int:
        """The bar of its first hit, 0-based."""
        if self.voice is None or not self.voice.starts_s:
            return 0
        return max(0, int((self.voice.starts_s[0] - self.grid.first_downbeat_s) / self.grid.bar_s + 1e-6))

    def powers(self, samples: Samples | None = None) -> Array:
        """Mean power a slot, `(slots, fine bands)`, at 0 dB gain; of other (treated) samples where given."""
        sound = self.samples if samples is None else samples
        if self.voice is not None:
            energies = hearing.band_energies(sound, self.rate_hz)
            return one_shots.lay_energies(energies, self.voice, self.grid.slot_edges_s())
        return loops.lay_cycle_energies(_cycle_energies(sound, self.rate_hz), self.grid)

    def laid(self, *, length_s: float, start_s: float = 0.0) -> Samples:
        """The part as sound, `length_s` from `start_s` on (0: the start of the stems), `(frames, 2)`, at 0 dB gain."""
        out = np.zeros((round(length_s * self.rate_hz), self.samples.shape[1]))
        self.add_to(out, start_s=start_s)
        return out

    def add_to(self, out: Samples, *, start_s: float = 0.0, gain_db: float = 0.0, rest: int = 0) -> None:
        """Add the part at a gain to a sound, `(frames, 2)`, whose first sample is at `start_s`.

        Where `out` is a piece of a longer sound, `rest` samples follow it.
        """
        sound = self.samples * 10.0 ** (gain_db / 20.0) if gain_db else self.samples
        if self.voice is not None:
            one_shots.add_samples(out, sound, self.rate_hz, self.voice, start_s=start_s, rest=rest)
        else:
            loops.add_cycle(out, sound, self.rate_hz, self.grid, start_s=start_s)

    def with_samples(self, samples: Samples) -> Playable:
        return replace(self, samples=samples)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Parts as one sound, `(frames, 2)`, from the start of the stems on, made slice by slice as it is looked at.

    As fine as a file of 24 bits.  A sound in the length of a beat takes long to make mostly for the memory it needs.
    """

    parts: tuple[Playable, ...]
    frames: int
    rate_hz: int

    @staticmethod
    def of(playing: Iterable[tuple[Playable, float]], *, frames: int, rate_hz: int) -> Laid:
        """Of parts and their gains in dB."""
        parts = [play.with_samples(play.samples * 10.0 ** (gain_db / 20.0)) for play, gain_db in playing]
        return Laid(parts=tuple(parts), frames=frames, rate_hz=rate_hz)

    @property
    def shape(self) -> tuple[int, int]:
        return self.frames, 2

    @property
    def dtype(self) -> np.dtype[np.float32]:
        return np.dtype(np.float32)

    def __len__(self) -> int:
        return self.frames

    def __getitem__(self, frames: slice) -> Samples:
        first, last, _ = frames.indices(self.frames)
        out = np.zeros((max(0, last - first), 2), dtype=self.dtype)
        for part in self.parts:
            part.add_to(out, start_s=first / self.rate_hz, rest=self.frames - last)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Groove:
    """What is played: the beat's patterns, and the voices that they make on the grid."""

    pattern: Pattern
    section_patterns: Mapping[str, Pattern]
    assumed: bool
    voices: Mapping[Role, one_shots.Voice]


def groove_of(analysis: Analysis) -> Groove:
    """The beat's own patterns, or a plain one, said to be assumed."""
    beat = analysis.beat
    pattern = beat.pattern or patterns.plain(analysis.grid.meter)
    return Groove(
        pattern=pattern, section_patterns=beat.section_patterns, assumed=beat.pattern is None,
        voices=one_shots.voices(analysis.grid, pattern, beat.section_patterns, analysis.beat.sections),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """One pass of a fitted loop, as it is kept."""

    samples: Samples


def playable(drum: Drum, analysis: Analysis, groove: Groove) -> Playable | None:
    """The candidate laid into the beat; None for a one-shot without a role."""
    at_rate = audio.resample(drum.clip, analysis.rate_hz)
    hit = drum.measures.hit
    if hit.kind == "loop":
        return _loop(drum, at_rate, analysis, groove)
    role = hit.role
    if role is None:
        return None
    voice, assumed = groove.voices.get(role), False
    if voice is None:
        plain = patterns.plain_voice(role, analysis.grid.meter)
        voice, assumed = one_shots.voices(analysis.grid, plain, {}, ()).get(role), True
        if voice is None:
            return None
    start = round(hit.onset_s * at_rate.rate_hz)
    notes = []
    if at_rate.duration_s - hit.onset_s > analysis.grid.bars * analysis.grid.bar_s:
        notes.append(f"longer than the beat: it rings for {at_rate.duration_s - hit.onset_s:.1f} s and is cut there")
    return Playable(
        name=drum.name, kind="one-shot", role=role, samples=np.asarray(at_rate.samples[start:], dtype=np.float64),
        rate_hz=at_rate.rate_hz, grid=analysis.grid, voice=voice, loop=None, assumed_voice=assumed, notes=tuple(notes),
    )  # fmt: skip


def _loop(drum: Drum, at_rate: Clip, analysis: Analysis, groove: Groove) -> Playable:
    measured = drum.measures.loop
    assert measured is not None
    policy, grid = analysis.policy, analysis.grid
    bar_beats = grid.meter[0] * 4.0 / grid.meter[1]
    fitted = loops.fit_loop(
        measured, duration_s=at_rate.duration_s, tempo_bpm=grid.tempo_bpm, swing=grid.swing, bar_beats=bar_beats,
        as_is_within=policy["loop_as_is_within"], repitch_within=policy["loop_repitch_within"],
        poor_beyond=policy["loop_poor_beyond"],
    )  # fmt: skip
    fit = loops.shortened(fitted, beats=grid.bars * bar_beats, bar_beats=bar_beats)
    beside = loops.part_by_part(measured, fit, groove.pattern, tempo_bpm=grid.tempo_bpm, bar_beats=bar_beats)
    if beside:
        fit = replace(fit, note=f"{fit.note}; {beside}")
    cycle = analysis.keep(
        "cycle", Cycle,
        lambda: Cycle(loops.cycle_samples(at_rate.samples, at_rate.rate_hz, fit, tempo_bpm=grid.tempo_bpm)),
        drum.sha256, fit.method, fit.ratio, fit.beats, fit.downbeat_s, grid.tempo_bpm,
    ).samples  # fmt: skip
    return Playable(
        name=drum.name, kind="loop", role=None, samples=cycle, rate_hz=at_rate.rate_hz, grid=grid, voice=None, loop=fit,
    )  # fmt: skip


def _cycle_energies(cycle: Samples, rate_hz: int) -> BandEnergies:
    """Band energies of one pass as it sounds when repeated: measured with its own end before it and start after it."""
    pad = min(len(cycle), round(WRAP_S * rate_hz))
    around = np.concatenate([cycle[len(cycle) - pad :], cycle, cycle[:pad]])
    energies = hearing.band_energies(around, rate_hz)
    duration = len(cycle) / rate_hz
    step = energies.step_s
    steps = max(1, round(duration / step))
    times = pad / rate_hz + np.linspace(0.0, duration, steps + 1)
    inside = one_shots.cumulative_at(energies, times)
    return BandEnergies(cumulative=inside - inside[0], step_s=duration / steps, duration_s=duration)
