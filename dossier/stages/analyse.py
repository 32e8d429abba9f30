"""Analyse: a beat's files in, its measurements out.

The instrumental is the sum of the stems at their gains, at the beat's sample rate (the stems' most common one).  It is
brought to its playing level: the mix's target less what the drums will add (policy `instrumental_below_mix`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier import audio
from dossier.cache import Cache, key_of
from dossier.decide.policy import Policy
from dossier.errors import AudioError, BeatError, Problem
from dossier.measure import grid as grid_measure
from dossier.measure import hearing, hits, in_beat, loops, loudness, pitch, stereo
from dossier.measure import occupancy as occ
from dossier.model.beat import Beat, DrumFile
from dossier.model.datafile import InputFile
from dossier.model.findings import Room, SectionFill
from dossier.model.measures import (
    Array,
    Clip,
    FileMeasures,
    Grid,
    Key,
    LoopMeasures,
    Loudness,
    Samples,
    StereoImage,
)
from dossier.model.scene import Scene
from dossier.model.vocabulary import ZONE_KEYS
from dossier.names import printable
from dossier.stages.keep import Keep, source
from dossier.stages.stems import StemAudio, read_instrumental
from dossier.workers import side_by_side

Say = Callable[[str], None]
LEAST_MUSIC_S = 2.0
READ_AHEAD = 16  # candidates
LONGEST_LOOP_S = 40.0  # 16 bars at 100 BPM; what is longer is a stem or a song


@dataclass(frozen=True, slots=True, eq=False)
class SlotPowers:
    """The instrumental's mean power a slot, `(slots, fine bands)`, as it is kept."""

    powers: Array


@dataclass(frozen=True, slots=True, eq=False)
class Drum:
    """One candidate, measured on its own."""

    file: DrumFile
    clip: Clip  # two channels, as it lies on disk
    measures: FileMeasures
    sha256: str
    problems: tuple[str, ...]

    @property
    def name(self) -> str:
        return self.file.file


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """A beat, measured."""

    beat: Beat
    policy: Policy
    target_lufs: float
    listening_level_db_spl: float
    rate_hz: int
    instrumental: Samples  # (frames, 2), as the stems are
    stems: tuple[StemAudio, ...]
    loudness: Loudness
    blocks: Array  # (blocks,), K-weighted mean square of each 100 ms
    image: StereoImage
    grid: Grid
    key: Key
    scene: Scene
    reference_powers: Array  # (fine,), full-scale^2 at the target loudness
    room: Room
    drums: tuple[Drum, ...]
    inputs: tuple[InputFile, ...]
    warnings: tuple[str, ...]
    keep: Keep

    @property
    def scene_gain_db(self) -> float:
        """Gain that brings the instrumental to its playing level."""
        assert self.loudness.integrated_lufs is not None
        return self.target_lufs - self.policy["instrumental_below_mix"] - self.loudness.integrated_lufs


def measure_file(clip: Clip, *, drum: DrumFile, channels: int, bit_depth: str) -> FileMeasures:
    """Everything known of one file on its own; a mono file is measured as it plays, on two channels."""
    samples = audio.to_stereo(clip.samples)
    hit = hits.measure(samples, clip.rate_hz, kind=drum.kind, role=drum.role, name=drum.file)
    loop = None
    if hit.kind == "loop" and clip.duration_s <= LONGEST_LOOP_S:
        loop = loops.measure(samples, clip.rate_hz, tempo_bpm=drum.tempo_bpm, name=drum.file)
    elif hit.kind == "loop":
        loop = _long_loop(samples, clip, drum)
    return FileMeasures(
        file=drum.file, sample_rate_hz=clip.rate_hz, channels=channels, duration_s=clip.duration_s,
        bit_depth=bit_depth, loudness=loudness.measure(samples, clip.rate_hz),
        stereo=stereo.measure(samples, clip.rate_hz), hit=hit, loop=loop, pitch=pitch.pitch(samples, clip.rate_hz),
    )  # fmt: skip


