"""Finished mixes: how loud their drums are against their music, as a taste is learnt from them.

A piece is a folder that holds its exports: with stems/ and drums/, with a beat.toml, or all side by side.  What lies in
drums/ or has a drum's name is a drum; roles in beat.toml outrank names.  In drums/ a file without a drum's name has the
role of its hits.  A file with several drums counts for all drums only; beside stems of single drums a bounce of them is
only compared.  Rates may differ: everything is brought to the one that most files have.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from math import log10
from pathlib import Path

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import beatfile
from dossier.archive.ears import votes
from dossier.archive.reader import ArchiveReader
from dossier.archive.standing import in_force
from dossier.arrange.pattern import HIT
from dossier.beatfile.listing import is_audio, list_audio, named
from dossier.decide.policy import USUAL
from dossier.errors import BeatError, Problem
from dossier.measure import loops, loudness
from dossier.measure.file_names import role_from_name
from dossier.memo import Memo
from dossier.model.beat import Beat, Stem
from dossier.model.measures import Samples
from dossier.model.usual import HeardPart, HeardPiece
from dossier.model.vocabulary import ROLES, Role
from dossier.names import clean, printable, slug
from dossier.stages.stems import sum_stems

LISTENED_S = 30.0  # of a file whose hits tell its role
DEEPEST = 4  # folders between the one that is named and a piece
_DRUMS = re.compile(r"\b(drums?|drumbus|drumkit|drumloops?|kit|breaks?|breakbeats?)\b")
_MIX = frozenset({"mix", "mixdown", "mixed", "master", "mastered", "mastering", "premaster"})
_BESIDE_MIX = frozenset({"final", "full", "stereo", "song", "the", "whole", "v"})  # words of a mix's name


class Finished(Struct, frozen=True):
    """One piece as heard, the files that count (content), and what is said of it."""

    heard: HeardPiece
    files: frozenset[str]
    taken: tuple[str, ...]  # file by file, what it was taken for
    notes: tuple[str, ...]


def pieces_in(folder: Path, depth: int = DEEPEST) -> Iterator[Path]:
    """The folder itself if it is a piece, else the pieces inside; links are not followed."""
    with os.scandir(folder) as entries:
        inside = sorted((e.name, e.is_dir(follow_symlinks=False)) for e in entries if not e.name.startswith("."))
    own = any(named(folder, name) for name in ("stems", "drums", beatfile.CONFIG_NAME))
    if own or any(is_audio(name) for name, is_folder in inside if not is_folder):
        yield folder
    elif depth:
        for name, is_folder in inside:
            if is_folder:
                yield from pieces_in(folder / name, depth - 1)


def measure_piece(folder: Path, memo: Memo, policy: Mapping[str, float]) -> Finished:
    """Levels of a piece's drums against its music.  Raises `BeatError` where they cannot be told."""
    beat, drums, bounces, mixes = _sorted_out(folder)
    notes = [f"{stem.file}: a mix, by its name: left out" for stem in mixes]
    if not beat.stems:
        raise _wrong(beat, "has no music beside its drums: export the stems without drums too")
    if not drums and not bounces:
        raise _wrong(beat, "has no drums: put their stems into drums/, or name them (kick.wav, hats.wav, drums.wav)")
    if not drums:
        drums, bounces = dict.fromkeys(bounces), []
    whole = sum_stems(replace(beat, stems=(*beat.stems, *drums)), memo)
    if missing := [entry.file for entry in whole.inputs if not entry.used]:
        raise _wrong(beat, f"cannot be read whole: {', '.join(missing)} needs ffmpeg, or another format")
    rate, length, asked = whole.sounds.rate_hz, whole.frames, {stem.file: role for stem, role in drums.items()}
    music, by_role, taken = whole.samples.copy(), dict[Role | None, Samples](), []
    for stem, measures in whole.stems:
        if stem.file not in asked:
            continue
        samples = whole.sounds[stem]
        music[: len(samples)] -= samples
        if measures.duration_s < policy["taste_least_length"] * length / rate:
            notes.append(f"{stem.file}: {measures.duration_s:.1f} s is a sample, no stem of this music: left out")
            continue
        role = asked[stem.file] or (None if _DRUMS.search(_words(stem)) else _role_of_hits(samples, rate, policy))
        taken.append(f"{stem.file}: {role or 'several drums'}")
        total = by_role.setdefault(role, np.zeros((length, 2), np.float32))
        total[: len(samples)] += samples
    if not by_role:
        raise _wrong(beat, "has no drums of the music's length: export each drum as it plays in the mix")
    level = _level(music, rate, beat, "its music")
    everything = _level(np.sum([*by_role.values()], axis=0), rate, beat, "its drums") - level
    for bounce in bounces:
        own = loudness.integrated(whole.sounds[bounce], rate)
        if own is not None and abs(own - level - everything) > policy["taste_bounce_apart_lu"]:
            notes.append(f"{bounce.file}: {own - level:.1f} LU against the music, the drums' stems together "
                         f"{everything:.1f} LU: these contradict one another, and the stems count")  # fmt: skip
    parts = []
    for role in ROLES:
        if role in by_role and (own := loudness.integrated(by_role[role], rate)) is not None:
            hit = loudness.hit_energy(by_role[role], rate)[1]
            parts.append(HeardPart(role, own - level, None if hit is None else hit - own - _written_db(beat, role)))
    heard = HeardPiece(beat.title, everything, tuple(parts), beat.intent)
    return Finished(heard, frozenset(entry.sha256 for entry in whole.inputs), tuple(taken), (*notes, *whole.remarks))


