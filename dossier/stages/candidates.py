"""Candidates: drum files measured on their own, and laid into the beat."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio
from dossier.arrange import loops, one_shots
from dossier.arrange import pattern as patterns
from dossier.errors import AudioError
from dossier.measure import grid as grid_measure
from dossier.measure import hearing, hits, loudness, pitch, stereo, true_peak
from dossier.measure import loops as loop_measure
from dossier.memo import Memo
from dossier.model.beat import Beat, DrumFile
from dossier.model.measures import (
    FRAME_S,
    OUTLINE_PIECES,
    Array,
    BandEnergies,
    Clip,
    FileMeasures,
    Grid,
    LoopMeasures,
    Samples,
    Tags,
)
from dossier.model.parts import Drum, DrumPart, Groove, Played, SeenDrum
from dossier.model.situation import Situation
from dossier.stages.library import sound_of, voice_of

READ_AHEAD = 16  # candidates
LONGEST_LOOP_S = 40.0  # 16 bars at 100 BPM; what is longer is a stem or a song
WRAP_S = 0.25  # of a loop's own end and start around it, so that analysis windows see its neighbours
NO_TAGS = Tags()


def measure_file(
    clip: Clip, *, drum: DrumFile, channels: int, bit_depth: str, tags: Tags = NO_TAGS
) -> FileMeasures:
    """Everything known of one file on its own; a mono file is measured as it plays, on two channels."""
    samples = audio.to_stereo(clip.samples)
    hit = hits.measure(samples, clip.rate_hz, kind=drum.kind, role=drum.role, name=drum.file)
    loop = None
    if hit.kind == "loop" and clip.duration_s <= LONGEST_LOOP_S:
        loop = loop_measure.measure(samples, clip.rate_hz, tempo_bpm=drum.tempo_bpm, tag_bpm=tags.tempo_bpm,
                                    name=drum.file, hits_at_s=drum.slices_s)  # fmt: skip
    elif hit.kind == "loop":
        loop = _long_loop(samples, clip, drum, tags)
    found, root_notes = pitch.with_root(pitch.pitch(samples, clip.rate_hz), tags.root_note)
    return FileMeasures(
        file=drum.file, sample_rate_hz=clip.rate_hz, channels=channels, duration_s=clip.duration_s,
        bit_depth=bit_depth, loudness=loudness.measure(samples, clip.rate_hz),
        stereo=stereo.measure(samples, clip.rate_hz), hit=hit, loop=loop, pitch=found,
        notes=(*tags.notes, *root_notes, *(loop.notes if loop is not None else ())),
    )  # fmt: skip


def _long_loop(samples: Samples, clip: Clip, drum: DrumFile, tags: Tags) -> LoopMeasures:
    """A file too long for a loop, such as a stem: its grid, without naming its hits."""
    grid = grid_measure.estimate(samples, clip.rate_hz, tempo_bpm=drum.tempo_bpm, names=(drum.file,))
    steady = grid.tempo_source != "assumed"
    tag_bpm = tags.tempo_bpm
    notes: tuple[str, ...] = ()
    if drum.tempo_bpm is None and tag_bpm is not None:
        if steady and not loop_measure.related(tag_bpm, grid.tempo_bpm):
            notes = (f"{tag_bpm:g} BPM (tag) does not fit its sound, which has {grid.tempo_bpm:.4g} BPM",)
        else:
            held = grid_measure.estimate(samples, clip.rate_hz, tempo_bpm=tag_bpm)
            grid, steady = replace(held, tempo_source="tag"), True
    why = f"it is longer than {LONGEST_LOOP_S:.0f} s: its hits are not told apart"
    reasons = {"continuity": why, "hits": why}
    if not steady:
        none = grid.notes[0] if grid.notes else "no steady tempo was found in it"
        reasons |= dict.fromkeys(("tempo_bpm", "beats", "swing"), none)
    return LoopMeasures(
        tempo_bpm=grid.tempo_bpm if steady else None, swing=grid.swing if steady else None,
        beats=round(clip.duration_s * grid.tempo_bpm / 60.0, 2) if steady else None, tempo_source=grid.tempo_source,
        downbeat_s=grid.first_downbeat_s, hits=(), continuity=None, reasons=reasons, notes=notes,
    )  # fmt: skip


def pinned(beat: Beat) -> list[DrumFile]:
    """The candidates, those that beat.toml pins to a role in that role, and first among copies of the same sound."""
    roles = {file: role for role, file in beat.kit_pins.items()}
    told = [replace(d, kind="one-shot", role=roles[d.file]) if d.file in roles else d for d in beat.drums]
    return sorted(told, key=lambda drum: drum.file not in roles)


class KnownFile(Struct, frozen=True, eq=False):
    """What is kept of a file, so that it need not be decoded to be ranked."""

    measures: FileMeasures
    outline: Array  # see `Drum`
    silent: bool
    notes: tuple[str, ...]


def known_file(file: DrumFile, memo: Memo) -> tuple[str, KnownFile] | AudioError:
    """The digest of a file and what is known of it, from the cache or measured; or why it cannot be read."""

    def measure() -> KnownFile:
        info = audio.read_info(file.path, shown_as=file.file)
        if audio.sha256(file.path) != digest:
            raise AudioError(f"{file.file}: was changed while it was read; build it again")
        tags = audio.read_tags(file.path, shown_as=file.file)
        measures = measure_file(info.clip, drum=file, channels=info.channels, bit_depth=info.bit_depth, tags=tags)
        return KnownFile(measures, outline_of(info.clip, measures), not np.any(info.clip.samples), tuple(info.notes))

    try:
        digest = audio.sha256(file.path)
        found = memo("measured", KnownFile, measure, digest, file.kind, file.role, file.tempo_bpm, file.file,
                     file.slices_s)  # fmt: skip
        return digest, found
    except AudioError as error:
        return error


def outline_of(clip: Clip, measures: FileMeasures) -> Array:
    """`Drum.outline` of a file, float32."""
    energies = hearing.band_energies(clip.samples, clip.rate_hz)
    if measures.hit.kind == "loop":
        begin, step = 0.0, clip.duration_s / OUTLINE_PIECES
    else:
        begin, step = measures.hit.onset_s, FRAME_S
    edges = begin + step * np.arange(OUTLINE_PIECES + 1)
    both = 2.0 if clip.samples.shape[1] == 1 else 1.0  # a mono file plays on two channels
    return np.asarray(both * hearing.slot_powers(energies, edges), dtype=np.float32)


def measured(seen: SeenDrum, memo: Memo) -> Drum:
    """A candidate measured on its own; raises `AudioError` where its file is no longer what was looked at."""
    if seen.drum is not None:
        return seen.drum
    known = known_file(seen.file, memo)
    if isinstance(known, AudioError):
        raise known
    digest, of = known
    if digest != seen.sha256:
        raise AudioError(f"{seen.name}: was changed during the build; build it again")
    return drum_of(seen.file, digest, of)


def drum_of(file: DrumFile, digest: str, of: KnownFile) -> Drum:
    return Drum(file=file, clip=None, outline=of.outline, measures=of.measures, sha256=digest,
                problems=(*of.notes, *of.measures.notes))  # fmt: skip


def groove_of(beat: Beat, grid: Grid) -> Groove:
    """The beat's own patterns, or a plain one, said to be assumed."""
    pattern = beat.pattern or patterns.plain(grid.meter)
    return Groove(
        pattern=pattern, section_patterns=beat.section_patterns, assumed=beat.pattern is None,
        voices=one_shots.voices(grid, pattern, beat.section_patterns, beat.sections),
    )  # fmt: skip


