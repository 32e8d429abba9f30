"""Low end: the kick of the kit against the stem that carries the bass, where both sound; ways out, really computed.

All of it is measured on an excerpt of whole bars in which both sound most.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path

import numpy as np
import soxr

from dossier import audio
from dossier.arrange.one_shots import lay_energies
from dossier.decide import fit
from dossier.decide import low_end as decide_lowend
from dossier.measure import hearing, low_end, pitch
from dossier.measure import occupancy as occ
from dossier.model.findings import LowEnd, LowEndRemedy
from dossier.model.measures import Array, Pitch, Samples
from dossier.stages.again import Write, keyed
from dossier.stages.analyse import Analysis, SlotPowers
from dossier.stages.settle import Part, Settled
from dossier.stages.stems import LOW_HZ, StemAudio
from dossier.treat.truncation import truncate

DUCKED_AT_ONCE_S = 30  # whole seconds, so that kicks stay on their sample
EXCERPT_BARS = 8
LOW_ZONES = slice(0, 2)  # sub and bass
LEAST_BASS_SHARE = 0.2  # of a stem's energy below 250 Hz, to be called the bass
DEEPEST_DUCK_DB = 12  # deeper is heard as a hole in the bass
SHORTEST_RELEASE_MS, LONGEST_RELEASE_MS = 80.0, 350.0  # shorter clicks, longer takes the bass note
LONGER_RELEASES = (1.0, 1.6, 2.5)  # of the kick's effective length
SHORTER_MS = (300.0, 220.0, 160.0, 110.0)
TUNE_SEMITONES = (-5, -4, -3, -2, -1, 1, 2, 3, 4, 5)
HELPS = 0.02  # more of the kick that is heard, from which on a remedy is worth a file
DUCK, SHORTEN = "duck the bass", "shorten the kick"


@dataclass(frozen=True, slots=True)
class Result:
    finding: LowEnd
    renders: Mapping[str, Write] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """The bars of a stem that are looked at, as they are kept."""

    samples: Samples


@dataclass(frozen=True, slots=True, eq=False)
class _Meeting:
    """Kick and bass in the excerpt, on its slots."""

    analysis: Analysis
    kick: Part
    gain_db: float  # of the kick
    bass_file: str
    bass: Samples  # (frames, 2)
    start_s: float
    edges_s: Array  # from the excerpt's start
    slots: slice
    low: Array  # (bands,), weight of the sub and bass zones

    def bass_excitation(self, samples: Samples) -> Array:
        powers = hearing.slot_powers(hearing.band_energies(samples, self.analysis.rate_hz), self.edges_s)
        return hearing.excitation(powers, spl_offset_db=self.analysis.scene.spl_offset_db)

    def kick_powers(self, samples: Samples) -> Array:
        voice = self.kick.play.voice
        assert voice is not None
        energies = hearing.band_energies(samples, self.analysis.rate_hz)
        return lay_energies(energies, voice, self.analysis.grid.slot_edges_s())[self.slots]

    def kick_excitation(self, samples: Samples) -> Array:
        powers = self.kick_powers(samples)
        return hearing.excitation(powers, spl_offset_db=self.analysis.scene.spl_offset_db + self.gain_db)

    def shares(self, kick: Array, bass: Array, bass_before: Array) -> tuple[float, float]:
        """What is heard of the kick in the low zones, and what of the bass's loudness is lost there."""
        alone = hearing.specific_loudness(kick) @ self.low
        heard = hearing.partial_loudness(kick, bass) @ self.low
        plays = alone > 0.1 * alone.max(initial=0.0)
        share = float(heard[plays].sum() / alone[plays].sum()) if plays.any() else 0.0
        full = float((hearing.specific_loudness(bass_before) @ self.low).sum())
        left = float((hearing.partial_loudness(bass, kick) @ self.low).sum())
        return share, 1.0 - left / full if full > 0 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Bass:
    """The bass in the excerpt, as it is kept: excitation `(slots, bands)`, and its notes' frequencies in Hz."""

    excitation: Array
    notes: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Line:
    """How kick and bass stand in time."""

    polarity: int
    delay_ms: float
    gain_db: float | None  # in the low band, from aligning them; None with its reason
    reason: str


