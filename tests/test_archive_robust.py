"""The archive under kills, concurrent builds, a full disk and folders that cannot be written.

Evidence: analytic; the operating system's own refusals and kills, not only imitated ones.
"""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import archive_worker
import factory
import pytest
from tests_support import contents

from dossier import files
from dossier.archive import Archive
from dossier.errors import ArchiveError

SLUG = "lantern-market"
KILLS = 200
Fork = Callable[[object], tuple[int, Callable[[], int]]]


@pytest.fixture
def quick() -> Iterator[Path]:
    """A folder in memory where there is one: kills and locks are the same there, and no busy disk slows the test."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)


def check_whole(root: Path) -> list[str]:
    """Every revision that a data file announces has its page, its renders and readable numbers; returns their marks."""
    archive = Archive(root)
    marks = []
    for info in archive.revisions(SLUG):
        stem = root / SLUG / f"{SLUG}-{info.id}"
        (mark,) = json.loads(stem.with_suffix(".json").read_bytes())["warnings"]
        assert stem.with_suffix(".html").read_text() == f"<html>{info.id} {mark}</html>"
        assert contents(stem) == archive_worker.RENDERS
        marks.append(mark)
    return marks


def start(*arguments: object, **options: Any) -> subprocess.Popen[str]:
    command = [sys.executable, archive_worker.__file__, *map(str, arguments)]
    return subprocess.Popen(command, text=True, **options)


@pytest.fixture
def fork(quick: Path) -> Iterator[Fork]:
    """Start a publisher that goes on until it is killed (`go`), or up to a step: its pid, and a wait for its exit code.

    All are forked from one process, which alone pays for starting Python.
    """
    with start("nursery", quick, SLUG, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as nursery:

        def forked(what: object) -> tuple[int, Callable[[], int]]:
            print(what, file=nursery.stdin, flush=True)
            return int(nursery.stdout.readline()), lambda: int(nursery.stdout.readline())

        yield forked
    assert nursery.returncode == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork a process")
def test_killed_at_any_moment_the_archive_opens_and_the_next_build_is_right(quick: Path, fork: Fork) -> None:
    rng = random.Random(20260301)
    kept: list[str] = []
    decided: list[str] = []
    half = 0
    for what in ("to have all that is needed loaded", "to see how long one takes"):
        begun = time.monotonic()
        archive_worker.publish_one(Archive(quick), "night-depot", what)
    window_s = min(0.15, 2.5 * (time.monotonic() - begun))
    for killed in range(1, KILLS + 1):
        pid, ended = fork("go")
        time.sleep(rng.uniform(0.0, window_s))
        os.kill(pid, signal.SIGKILL)
        assert ended() == -signal.SIGKILL
        archive = Archive(quick)
        if any(files.is_leftover(path.name) for path in quick.glob("*/.*")):
            half += 1
        ids = [info.id for info in archive.revisions(SLUG)]
        assert ids == [f"r{number:03d}" for number in range(1, len(ids) + 1)]
        texts = [entry.text for entry in archive.decisions(SLUG)]
        assert texts[: len(decided)] == decided, "no decision is lost"
        decided = texts
        if (quick / "index.html").exists():
            assert json.loads((quick / "archive.json").read_bytes())["format_version"] == 2
            assert (quick / "index.html").read_text().endswith("</html>")
        if killed % 20 == 0:
            marks = check_whole(quick)
            assert marks[: len(kept)] == kept, "no revision is lost or rewritten"
            kept = marks
    assert half > 0, "no kill fell into a build: the test would prove nothing"
    assert len(kept) > 10
    revision = archive_worker.publish_one(Archive(quick), SLUG, "after all")
    assert revision == f"r{len(kept) + 1:03d}"
    assert check_whole(quick) == [*kept, "after all"]
    assert not [path for path in quick.rglob("*") if files.is_leftover(path.name)]
    assert not (quick / SLUG / f"{SLUG}-r{len(kept) + 2:03d}.html").exists()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork a process")
def test_killed_before_each_step_in_turn(quick: Path, fork: Fork) -> None:
    """Every flush, rename and removal of a build, one after another: before and after each, the archive is whole."""
    archive_worker.publish_one(Archive(quick), SLUG, "first")
    kept, decided, killed = ["first"], 0, 0
    while True:
        ended = fork(killed)[1]()
        marks = check_whole(quick)
        assert marks[: len(kept)] == kept
        assert set(marks[len(kept) :]) <= {f"step {killed}"}
        decisions = len(Archive(quick).decisions(SLUG))
        assert decisions in (decided, decided + 1)
        kept, decided = marks, decisions
        if ended == 0:
            break
        assert ended == -signal.SIGKILL
        killed += 1
    assert killed > 20, "files, folders, page, numbers, index and decision all have their steps"
    assert kept[-1] == f"step {killed}"
    assert not [path for path in quick.rglob("*") if files.is_leftover(path.name)]


def test_eight_builds_at_once_lose_nothing(quick: Path) -> None:
    workers, count = 8, 5
    slugs = [SLUG if worker % 2 else "night-depot" for worker in range(workers)]
    started = [start("some", quick, slug, worker, count) for worker, slug in enumerate(slugs)]
    assert [process.wait(60) for process in started] == [0] * workers
    archive = Archive(quick)
    for slug in set(slugs):
        theirs = [worker for worker, name in enumerate(slugs) if name == slug]
        assert [info.id for info in archive.revisions(slug)] == [f"r{number:03d}" for number in range(1, 21)]
        identities = {info.identity for info in archive.revisions(slug)}
        expected = [(worker, number) for worker in theirs for number in range(count)]
        assert identities == {factory.hash_of(f"worker {worker}, number {number}") for worker, number in expected}
        decisions = archive.decisions(slug)
        assert sorted((entry.by, entry.text) for entry in decisions) == [
            (f"worker {worker}", str(number)) for worker, number in expected
        ]
        assert [entry.id for entry in decisions] == [f"d{number:04d}" for number in range(1, 21)]
    check_whole(quick)
    assert (quick / "index.html").read_text() == "<html>40</html>"


# ---------------------------------------------------------------------- a full disk


REAL_FSYNC = os.fsync


class FullDisk:
    """From its `after`-th flush on, the disk is full."""

    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self, handle: int) -> None:
        self.left -= 1
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        REAL_FSYNC(handle)


RENDERS = {**archive_worker.RENDERS, "part-new.wav": b"as no revision before"}


def publish_second(archive: Archive) -> None:
    archive.publish(factory.dossier(seed=2, revision="r002"), "<html>two</html>", RENDERS)


def test_a_full_disk_leaves_the_archive_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = Archive(tmp_path)
    archive.publish(factory.dossier(), "<html>one</html>", archive_worker.RENDERS)
    archive.write_index(lambda index: "index")
    before = contents(tmp_path)
    data_file = tmp_path / SLUG / f"{SLUG}-r002.json"
    failed = 0
    while not data_file.exists():  # once it is there, only the flush of the folder can have failed
        monkeypatch.setattr(os, "fsync", FullDisk(failed))
        with pytest.raises(ArchiveError, match=r"write lantern-market r002 .*no space is left on the disk"):
            publish_second(archive)
        failed += 1
        assert data_file.exists() or contents(tmp_path) == before
        assert failed < 100
    monkeypatch.undo()
    assert failed >= 8, "every folder of the revision is flushed, and every file that is no link to an earlier one"
    assert [info.id for info in archive.revisions(SLUG)] == ["r001", "r002"]
    assert contents(tmp_path / SLUG / f"{SLUG}-r002") == RENDERS


def test_a_full_disk_while_an_index_or_a_decision_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = Archive(tmp_path)
    archive.publish(factory.dossier(), "<html>one</html>", {})
    archive.record(SLUG, factory.decision(text="first"))
    archive.write_index(lambda index: "index")
    before = contents(tmp_path)
    monkeypatch.setattr(os, "fsync", FullDisk(0))
    with pytest.raises(ArchiveError, match=r"cannot write .*archive\.json: no space is left"):
        archive.write_index(lambda index: "another")
    with pytest.raises(ArchiveError, match=r"cannot add to .*decisions\.jsonl: no space is left"):
        archive.record(SLUG, factory.decision(text="second"))
    monkeypatch.undo()
    assert contents(tmp_path) == before
    archive.record(SLUG, factory.decision(text="second"))
    assert [entry.text for entry in archive.decisions(SLUG)] == ["first", "second"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_the_system_itself_refuses_a_write(tmp_path: Path) -> None:
    archive = Archive(tmp_path)

    def fill(path: Path) -> None:
        path.write_bytes(b"begun")
        Path("/dev/full").write_bytes(b"x")

    with pytest.raises(ArchiveError, match="no space is left on the disk"):
        archive.publish(factory.dossier(), "page", {"kick.wav": fill})
    assert archive.slugs() == ()
    assert not [path for path in tmp_path.rglob("*") if path.is_file() and path.name != ".lock"]


def test_what_a_render_raises_is_passed_on_and_nothing_stays(tmp_path: Path) -> None:
    archive = Archive(tmp_path)

    def broken(path: Path) -> None:
        path.write_bytes(b"begun")
        raise ValueError("no such treatment")

    with pytest.raises(ValueError, match="no such treatment"):
        archive.publish(factory.dossier(), "page", {"kick.wav": broken})
    assert archive.next_revision(SLUG) == "r001"
    assert not [path for path in tmp_path.rglob("*") if path.is_file() and path.name != ".lock"]


# ---------------------------------------------------------------------- folders that cannot be written


@pytest.fixture
def shut() -> Iterator[Path]:
    """An archive in a folder that the process may read, not write; as root, the test gives up root for its length."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        archive = Archive(root)
        archive.publish(factory.dossier(), "<html>one</html>", {})
        archive.write_index(lambda index: "index")
        folders = [root, root / SLUG]
        for folder in folders:
            folder.chmod(stat.S_IRUSR | stat.S_IXUSR | stat.S_IRGRP | stat.S_IXGRP | stat.S_IROTH | stat.S_IXOTH)
        was = os.geteuid()
        if was == 0:
            os.seteuid(65534)
        try:
            yield root
        finally:
            if was == 0:
                os.seteuid(0)
            for folder in folders:
                folder.chmod(stat.S_IRWXU)


