"""An archive that stays small and travels: shared renders, `prune`, `share`.

Evidence: analytic (what is left on the disk, byte for byte), with `du` of the system and Python's own ZIP reader.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from pathlib import Path

import factory
import pytest
from tests_support import contents

from dossier import cli
from dossier.archive import Archive
from dossier.archive.prune import prunable, prune
from dossier.archive.share import share
from dossier.errors import ArchiveError
from dossier.render.index import render_archive

SLUG = "lantern-market"
MIX, PART, SHEET = os.urandom(300_000), os.urandom(100_000), b"part,file\n"


def add(archive: Archive, number: int, renders: Mapping[str, bytes]) -> Path:
    data = factory.dossier(revision=f"r{number:03d}", seed=number, renders=tuple(sorted(renders)))
    archive.publish(data, f"<!doctype html><title>{number}</title>", renders)
    return archive.renders_of(SLUG, f"r{number:03d}")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Three revisions: the second has another part, the third the first part again."""
    made = Archive(tmp_path / "site")
    for number, part in ((1, PART), (2, PART[::-1]), (3, PART)):
        add(made, number, {"mix.flac": MIX, "part.flac": part, "sheet.csv": SHEET + bytes([48 + number])})
    made.write_index(render_archive)
    return made


def disk_bytes(folder: Path) -> int:
    """What `du` says."""
    told = subprocess.run(["du", "-s", "-B1", folder], capture_output=True, text=True, check=True)
    return int(told.stdout.split()[0])


def test_what_revisions_share_lies_there_once_and_read_only(archive: Archive) -> None:
    first, second, third = (archive.renders_of(SLUG, f"r00{number}") for number in (1, 2, 3))
    assert (first / "mix.flac").stat().st_nlink == 3
    assert os.path.samefile(first / "part.flac", third / "part.flac")
    assert not os.path.samefile(first / "part.flac", second / "part.flac")
    assert [(folder / "part.flac").read_bytes() for folder in (first, second, third)] == [PART, PART[::-1], PART]
    assert all(path.stat().st_mode & 0o222 == 0 for folder in (first, second, third) for path in folder.iterdir())


def test_a_beat_of_a_new_name_shares_with_the_one_it_was(archive: Archive) -> None:
    for name, before in (("renamed", SLUG), ("other", None), ("lost", "never-there")):
        data = factory.dossier(name, revision="r001", renders=("its-mix.flac",))
        archive.publish(data, f"<!doctype html><title>{name}</title>", {"its-mix.flac": MIX}, before=before)
        mix = archive.renders_of(name, "r001") / "its-mix.flac"
        assert os.path.samefile(mix, archive.renders_of(SLUG, "r003") / "mix.flac") is (name == "renamed")


def test_one_that_was_touched_is_written_anew(archive: Archive) -> None:
    """Same length, same name, other bytes: no later revision takes them over."""
    mine = archive.renders_of(SLUG, "r003") / "mix.flac"
    mine.chmod(0o644)
    mine.write_bytes(MIX[:-1] + bytes([MIX[-1] ^ 1]))
    folder = add(archive, 4, {"mix.flac": MIX, "renamed.flac": PART})
    assert (folder / "mix.flac").read_bytes() == MIX
    assert (folder / "mix.flac").stat().st_nlink == 1
    assert os.path.samefile(folder / "renamed.flac", archive.renders_of(SLUG, "r003") / "part.flac")


@pytest.mark.parametrize("code", [errno.EXDEV, errno.EPERM, errno.EMLINK])
def test_where_there_are_no_links_files_are_copied(
    archive: Archive, code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "link", refuse)
    folder = add(archive, 4, {"mix.flac": MIX})
    assert contents(folder) == {"mix.flac": MIX}
    assert (folder / "mix.flac").stat().st_nlink == 1


