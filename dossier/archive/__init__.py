"""The archive: revisions, decisions and the index page of all beats, on disk.

Conventions
    root/index.html, root/archive.json          the archive page and what it is drawn from
    root/SLUG/SLUG-r001.html, -r001.json        one revision: the page, and every number of it
    root/SLUG/SLUG-r001/                        its renders, read-only; what two revisions share lies there once
    root/SLUG/decisions.jsonl                   append-only (see `dossier.archive.decisions`)
    root/.lock                                  empty; see `dossier.files`

    A revision exists once its data file does: page and renders go first, the data file last.  A build killed at any
    moment leaves the whole revision or none, and the next build clears the leftovers.  No revision is overwritten.
    One slug is one beat: a dossier that shares neither title nor stem with what the slug holds is refused.
    Writers hold the archive's lock; readers need none.
    Nothing here reads the clock, and nothing written names a place outside the beat.
"""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import NamedTuple

import msgspec

from dossier import files
from dossier.archive.dataformat import encode
from dossier.archive.decisions import complete, decision_from, line_of, read_pasted, read_response
from dossier.archive.reader import LOG, ArchiveReader
from dossier.archive.renders import put, share_content, twins_by_size
from dossier.archive.revisions import DataHead, check_slug, revision_number
from dossier.errors import ArchiveError
from dossier.model.datafile import Decision, DossierData
from dossier.model.index import ArchiveIndex
from dossier.parallel import thread_map

Page = str | Callable[[], str]
Render = bytes | Callable[[Path], None]

_FILE_FIELDS = frozenset({"file", "candidate", "render", "renders"})


class TakenIn(NamedTuple):
    """What became of a response: the beat, its decision, and whether that is new."""

    slug: str
    decision: Decision
    new: bool


