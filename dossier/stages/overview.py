"""What is found in a beat before anything is built: each stem and drum with its kind, role, tempo and root, and how
each of these is known.

A value comes from "beat.toml", a "tag", the "name" or the "sound"; what has no value has no source either.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from msgspec import Struct

from dossier import audio, stages
from dossier.cache import Cache
from dossier.decide import low_end
from dossier.measure.file_names import kind_from_name, role_from_name, tempo_from_name
from dossier.memo import Memo
from dossier.model.beat import Beat, Stem
from dossier.model.measures import Grid, Key
from dossier.model.parts import Drum
from dossier.model.situation import StemMeasures
from dossier.parallel import thread_map
from dossier.stages.candidates import measured

_SOURCES = {"file name": "name", "estimated": "sound"}


class FoundFile(Struct, frozen=True):
    """One stem or drum as found; `sources` tells of kind, role, tempo_bpm and root where each comes from."""

    file: str
    kind: str  # "stem" | "loop" | "one-shot"
    role: str | None
    tempo_bpm: float | None
    root: str | None  # a note; of a stem the key that its tag states
    duration_s: float
    start_s: float
    rights: str
    sources: dict[str, str]
    notes: tuple[str, ...]
    library: bool = False  # it lies outside the beat, in a folder shared by beats


class Overview(Struct, frozen=True):
    """A beat as it was found."""

    beat: Beat
    grid: Grid
    key: Key
    files: tuple[FoundFile, ...]
    left_out: tuple[str, ...]  # what could not be read, and why
    notes: tuple[str, ...]


def overview(beat: Beat, cache: Cache, say: Callable[[str], None]) -> Overview:
    """Measure what a build would measure first; raises `BeatError` where a build would."""
    analysis, _ = stages.analyse(beat, cache, say)
    music = analysis.here.music
    basses = low_end.bass_stems([(s.file, s.role, one.low_energy, one.low_share) for s, one in music.stems],
                                analysis.here.policy)  # fmt: skip
    pins = {file: role for role, file in beat.kit_pins.items()}
    found = [_stem(stem, measures, stem.file in basses[:1]) for stem, measures in music.stems]
    found += [
        _drum(drum, drum.name in pins, any(library in drum.file.path.parents for library in beat.libraries))
        for drum in sorted(thread_map(partial(measured, memo=Memo(cache)), analysis.drums), key=lambda drum: drum.name)
    ]
    unread = tuple(f"{entry.file}: " for entry in analysis.inputs if not entry.used and not entry.sha256)
    lost = tuple(text for text in analysis.warnings if unread and text.startswith(unread))
    said = {*lost, *(f"{entry.file}: {note}" for entry in found for note in entry.notes)}
    return Overview(
        beat=beat, grid=music.grid, key=music.key, files=tuple(found), left_out=lost,
        notes=tuple(text for text in analysis.warnings if text not in said),
    )


def _stem(stem: Stem, measures: StemMeasures, bass: bool) -> FoundFile:
    tags, named = audio.read_tags(stem.path, shown_as=stem.file), tempo_from_name(stem.file)
    tempo = tags.tempo_bpm or named
    told = {
        "role": "beat.toml" if stem.role else "sound" if bass else "", "root": "tag" if tags.key else "",
        "tempo_bpm": "tag" if tags.tempo_bpm else "name" if named else "",
    }  # fmt: skip
    return FoundFile(
        file=stem.file, kind="stem", role=stem.role or ("bass" if bass else None), tempo_bpm=tempo, root=tags.key,
        duration_s=measures.duration_s, start_s=stem.start_s or 0.0, rights=stem.rights, notes=measures.notes,
        sources={name: source for name, source in told.items() if source},
    )  # fmt: skip


def _drum(drum: Drum, pinned: bool, library: bool) -> FoundFile:
    file, hit, loop, pitch = drum.file, drum.measures.hit, drum.measures.loop, drum.measures.pitch
    tempo = loop.tempo_bpm if loop is not None else None
    by_name = kind_from_name(file.file) == hit.kind, role_from_name(file.file) == hit.role
    told = {
        "kind": "beat.toml" if file.kind or pinned else "name" if by_name[0] else "sound",
        "role": "beat.toml" if file.role else "name" if by_name[1] else "sound",
        "tempo_bpm": _SOURCES.get(loop.tempo_source, loop.tempo_source) if loop is not None else "",
        "root": pitch.source,
    }  # fmt: skip
    values = {"kind": hit.kind, "role": hit.role, "tempo_bpm": tempo, "root": pitch.note}
    return FoundFile(
        file=file.file, kind=hit.kind, role=hit.role, tempo_bpm=tempo, root=pitch.note, rights=file.rights,
        duration_s=drum.measures.duration_s, start_s=0.0, notes=drum.problems,
        library=library,
        sources={name: source for name, source in told.items() if values[name] is not None},
    )  # fmt: skip