def drum_part(drum: Drum, here: Situation, groove: Groove) -> DrumPart | None:
    """A one-shot laid into the beat; None without a role, and for a loop, which each of its means lays anew."""
    grid = here.grid
    hit = drum.measures.hit
    role = hit.role if hit.kind == "one-shot" else None
    voice, assumed = (None, False) if role is None else voice_of(role, groove, grid)
    if voice is None:
        return None
    at_rate = audio.resample(sound_of(drum), here.music.rate_hz)
    start = round(hit.onset_s * at_rate.rate_hz)
    notes = []
    if at_rate.duration_s - hit.onset_s > grid.bars * grid.bar_s:
        notes.append(f"longer than the beat: it rings for {at_rate.duration_s - hit.onset_s:.1f} s and is cut there")
    return DrumPart(
        name=drum.name, kind="one-shot", role=role, samples=np.asarray(at_rate.samples[start:], dtype=np.float64),
        rate_hz=at_rate.rate_hz, grid=grid, voice=voice, loop=None, assumed_voice=assumed, notes=tuple(notes),
    )  # fmt: skip


def part_powers(part: DrumPart, samples: Samples | None = None) -> Array:
    """Mean power a frame, `(frames, fine bands)`, at 0 dB gain; of other (treated) samples where given."""
    sound = part.samples if samples is None else samples
    if part.voice is not None:
        energies = hearing.band_energies(sound, part.rate_hz)
        return one_shots.lay_energies(energies, part.voice, part.grid.frame_edges_s())
    return loops.lay_cycle_energies(_cycle_energies(sound, part.rate_hz), part.grid)


def as_it_plays(part: DrumPart, duration_s: float) -> Played:
    """Loudness and peaks of the drum part on the grid of a beat of some length, at 0 dB gain.

    A hit is measured once and its energies are added up; hits of a voice end one another, so peaks are those of one.
    """
    grid, sound, rate = part.grid, part.samples, part.rate_hz
    length = max(duration_s, grid.first_downbeat_s + grid.slots * grid.slot_s)
    energies, hit_lufs = loudness.hit_energy(sound, rate)
    if part.voice is not None:
        edges = loudness.BLOCK_S * np.arange(int(length / loudness.BLOCK_S + 1e-6) + 1)
        blocks = one_shots.lay_energies(energies, part.voice, edges)[:, 0]
        loudest_db = 20.0 * float(np.log10(max(part.voice.gains)))
    else:
        first, last = loops.span(grid, rate)
        frames, loudest_db = round(length * rate), 0.0
        blocks = loudness.repeated_block_energy(sound, rate, first=first, last=min(frames, last), frames=frames)
    if hit_lufs is None:
        return Played(blocks, None, None, None, None)
    peaks = (float(np.abs(sound).max()), true_peak.true_peak(sound))
    return Played(blocks, loudness.integrated_from_blocks(blocks), hit_lufs + loudest_db,
                  *(20.0 * float(np.log10(peak)) + loudest_db for peak in peaks))  # fmt: skip


def _cycle_energies(cycle: Samples, rate_hz: int) -> BandEnergies:
    """Band energies of one pass as it sounds when repeated: measured with its own end before it and start after it."""
    pad = min(len(cycle), round(WRAP_S * rate_hz))
    around = np.concatenate([cycle[len(cycle) - pad :], cycle, cycle[:pad]])
    energies = hearing.band_energies(around, rate_hz)
    duration = len(cycle) / rate_hz
    steps = max(1, round(duration / energies.step_s))
    times = pad / rate_hz + np.linspace(0.0, duration, steps + 1)
    inside = one_shots.cumulative_at(energies, times)
    return BandEnergies(cumulative=inside - inside[0], step_s=duration / steps, duration_s=duration)
