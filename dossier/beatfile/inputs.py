"""Which audio files a beat is made of: stems, drums, the pins of its kit, references.

Conventions
    What beat.toml lists is joined with what lies in stems/ and drums/.  An entry for a single file outranks one for its
    folder, and a deeper folder outranks a higher one.  A stem is never a candidate.  Two names for one file on the disk
    are one file.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from msgspec import UNSET, UnsetType

from dossier.beatfile import listing as files
from dossier.beatfile.listing import FOLDER, Identity, Listing, ShownNames, identity, is_audio, locate, state_of
from dossier.beatfile.schema import BeatTable, DrumEntry
from dossier.beatfile.validate import Ledger, found, join
from dossier.model.beat import DrumFile, Stem
from dossier.model.vocabulary import Kind, Role
from dossier.names import clean, did_you_mean, printable

# Comparing names takes about 50 us a pair; ten thousand wrong names must not take minutes.
MAX_SUGGESTIONS = 20
MAX_COMPARED = 500
_FILE_RANK = 10**6  # outranks folders of any depth


@dataclass(frozen=True, slots=True)
class Inputs:
    """The audio files of one beat."""

    stems: tuple[Stem, ...]
    drums: tuple[DrumFile, ...]
    kit_pins: Mapping[Role, str]
    references: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class _Claim:
    """An entry of beat.toml, or the drums folder itself, that lists a file."""

    rank: int
    place: str
    path: Path
    library: Path
    entry: DrumEntry | None


def find_inputs(folder: Path, table: BeatTable, ledger: Ledger) -> Inputs:
    """Find all audio files that a beat names or holds; problems go into the ledger."""
    return _Finder(folder, ledger).inputs(table)


def hyphened(word: str) -> str:
    """`closed hat` and `one shot` as the project writes them."""
    return word.replace(" ", "-")


class _Finder:
    def __init__(self, folder: Path, ledger: Ledger) -> None:
        self.folder = folder
        self.ledger = ledger
        self.shown = ShownNames(folder)
        self.suggestions = 0

    def inputs(self, table: BeatTable) -> Inputs:
        stems, stem_places = self.stems(table)
        drums = self.drums(table, stem_places)
        listed = sorted(drums.values(), key=lambda drum: (drum.file.casefold(), drum.file))
        return Inputs(
            stems=stems, drums=tuple(listed), kit_pins=self.kit(table, drums), references=self.references(table)
        )

    def listing(self, name: str, *, recursive: bool) -> Listing:
        """The audio in stems/ or drums/; empty where there is no such folder."""
        path = self.folder / name
        if not os.path.lexists(path):
            return Listing()
        why = state_of(path)
        if why != FOLDER:
            problem = f"{name} {why or 'is a file; it has to be a folder'}"
            self.ledger.about_folder(problem)
            return Listing(problems=[problem])
        listing = files.list_audio(path, shown=name, recursive=recursive)
        for message in listing.problems:
            self.ledger.about_folder(message)
        self.ledger.notes.extend(listing.notes)
        if listing.others:
            endings = sorted({os.path.splitext(other)[1].lower() or "no ending" for other in listing.others})
            count = f"{len(listing.others)} file{'s' if len(listing.others) > 1 else ''}"
            self.ledger.notes.append(f"passed over in {name}: {count} of other kinds ({printable(', '.join(endings))})")
        return listing

    def file_named(self, key: str, text: str, known: list[str]) -> Path | None:
        """The audio file that an entry names; None, and a problem, if it cannot be one."""
        path = locate(self.folder, text)
        why = state_of(path)
        if why is None and not is_audio(path.name):
            why = "is no audio file by its ending; allowed: wav, aiff, flac, mp3, ogg"
        if why is None:
            return path
        self.ledger.about_key(key, f"{found(text)} {why}{self.suggestion(text, known)}")
        return None

    def suggestion(self, text: str, known: list[str]) -> str:
        """The file that was probably meant, for the first problems only; among many files, one in the same folder."""
        if self.suggestions == MAX_SUGGESTIONS:
            return ""
        self.suggestions += 1
        if len(known) > MAX_COMPARED:
            known = [name for name in known if os.path.dirname(name) == os.path.dirname(text)][:MAX_COMPARED]
        return did_you_mean(text, known)

    def stems(self, table: BeatTable) -> tuple[tuple[Stem, ...], dict[Identity, str]]:
        listing = self.listing("stems", recursive=False)
        known = [f"stems/{file.relative}" for file in listing.files]
        stems: list[Stem] = []
        places: dict[Identity, str] = {}
        for index, entry in enumerate(table.stems):
            key = f"stems[{index}].file"
            path = self.file_named(key, entry.file, known) if entry.file else None
            if path is None:
                continue
            here = identity(path)
            if here in places:
                self.ledger.about_key(key, f"{found(entry.file)} is the same file as {places[here]}; list it once")
                continue
            places[here] = f"stems[{index}]"
            shown = self.shown.of(path, library=path.parent)
            stems.append(Stem(
                file=shown, path=path, gain_db=entry.gain_db, origin=clean(entry.origin), rights=entry.rights,
                role=clean(entry.role),
            ))  # fmt: skip
        listed = set(places)
        unlisted = [file for file in listing.files if file.identity not in listed]
        for file in unlisted:
            shown = self.shown.of(file.path, library=file.path.parent)
            why = state_of(file.path)
            if why is None and file.identity in places:
                why = f"is the same file as {places[file.identity]}; remove one of the two"
            if why is not None:
                self.ledger.about_folder(f"{shown} {why}")
                continue
            places[file.identity] = shown
            stems.append(Stem(file=shown, path=file.path))
        if table.stems and unlisted:
            names = ", ".join(printable(file.relative) for file in unlisted)
            self.ledger.notes.append(f"stems that beat.toml does not list are used with defaults: {names}")
        if not stems and not table.stems and not unlisted and not listing.problems:
            self.ledger.about_folder(self.no_stems(listing))
        return tuple(stems), places

    def no_stems(self, listing: Listing) -> str:
        what = "has no stems: put the exported tracks without drums (wav, aiff, flac, mp3, ogg) into its folder stems/"
        near = sorted(listing.others)
        if not near:
            with os.scandir(self.folder) as entries:
                names = sorted(entry.name for entry in entries)
            near = [name for name in names if is_audio(name) or name.casefold() in ("stem", "stems")]
        return f"{what}; found: {printable(', '.join(near[:5]))}" if near else what

    def drums(self, table: BeatTable, stem_places: Mapping[Identity, str]) -> dict[Identity, DrumFile]:
        claims: dict[Identity, _Claim] = {}
        known: list[str] = []
        for file in self.listing("drums", recursive=True).files:
            known.append(f"drums/{file.relative}")
            if file.identity not in stem_places:
                claims.setdefault(file.identity, _Claim(-1, "drums", file.path, self.folder, None))
        folders: dict[Identity, str] = {}
        for index, entry in enumerate(table.drums):
            key = f"drums[{index}]"
            if entry.kind != UNSET and entry.kind != "loop" and entry.tempo != UNSET:
                self.ledger.about_key(f"{key}.tempo", "is given for a one-shot; only a loop has a tempo")
            for claim in self.claims_of(key, entry, known, folders) if entry.file else ():
                self.stake(claim, claims, stem_places)
        ordered = sorted(claims.items(), key=lambda item: str(item[1].path))
        return {here: self.drum(claim) for here, claim in ordered}

    def claims_of(self, key: str, entry: DrumEntry, known: list[str], folders: dict[Identity, str]) -> list[_Claim]:
        """What an entry of [[drums]] lists: a file, or each audio file in a folder."""
        path = locate(self.folder, entry.file)
        if state_of(path) != FOLDER:
            file = self.file_named(f"{key}.file", entry.file, known)
            return [] if file is None else [_Claim(_FILE_RANK, key, file, file.parent, entry)]
        before = folders.setdefault(identity(path), key)
        if before != key:
            self.ledger.about_key(f"{key}.file", f"{found(entry.file)} is the same folder as {before}; list it once")
            return []
        listing = files.list_audio(path, shown=self.shown.of_folder(path), recursive=True)
        for message in listing.problems:
            self.ledger.about_key(f"{key}.file", message)
        self.ledger.notes.extend(listing.notes)
        if not listing.files and not listing.problems:
            self.ledger.about_key(f"{key}.file", f"{found(entry.file)} is a folder without audio files")
        return [_Claim(len(path.parts), key, file.path, path, entry) for file in listing.files]

    def stake(self, claim: _Claim, claims: dict[Identity, _Claim], stem_places: Mapping[Identity, str]) -> None:
        """Let a claim replace the one before it if it outranks it."""
        here, key = identity(claim.path), f"{claim.place}.file"
        if here in stem_places:
            if claim.rank == _FILE_RANK:
                self.ledger.about_key(key, f"is a stem too ({stem_places[here]}); a stem cannot be a candidate")
            return
        before = claims.get(here)
        if before is not None and before.rank == claim.rank == _FILE_RANK:
            self.ledger.about_key(key, f"is the same file as {before.place}; list it once")
        elif before is None or before.rank < claim.rank:
            claims[here] = claim

    def drum(self, claim: _Claim) -> DrumFile:
        file, entry = self.shown.of(claim.path, library=claim.library), claim.entry
        if entry is None:
            return DrumFile(file=file, path=claim.path)
        return DrumFile(
            file=file, path=claim.path, origin=clean(entry.origin), rights=entry.rights,
            kind=None if isinstance(entry.kind, UnsetType) else cast(Kind, hyphened(entry.kind)),
            role=None if isinstance(entry.role, UnsetType) else cast(Role, hyphened(entry.role)),
            tempo_bpm=None if isinstance(entry.tempo, UnsetType) else entry.tempo,
        )  # fmt: skip

    def kit(self, table: BeatTable, drums: Mapping[Identity, DrumFile]) -> dict[Role, str]:
        by_name = {drum.file: drum for drum in drums.values()}
        listed = {entry.file for entry in table.drums}
        pins: dict[Role, str] = {}
        for word, text in table.kit.items():
            key, role = join("kit", word), cast(Role, hyphened(word))
            drum = by_name.get(text) or drums.get(identity(locate(self.folder, text)))
            if drum is None and text in listed:
                continue  # said of its own entry already
            if drum is None:
                hint = self.suggestion(text, list(by_name))
                self.ledger.about_key(key, f"{found(text)} is not among the drums of this beat{hint}")
            elif drum.kind == "loop":
                self.ledger.about_key(key, f"{found(text)} is said to be a loop; a kit is made of one-shots")
            elif role in pins:
                self.ledger.about_key(key, f"is pinned twice, as '{role}' and as '{role.replace('-', ' ')}'")
            else:
                pins[role] = drum.file
        return pins

    def references(self, table: BeatTable) -> tuple[Path, ...]:
        if isinstance(table.reference, UnsetType):
            return ()
        texts = [(f"reference.files[{index}]", text) for index, text in enumerate(table.reference.files)]
        named = [(key, self.file_named(key, text, [])) for key, text in texts]
        files: dict[Identity, Path] = {}
        for key, path in named:
            if path is not None and files.setdefault(identity(path), path) is not path:
                self.ledger.about_key(key, "is named twice; list it once")
        return tuple(files.values())