@dataclass(frozen=True, slots=True)
class Met:
    """What is measured of a kick and the bass, as it is kept."""

    share: float  # of the kick that is heard in the low zones
    overlaps: tuple[float | None, ...]
    remedies: tuple[LowEndRemedy, ...]
    release_ms: float  # of the duck
    bass_notes: Mapping[str, float]
    pitch: Pitch
    line: Line


def measure(analysis: Analysis, settled: Settled) -> Result:
    """The low end of the beat, or what is missing to speak of it."""
    kick = next((part for part in settled.parts if part.role == "kick"), None)
    if kick is None:
        return Result(_nothing("no kick is in the kit: there is none among the candidates, or the pattern plays none"))
    bass = _bass_stem(analysis)
    if bass is None:
        return Result(_nothing("no stem carries a bass: none has a fifth of its energy below 250 Hz",
                               kick=kick.placed.drum.name))  # fmt: skip
    row = next(row for row in settled.rows if row.id == kick.id)
    meeting = _meeting(analysis, kick, row.gain_db, bass)
    if meeting is None:
        return Result(_nothing("kick and bass never play in the same bar", kick=kick.placed.drum.name))
    met = analysis.keep(
        "low end", Met, lambda: _met(meeting), kick.play.samples, row.gain_db, bass.stem.file, meeting.start_s,
        analysis.policy["low_end_good_share"],
    )  # fmt: skip
    remedies, renders = _rendered(meeting, bass, met)
    line, found = met.line, met.pitch
    reasons = {"delay_ms": line.reason, "polarity": line.reason} if line.gain_db is None else {}
    if found.hz is None:
        reasons["kick_pitch_hz"] = found.reason
    cents = fit.cents_from_key(found.hz, analysis.key.name) if found.hz and analysis.key.name else None
    overlaps, notes, share = met.overlaps, met.bass_notes, met.share
    aligned = line.gain_db is not None
    polarity = ("invert" if line.polarity < 0 else "as it is") if aligned else None
    said = decide_lowend.sentences(
        kick=kick.placed.drum.name.rsplit("/", 1)[-1], bass=bass.stem.file.rsplit("/", 1)[-1],
        overlap_sub=overlaps[0], overlap_bass=overlaps[1], kick_share=share, cents=cents, key=analysis.key.name,
        note=found.note, bass_notes=notes,
        bass_cents=decide_lowend.cents_from_bass(found.hz, notes) if found.hz else None, polarity=polarity,
        delay_ms=line.delay_ms if aligned else None, delay_gain_db=line.gain_db, remedies=remedies,
        policy=analysis.policy,
    )  # fmt: skip
    if not row.chosen:
        said = ("The approach is a loop, whose kick cannot be had alone; this is the kick of the kit.", *said)
    finding = LowEnd(
        kick=kick.placed.drum.name, bass_stem=bass.stem.file, overlap_sub=overlaps[0], overlap_bass=overlaps[1],
        kick_share=share, kick_pitch_hz=found.hz, kick_note=found.note, kick_cents_from_key=cents,
        bass_notes=tuple(notes), polarity=polarity, delay_ms=line.delay_ms if aligned else None,
        delay_gain_db=line.gain_db, remedies=remedies, reasons=reasons, sentences=said,
    )  # fmt: skip
    return Result(finding, renders)