def _long_loop(samples: Samples, clip: Clip, drum: DrumFile) -> LoopMeasures:
    """A file too long for a loop, such as a stem: its grid, without naming its hits."""
    grid = grid_measure.estimate(samples, clip.rate_hz, tempo_bpm=drum.tempo_bpm, names=(drum.file,))
    steady = grid.tempo_source != "assumed"
    why = f"it is longer than {LONGEST_LOOP_S:.0f} s: its hits are not told apart"
    reasons = {"continuity": why, "hits": why}
    if not steady:
        none = grid.notes[0] if grid.notes else "no steady tempo was found in it"
        reasons |= dict.fromkeys(("tempo_bpm", "beats", "swing"), none)
    return LoopMeasures(
        tempo_bpm=grid.tempo_bpm if steady else None, tempo_source=grid.tempo_source,
        beats=round(clip.duration_s * grid.tempo_bpm / 60.0, 2) if steady else None,
        downbeat_s=grid.first_downbeat_s, swing=grid.swing if steady else None, hits=(), continuity=None,
        reasons=reasons,
    )  # fmt: skip


def analyse(beat: Beat, *, cache: Cache, say: Say) -> Analysis:
    """Measure a beat.

    Raises
    ------
    BeatError
        No stem can be read, or the instrumental is silent or too short to measure.
    """
    policy = Policy(beat.policy)
    target = beat.target_lufs if beat.target_lufs is not None else policy["target_lufs"]
    level = beat.listening_level_db_spl if beat.listening_level_db_spl is not None else policy["listening_level"]
    warnings: list[str] = list(beat.notes)

    say("reading stems")
    read = read_instrumental(beat, cache=cache)
    instrumental, rate, stems = read.samples, read.rate_hz, read.stems
    warnings.extend(read.notes)
    others = _other_inputs(beat)
    keep = Keep(cache=cache, mark=key_of(
        [(entry.file, entry.sha256, entry.gain_db) for entry in (*read.inputs, *others)], beat.tempo_bpm, beat.meter,
    ))  # fmt: skip
    where = beat.folder.name
    if len(instrumental) < LEAST_MUSIC_S * rate:
        found = f"the music is {len(instrumental) / rate:.2f} s long; at least {LEAST_MUSIC_S:.0f} s are needed"
        raise BeatError([Problem(where, "stems", f"{found} to measure the room in it")])
    whole, blocks = _loudness(instrumental, rate, keep)
    if whole.integrated_lufs is None:
        why = whole.reasons.get("integrated_lufs", "it is silent")
        raise BeatError([Problem(where, "stems", f"the instrumental's loudness cannot be measured: {why}")])

    say("measuring the instrumental")
    grid = keep("grid", Grid, lambda: grid_measure.estimate(
        instrumental, rate, tempo_bpm=beat.tempo_bpm, first_downbeat_s=beat.first_downbeat_s, swing=beat.swing,
        meter=beat.meter, names=tuple(stem.stem.file for stem in stems),
    ))  # fmt: skip
    warnings.extend(grid.notes)
    if grid.bars < 1:
        found = f"{grid.first_downbeat_s:.2f} s lies past the music, which ends at {len(instrumental) / rate:.2f} s"
        raise BeatError([Problem(where, "first_downbeat", found)])
    key = keep("key", Key, lambda: pitch.key(instrumental, rate)) if beat.key is None else Key(beat.key, 1.0)
    reference_powers = _reference_powers(beat, target, warnings)
    powers = keep("powers", SlotPowers, lambda: SlotPowers(
        hearing.slot_powers(hearing.band_energies(instrumental, rate), grid.slot_edges_s())
    )).powers  # fmt: skip
    scene = build_scene(
        powers, target_lufs=target, level=level, policy=policy, integrated_lufs=whole.integrated_lufs,
        reference_powers=reference_powers,
    )  # fmt: skip
    room = room_of(scene, grid, sections=_sections(beat, grid, warnings))

    say(f"measuring {len(beat.drums)} drum candidates")
    drums, drum_inputs = read_drums(pinned(beat), cache=cache, warnings=warnings)
    return Analysis(
        beat=beat, policy=policy, target_lufs=target, listening_level_db_spl=level, rate_hz=rate,
        instrumental=instrumental, stems=stems, loudness=whole, blocks=blocks, grid=grid,
        image=keep("image", StereoImage, lambda: stereo.measure(instrumental, rate)),
        key=key, scene=scene, reference_powers=reference_powers, room=room, drums=drums,
        inputs=(*read.inputs, *drum_inputs, *others),
        warnings=tuple(warnings), keep=keep,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class WholeLoudness:
    """The instrumental's loudness, as it is kept."""

    loudness: Loudness
    blocks: Array


def _loudness(samples: Samples, rate_hz: int, keep: Keep) -> tuple[Loudness, Array]:
    found = keep("loudness", WholeLoudness, lambda: WholeLoudness(*loudness.measure_with_blocks(samples, rate_hz)))
    return found.loudness, found.blocks


def _other_inputs(beat: Beat) -> list[InputFile]:
    """Settings, grooves and references, by their content."""
    found = [
        InputFile(file=printable(path.name), sha256=audio.sha256(path), rights="own", origin="",
                  kind="settings" if path.suffix == ".toml" else "groove")
        for path in beat.config_files
    ]  # fmt: skip
    return found + [
        InputFile(file=printable(path.name), sha256=audio.sha256(path), kind="reference", rights="unknown", origin="")
        for path in beat.references
    ]


def build_scene(
    powers: Array,
    *,
    target_lufs: float,
    level: float,
    policy: Policy,
    integrated_lufs: float,
    reference_powers: Array,
) -> Scene:
    """The instrumental on the beat's slots (its powers there), at its playing level, against the reference."""
    gain = target_lufs - policy["instrumental_below_mix"] - integrated_lufs
    reference = occ.reference_of(reference_powers, target_lufs=target_lufs, listening_level=level)
    k_weights = 10.0 ** (loudness.k_weight_db(hearing.FINE_HZ) / 10.0)
    return in_beat.scene(
        powers, reference=reference, active=occ.active_slots(powers), k_weights=k_weights,
        spl_offset_db=level - target_lufs + gain,
    )  # fmt: skip


def room_of(scene: Scene, grid: Grid, *, sections: list[tuple[str, int, int]]) -> Room:
    """Fill of the beat, its zones, sections and bars."""
    ref, active = scene.reference, scene.active
    zones = occ.zone_fills(scene.loudness, ref, active)
    per_bar = grid.slots_per_bar
    bars = []
    for bar in range(grid.bars):
        rows = np.zeros(len(active), dtype=bool)
        rows[bar * per_bar : (bar + 1) * per_bar] = True
        bars.append(float(occ.fill(scene.loudness, ref, active=active & rows)) if (active & rows).any() else 0.0)
    parts = []
    for name, first, count in sections:
        rows = np.zeros(len(active), dtype=bool)
        rows[first * per_bar : (first + count) * per_bar] = True
        rows &= active
        if rows.any():
            parts.append(
                SectionFill(name=name, first_bar=first + 1, bars=count, zones=occ.zone_fills(scene.loudness, ref, rows),
                            fill=float(occ.fill(scene.loudness, ref, active=rows)))
            )  # fmt: skip
    return Room(
        fill=float(occ.fill(scene.loudness, ref, active=active)), zones=zones, sections=tuple(parts),
        roomiest_zone=min(ZONE_KEYS, key=lambda zone: zones[zone]),
        fullest_zone=max(ZONE_KEYS, key=lambda zone: zones[zone]), bars=tuple(bars),
    )  # fmt: skip


def pinned(beat: Beat) -> list[DrumFile]:
    """The candidates, those that beat.toml pins to a role in that role, and first among copies of the same sound."""
    roles = {file: role for role, file in beat.kit_pins.items()}
    told = [replace(d, kind="one-shot", role=roles[d.file]) if d.file in roles else d for d in beat.drums]
    return sorted(told, key=lambda drum: drum.file not in roles)


def read_drums(
    files: Sequence[DrumFile], *, cache: Cache, warnings: list[str]
) -> tuple[tuple[Drum, ...], list[InputFile]]:
    """Read and measure the candidates; a file that cannot be used is named in the warnings and left out.

    Of copies of the same sound the first is looked at.
    """
    inputs: list[InputFile] = []
    used: list[tuple[DrumFile, audio.ReadInfo, str]] = []
    seen: dict[str, str] = {}
    for file, found in zip(files, side_by_side(_read, files, ahead=READ_AHEAD), strict=True):
        if isinstance(found, AudioError):
            warnings.append(str(found))
            inputs.append(InputFile(file=file.file, sha256="", kind="drum", rights=file.rights, origin=file.origin,
                                    used=False))  # fmt: skip
            continue
        info, digest = found
        silent = not np.any(info.clip.samples)
        if digest in seen:
            warnings.append(f"{file.file}: the same sound as {seen[digest]}; looked at once")
        if silent:
            warnings.append(f"{file.file}: is silent from start to end; left out")
        wanted = not silent and digest not in seen
        inputs.append(
            InputFile(file=file.file, sha256=digest, kind="drum", rights=file.rights, origin=file.origin,
                      duration_s=info.clip.duration_s, sample_rate_hz=info.clip.rate_hz, channels=info.channels,
                      used=wanted)
        )  # fmt: skip
        if wanted:
            seen[digest] = file.file
            used.append((file, info, digest))

    def drum(entry: tuple[DrumFile, audio.ReadInfo, str]) -> Drum:
        file, info, digest = entry
        clip = Clip(audio.to_stereo(info.clip.samples), info.clip.rate_hz)
        return Drum(file=file, clip=clip, measures=_measured(info, file, digest, cache), sha256=digest,
                    problems=tuple(info.notes))  # fmt: skip

    return tuple(side_by_side(drum, used, ahead=len(used))), inputs


def _read(file: DrumFile) -> tuple[audio.ReadInfo, str] | AudioError:
    try:
        return audio.read_info(file.path, shown_as=file.file), audio.sha256(file.path)
    except AudioError as error:
        return error


def _measured(info: audio.ReadInfo, file: DrumFile, digest: str, cache: Cache) -> FileMeasures:
    return cache.remember(
        key_of("file", source(), digest, file.kind, file.role, file.tempo_bpm, file.file), FileMeasures,
        lambda: measure_file(info.clip, drum=file, channels=info.channels, bit_depth=info.bit_depth),
    )  # fmt: skip


def _reference_powers(beat: Beat, target_lufs: float, warnings: list[str]) -> Array:
    """The reference at the target loudness: the user's own recordings averaged, or the published average."""
    means = []
    for path in beat.references:
        try:
            clip = audio.read(path, shown_as=printable(path.name))
        except AudioError as error:
            warnings.append(f"reference left out: {error}")
            continue
        energies = hearing.band_energies(audio.to_stereo(clip.samples), clip.rate_hz)
        means.append(energies.cumulative[-1] / energies.duration_s)
    if not means:
        return occ.reference_powers(target_lufs=target_lufs)
    return occ.own_reference_powers(np.array(means), target_lufs=target_lufs)


def _sections(beat: Beat, grid: Grid, warnings: list[str]) -> list[tuple[str, int, int]]:
    """Named sections as given, cut to the music's length; bars after the last one are one more section."""
    out = []
    for section in beat.sections:
        end = section.first_bar + section.bars
        if end > grid.bars:
            heard = f"only to bar {grid.bars}" if section.first_bar < grid.bars else "not at all"
            warnings.append(
                f"section '{section.name}' is said to reach bar {end}, the music ends with bar {grid.bars}: "
                f"it is looked at {heard}"
            )
        if section.first_bar < grid.bars:
            out.append((section.name, section.first_bar, min(section.bars, grid.bars - section.first_bar)))
    end = max((first + count for _, first, count in out), default=0)
    if end < grid.bars:
        out.append(("whole" if not out else "rest", end, grid.bars - end))
    return out