class Archive(ArchiveReader):
    """One archive folder, to read and to write.  The parameters are those of `ArchiveReader`."""

    def __init__(self, root: Path, *, say: Callable[[str], None] | None = None) -> None:
        super().__init__(root, say=say)
        self._thread_lock = threading.RLock()
        self._depth = 0

    # ------------------------------------------------------------------ one writer at a time

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Hold the archive for a `with` block; waits for another build, and says so.  May be nested."""
        with self._thread_lock:
            if self._depth:
                yield
                return
            files.make_folder(self.root)
            waiting = f"another build is writing to {self.root}; waiting for it to finish"
            with files.locked(self.root / ".lock", waiting=lambda: self._tell(waiting)):
                self._depth += 1
                try:
                    yield
                finally:
                    self._depth -= 1

    def publish(
        self, data: DossierData, html: Page, renders: Mapping[str, Render] | None = None, *, before: str | None = None
    ) -> Path:
        """Add a revision, all of it or nothing, and return the path of its page.

        `data.revision.id` is what `next_revision` gives under the same `lock`.  `html` is the page, or a function that
        makes it while other files are written.  `renders` maps file names to their content, or to a function that
        writes it to the path it is given.  `before`: the beat whose earlier revisions it may share renders with, where
        that is another name.

        Raises ArchiveError, and leaves the archive as it was, if the revision exists or is out of turn, the slug holds
        another beat, a file name is absolute, a render's name has a folder in it or the place cannot be written.
        """
        slug, revision = check_slug(data.beat.slug), data.revision.id
        renders = renders or {}
        for name in renders:
            if not name or name != PurePosixPath(name).name or "\\" in name or name.startswith("."):
                raise ArchiveError(f"{slug}: {name!r} cannot be the name of a render")
        check_private(data)
        with self.lock():
            folder = self.root / slug
            files.make_own_folder(folder)
            files.sweep(folder)
            self._check_turn(data)
            sharing = [self.root / one for one in self.slugs() if one in (slug, before)]
            name = f"{slug}-{revision}"
            targets = [folder / name, folder / f"{name}.html", folder / f"{name}.json"]
            staged = folder / files.part_name(name)
            try:
                for target in targets[:-1]:
                    files.remove(target)  # no data file stands beside them: an interrupted build left them
                sources = _stage(staged, data, html, renders, twins_by_size(*sharing))
                for source, target in zip(sources, targets, strict=True):
                    if source is not None:
                        os.rename(source, target)
                        files.sync_folder(folder)
                files.sync_folder(self.root)
            except BaseException as error:
                if not targets[-1].exists():
                    for target in targets[:-1]:
                        files.remove(target)
                if isinstance(error, OSError):
                    raise files.explain(error, f"write {slug} {revision} to {self.root}") from error
                raise
            finally:
                files.remove(staged)
            return targets[1]

    def _check_turn(self, data: DossierData) -> None:
        slug, revision = data.beat.slug, data.revision.id
        turn, place = self.next_revision(slug), self.root / slug / f"{slug}-{revision}.json"
        if revision_number(revision) in self._numbers(slug) or os.path.lexists(place):
            raise ArchiveError(f"{slug} {revision} is in the archive already, and a revision is never overwritten")
        if revision != turn:
            raise ArchiveError(f"{slug}: the next revision is {turn}, not {revision}")

    # ------------------------------------------------------------------ decisions

    def record(self, slug: str, decision: Decision) -> Decision:
        """Add a decision made by hand.

        Its `id`, `revision` and `identity` may be empty: they become the next id, the newest revision, its identity.

        Raises ArchiveError if there is no such beat, revision, proposal or earlier decision.
        """
        with self.lock():
            self._check_known(slug)
            done = complete(decision, self._heads(slug), self._log(slug))
            files.append_line(self.root / slug / LOG, line_of(done))
            return done

    def take_in(self, raw: bytes, *, received: str = "") -> TakenIn:
        """Add the decision of a response file, or of an answer that was copied as text and came at the time `received`.

        The same again adds nothing, and that is said.

        Raises ArchiveError if it is no response, or fits no beat or revision of this archive.
        """
        response = read_pasted(raw, received, self._heads_known) or read_response(raw)
        with self.lock():
            self._check_known(response.beat)
            decision, new = decision_from(response, self._heads(response.beat), self._log(response.beat))
            if new:
                files.append_line(self.root / response.beat / LOG, line_of(decision))
            else:
                already = f"this response of {decision.by} is in the archive already, as {decision.id}"
                self._tell(f"{response.beat}: {already}")
            return TakenIn(response.beat, decision, new)

    def _heads_known(self, slug: str) -> list[DataHead]:
        self._check_known(slug)
        return self._heads(slug)

    # ------------------------------------------------------------------ index

    def write_index(self, render: Callable[[ArchiveIndex], str]) -> Path:
        """Write archive.json and index.html anew, and return the path of the latter.

        `render` is `dossier.render.index.render_archive`.
        """
        with self.lock():
            files.sweep(self.root)
            index = self.index()
            files.write_atomic(self.root / "archive.json", _indented(index))
            files.write_atomic(self.root / "index.html", render(index).encode())
            return self.root / "index.html"


def _indented(index: ArchiveIndex) -> bytes:
    """The index as JSON: of figures that are rounded already, as the data files hold them."""
    return msgspec.json.format(msgspec.json.encode(index), indent=1) + b"\n"


def _stage(
    staged: Path, data: DossierData, html: Page, renders: Mapping[str, Render], earlier: Mapping[int, Sequence[Path]]
) -> tuple[Path | None, Path, Path]:
    """Write a revision's files into a folder of their own, flushed: renders (None without any), page, data.

    A render that an earlier revision holds (`earlier`, by size) takes no room of its own.
    """
    staged.mkdir()
    folder = staged / "renders"
    if renders:
        folder.mkdir()

    def render(name: str) -> None:
        content = renders[name]
        if isinstance(content, bytes):
            put(folder / name, content, earlier)
        else:
            content(folder / name)
            files.sync_file(folder / name)
            share_content(folder / name, earlier)
        files.protect(folder / name)

    def page() -> None:
        files.write_new(staged / "page", (html if isinstance(html, str) else html()).encode())

    def facts() -> None:
        files.write_new(staged / "data", encode(data))

    work: list[Callable[[], None]] = [page, facts, *(partial(render, name) for name in renders)]
    for _ in thread_map(lambda each: each(), work, ahead=len(work)):
        pass
    if renders:
        files.sync_folder(folder)
    files.sync_folder(staged)
    return (folder if renders else None), staged / "page", staged / "data"


def check_private(data: DossierData) -> None:
    """Refuse a dossier whose file names show where files lie on this machine."""
    home = os.path.expanduser("~")
    below_home = re.compile(rf"(?:^|[\s'\"(]){re.escape(home)}(?:[/\\]|$)") if len(home) > 1 else None
    for field, text in _strings(msgspec.to_builtins(data, enc_hook=lambda number: number.tolist()), ""):
        if field in _FILE_FIELDS and (PurePosixPath(text).is_absolute() or PureWindowsPath(text).is_absolute()):
            raise ArchiveError(f"{data.beat.slug}: {text!r} is an absolute path, which a dossier must not show")
        if below_home is not None and below_home.search(text):
            raise ArchiveError(f"{data.beat.slug}: {text[:200]!r} shows where files lie, which a dossier must not")


def _strings(value: object, field: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield field, value
    elif isinstance(value, dict):
        for key, entry in value.items():
            yield "", key
            yield from _strings(entry, key)
    elif isinstance(value, list | tuple) and not (value and isinstance(value[0], float | int)):
        for entry in value:
            yield from _strings(entry, field)