def _met(meeting: _Meeting) -> Met:
    """Kick and bass as they are, and every way out at the mildest amount that gives the kick its share."""
    kick, rate = meeting.kick.play, meeting.analysis.rate_hz
    bass = meeting.analysis.keep(
        "bass", Bass, lambda: Bass(meeting.bass_excitation(meeting.bass), _bass_notes(meeting)), meeting.bass_file,
        meeting.start_s, len(meeting.bass),
    )  # fmt: skip
    before = bass.excitation
    kick_excitation = meeting.kick_excitation(kick.samples)
    share, lost = meeting.shares(kick_excitation, before, before)
    laid = kick.laid(start_s=meeting.start_s, length_s=len(meeting.bass) / rate)
    frames = min(len(laid), len(meeting.bass))
    line = low_end.alignment(
        laid[:frames] * 10.0 ** (meeting.gain_db / 20.0), meeting.bass[:frames], rate, max_ms=10.0
    )  # fmt: skip
    remedies, release_ms = _remedies(meeting, kick_excitation, before, lost)
    return Met(
        share=share, overlaps=_zone_overlaps(kick_excitation, before), remedies=remedies, release_ms=release_ms,
        bass_notes=bass.notes, pitch=pitch.pitch(kick.samples, rate),
        line=Line(polarity=line.polarity, delay_ms=line.delay_ms, gain_db=line.gain_db, reason=line.reason),
    )  # fmt: skip


def _rendered(meeting: _Meeting, stem: StemAudio, met: Met) -> tuple[tuple[LowEndRemedy, ...], dict[str, Write]]:
    """The remedies, with a file to hear each that helps."""
    play, slug = meeting.kick.play, meeting.analysis.beat.slug
    assert play.voice is not None
    listed: list[LowEndRemedy] = []
    renders: dict[str, Write] = {}
    for remedy in met.remedies:
        if remedy.kick_share < met.share + HELPS:
            listed.append(remedy)
            continue
        name = f"{slug}-low-end-{remedy.name.replace(' ', '-')}.wav"
        amounts = {key: float(value) for key, value in remedy.amounts.items()}
        if remedy.name == DUCK:
            starts, depth, release = play.voice.starts_s, amounts["depth_db"], met.release_ms
            make = partial(_ducked, stem=stem, starts_s=starts, depth_db=depth, release_ms=release)
            frames = len(meeting.analysis.instrumental)
            renders[name] = keyed(
                meeting.analysis.keep, make, stem.rate_hz, frames, "duck", stem.stem.file, starts, depth, release
            )
        else:
            change = _shortened if remedy.name == SHORTEN else _tuned
            renders[name] = partial(_write_changed, change=change, samples=play.samples, rate=play.rate_hz,
                                    amount=next(iter(amounts.values())))  # fmt: skip
        listed.append(replace(remedy, render=name))
    return tuple(listed), renders


def _bass_stem(analysis: Analysis) -> StemAudio | None:
    """The stem that is called bass, else the one with the most energy below 250 Hz among those that live there."""
    named = [stem for stem in analysis.stems if "bass" in stem.stem.role.lower()]
    living = named or [stem for stem in analysis.stems if stem.low_share > LEAST_BASS_SHARE]
    return max(living, key=lambda stem: stem.low_energy, default=None)