def _sorted_out(folder: Path) -> tuple[Beat, dict[Stem, Role | None], list[Stem], list[Stem]]:
    """The beat with the music as its stems; single drums with the roles that are told; bounces of drums; mixes."""
    drums: dict[Stem, Role | None] = {}
    if named(folder, "stems") or named(folder, beatfile.CONFIG_NAME):
        beat = beatfile.load(folder)
        own = [drum for drum in beat.drums if not any(library in drum.path.parents for library in beat.libraries)]
        drums, loose = {Stem(file=drum.file, path=drum.path): drum.role for drum in own}, beat.stems
    else:
        name = clean(folder.name) or "piece"
        listing = list_audio(folder, shown=printable(name))
        if listing.problems:
            raise BeatError([Problem(name, "", problem) for problem in listing.problems])
        loose = tuple(Stem(file=printable(file.relative), path=file.path) for file in listing.files)
        beat = Beat(folder=folder, slug=slug(name), title=name, stems=(), drums=())
        drums = dict.fromkeys(stem for stem in loose if stem.file.lower().startswith("drums/"))
    music: list[Stem] = []
    bounces: list[Stem] = []
    mixes: list[Stem] = []
    for stem in (*(stem for stem in loose if stem not in drums), *drums):
        role = drums.get(stem) or role_from_name(stem.role or stem.file)
        if role is not None:
            drums[stem] = role
        elif _DRUMS.search(_words(stem)):
            drums.pop(stem, None)
            bounces.append(stem)
        elif stem not in drums:
            own_words = set(_words(stem).split()) - set(slug(beat.title).split("-"))
            (mixes if own_words & _MIX and own_words <= _MIX | _BESIDE_MIX else music).append(stem)
    return replace(beat, stems=tuple(music)), drums, bounces, mixes


def _written_db(beat: Beat, role: Role) -> float:
    """How much louder than usual the piece's own pattern writes the role's loudest hit; 0 without one."""
    velocities = [hit.velocity for hit in beat.pattern.hits if hit.role == role] if beat.pattern is not None else []
    if beat.pattern is None or not any(velocities):
        return 0.0
    loudest = 40.0 * log10(max(velocities))
    return loudest - (40.0 * log10(HIT) if beat.pattern.swing_applies else USUAL.roles[role].velocity_db)


def _words(stem: Stem) -> str:
    """What it is called, by beat.toml or else by its file's own name: lower-case words without digits."""
    own = stem.role or os.path.splitext(os.path.basename(stem.file))[0]
    return re.sub(r"[^a-z]+", " ", own.lower())


