"""The files of a beat folder, and the names under which they are shown.  Lists files; never opens one.

Conventions
    A shown name is relative, with forward slashes: to the beat folder for what lies in it, to the library for what lies
    elsewhere (`library-name/kicks/a.wav`), so that no page that is passed on holds a path of somebody's machine.  A
    home folder is named after its user, so that name is never shown.  Shown names are unique within a beat.
    Names that start with a dot are passed over (hidden files, resource forks).  Links are followed within the beat or
    the library, never out of it, and no folder is read twice or from inside itself, so a loop ends.  Two names for one
    file on the disk (a link, a hard link) are the same file.
"""

from __future__ import annotations

import itertools
import os
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from msgspec import Struct, field

from dossier.audio.sniff import SUFFIX_FORMATS
from dossier.files import FOLDER, leads_out, not_a_file, why_unreadable
from dossier.names import printable

MAX_FILES = 50_000  # audio files in a folder of candidates; a whole library has some ten thousand
MAX_ENTRIES = 500_000  # names looked at, so that a link to a whole disk ends
MAX_DEPTH = 32

FileId = tuple[int, int] | str


class AudioFile(Struct, frozen=True):
    """A file, and its name relative to the listed folder (forward slashes)."""

    path: Path
    relative: str
    id: FileId
    link: bool


def named(folder: Path, name: str) -> list[str]:
    """What a folder holds under a name in any case, the name as it is written here first."""
    try:
        with os.scandir(folder) as entries:
            alike = [entry.name for entry in entries if entry.name.casefold() == name]
    except (OSError, ValueError):
        return []
    return sorted(alike, key=lambda found: (found != name, found))


class Listing(Struct):
    """The audio files of a folder by name, links last, and what was noticed."""

    home: Path = Path()
    files: list[AudioFile] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)  # names of files that are no audio
    outside: list[str] = field(default_factory=list)  # links that lead out of `home`
    looked_at: int = 0

    @property
    def full(self) -> bool:
        return len(self.files) > MAX_FILES or self.looked_at > MAX_ENTRIES


def id_of(path: Path) -> FileId:
    """What two names for one file share: device and inode, or else the path."""
    return state_and_id(path)[1]


def is_audio(name: str) -> bool:
    """Whether a name ends like an audio file's."""
    return os.path.splitext(name)[1].lower() in SUFFIX_FORMATS


def state_of(path: Path) -> str | None:
    """Why a path cannot be used as a file, to follow its name in a sentence; None for a regular file."""
    return state_and_id(path)[0]


def state_and_id(path: Path) -> tuple[str | None, FileId]:
    """As `state_of` and `id_of`, from one look at the disk."""
    try:
        found = os.stat(path)
    except (OSError, ValueError) as error:
        return why_unreadable(error), os.path.abspath(path)
    return not_a_file(found.st_mode), (found.st_dev, found.st_ino) if found.st_ino else os.path.realpath(path)


def list_audio(folder: Path, *, shown: str, home: Path | None = None) -> Listing:
    """The audio files of a folder and its sub-folders; no link is followed out of `home`, the folder itself if None."""
    listing = Listing(home=home or folder)
    seen = {id_of(folder), *(id_of(parent) for parent in folder.absolute().parents)}
    _list(folder, "", printable(shown), seen, listing)
    if listing.full:
        listing.problems.append(f"{printable(shown)} holds more than {MAX_FILES} audio files; name a smaller folder")
    listing.files.sort(key=lambda file: (file.link, file.relative.casefold(), file.relative))
    return listing