def _meeting(analysis: Analysis, kick: Part, gain_db: float, bass: StemAudio) -> _Meeting | None:
    """The bars in which both sound most; None where there is no bar with both."""
    grid, rate = analysis.grid, analysis.rate_hz
    read = cache(bass.read)  # only where something that needs its sound was not kept
    per_bar = grid.slots_per_bar
    low = hearing.FINE_HZ < LOW_HZ
    powers = analysis.keep("stem powers", SlotPowers, lambda: SlotPowers(
        hearing.slot_powers(hearing.band_energies(read(), rate), grid.slot_edges_s())
    ), bass.stem.file).powers[:, low].sum(axis=1)  # fmt: skip
    drum = kick.powers[:, low].sum(axis=1)
    both = np.sqrt(powers.reshape(-1, per_bar).sum(axis=1) * drum.reshape(-1, per_bar).sum(axis=1))
    if not both.any():
        return None
    bars = min(EXCERPT_BARS, grid.bars)
    sums = np.convolve(both, np.ones(bars), mode="valid")
    first = int(np.argmax(sums))
    start = max(0.0, grid.first_downbeat_s + first * grid.bar_s)
    slots = slice(first * per_bar, (first + bars) * per_bar)
    edges = grid.slot_s * np.arange(slots.stop - slots.start + 1)
    begin, end = round(start * rate), round(start * rate) + round(edges[-1] * rate)
    sound = analysis.keep("stem excerpt", Excerpt, lambda: Excerpt(read()[begin:end]), bass.stem.file, begin, end)
    return _Meeting(
        analysis=analysis, kick=kick, gain_db=gain_db, bass_file=bass.stem.file, bass=sound.samples,
        start_s=start, edges_s=edges, slots=slots, low=occ.zone_weights()[LOW_ZONES].sum(axis=0),
    )  # fmt: skip


def _remedies(
    meeting: _Meeting, plain: Array, before: Array, lost_before: float
) -> tuple[tuple[LowEndRemedy, ...], float]:
    """Duck the bass, shorten the kick, tune the kick: each at the mildest amount that gives the kick its share.

    What the bass loses is counted beyond what the kick masks of it as it is; negative: it gets something back.  The
    second value is the duck's release in ms.
    """
    good = meeting.analysis.policy["low_end_good_share"]
    kick, rate = meeting.kick, meeting.analysis.rate_hz
    voice = kick.play.voice
    assert voice is not None
    times = [start - meeting.start_s for start in voice.starts_s]
    effective = kick.placed.drum.measures.hit.effective_length_s or 0.15
    release = min(LONGEST_RELEASE_MS, max(SHORTEST_RELEASE_MS, 1000.0 * effective))
    length = len(meeting.bass) / rate
    listed: list[LowEndRemedy] = []

    def judged(name: str, label: str, amounts: Mapping[str, float], kick: Array, bass: Array) -> LowEndRemedy:
        reached, lost = meeting.shares(kick, bass, before)
        return LowEndRemedy(name=name, label=label, kick_share=reached, bass_lost=lost - lost_before, amounts=amounts)

    def ducked(depth: float, release: float) -> LowEndRemedy:
        curve = low_end.duck_curve(times, length, rate, depth_db=depth, release_ms=release)[: len(meeting.bass), None]
        label = f"ducking the bass by {depth:.0f} dB with a release of {release:.0f} ms"
        amounts = {"depth_db": depth, "release_ms": float(round(release))}
        return judged(DUCK, label, amounts, plain, meeting.bass_excitation(meeting.bass * curve))

    def shallowest(release: float, best: LowEndRemedy) -> LowEndRemedy:
        """The least depth in whole dB that gives the kick its share; `best` is what the deepest does."""
        low, high = 0, DEEPEST_DUCK_DB
        while best.kick_share >= good and high - low > 1:
            middle = (low + high) // 2
            found = ducked(float(middle), release)
            low, high, best = (low, middle, found) if found.kick_share >= good else (middle, high, best)
        return best

    def shortened(ms: float) -> LowEndRemedy:
        sound = _shortened(kick.play.samples, rate, ms)
        return judged(SHORTEN, f"cutting the kick to {ms:.0f} ms", {"length_ms": ms}, meeting.kick_excitation(sound),
                      before)  # fmt: skip

    def tuned(semitones: int) -> LowEndRemedy:
        sound = _tuned(kick.play.samples, rate, semitones)
        return judged("tune the kick", f"tuning the kick by {semitones:+d} semitones",
                      {"semitones": float(semitones)}, meeting.kick_excitation(sound), before)  # fmt: skip

    if meeting.bass.any():
        releases = sorted({min(LONGEST_RELEASE_MS, ratio * release) for ratio in LONGER_RELEASES})
        deepest = [(ducked(float(DEEPEST_DUCK_DB), ms), ms) for ms in releases]
        enough = [item for item in deepest if item[0].kick_share >= good]
        # The shortest that is enough; where none is, what gives most for what it takes.
        best, release = enough[0] if enough else max(deepest, key=lambda item: item[0].kick_share - item[0].bass_lost)
        listed.append(shallowest(release, best))
    shorter: list[LowEndRemedy] = []
    for ms in (ms for ms in SHORTER_MS if ms < 1000.0 * len(kick.play.samples) / rate):
        shorter.append(shortened(ms))
        if shorter[-1].kick_share >= good:
            break
    if shorter:
        listed.append(max(shorter, key=lambda remedy: (remedy.kick_share >= good, remedy.kick_share)))
    listed.append(max(map(tuned, TUNE_SEMITONES), key=lambda remedy: remedy.kick_share))
    return tuple(listed), release