def _role_of_hits(samples: Samples, rate_hz: int, policy: Mapping[str, float]) -> Role | None:
    """The role that nearly all hits have, in what sounds first."""
    sounding = np.flatnonzero(np.abs(samples).max(axis=1) > 0.01 * max(1e-9, float(np.abs(samples).max())))
    if not len(sounding):
        return None
    first = int(sounding[0])
    hits = loops.measure(samples[first : first + round(LISTENED_S * rate_hz)], rate_hz).hits
    (role, most), *_ = [*Counter(hit.role for hit in hits).most_common(1), (None, 0)]
    return role if most and most >= policy["taste_one_role"] * len(hits) else None


def _level(samples: Samples, rate_hz: int, beat: Beat, what: str) -> float:
    level = loudness.integrated(samples, rate_hz)
    if level is None:
        raise _wrong(beat, f"cannot be measured: {what} is silent, or shorter than 0.4 s")
    return level


def _wrong(beat: Beat, message: str) -> BeatError:
    return BeatError([Problem(printable(beat.folder.name), "", message)])


def decided(archive: ArchiveReader) -> list[HeardPiece]:
    """Of each beat, the newest revision whose gains decisions in force changed: by how much, from the levels it used.

    What was agreed to is the program's own, and is not heard back.
    """
    found: list[HeardPiece] = []
    for beat in archive.slugs():
        decisions = in_force(archive.decisions(beat))
        for head in reversed(archive.heads(beat)):
            gains: dict[str, float] = {}
            for decision in decisions:
                if decision.identity == head.revision.identity:
                    gains |= decision.gains_db
            parts = [part for part in head.balance.parts if part.chosen and part.level_lu is not None]
            by_db = {part.id: round(gains.get(part.id, part.gain_db) - part.gain_db, 1) for part in parts}
            if any(by_db.values()) and "all_drums_level_lu" in (used := archive.settings_of(head)):
                before, after = (
                    sum(10.0 ** (((part.level_lu or 0.0) + moved * by_db[part.id]) / 10.0) for part in parts)
                    for moved in (0, 1)
                )
                own = tuple(
                    HeardPart(part.role, used[f"usual_{part.role.replace('-', '_')}_lu"] + by_db[part.id], None,
                              heard=bool(by_db[part.id]))
                    for part in parts if part.role is not None
                )  # fmt: skip
                louder = 10.0 * log10(after / before)
                title = head.beat.title
                name = f"{title} ({beat})" if title in [piece.name for piece in found] else title
                found.append(HeardPiece(name, used["all_drums_level_lu"] + louder, own))
                break
    return found


def preferred(archive: ArchiveReader) -> dict[str, float]:
    """All drums as listeners prefer them blind, in LU against the music, of each beat's newest revision that tells.

    What a listener prefers of the louder and of the softer pair adds up; listeners are averaged.
    """
    found: dict[str, float] = {}
    for beat in archive.slugs():
        cast = [vote for vote in votes(archive.heard(beat)) if vote.drums_db is not None]
        for head in reversed(archive.heads(beat) if cast else []):
            own = [vote for vote in cast if vote.identity == head.revision.identity]
            if own and "all_drums_level_lu" in (used := archive.settings_of(head)):
                listeners = {vote.by.casefold() for vote in own}
                title = head.beat.title
                name = f"{title} ({beat})" if title in found else title
                found[name] = used["all_drums_level_lu"] + sum(vote.drums_db or 0.0 for vote in own) / len(listeners)
                break
    return found


def distinct(found: Iterable[Finished]) -> tuple[list[Finished], list[str]]:
    """Each piece once, under a name of its own; and what is said of copies."""
    kept: list[Finished] = []
    notes = []
    for one in found:
        name = one.heard.name
        twin = next((other.heard.name for other in kept if other.files == one.files), None)
        if twin is not None:
            notes.append(f"{name}: the same files as '{twin}'; counted once")
            continue
        taken = {other.heard.name for other in kept}
        free = next(each for each in (name, *(f"{name} ({n})" for n in range(2, len(taken) + 3))) if each not in taken)
        kept.append(replace(one, heard=replace(one.heard, name=free)))
    return kept, notes