def test_a_read_only_archive_is_read_and_says_that_it_cannot_be_written(shut: Path) -> None:
    archive = Archive(shut)
    before = contents(shut)
    assert archive.standing(SLUG).status == "awaiting answer"
    assert len(archive.index().beats) == 1
    for act in (
        lambda: publish_second(archive),
        lambda: archive.record(SLUG, factory.decision()),
        lambda: archive.write_index(lambda index: "another"),
    ):
        with pytest.raises(ArchiveError, match="read-only or belongs to another account"):
            act()
    assert contents(shut) == before


def test_a_file_where_the_archive_should_be(tmp_path: Path) -> None:
    place = tmp_path / "site"
    place.write_text("a text")
    for act in (lambda: Archive(place).write_index(lambda index: ""), lambda: Archive(place / "deeper").index()):
        with pytest.raises(ArchiveError, match=r"site.*a file stands where a folder is needed"):
            act()
    assert place.read_text() == "a text"


def test_a_file_where_a_beat_should_be(tmp_path: Path) -> None:
    (tmp_path / SLUG).write_text("a text")
    archive = Archive(tmp_path)
    with pytest.raises(ArchiveError, match=r"make the folder .*lantern-market: a file stands"):
        archive.publish(factory.dossier(), "page", {})
    assert (tmp_path / SLUG).read_text() == "a text"
    assert archive.slugs() == ()


def test_a_folder_where_the_index_should_be(tmp_path: Path) -> None:
    (tmp_path / "index.html").mkdir()
    with pytest.raises(
        ArchiveError, match=r"write .*index\.html: a file stands where a folder is needed, or the other"
    ):
        Archive(tmp_path).write_index(lambda index: "page")
    assert not [path for path in tmp_path.iterdir() if files.is_leftover(path.name)]


def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        archive = Archive(tmp_path)
        page = archive.publish(factory.dossier(), "page", {"a.wav": b"x"})
        index = archive.write_index(lambda index: "index")
    finally:
        os.umask(before)
    assert [stat.S_IMODE(path.stat().st_mode) for path in (page, index)] == [0o644, 0o644], "a web server can read them"