@pytest.mark.parametrize("keep", [1, 2, 3, 9])
def test_pruning_frees_what_it_says_and_only_that(archive: Archive, keep: int) -> None:
    before, listed, room = contents(archive.root), prunable(archive, keep=keep), disk_bytes(archive.root)
    assert [entry.revision for entry in listed] == ["r001", "r002", "r003"][: max(0, 3 - keep)]
    assert contents(archive.root) == before, "looking changes nothing"
    folders = sum(disk_bytes(archive.renders_of(SLUG, entry.revision)) for entry in listed)
    prune(archive, listed)
    empty = 4_096 * len(listed)  # of the folders themselves, on the file systems at hand
    assert abs(room - disk_bytes(archive.root) - sum(entry.freed_bytes for entry in listed)) <= empty + 4_096
    assert sum(entry.freed_bytes for entry in listed) < folders or not listed
    gone = {f"{SLUG}/{SLUG}-{entry.revision}/{path.name}" for entry in listed for path in entry.paths}
    assert contents(archive.root) == {name: raw for name, raw in before.items() if name not in gone}
    assert prunable(archive, keep=keep) == ()
    archive.write_index(render_archive)
    newest = archive.index().beats[0].revisions
    assert [revision.renders_there for revision in newest] == [0] * len(listed) + [3] * (3 - len(listed))
    page = (archive.root / "index.html").read_text(encoding="utf-8")
    assert page.count("its renders were freed") == len(listed)


def test_the_last_agreed_revision_keeps_its_renders(archive: Archive) -> None:
    archive.record(SLUG, factory.decision(revision="r002", status="agreed"))
    assert [entry.revision for entry in prunable(archive, keep=1)] == ["r001"]


def test_what_is_no_render_stays(archive: Archive, tmp_path: Path) -> None:
    """A file that someone put there, a link, and names in a data file that lead elsewhere."""
    folder = archive.renders_of(SLUG, "r001")
    (folder / "notes.txt").write_text("mine")
    (tmp_path / "precious.wav").write_bytes(b"mine")
    (folder / "part.flac").unlink()
    (folder / "part.flac").symlink_to(tmp_path / "precious.wav")
    path = archive.root / SLUG / f"{SLUG}-r001.json"
    document = json.loads(path.read_text())
    document["renders"] += ["../../../precious.wav", str(tmp_path / "precious.wav"), "..", ""]
    path.write_text(json.dumps(document))
    prune(archive, prunable(archive, keep=1))
    assert sorted(entry.name for entry in folder.iterdir()) == ["notes.txt", "part.flac"]
    assert (tmp_path / "precious.wav").read_bytes() == b"mine"


def test_a_folder_of_renders_that_is_a_link_is_left_alone(archive: Archive, tmp_path: Path) -> None:
    folder = archive.renders_of(SLUG, "r001")
    shutil.move(folder, tmp_path / "elsewhere")
    folder.symlink_to(tmp_path / "elsewhere")
    assert [entry.revision for entry in prunable(archive, keep=1)] == ["r002"]


def test_killed_half_way_the_archive_is_read_and_the_rest_can_be_freed(archive: Archive) -> None:
    """A process of its own is killed by the system after some files."""
    text = f"""
import os, pathlib, signal
from dossier.archive import Archive
from dossier.archive.prune import prunable, prune
archive, unlink, left = Archive({str(archive.root)!r}), pathlib.Path.unlink, [2]
def count(path, **more):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    unlink(path, **more)
pathlib.Path.unlink = count
prune(archive, prunable(archive, keep=1))
"""
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, check=False)
    assert done.returncode == -9, done.stderr
    assert [info.id for info in archive.revisions(SLUG)] == ["r001", "r002", "r003"]
    assert [each.renders_there for each in archive.index().beats[0].revisions] == [1, 3, 3]
    archive.write_index(render_archive)
    assert "2 of its 3 renders are gone" in (archive.root / "index.html").read_text(encoding="utf-8")
    prune(archive, prunable(archive, keep=1))
    assert [each.renders_there for each in archive.index().beats[0].revisions] == [0, 0, 3]
    add(archive, 4, {"mix.flac": MIX})