def _list(folder: Path, inside: str, shown: str, seen: set[FileId], listing: Listing) -> None:
    try:
        with os.scandir(folder) as entries:
            visible = [entry for entry in entries if not entry.name.startswith((".", "__MACOSX"))]
            named = sorted((entry.is_symlink(), entry.name) for entry in visible)
    except (OSError, ValueError) as error:
        listing.problems.append(f"the folder {shown}/{printable(inside)} {why_unreadable(error)}")
        return
    for link, name in named:  # links last, so that their targets keep their own names
        path, relative = folder / name, inside + name
        listing.looked_at += 1
        if listing.full:
            return
        if link and (is_audio(name) or path.is_dir()) and path.exists() and leads_out(path, listing.home):
            listing.outside.append(f"{shown}/{printable(relative)}")
            continue
        state, here = state_and_id(path)
        if state != FOLDER:
            if is_audio(name):
                listing.files.append(AudioFile(path=path, relative=relative, id=here, link=link))
            else:
                listing.others.append(relative)
        elif here in seen or relative.count("/") >= MAX_DEPTH:
            listing.notes.append(f"{shown}/{printable(relative)} leads to a folder that is read already; passed over")
        else:
            seen.add(here)
            _list(path, relative + "/", shown, seen, listing)


def locate(folder: Path, text: str) -> Path:
    """The path that a text in beat.toml means: absolute, with `~/`, `.` and `..` resolved.

    Where nothing exists under the text as written, the forms that other systems write are tried: composed and
    decomposed Unicode, backslashes between folders.
    """
    forms = [text, unicodedata.normalize("NFC", text), unicodedata.normalize("NFD", text)]
    forms += [form.replace("\\", "/") for form in forms if "\\" in form]
    paths = [Path(os.path.normpath(os.path.join(folder, os.path.expanduser(form)))) for form in forms]
    return next((path for path in paths if state_of(path) in (None, FOLDER)), paths[0])


class ShownNames:
    """Gives each file of a beat a unique name to be shown under."""

    def __init__(self, folder: Path, taken: Iterable[str]) -> None:
        self._folder = folder
        self._labels: dict[FileId, str] = {}
        self._ids = cache(id_of)  # asked again for each file of a library
        self._taken_labels = set(taken)
        self._names: set[str] = set()
        self._users = _user_names()

    def of(self, path: Path, *, library: Path, hidden: bool = False) -> str:
        """The name of `path`, which beat.toml names or which lies in `library`, a folder that it names.

        Where the library is `hidden`, the name begins with the library's own wherever it lies.
        """
        inside = None if hidden else relative_to(path, self._folder)
        if inside is None:
            below = relative_to(path, library)
            inside = f"{self._label(library)}/{path.name if below is None else below}"
        stem, suffix = os.path.splitext(printable(inside))
        return _free(stem, "{} ({})", self._names, suffix)

    def of_folder(self, folder: Path, *, hidden: bool = False) -> str:
        """The name of a folder that beat.toml names, as it precedes the names of its files."""
        inside = None if hidden else relative_to(folder, self._folder)
        return self._label(folder) if inside is None else printable(inside)

    def _label(self, library: Path) -> str:
        here = self._ids(library)
        if here not in self._labels:
            name = library.name
            hidden = not name or name in self._users or library.parent in (Path("/home"), Path("/Users"))
            self._labels[here] = _free("library" if hidden else printable(name), "{}-{}", self._taken_labels)
        return self._labels[here]


def _free(stem: str, numbered: str, taken: set[str], suffix: str = "") -> str:
    """The name itself, or the first numbered one that is not taken; takes it."""
    names = itertools.chain([stem], (numbered.format(stem, count) for count in itertools.count(2)))
    free = next(name + suffix for name in names if name + suffix not in taken)
    taken.add(free)
    return free


def relative_to(path: Path, folder: Path) -> str | None:
    """`path` relative to `folder` with forward slashes; None if it lies elsewhere."""
    try:
        return path.relative_to(folder).as_posix()
    except ValueError:
        return None


def _user_names() -> frozenset[str]:
    names = {os.environ.get(variable, "") for variable in ("USER", "LOGNAME", "USERNAME")}
    return frozenset({*names, os.path.basename(os.path.expanduser("~"))} - {""})
