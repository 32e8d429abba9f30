"""Which audio files a beat is made of: stems, drums, the pins of its kit, references.

Conventions
    What beat.toml lists is joined with what lies in stems/ and drums/.  An entry for a single file outranks one for its
    folder, and a deeper folder outranks a higher one.  A stem is never a candidate.  Two names for one file on the disk
    are one file.  A library, a folder of drums elsewhere, comes after the beat's own.  Its globs ignore case, `*` goes
    across folders, and a glob without a slash is also held against the file's name alone.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import cast

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from dossier.audio.sniff import EXPORT
from dossier.beatfile.listing import (
    AudioFile,
    FileId,
    Listing,
    ShownNames,
    id_of,
    is_audio,
    list_audio,
    locate,
    named,
    relative_to,
    state_of,
)
from dossier.beatfile.schema import BeatTable, DrumEntry, meter_of, stated
from dossier.beatfile.validate import Ledger, found, join
from dossier.files import FOLDER, leads_out
from dossier.model.beat import NOTHING_GIVEN, DrumFile, Given, Stem
from dossier.model.vocabulary import Kind, Role
from dossier.names import clean, did_you_mean, printable

# Comparing names takes about 50 us a pair; ten thousand wrong names must not take minutes.
LINK_OUT = "is a link that leads out of the beat; put the file itself there, or name its folder under library"
MAX_SUGGESTIONS = 20
MAX_COMPARED = 500
# Sound that is not read: in stems/ it may not be passed over, as the music would be another one.
SOUND_ENDINGS = frozenset((".ape", ".mp2", ".mpc", ".au", ".snd", ".ac3", ".amr", ".dsf", ".dff", ".tta", ".ra", ".sd2",
                           ".aup3", ".mogg", ".m4p", ".3gp", ".mov"))  # fmt: skip
MAX_ENDINGS = 8  # of files passed over, in a note
_FILE_RANK = 10**6  # outranks folders of any depth
_DRUMS_RANK, _LIBRARY_RANK = -1, -2


class Sources(Struct, frozen=True):
    """The audio files of one beat."""

    stems: tuple[Stem, ...]
    drums: tuple[DrumFile, ...]
    kit_pins: Mapping[Role, str]
    references: tuple[Path, ...]
    libraries: tuple[Path, ...]


class _Claim(Struct, frozen=True):
    """An entry of beat.toml, the drums folder itself or a library, that lists a file."""

    rank: int
    place: str
    path: Path
    library: Path
    entry: DrumEntry | None
    of_library: bool = False  # named within `library`, wherever that lies


def find_sources(
    folder: Path, table: BeatTable, ledger: Ledger, *, given: Given = NOTHING_GIVEN, bounce: Path | None = None
) -> Sources:
    """Find all audio files that a beat names, holds or is given; problems go into the ledger.

    Of a single `bounce` nothing else in its folder is looked at.
    """
    return _Finder(folder, ledger, given, bounce).sources(table)


def wanted(name: str, include: Sequence[str], exclude: Sequence[str]) -> bool:
    """Whether globs let a name pass: any of `include`, if there are any, and none of `exclude`."""
    folded = name.casefold()

    def matches(glob: str) -> bool:
        told = glob.casefold().removeprefix("./")
        return fnmatchcase(folded, told) or ("/" not in told and fnmatchcase(folded.rpartition("/")[2], told))

    return (not include or any(map(matches, include))) and not any(map(matches, exclude))


def hyphened(word: str) -> str:
    """`closed hat` and `one shot` as the project writes them."""
    return word.replace(" ", "-")


class _Finder:
    def __init__(self, folder: Path, ledger: Ledger, given: Given, bounce: Path | None) -> None:
        self.folder = folder
        self.ledger = ledger
        self.given = given
        self.bounce = bounce
        self.own = {name: named(folder, name) if bounce is None else [] for name in ("stems", "drums")}
        taken = [name for names in self.own.values() for name in names]
        self.shown = ShownNames(folder, (*taken, *map(str.casefold, taken)))
        self.libraries: list[Path] = []
        self.suggestions = 0

    def sources(self, table: BeatTable) -> Sources:
        stems, stem_places = self.stems(table)
        drums = self.drums(table, stem_places)
        listed = sorted(drums.values(), key=lambda drum: (drum.file.casefold(), drum.file))
        return Sources(
            stems=stems, drums=tuple(listed), kit_pins=self.kit(table, drums), references=self.references(table),
            libraries=tuple(self.libraries),
        )  # fmt: skip

    def listing(self, name: str) -> Listing:
        """The audio in stems/ or drums/, however these are written, by names relative to the beat folder."""
        found = Listing()
        for own in self.own[name]:
            why = state_of(self.folder / own)
            if why == FOLDER and not leads_out(self.folder / own, self.folder):
                listing = self.listed(self.folder / own, own, self.ledger.about_folder, self.folder)
                found.problems += listing.problems
                found.files += [replace(file, relative=f"{own}/{file.relative}") for file in listing.files]
                found.others += listing.others
                continue
            why = LINK_OUT if why == FOLDER else why or "is a file; it has to be a folder"
            found.problems.append(f"{own} {why}")
            self.ledger.about_folder(found.problems[-1])
        return found

    def listed(self, folder: Path, shown: str, about: Callable[[str], None], home: Path | None = None) -> Listing:
        """The audio in a folder, whose links may lead into `home`; what was noticed is said."""
        listing = list_audio(folder, shown=shown, home=home)
        if home is not None:
            listing.problems += [f"{link} {LINK_OUT}" for link in listing.outside]
        elif listing.outside:
            links = f"{len(listing.outside)} link{'s' if len(listing.outside) > 1 else ''}"
            listing.notes.append(f"passed over in {shown}: {links} out of it, such as {listing.outside[0]}")
        for message in listing.problems:
            about(message)
        self.ledger.notes += listing.notes
        if not listing.others:
            return listing
        endings = Counter(os.path.splitext(other)[1].lower() or "no ending" for other in listing.others)
        most = [ending for ending, _ in endings.most_common(MAX_ENDINGS)]
        told = printable(", ".join(sorted(most))) + (", ..." if len(endings) > MAX_ENDINGS else "")
        count = f"{len(listing.others)} file{'s' if len(listing.others) > 1 else ''}"
        self.ledger.notes.append(f"passed over in {shown}: {count} of other kinds ({told})")
        return listing

    def file_named(self, key: str, text: str, known: list[str]) -> Path | None:
        """The audio file that an entry names; None, and a problem, if it cannot be one."""
        path = locate(self.folder, text)
        why = state_of(path)
        if why is None and relative_to(path, self.folder) is not None and leads_out(path, self.folder):
            why = LINK_OUT
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

    def stems(self, table: BeatTable) -> tuple[tuple[Stem, ...], dict[FileId, str]]:
        listing = self.listing("stems")
        if self.bounce is not None:
            listing.files.append(AudioFile(self.bounce, self.bounce.name, id_of(self.bounce), link=False))
        for other in listing.others:
            if (ending := os.path.splitext(other)[1].lower()) in SOUND_ENDINGS:
                kinds = f"sound of a kind that is not read ({ending})"
                self.ledger.about_folder(f"stems: '{printable(other)}' is {kinds}; {EXPORT}, or take it away")
        known = [file.relative for file in listing.files]
        stems: list[Stem] = []
        places: dict[FileId, str] = {}
        for index, entry in enumerate(table.stems):
            key = f"stems[{index}].file"
            path = self.file_named(key, entry.file, known) if entry.file else None
            if path is None:
                continue
            here = id_of(path)
            if here in places:
                self.ledger.about_key(key, f"{found(entry.file)} is the same file as {places[here]}; list it once")
                continue
            places[here] = f"stems[{index}]"
            shown = self.shown.of(path, library=path.parent)
            stems.append(Stem(
                file=shown, path=path, gain_db=entry.gain_db, origin=clean(entry.origin), rights=entry.rights,
                role=clean(entry.role), start_s=self.start(f"stems[{index}].start", entry.start, table),
            ))  # fmt: skip
        listed = set(places)
        unlisted = [file for file in listing.files if file.id not in listed]
        for file in unlisted:
            shown = self.shown.of(file.path, library=file.path.parent)
            why = state_of(file.path)
            if why is None and file.id in places:
                why = f"is the same file as {places[file.id]}; remove one of the two"
            if why is not None:
                self.ledger.about_folder(f"{shown} {why}")
                continue
            places[file.id] = shown
            stems.append(Stem(file=shown, path=file.path))
        if table.stems and unlisted:
            names = ", ".join(printable(file.relative) for file in unlisted)
            self.ledger.notes.append(f"stems that beat.toml does not list are used with defaults: {names}")
        if not stems and not table.stems and not unlisted and not listing.problems:
            self.ledger.about_folder(self.no_stems(listing))
        return tuple(stems), places

    def start(self, key: str, told: float | str | UnsetType, table: BeatTable) -> float | None:
        """Where a stem begins, in seconds."""
        if not isinstance(told, str):
            return stated(told, None)
        if isinstance(table.tempo, UnsetType):
            self.ledger.about_key(key, f"is {found(told)}, which needs tempo; state the tempo, or the start in seconds")
            return None
        (beats, unit), downbeat = meter_of(table) or (4, 4), stated(table.first_downbeat, 0.0)
        return downbeat + (int(told.removeprefix("bar ")) - 1) * beats * 4.0 / unit * 60.0 / table.tempo

    def no_stems(self, listing: Listing) -> str:
        what = "has no stems: put the exported tracks without drums (wav, aiff, flac, mp3, ogg) into its folder stems/"
        near = sorted(listing.others)
        if not near:
            with os.scandir(self.folder) as entries:
                names = sorted(entry.name for entry in entries)
            near = [name for name in names if is_audio(name) or name.casefold() in ("stem", "stems")]
        return f"{what}; found: {printable(', '.join(near[:5]))}" if near else what

    def drums(self, table: BeatTable, stem_places: Mapping[FileId, str]) -> dict[FileId, DrumFile]:
        claims: dict[FileId, _Claim] = {}
        known: list[str] = []
        for file in self.listing("drums").files:
            known.append(file.relative)
            if file.id not in stem_places:
                claims.setdefault(file.id, _Claim(_DRUMS_RANK, "drums", file.path, self.folder, None))
        for here, claim in self.library(table):
            if here not in stem_places:
                claims.setdefault(here, claim)
        folders: dict[FileId, str] = {}
        for index, entry in enumerate(table.drums):
            key = f"drums[{index}]"
            if entry.kind != UNSET and entry.kind != "loop" and entry.tempo != UNSET:
                self.ledger.about_key(f"{key}.tempo", "is given for a one-shot; only a loop has a tempo")
            self.check_slices(key, entry)
            for claim in self.claims_of(key, entry, known, folders) if entry.file else ():
                self.stake(claim, claims, stem_places)
        ordered = sorted(claims.items(), key=lambda item: str(item[1].path))
        return {here: self.drum(claim) for here, claim in ordered}

    def check_slices(self, key: str, entry: DrumEntry) -> None:
        """What is said of a loop's slices has to be said of one loop, and in order."""
        told = {"means": entry.means != UNSET, "slices": bool(entry.slices), "feel": entry.feel != "own",
                "plays": bool(entry.plays)}  # fmt: skip
        for name in (name for name, given in told.items() if given):
            if entry.kind != UNSET and entry.kind != "loop":
                self.ledger.about_key(f"{key}.{name}", "is given for a one-shot; only a loop is brought to a tempo")
            elif name in ("slices", "plays") and state_of(locate(self.folder, entry.file)) == FOLDER:
                self.ledger.about_key(f"{key}.{name}", "is given for a folder; it belongs to a single loop")
        for index, (one, after) in enumerate(pairwise(entry.slices), 1):
            if after <= one:
                told_s = f"{after:g} s after {one:g} s; allowed: times that rise"
                self.ledger.about_key(f"{key}.slices[{index}]", told_s)

    def library(self, table: BeatTable) -> list[tuple[FileId, _Claim]]:
        """Every file in the libraries that the globs let pass."""
        told = [(f"library[{index}]", locate(self.folder, text)) for index, text in enumerate(table.library)]
        told += [("", Path(os.path.abspath(path))) for path in self.given.drums]
        include, exclude = (*table.include, *self.given.include), (*table.exclude, *self.given.exclude)
        claims: list[tuple[FileId, _Claim]] = []
        for key, path in told:
            about = self.ledger.about_folder if not key else partial(self.ledger.about_key, key)
            name, why = f"{'' if key else '--drums '}{found(path.name)}", state_of(path)
            if why != FOLDER:
                about(f"{name} {why or 'is a file; name the folder of drums that holds it'}")
                continue
            self.libraries.append(path)
            listing = self.listed(path, self.shown.of_folder(path, hidden=True), about)
            passed = [file for file in listing.files if wanted(file.relative, include, exclude)]
            if not passed and not listing.problems:
                about(f"{name} holds no audio file{' that include and exclude let pass' if listing.files else ''}")
            claims += [(file.id, _Claim(_LIBRARY_RANK, "library", file.path, path, None, True)) for file in passed]
        return claims

    def claims_of(self, key: str, entry: DrumEntry, known: list[str], folders: dict[FileId, str]) -> list[_Claim]:
        """What an entry of [[drums]] lists: a file, or each audio file in a folder."""
        path = locate(self.folder, entry.file)
        if state_of(path) != FOLDER:
            file = self.file_named(f"{key}.file", entry.file, known)
            return [] if file is None else [_Claim(_FILE_RANK, key, file, file.parent, entry)]
        before = folders.setdefault(id_of(path), key)
        if before != key:
            self.ledger.about_key(f"{key}.file", f"{found(entry.file)} is the same folder as {before}; list it once")
            return []
        listing = self.listed(path, self.shown.of_folder(path), partial(self.ledger.about_key, f"{key}.file"))
        if not listing.files and not listing.problems:
            self.ledger.about_key(f"{key}.file", f"{found(entry.file)} is a folder without audio files")
        return [_Claim(len(path.parts), key, file.path, path, entry) for file in listing.files]

    def stake(self, claim: _Claim, claims: dict[FileId, _Claim], stem_places: Mapping[FileId, str]) -> None:
        """Let a claim replace the one before it if it outranks it."""
        here, key = id_of(claim.path), f"{claim.place}.file"
        if here in stem_places:
            if claim.rank == _FILE_RANK:
                self.ledger.about_key(key, f"is a stem too ({stem_places[here]}); a stem cannot be a candidate")
            return
        before = claims.get(here)
        if before is not None and before.rank == claim.rank == _FILE_RANK:
            self.ledger.about_key(key, f"is the same file as {before.place}; list it once")
        elif before is None or before.rank < claim.rank:
            if before is not None and before.of_library:  # it keeps its name, by which decisions know it
                claim = replace(claim, library=before.library, of_library=True)
            claims[here] = claim

    def drum(self, claim: _Claim) -> DrumFile:
        file, entry = self.shown.of(claim.path, library=claim.library, hidden=claim.of_library), claim.entry
        if entry is None:
            return DrumFile(file=file, path=claim.path)
        return DrumFile(
            file=file, path=claim.path, origin=clean(entry.origin), rights=entry.rights,
            kind=None if isinstance(entry.kind, UnsetType) else cast(Kind, hyphened(entry.kind)),
            role=None if isinstance(entry.role, UnsetType) else cast(Role, hyphened(entry.role)),
            tempo_bpm=stated(entry.tempo, None), means=stated(entry.means, None), slices_s=tuple(entry.slices),
            feel=entry.feel, plays={cast(Role, hyphened(word)): time_s for word, time_s in entry.plays.items()},
        )  # fmt: skip

    def kit(self, table: BeatTable, drums: Mapping[FileId, DrumFile]) -> dict[Role, str]:
        by_name = {drum.file: drum for drum in drums.values()}
        listed = {entry.file for entry in table.drums}
        pins: dict[Role, str] = {}
        for word, text in table.kit.items():
            key, role = join("kit", word), cast(Role, hyphened(word))
            drum = by_name.get(text) or drums.get(id_of(locate(self.folder, text)))
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
        files: dict[FileId, Path] = {}
        for key, path in named:
            if path is not None and files.setdefault(id_of(path), path) is not path:
                self.ledger.about_key(key, "is named twice; list it once")
        return tuple(files.values())
