"""Reading an archive: its beats, revisions, decisions and where each stands.  Needs no lock and writes nothing.

Conventions
    What cannot be read is skipped, reported once through `say`, and listed in the index; it never hides the rest.
    See `dossier.archive` for the layout on disk.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection
from itertools import count
from pathlib import Path
from typing import BinaryIO, TypeVar

from dossier import __version__
from dossier.archive import ears
from dossier.archive.dataformat import decode, read_data, read_head
from dossier.archive.decisions import Log, read_log
from dossier.archive.revisions import DataHead, head_of, revision_id, revision_number, same_music, summarize
from dossier.archive.standing import stand
from dossier.errors import ArchiveError, UnusableFileError
from dossier.files import explain, read_bounded
from dossier.model.datafile import BareDossier, Decision, DossierData, ProgramInfo, RevisionInfo
from dossier.model.ears import Agreement, RunTold
from dossier.model.index import INDEX_FORMAT_VERSION, ArchiveIndex, BeatSummary, Skipped
from dossier.model.standing import Standing
from dossier.names import printable

T = TypeVar("T")
LOG = "decisions.jsonl"
MAX_DATA_BYTES = 32 << 20  # a long beat with hundreds of drums has one or two
MAX_LOG_BYTES = 32 << 20  # ten thousand decisions of usual length have three
_DATA_FILE = re.compile(r"(.+)-(r\d+)\.json\Z")
# No archive counts so far: a higher number in a decision is damage and would, if believed, be the next revision.
_HIGHEST_DECIDED = 10**18


class ArchiveReader:
    """One archive folder, to read.

    `root` need not exist: the first write makes it.  `say` gets each thing worth telling the user (waiting for another
    build, a damaged file passed over), once.
    """

    def __init__(self, root: Path, *, say: Callable[[str], None] | None = None) -> None:
        self.root = Path(root)
        self._say = say
        self._said: set[str] = set()

    def _tell(self, message: str) -> None:
        if self._say is not None and message not in self._said:
            self._said.add(message)
            self._say(message)

    def slugs(self) -> tuple[str, ...]:
        """The beats that have at least one data file, by name."""
        return tuple(folder.name for folder in self._folders() if self._numbers(folder.name))

    def heads(self, slug: str) -> list[DataHead]:
        """What the archive works with of each readable revision of a beat, oldest first."""
        return self._heads(slug)

    def revisions(self, slug: str) -> tuple[RevisionInfo, ...]:
        """The readable revisions of a beat, oldest first."""
        return tuple(head.revision for head in self._heads(slug))

    def latest(self, slug: str) -> DossierData | None:
        """The newest readable dossier of a beat, or None where there is none."""
        return self._latest(slug, DossierData)

    def latest_bare(self, slug: str) -> BareDossier | None:
        """The same without its maps, in a third of the time."""
        return self._latest(slug, BareDossier)

    def dossier(self, slug: str, revision: str) -> DossierData:
        """One dossier; ArchiveError where its data file cannot be read."""
        path = self.root / slug / f"{slug}-{revision}.json"
        return read_data(self._read(path), shown_as=self._shown(path))

    def settings_of(self, head: DataHead) -> dict[str, float]:
        """The settings that a revision was built with; none where its data file is damaged, which is told."""
        try:
            used = self.dossier(head.beat.slug, head.revision.id).settings
        except ArchiveError as error:
            self._tell(f"passed over {error}")
            return {}
        return {setting.name: setting.value for setting in used}

    def renders_of(self, slug: str, revision: str) -> Path:
        """The folder of a revision's renders; it exists only where there are any."""
        return self.root / slug / f"{slug}-{revision}"

    def render_paths(self, head: DataHead) -> list[Path]:
        """Where the renders that a data file lists are, or were; none for a name that leads elsewhere."""
        folder, names = self._renders(head)
        return [folder / name for name in names]

    def _renders_there(self, head: DataHead) -> int:
        """How many of the renders that a data file lists are still on the disk."""
        folder, names = self._renders(head)
        try:
            with os.scandir(folder) as entries:
                there = {entry.name for entry in entries if entry.is_file()}
        except OSError:
            return 0
        return sum(name in there for name in names)

    def _renders(self, head: DataHead) -> tuple[Path, list[str]]:
        """The folder of the renders that a data file lists, and their names but those that lead elsewhere."""
        folder = self.renders_of(head.beat.slug, head.revision.id)
        plain = [name for name in head.renders if name == os.path.basename(name) and not name.startswith(".")]
        return folder, [] if folder.is_symlink() else plain

    def find(self, slug: str, identity: str) -> RevisionInfo | None:
        """The newest revision, if it has this identity and its page exists: then there is nothing to build.

        An older revision of this identity does not count: going back to an earlier state is a change.
        """
        numbers = self._numbers(slug)
        head = self._head(slug, numbers[-1]) if numbers else None
        if head is None or head.revision.identity != identity:
            return None
        page = self._data_path(slug, numbers[-1]).with_suffix(".html")
        return head.revision if page.is_file() else None

    def slug_for(self, slug: str, *, beat_id: str, stems: Collection[str], known: bool) -> str:
        """The name under which a beat stands, or will: that of the beat with its id, or with music in common.

        `stems` are content hashes; `known`: the user, or an earlier build of the same place, says that it is this beat.
        Raises ArchiveError where another beat may stand under the name.
        """
        if beat_id:
            for other in self.slugs():
                head = self._newest_head(other)
                if head is not None and head.beat.id == beat_id:
                    return other
        head = self._newest_head(slug)
        if head is None or known or same_music(head, stems):
            return slug
        if beat_id and head.beat.id:
            return next(free for free in (f"{slug}-{number}" for number in count(2)) if not self._numbers(free))
        raise ArchiveError(
            f"{slug}: the archive holds a beat of this name, '{printable(head.beat.title)}', that shares no stem with "
            f"this one. If this is that beat, say so with --name {slug}; if not, give it another --name. An id in "
            "beat.toml settles it for good"
        )

    def next_revision(self, slug: str) -> str:
        """The next revision's name: one past every data file, readable or not, and every decision."""
        decided = (revision_number(decision.revision) or 0 for decision in self.decisions(slug))
        believed = [number for number in decided if number < _HIGHEST_DECIDED]
        return revision_id(max([0, *self._numbers(slug), *believed]) + 1)

    def decisions(self, slug: str) -> tuple[Decision, ...]:
        """All decisions about a beat, oldest first, superseded ones too."""
        return self._log(slug).decisions

    def standing(self, slug: str) -> Standing:
        """Where the beat's newest revision stands."""
        self._check_known(slug)
        heads = self._heads(slug)
        if not heads:
            raise ArchiveError(f"{slug}: none of its data files can be read")
        return stand(heads, self.decisions(slug))

    def standing_with(self, data: DossierData) -> Standing:
        """Where the beat will stand once this dossier is its newest revision: what that dossier's page shows."""
        return stand([*self._heads(data.beat.slug), head_of(data)], data.decisions)

    def heard(self, slug: str) -> tuple[RunTold, ...]:
        """What listeners' blind comparisons of a beat say, oldest first."""
        decisions = self._log(slug, []).decisions
        return ears.heard(self._heads(slug), decisions) if any(entry.blind for entry in decisions) else ()

    def agreement(self) -> Agreement | None:
        """How often this archive's listeners preferred what was advised."""
        return ears.agreement(vote for slug in self.slugs() for vote in ears.votes(self.heard(slug)))

    def _check_known(self, slug: str) -> None:
        known = self.slugs()
        if slug not in known:
            there = ", ".join(known[:8]) + (", ..." if len(known) > 8 else "") if known else "none yet"
            raise ArchiveError(f"{self.root} holds no beat {slug[:100]!r} (there: {there})")

    def index(self) -> ArchiveIndex:
        """The archive's document, built from the data files and decisions alone."""
        beats: list[BeatSummary] = []
        skipped: list[Skipped] = []
        for folder in self._folders():
            slug = folder.name
            heads = self._heads(slug, skipped)
            log = self._log(slug, skipped)
            if heads:
                standing = stand(heads, log.decisions)
                revisions = tuple(summarize(head, renders_there=self._renders_there(head)) for head in heads)
                skipped += [
                    Skipped(each.page, "the page is missing; its numbers are there")
                    for each in revisions if not os.path.isfile(self.root / each.page)
                ]  # fmt: skip
                files = tuple(entry.file for entry in heads[-1].inputs)
                found = ears.heard(heads, log.decisions)
                summary = BeatSummary(slug, revisions, standing, log.decisions, files, found, ears.votes(found))
                beats.append(summary)
        beats.sort(key=lambda beat: (beat.newest.title.casefold(), beat.slug))
        agreed = ears.agreement(vote for beat in beats for vote in beat.votes)
        program = ProgramInfo("dossier", __version__)
        return ArchiveIndex(INDEX_FORMAT_VERSION, program, tuple(beats), tuple(skipped), agreed)

    def _folders(self) -> list[Path]:
        try:
            entries = [entry for entry in os.scandir(self.root) if not entry.name.startswith(".") and entry.is_dir()]
        except FileNotFoundError:
            return []
        except OSError as error:
            raise explain(error, f"read the archive {self.root}") from error
        for entry in entries:
            if entry.is_symlink():
                self._tell(f"passed over {entry.name}: it is a link, which an archive does not follow")
        return [self.root / name for name in sorted(entry.name for entry in entries if not entry.is_symlink())]

    def _numbers(self, slug: str) -> list[int]:
        if (self.root / slug).is_symlink():
            return []
        try:
            names = os.listdir(self.root / slug)
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as error:
            raise explain(error, f"read {self.root / slug}") from error
        found = (match for name in names if (match := _DATA_FILE.match(name)) and match.group(1) == slug)
        return sorted(number for match in found if (number := revision_number(match.group(2))) is not None)

    def _heads(self, slug: str, skipped: list[Skipped] | None = None) -> list[DataHead]:
        heads = (self._head(slug, number, skipped) for number in self._numbers(slug))
        return [head for head in heads if head is not None]

    def _latest(self, slug: str, kind: type[T]) -> T | None:
        for number in reversed(self._numbers(slug)):
            path = self._data_path(slug, number)
            try:
                return decode(self._read(path), kind, shown_as=self._shown(path))
            except ArchiveError as error:
                self._tell(f"passed over {error}")
        return None

    def _newest_head(self, slug: str) -> DataHead | None:
        heads = (self._head(slug, number) for number in reversed(self._numbers(slug)))
        return next((head for head in heads if head is not None), None)

    def _head(self, slug: str, number: int, skipped: list[Skipped] | None = None) -> DataHead | None:
        """The head of one data file; None, and a word to the user, where it cannot be read."""
        path = self._data_path(slug, number)
        shown = self._shown(path)
        try:
            head = decode(self._read(path, read_head), DataHead, shown_as=shown)
            if (head.beat.slug, head.revision.id) != (slug, revision_id(number)):
                raise ArchiveError(f"{shown}: holds {head.beat.slug} {head.revision.id}, not what its name says")
        except ArchiveError as error:
            self._tell(f"passed over {error}")
            if skipped is not None:
                skipped.append(Skipped(shown, str(error).removeprefix(f"{shown}: ")))
            return None
        return head

    def _log(self, slug: str, skipped: list[Skipped] | None = None) -> Log:
        """A beat's decisions.  A log that cannot be read is an error, unless `skipped` takes it."""
        path = self.root / slug / LOG
        if not os.path.lexists(path):
            return Log(())
        try:
            log = read_log(read_bounded(path, MAX_LOG_BYTES, follow=False))
        except UnusableFileError as error:
            if skipped is None:
                raise ArchiveError(f"{self._shown(path)}: {error}") from error
            self._tell(f"passed over {self._shown(path)}: {error}")
            skipped.append(Skipped(self._shown(path), str(error)))
            return Log(())
        for line in log.damaged:
            reason = f"line {line} is damaged and was passed over"
            self._tell(f"{self._shown(path)}: {reason}")
            if skipped is not None:
                skipped.append(Skipped(self._shown(path), reason))
        return log

    def _data_path(self, slug: str, number: int) -> Path:
        return self.root / slug / f"{slug}-{revision_id(number)}.json"

    def _read(self, path: Path, read: Callable[[BinaryIO], bytes] | None = None) -> bytes:
        try:
            return read_bounded(path, MAX_DATA_BYTES, follow=False, read=read)
        except UnusableFileError as error:
            raise ArchiveError(f"{self._shown(path)}: {error}") from error

    def _shown(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()
