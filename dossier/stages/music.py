"""Music: the instrumental measured on its own, the scene that it makes, and how full that is.

It is brought to its level in the mix: the mix's target less what drums at the level that is asked for will add.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import asdict, replace

from dossier import audio
from dossier.decide.balance import usual_levels
from dossier.decide.policy import USUAL, Policy
from dossier.errors import AudioError, BeatError, Problem
from dossier.measure import drum_hits, hearing, in_beat, loudness, pitch, stereo
from dossier.measure import grid as grid_measure
from dossier.measure import occupancy as occ
from dossier.measure.grid import SAME_TEMPO
from dossier.measure.key_finding import CLEAR_KEY
from dossier.memo import Memo
from dossier.model.beat import Beat, Section
from dossier.model.findings import DrumsHeard, Room, SectionFill
from dossier.model.measures import Array, Grid, Key, Mask, Samples, Tags
from dossier.model.scene import Scene
from dossier.model.situation import Conditions, Music, MusicMeasures, SectionIntent, Situation
from dossier.model.vocabulary import ZONE_KEYS
from dossier.names import printable
from dossier.parallel import thread_map
from dossier.stages.stems import StemSounds, SummedStems

LEAST_MUSIC_S = 2.0
VOICE = re.compile(r"voice|vocal|\bvox\b|[_-]vox")  # breath and sibilants are noise, as drums are


def conditions_of(beat: Beat) -> Conditions:
    """What the user asked for, the defaults where nothing was."""
    usual = USUAL if beat.taste is None else beat.taste.usual
    policy = Policy(beat.policy, usual)
    level = beat.listening_level_db_spl
    return Conditions(
        policy=dict(policy), target_lufs=policy["target_lufs"] if beat.target_lufs is None else beat.target_lufs,
        listening_level_db_spl=policy["listening_level"] if level is None else level,
        intent=beat.intent, voice=beat.voice, role_intents=beat.role_intents, usual=usual_levels(usual, policy),
    )  # fmt: skip


def measure_music(beat: Beat, summed: SummedStems, memo: Memo) -> Music:
    """Loudness, grid, key, width and powers of the instrumental.

    Raises `BeatError` where it is silent or too short to measure, or the first downbeat lies past its end.
    """
    frames, rate, where = summed.frames, summed.sounds.rate_hz, beat.folder.name
    if frames < LEAST_MUSIC_S * rate:
        found = f"the music is {frames / rate:.2f} s long; at least {LEAST_MUSIC_S:.0f} s are needed"
        raise BeatError([Problem(where, "stems", f"{found} to measure the room in it")])
    kept = memo(
        "heard", MusicMeasures, lambda: _measured(beat, summed, where), beat.tempo_bpm,
        beat.first_downbeat_s, beat.swing, beat.meter, beat.key,
    )  # fmt: skip
    integrated = kept.loudness.integrated_lufs
    assert integrated is not None
    if kept.grid.bars < 1:
        found = f"{kept.grid.first_downbeat_s:.2f} s lies past the music, which ends at {frames / rate:.2f} s"
        raise BeatError([Problem(where, "first_downbeat", found)])
    measures = asdict(kept)
    return Music(sound=summed.sound, frames=frames, rate_hz=rate, stems=summed.stems,
                 sound_of=summed.sounds.__getitem__, integrated_lufs=integrated, **measures)  # fmt: skip


def _measured(beat: Beat, summed: SummedStems, where: str) -> MusicMeasures:
    samples, sounds = summed.samples, summed.sounds
    rate_hz = sounds.rate_hz
    tags = [(stem.file, audio.read_tags(stem.path, shown_as=stem.file)) for stem in beat.stems]
    tagged = Counter(tag.tempo_bpm for _, tag in tags if tag.tempo_bpm is not None)
    tag_bpm = max(tagged, key=lambda tempo: (tagged[tempo], -tempo), default=None)
    looks: list[Callable[[], Any]] = [
        lambda: loudness.measure_with_blocks(samples, rate_hz),
        lambda: grid_measure.estimate(
            samples, rate_hz, tempo_bpm=beat.tempo_bpm, first_downbeat_s=beat.first_downbeat_s, swing=beat.swing,
            meter=beat.meter, tag_bpm=tag_bpm, names=tuple(stem.file for stem in beat.stems),
        ),
        lambda: pitch.key(samples, rate_hz) if beat.key is None else None,
        lambda: hearing.band_energies(samples, rate_hz),
        lambda: stereo.measure(samples, rate_hz),
        lambda: drum_hits.hits(samples, rate_hz),
        summed.keep,
    ]  # fmt: skip
    found = thread_map(lambda look: look(), looks, ahead=len(looks), each_bytes=samples.nbytes)
    whole, blocks = next(found)
    if whole.integrated_lufs is None:
        why = whole.reasons.get("integrated_lufs", "it is silent")
        raise BeatError([Problem(where, "stems", f"the instrumental's loudness cannot be measured: {why}")])
    grid, heard_key, energies, image, hits, _ = found
    key, doubts = _key_of(beat, tags, heard_key)
    drums = _drums_heard(beat, samples, sounds, grid, hits)
    notes = (*grid.notes, *doubts, *_tempo_doubts(beat.tempo_bpm or tag_bpm, tags), *_drum_notes(drums, grid.bars))
    return MusicMeasures(
        loudness=whole, blocks=blocks, grid=replace(grid, notes=notes), key=key, image=image,
        powers=hearing.slot_powers(energies, grid.frame_edges_s()), drums=drums,
    )  # fmt: skip


def _drums_heard(
    beat: Beat, samples: Samples, sounds: StemSounds, grid: Grid, hits: tuple[Array, float]
) -> tuple[DrumsHeard, ...]:
    """Runs of bars with drums in the music, and the stems that hold them; `hits` are those of the whole."""
    times_s, mean_power = hits
    runs = drum_hits.bars_with_drums(times_s, grid)
    own = {beat.stems[0].file: runs}
    if runs and len(beat.stems) > 1:
        alone = thread_map(lambda stem: drum_hits.hits(sounds[stem], sounds.rate_hz, mean_power=mean_power)[0],
                           beat.stems, each_bytes=samples.nbytes)  # fmt: skip
        own = {stem.file: drum_hits.bars_with_drums(found, grid) for stem, found in zip(beat.stems, alone, strict=True)}
    voices = {stem.file for stem in beat.stems if VOICE.search(f"{stem.role} {stem.file}".lower())}
    heard = (
        DrumsHeard(first_bar=first + 1, bars=count, stems=tuple(
            file for file, theirs in own.items() if any(a < first + count and a + n > first for a, n in theirs)
        )) for first, count in runs
    )  # fmt: skip
    return tuple(run for run in heard if not run.stems or set(run.stems) - voices)


def _drum_notes(drums: Sequence[DrumsHeard], bars: int) -> list[str]:
    """One sentence for the runs of bars that the same stems hold."""
    spans: dict[tuple[str, ...], list[str]] = {}
    for run in drums:
        last = run.first_bar + run.bars - 1
        spans.setdefault(run.stems, []).append("throughout" if run.bars == bars else f"in bars {run.first_bar}-{last}")
    return [
        f"Drums are heard in the music already, {', '.join((*told, *(f'of {file}' for file in stems)))}: they count as "
        "music here, and what is advised plays on top of them. Kicks alone or drums without a top would not be found."
        for stems, told in spans.items()
    ]


def _key_of(beat: Beat, tags: Sequence[tuple[str, Tags]], heard: Key | None) -> tuple[Key, list[str]]:
    """The user's key, else the one that most stems' tags state, else the one `heard`; and what speaks against.

    Of keys that as many tags state, the one that is heard is taken.
    """
    stated = Counter(tag.key for _, tag in tags if tag.key is not None)
    if heard is None:
        key = Key(beat.key, 1.0, source="beat.toml")
    elif stated:
        key = Key(max(stated, key=lambda name: (stated[name], name == heard.name)), 0.9, source="tag")
    else:
        return heard, []
    doubts = [
        f"{file}: its tag states {tag.key}; {key.name} ({key.source}) is taken."
        for file, tag in tags if tag.key not in (None, key.name)
    ]  # fmt: skip
    if heard is not None and heard.name not in (None, key.name) and heard.confidence >= CLEAR_KEY:
        doubts.append(f"The stems' tags state {key.name}, which is taken; their sound is nearer to {heard.name}.")
    return key, doubts


def _tempo_doubts(stated: float | None, tags: Sequence[tuple[str, Tags]]) -> list[str]:
    """Stems whose tag states another tempo than goes first, and what else their tags hold that cannot be."""
    other = [
        f"{file}: its tag states {tag.tempo_bpm:g} BPM; {stated:g} goes first."
        for file, tag in tags
        if stated and tag.tempo_bpm is not None and abs(tag.tempo_bpm / stated - 1.0) > SAME_TEMPO
    ]
    return other + [f"{file}: {note}" for file, tag in tags for note in tag.notes]


def situation_of(
    music: Music, conditions: Conditions, reference_powers: Array, sections: Sequence[Section] = (),
    over_music_lu: float | None = None,
) -> Situation:  # fmt: skip
    """The music at its level in the mix, against the reference.

    `over_music_lu`: how much louder than the music alone the mix is; None: as drums at the level that is asked for, and
    nothing else, make it.
    """
    over = conditions.usual.mix_over_music_lu(conditions.intent) if over_music_lu is None else over_music_lu
    gain = conditions.target_lufs - over - music.integrated_lufs
    level, target = conditions.listening_level_db_spl, conditions.target_lufs
    reference_powers = tilted(reference_powers, conditions.policy["reference_tilt_db"])
    policy, share = conditions.policy, conditions.policy["voice_room"] if conditions.voice == "expected" else 0.0
    scene = in_beat.scene(
        music.powers, reference=occ.reference_of(reference_powers, target_lufs=target, listening_level=level),
        kept=occ.kept_share(share, policy["voice_from_hz"], policy["voice_to_hz"]),
        active=occ.active_frames(music.powers), k_weights=10.0 ** (loudness.k_weight_db(hearing.FINE_HZ) / 10.0),
        spl_offset_db=level - target + gain,
    )  # fmt: skip
    scene = replace(scene, masking_db=conditions.policy["masking_moved_db"])
    return Situation(music=music, conditions=conditions, scene=scene, reference_powers=reference_powers,
                     mix_over_music_lu=over, sections=tuple(_with_intent(music, sections)))  # fmt: skip


def tilted(powers: Array, tilt_db: float) -> Array:
    """Powers in the fine bands, raised by `tilt_db` at the lowest and lowered by it at the highest."""
    along = np.interp(hearing.FINE_CAM, hearing.FINE_CAM[[0, -1]], [1.0, -1.0])
    return np.asarray(powers * 10.0 ** (tilt_db * along / 10.0))


def _with_intent(music: Music, sections: Sequence[Section]) -> Iterator[SectionIntent]:
    """The sections that have an intent of their own; a silent one is as loud as the whole."""
    for section in sections:
        if section.intent is None or section.first_bar >= music.grid.bars:
            continue
        begin = music.grid.first_downbeat_s + section.first_bar * music.grid.bar_s
        end = begin + section.bars * music.grid.bar_s
        there = music.blocks[round(begin / loudness.BLOCK_S) : round(end / loudness.BLOCK_S)]
        level = loudness.integrated_from_blocks(there)
        bars = min(section.bars, music.grid.bars - section.first_bar)
        yield SectionIntent(section.name, section.intent, section.first_bar, bars,
                            0.0 if level is None else level - music.integrated_lufs)  # fmt: skip


def reference_of(beat: Beat, target_lufs: float) -> tuple[Array, list[str]]:
    """The reference's powers at the target loudness, from the user's own recordings or published; and warnings."""

    def mean_power(path: Path) -> Array | str:
        try:
            clip = audio.read(path, shown_as=printable(path.name))
        except AudioError as error:
            return f"reference left out: {error}"
        energies = hearing.band_energies(audio.to_stereo(clip.samples), clip.rate_hz)
        return np.asarray(energies.cumulative[-1] / energies.duration_s)

    found = list(thread_map(mean_power, beat.references))
    means = [item for item in found if not isinstance(item, str)]
    warnings = [item for item in found if isinstance(item, str)]
    if not means:
        return occ.reference_powers(target_lufs=target_lufs), warnings
    return occ.own_reference_powers(np.array(means), target_lufs=target_lufs), warnings


def room_of(scene: Scene, grid: Grid, sections: Sequence[tuple[str, int, int]]) -> Room:
    """Fill of the beat, its zones, sections `(name, first bar, bars)` and bars."""
    ref, active = scene.reference, scene.active

    def rows_of(first: int, bars: int) -> Mask:
        rows = np.zeros(len(active), dtype=bool)
        rows[grid.frames_of(first, bars)] = True
        return np.asarray(rows & active)

    def fill(rows: Mask) -> float:
        return float(occ.fill(scene.loudness, ref, active=rows)) if rows.any() else 0.0

    zones, kept = occ.zone_fills(scene.loudness, ref, active), occ.zone_fills(scene.kept * ref[None, :], ref)
    parts = tuple(
        SectionFill(name=name, first_bar=first + 1, bars=count, fill=fill(rows_of(first, count)),
                    zones=occ.zone_fills(scene.loudness, ref, rows_of(first, count)))
        for name, first, count in sections if rows_of(first, count).any()
    )  # fmt: skip
    return Room(
        fill=fill(active), zones=zones, sections=parts, kept={zone: share for zone, share in kept.items() if share},
        roomiest_zone=min(ZONE_KEYS, key=lambda zone: zones[zone] + kept[zone]),
        fullest_zone=max(ZONE_KEYS, key=lambda zone: zones[zone]),
        bars=tuple(fill(rows_of(bar, 1)) for bar in range(grid.bars)),
    )  # fmt: skip


def sections_of(beat: Beat, grid: Grid) -> tuple[list[tuple[str, int, int]], list[str]]:
    """Named sections, cut to the music's length; bars after the last one are one more section.  And warnings."""
    out, warnings = [], []
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
    return out, warnings