def _shortened(samples: Samples, rate_hz: int, ms: float) -> Samples:
    return truncate(samples, rate_hz, length_ms=ms, fade_ms=ms / 3.0)


def _tuned(samples: Samples, _: int, semitones: float) -> Samples:
    return np.asarray(soxr.resample(samples, 2.0 ** (semitones / 12.0), 1.0, quality="HQ"))


def _zone_overlaps(kick: Array, bass: Array) -> tuple[float | None, ...]:
    """Share of the kick's loudness that the bass masks, in the sub and in the bass zone."""
    alone = hearing.specific_loudness(kick)
    masked = alone - hearing.partial_loudness(kick, bass)
    out: list[float | None] = []
    for weights in occ.zone_weights()[LOW_ZONES]:
        total = float((alone @ weights).sum())
        out.append(max(0.0, float((masked @ weights).sum()) / total) if total > 1e-6 else None)
    return tuple(out)


def _bass_notes(meeting: _Meeting) -> dict[str, float]:
    """Notes that the bass plays in the excerpt, one look a half bar, from low to high: their frequencies in Hz."""
    rate, grid = meeting.analysis.rate_hz, meeting.analysis.grid
    step = round(grid.bar_s / 2 * rate)
    found: dict[str, float] = {}
    for start in range(0, len(meeting.bass) - step + 1, max(step, 1)):
        heard = pitch.pitch(meeting.bass[start : start + step], rate)
        if heard.hz is not None and heard.note is not None and heard.hz < 400.0:
            found.setdefault(heard.note, heard.hz)
    return dict(sorted(found.items(), key=lambda item: item[1]))


def _nothing(why: str, *, kick: str | None = None) -> LowEnd:
    return LowEnd(
        kick=kick, bass_stem=None, overlap_sub=None, overlap_bass=None, kick_share=None, kick_pitch_hz=None,
        kick_note=None, kick_cents_from_key=None, bass_notes=(), polarity=None, delay_ms=None, delay_gain_db=None,
        remedies=(), sentences=(), reasons={"low_end": why},
    )  # fmt: skip


def _ducked(*, stem: StemAudio, starts_s: Sequence[float], depth_db: float, release_ms: float) -> Samples:
    """The whole bass stem, ducked under every kick: it takes the place of the stem, whose own gain is left out."""
    samples, rate = stem.read(gain=False), stem.rate_hz
    piece = DUCKED_AT_ONCE_S * rate
    for first in range(0, len(samples), piece):
        part = samples[first : first + piece]
        curve = low_end.duck_curve(
            [start - first / rate for start in starts_s], len(part) / rate, rate, depth_db=depth_db,
            release_ms=release_ms,
        )  # fmt: skip
        np.multiply(part, curve[: len(part), None], out=part, casting="same_kind")
    return samples


def _write_changed(
    path: Path, *, change: Callable[[Samples, int, float], Samples], samples: Samples, rate: int, amount: float
) -> None:
    audio.write_wav(path, change(samples, rate, amount), rate, bits=24)