def test_the_command_says_first_and_does_it_when_told(
    archive: Archive, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    before = contents(archive.root)
    assert cli.main(["prune"]) == 0
    told = capsys.readouterr().out
    assert f"{SLUG} r001: 3 renders, frees 0.0 MB" in told, "all but the sheet is shared with r003"
    assert f"{SLUG} r002: 3 renders, frees 0.1 MB" in told
    assert "Nothing was removed: say --yes" in told
    assert contents(archive.root) == before
    assert cli.main(["prune", "--yes"]) == 0
    assert not archive.renders_of(SLUG, "r001").exists()
    capsys.readouterr()
    assert cli.main(["prune", "site", "--yes"]) == 0
    assert "nothing to free" in capsys.readouterr().out
    assert cli.main(["prune", "nowhere"]) == 2
    for wrong in ("0", "-1", "x"):
        with pytest.raises(SystemExit, match="2"):
            cli.main(["prune", f"--keep={wrong}"])


# ---------------------------------------------------------------------- share


def test_a_beat_is_sent_as_one_file(archive: Archive, tmp_path: Path) -> None:
    """What is unpacked elsewhere is the revision, byte for byte, and the pages' links lead where they did."""
    done = share(archive, SLUG, target=tmp_path / "sent.zip")
    assert (done.revision, done.new, done.missing) == ("r003", True, ())
    with zipfile.ZipFile(done.path) as packed:
        assert packed.testzip() is None
        assert packed.namelist() == [f"{SLUG}/{SLUG}-r003{tail}" for tail in
                                     (".html", ".json", "/mix.flac", "/part.flac", "/sheet.csv")]  # fmt: skip
        assert {entry.date_time for entry in packed.infolist()} == {(2026, 3, 1, 10, 0, 0)}
        packed.extractall(tmp_path / "elsewhere")
    whole = contents(archive.root)
    sent = contents(tmp_path / "elsewhere")
    assert sent == {name: whole[name] for name in sent}
    read = Archive(tmp_path / "elsewhere").latest(SLUG)
    assert read is not None
    assert read.revision.id == "r003"
    again = share(Archive(archive.root), SLUG, target=tmp_path / "again.zip")
    assert again.path.read_bytes() == done.path.read_bytes()
    for word in (str(tmp_path), os.path.expanduser("~") + "/", os.uname().nodename):
        assert word.encode() not in b"".join(raw for name, raw in sent.items() if not name.endswith(".flac"))


def test_no_other_file_is_overwritten(archive: Archive, tmp_path: Path) -> None:
    target = tmp_path / "sent.zip"
    target.write_bytes(b"mine")
    with pytest.raises(ArchiveError, match="is there, with something else in it"):
        share(archive, SLUG, target=target)
    assert target.read_bytes() == b"mine"
    target.unlink()
    share(archive, SLUG, target=target)
    assert not share(archive, SLUG, target=target).new
    assert sorted(os.listdir(tmp_path)) == ["sent.zip", "site"]


@pytest.mark.parametrize(
    ("revision", "target", "said"),
    [("r009", "x.zip", "has no revision r009"), ("", "nowhere/x.zip", "cannot write x.zip")],
)
def test_what_cannot_be_sent_is_said(archive: Archive, revision: str, target: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match=said):
        share(archive, SLUG, revision=revision, target=tmp_path / target)
    with pytest.raises(ArchiveError, match="no such beat"):
        share(archive, "elsewhere", target=tmp_path / "x.zip")
    (archive.root / SLUG / f"{SLUG}-r003.html").unlink()
    with pytest.raises(ArchiveError, match=r"cannot be packed: .*r003\.html is not there"):
        share(archive, SLUG, target=tmp_path / "x.zip")
    assert os.listdir(tmp_path) == ["site"]


def test_the_command_finds_a_beat_by_name_title_or_place(
    archive: Archive, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / SLUG).mkdir()  # the beat's own folder beside the archive
    for told in (SLUG, "Lantern Market", f"site/{SLUG}", archive.root / SLUG):
        assert cli.main(["share", str(told)]) == 0
        assert f"{SLUG} r003: {SLUG}-r003.zip, 0." in capsys.readouterr().out
    assert cli.main(["share", "nobody"]) == 2
    assert "no such beat" in capsys.readouterr().err


def test_a_revision_whose_renders_were_freed_is_sent_without_and_says_so(
    archive: Archive, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    prune(archive, prunable(archive, keep=1))
    monkeypatch.chdir(tmp_path)
    assert cli.main(["share", SLUG, "--revision", "r001"]) == 1
    assert "left out: 3 renders that are no longer there (mix.flac, part.flac, sheet.csv)" in capsys.readouterr().err
    with zipfile.ZipFile(f"{SLUG}-r001.zip") as packed:
        assert len(packed.namelist()) == 2
