"""Hostile responses and archives: refused in words or passed over, at once, with nothing lost and nothing elsewhere.

Evidence: analytic, each fault was built in.  The tables lie in `tests/badinput/`.
"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import factory
import pytest
from badinput.archives import BAD_ARCHIVES, BadArchive
from badinput.responses import ANSWERS, NO_FILES, Answer, NoFile
from msgspec.structs import replace

from dossier import cli
from dossier.archive import Archive
from dossier.errors import ArchiveError

SLUG = "lantern-market"


FIRST, SECOND = factory.dossier(bars=1), factory.dossier(bars=1, seed=2)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = Archive(tmp_path_factory.mktemp("published") / "site")
    made.publish(FIRST, "<html></html>", {"kick.wav": b"sound"})
    return made


@pytest.fixture
def archive(published: Archive) -> Iterator[Archive]:
    """An archive that no case but a taken response writes to."""
    yield published
    (published.root / SLUG / "decisions.jsonl").unlink(missing_ok=True)


@pytest.mark.parametrize("case", ANSWERS, ids=lambda case: case.name)
def test_a_response_is_taken_in_or_refused_in_words(case: Answer, archive: Archive) -> None:
    log = archive.root / SLUG / "decisions.jsonl"
    if case.says is None:
        taken = archive.take_in(case.raw)
        assert archive.decisions(SLUG) == (taken.decision,)
        assert log.read_bytes().count(b"\n") == 1
        assert not archive.take_in(case.raw).new, "the same again adds nothing"
        return
    with pytest.raises(ArchiveError) as caught:
        archive.take_in(case.raw)
    said = str(caught.value)
    assert case.says in said
    assert len(said) < 600
    assert "\x1b" not in said
    assert not log.exists()


@pytest.mark.parametrize("case", NO_FILES, ids=lambda case: case.name)
def test_what_is_no_file_is_no_response(
    case: NoFile, archive: Archive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / case.name if case.name != "below a file" else archive.root / SLUG / f"{SLUG}-r001.json" / "x"
    case.make(place)
    code = cli.main(["decide", "-o", str(archive.root), "--response", str(place)])
    out, said = capsys.readouterr()
    assert (code, out) == (2, "")
    assert said.startswith(f"dossier: {place.name}: ")
    assert case.says in said
    assert said.count("\n") == 1


def whole(folder: Path) -> dict[str, bytes | str]:
    """Every file below a folder, links as links; pipes and holes of gigabytes by their kind."""
    found: dict[str, bytes | str] = {}
    for path in sorted(folder.rglob("*")):
        state = path.lstat()
        plain = stat.S_ISREG(state.st_mode) and state.st_size < 1 << 20
        found[str(path.relative_to(folder))] = path.read_bytes() if plain else stat.filemode(state.st_mode)
    return found


@pytest.mark.parametrize("case", BAD_ARCHIVES, ids=lambda case: ascii(case.name).strip("'"))
def test_an_archive_that_was_tampered_with_is_read_and_added_to(
    case: BadArchive, published: Archive, tmp_path: Path
) -> None:
    """Nothing blocks, nothing that stood is changed, nothing is written or removed elsewhere."""
    shutil.copytree(published.root, tmp_path / "site")
    elsewhere = tmp_path / "elsewhere"
    (elsewhere / "folder").mkdir(parents=True)
    for name in ("file", "folder/file"):
        (elsewhere / name).write_bytes(b"another's")
    case.do(tmp_path / "site" / SLUG)
    before, there = whole(tmp_path / "site"), whole(elsewhere)
    said: list[str] = []
    archive = Archive(tmp_path / "site", say=said.append)

    def attempt(act: Callable[[], object], refusal: str | None) -> None:
        if refusal is None:
            act()
            return
        with pytest.raises(ArchiveError) as caught:
            act()
        assert refusal in str(caught.value)
        said.append(str(caught.value))

    assert len(archive.revisions(SLUG)) == case.listed
    undecided = case.undecided or (None if case.listed else "")
    attempt(lambda: archive.record(SLUG, factory.decision()), undecided)
    turn = case.turn or "r002"
    if case.turn:
        assert archive.next_revision(SLUG) == turn
    second = replace(SECOND, revision=replace(SECOND.revision, id=turn))
    attempt(lambda: archive.publish(second, "<html>2</html>", {"kick.wav": b"sound"}), case.refuses)
    archive.write_index(lambda index: str(len(index.beats)))
    if case.refuses is None:
        assert archive.revisions(SLUG)[-1].id == turn
        assert (archive.root / SLUG / f"{SLUG}-{turn}" / "kick.wav").read_bytes() == b"sound"
        with pytest.raises(ArchiveError, match="never overwritten"):
            archive.publish(second, "<html>3</html>", {})
    ids = [entry.id for entry in archive.decisions(SLUG)] if case.undecided is None else []
    assert len(ids) == len(set(ids))
    assert whole(elsewhere) == there
    after = whole(archive.root)
    kept = {name for name in before if ".part" not in name and f"-{turn}" not in name and "decisions" not in name}
    assert {name: after.get(name) for name in kept} == {name: before[name] for name in kept}
    assert case.says in " ".join(said)
    assert all(len(text) < 600 for text in said)
