"""What a build takes from the cache, or from an earlier revision, is what it would have worked out itself.

Evidence: analytic: both ways are the same calculation, so numbers, sentences and sounds are equal to the last digit.
"""

from __future__ import annotations

import ast
import faulthandler
import hashlib
import os
import pickle
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest
import small_beat
import soundfile as sf
from msgspec.structs import replace
from tests_support import Demo

import dossier
from dossier import audio, inputs, memo, pipeline
from dossier import cache as cache_module
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.model.datafile import DossierData

Change = Callable[[Path], None]
Build = tuple[DossierData, dict[str, str]]


def build(folder: Path, archive: Archive, cache: Cache) -> pipeline.Built:
    done = pipeline.build(folder, archive, cache=cache, made=small_beat.MADE, say=lambda _: None)
    assert done.new
    return done


def built(folder: Path, archive: Archive, cache: Cache) -> Build:
    """The data of a build without what only counts revisions, and the digests of its renders."""
    done = build(folder, archive, cache)
    data = archive.latest(done.slug)
    assert data is not None
    renders = archive.renders_of(done.slug, done.revision)
    digests = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in renders.iterdir()}
    return replace(data, revision=replace(data.revision, id="", previous=None, changes=())), digests


def edited(folder: Path, old: str, new: str) -> None:
    settings = folder / "beat.toml"
    text = settings.read_text(encoding="utf-8")
    assert old in text
    settings.write_text(text.replace(old, new, 1), encoding="utf-8")


# ---------------------------------------------------------------------- a changed beat


def replaced_kick(folder: Path) -> None:
    small_beat.write(folder / "drums/kick-short.wav", small_beat.kick(0.2, 62.0))


def renamed_snare(folder: Path) -> None:
    (folder / "drums/snare.wav").rename(folder / "drums/snare-paper.wav")


def reversed_loop(folder: Path) -> None:
    small_beat.write(folder / "drums/loop-rich_120bpm.wav", small_beat.drum_loop(rich=True)[::-1].copy())


def renamed_loop(folder: Path) -> None:
    """Its name says another tempo, so that it is laid otherwise."""
    (folder / "drums/loop-rich_120bpm.wav").rename(folder / "drums/loop-rich_112bpm.wav")


def other_settings(folder: Path) -> None:
    edited(folder, "\n", '\nintent = "tucked"\nlistening_level = 80.0\n')
    with (folder / "beat.toml").open("a", encoding="utf-8") as file:
        file.write("\n[policy]\nlow_end_good_share = 0.9\nweight_job = 0.4\nceiling_dbtp = -3.0\n")


def other_stem(folder: Path) -> None:
    small_beat.write(folder / "stems/pad.wav", 0.05 * small_beat.tone(330.0, 8.0))


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Archive, Cache]:
    """The small beat, built once into an archive with a cache; the changes follow one another."""
    root = tmp_path_factory.mktemp("kept")
    folder = root / "paper-harbour"
    small_beat.write_beat(folder)
    archive, cache = Archive(root / "site"), Cache(root / "cache")
    built(folder, archive, cache)
    return folder, archive, cache


CHANGES = (replaced_kick, renamed_snare, reversed_loop, renamed_loop, other_settings, other_stem)


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_beat_comes_out_as_with_an_empty_cache(
    place: tuple[Path, Archive, Cache], change: Change, tmp_path: Path
) -> None:
    folder, archive, cache = place
    change(folder)
    kept = built(folder, archive, cache)
    assert kept == built(folder, Archive(tmp_path / "site"), Cache(tmp_path / "cache"))


def test_so_does_a_beat_of_one_shots(demo: Demo, tmp_path: Path) -> None:
    """A beat whose kit is tried as a whole too: the kick in use is another one, and then the first again."""
    folder = shutil.copytree(demo.audio / "lantern-market", tmp_path / "lantern-market")
    shutil.copytree(demo.audio / "shelf", tmp_path / "shelf")
    archive = Archive(tmp_path / "site")
    first = built(folder, archive, demo.cache)
    assert first[0].candidates == demo.data("lantern-market").candidates
    kicks = {row.file for row in first[0].balance.parts if row.chosen and row.part == "kick"}
    path = folder / kicks.pop()
    sound, rate = sf.read(path, always_2d=True)
    raw = path.read_bytes()
    sf.write(path, 0.7 * sound[: 3 * len(sound) // 4], rate, subtype="PCM_24")
    kept = built(folder, archive, demo.cache)
    assert any(plan.candidate == "kit" and plan.tried for plan in kept[0].plans)
    assert any(name.endswith("-treated.wav") for name in kept[1])
    assert kept[1] != first[1]
    assert kept == built(folder, Archive(tmp_path / "other"), Cache(tmp_path / "other-cache"))
    path.write_bytes(raw)
    edited(folder, "\n", "\n# the same sounds again\n")
    again = built(folder, archive, demo.cache)
    assert again[1] == first[1]
    assert replace(again[0], inputs=(), revision=first[0].revision) == replace(first[0], inputs=())


WORDS = {"Nobody Inparticular": "Somebody Else", "played by the producer": "played by a friend",
         'rights = "pending"': 'rights = "cleared"'}  # fmt: skip


@pytest.mark.parametrize("title", ["Paper Harbour", "Paper Harbour at Night"])
def test_only_words_that_changed_find_every_result_again(
    small: small_beat.Small, title: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Artist, origin and rights make a new revision, for which nothing is worked out and nothing is rendered.

    Another title is another beat in the archive.  Its long files are links to those of the beat that it was, where the
    folder stands where it stood; elsewhere they are written anew.
    """
    folder = shutil.copytree(small.folder, tmp_path / small.folder.name)
    archive = Archive(tmp_path / "site")
    shutil.copytree(small.archive.root / "paper-harbour", archive.root / "paper-harbour")
    for old, new in {**WORDS, "Paper Harbour": title}.items():
        edited(folder, old, new)
    kept: Counter[str] = Counter()
    monkeypatch.setattr(Cache, "keep", lambda _, key, value, **more: kept.update([type(value).__name__]))
    data, renders = built(folder, archive, small.cache)
    # The digests of the inputs, the beat's name at its place and, with another title, the digests of long renders.
    del kept["dict"]  # none of files that changed a moment ago
    assert (kept.pop("str") == 1) == (title == "Paper Harbour")
    assert not kept
    assert (data.beat.title, data.beat.artist) == (title, "Somebody Else")
    told, told_before = (repr((one.candidates, one.balance, one.kit)) for one in (data, small.data))
    assert told.replace(data.beat.slug, "paper-harbour") == told_before  # names of files
    before = small.archive.renders_of("paper-harbour", "r001")
    assert {name.removeprefix(data.beat.slug): digest for name, digest in renders.items()
            if not name.endswith((".sfz", ".csv"))} == {  # which name files
        path.name.removeprefix("paper-harbour"): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in before.iterdir() if path.suffix not in (".sfz", ".csv")
    }  # fmt: skip


def test_such_a_build_loads_nothing_that_only_works_out_results(small: small_beat.Small, tmp_path: Path) -> None:
    """To import SciPy's filters takes longer than all that such a build has to do."""
    folder = shutil.copytree(small.folder, tmp_path / small.folder.name)
    shutil.copytree(small.archive.root / "paper-harbour", tmp_path / "site" / "paper-harbour")
    edited(folder, "Nobody Inparticular", "Somebody Else")
    program = (
        "import sys; from pathlib import Path; from dossier import pipeline; from dossier.archive import Archive; "
        "from dossier.cache import Cache; folder, site, kept = map(Path, sys.argv[1:]); "
        "pipeline.build(folder, Archive(site), cache=Cache(kept), made='2026-01-01T00:00:00Z', say=str); "
        "print(*{'scipy.signal', 'scipy.ndimage', 'librosa', 'pyloudnorm'} & set(sys.modules))"
    )
    arguments = [folder, tmp_path / "site", small.cache.folder]
    told = subprocess.run([sys.executable, "-c", program, *map(str, arguments)], check=True, capture_output=True)
    assert told.stdout.split() == []


def test_there_are_seven_kinds_of_results_and_each_is_used() -> None:
    kinds = set(get_args(memo.Kind))
    assert len(kinds) <= 7
    used = set()
    for path in (Path(dossier.__file__).parent / "stages").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.Call(func=func, args=[ast.Constant(value=kind), *_]):
                    if re.fullmatch(r"(memo|files|heard)(\.key|\.map)?", ast.unparse(func)):
                        used.add(kind)
    assert used == kinds


# ---------------------------------------------------------------------- a cache in which somebody else wrote


class Trap:
    """Runs when it is unpickled."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[str]]:
        return os.mkdir, (str(self.mark),)


def checked(key: str, content: bytes) -> bytes:
    """An entry that checks out."""
    return cache_module._head(key, content) + content


def garbage(path: Path, mark: Path) -> None:
    path.write_bytes(bytes(range(256)) * 4)


def a_pickle(path: Path, mark: Path) -> None:
    path.write_bytes(checked(path.name, pickle.dumps(Trap(mark))))


def a_script(path: Path, mark: Path) -> None:
    path.write_bytes(checked(path.name, b"<script>document.title = 1</script>"))


def a_pipe(path: Path, mark: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def a_folder(path: Path, mark: Path) -> None:
    path.unlink()
    path.mkdir()


def half(path: Path, mark: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def another_script(path: Path, mark: Path) -> None:
    path.write_bytes(checked(path.name, "Übermütige Töne ☃".encode()))
    os.close(os.open(os.fsencode(path.parent) + b"/\xff\xfe", os.O_CREAT | os.O_WRONLY))


def a_hole(path: Path, mark: Path) -> None:
    os.truncate(path, 8 << 30)


def a_link(path: Path, mark: Path) -> None:
    target = mark.with_name(f"of-somebody-else-{path.name}")
    target.write_bytes(checked(path.name, pickle.dumps(Trap(mark))))
    path.unlink()
    path.symlink_to(target)


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Build, bytes]:
    """A beat built once, then given another title: its folder, the cache of before, and what comes without a cache."""
    root = tmp_path_factory.mktemp("tiny")
    folder = root / "tin-whistle"
    small_beat.write(folder / "stems/bass.wav", 0.3 * small_beat.tone(55.0, 4.0))
    small_beat.write(folder / "stems/pad.wav", 0.1 * small_beat.tone(330.0, 4.0))
    small_beat.write(folder / "drums/kick.wav", small_beat.kick())
    small_beat.write(folder / "drums/snare.wav", small_beat.noise_hit(0.2, 300, 1))
    small_beat.write(folder / "drums/loop_120bpm.wav", small_beat.drum_loop(rich=True))
    policy = "[policy]\nplan_evaluations = 4\nplan_loop_evaluations = 4\n"
    (folder / "beat.toml").write_text(f'title = "Tin"\ntempo = 120.0\n{policy}', encoding="utf-8")
    build(folder, Archive(root / "before"), Cache(root / "cache"))
    edited(folder, "Tin", "Whistle")
    archive = Archive(root / "site")
    wanted = built(folder, archive, Cache(root / "empty"))
    return folder, root / "cache", wanted, page_of(archive)


def page_of(archive: Archive) -> bytes:
    return (archive.root / "whistle/whistle-r001.html").read_bytes()


@pytest.mark.skipif(os.name != "posix", reason="pipes with a name are POSIX")
@pytest.mark.parametrize("plant", [garbage, a_pickle, a_script, a_pipe, a_folder, half, another_script, a_hole, a_link])
def test_what_is_planted_in_every_entry_changes_nothing(
    tiny: tuple[Path, Path, Build, bytes], plant: Callable[[Path, Path], None], tmp_path: Path
) -> None:
    """The page is byte for byte that without a cache; nothing is run, nothing hangs, no link is written through."""
    folder, kept, wanted, page = tiny
    shutil.copytree(kept, tmp_path / "cache")
    entries = [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]
    assert len(entries) > 20
    for path in entries:
        plant(path, tmp_path / "mark")
    targets = {path: path.read_bytes() for path in tmp_path.glob("of-somebody-else-*")}
    archive = Archive(tmp_path / "site")
    faulthandler.dump_traceback_later(120.0, exit=True)  # where it hangs, which no exception could end
    assert built(folder, archive, Cache(tmp_path / "cache")) == wanted
    faulthandler.cancel_dump_traceback_later()
    assert page_of(archive) == page
    assert not (tmp_path / "mark").exists()
    assert {path: path.read_bytes() for path in targets} == targets


def test_words_in_a_well_made_entry_stay_words(
    tiny: tuple[Path, Path, Build, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every text of every entry is replaced by markup, where one can be: it comes out as text or not at all."""
    folder, kept, _, _ = tiny
    markup = "</script><script>document.title = 1</script><img src=x onerror=alert(1)>"

    def marked(value: object) -> object:
        if isinstance(value, dict):
            return {name: marked(inner) for name, inner in value.items()}
        if isinstance(value, list):
            return [marked(inner) for inner in value]
        return markup if isinstance(value, str) else value

    shutil.copytree(kept, tmp_path / "cache")
    for path in [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]:
        content = msgspec.msgpack.decode(path.read_bytes()[cache_module._HEAD :])
        path.write_bytes(checked(path.name, msgspec.msgpack.encode(marked(content))))
    archive = Archive(tmp_path / "site")
    monkeypatch.setattr(audio, "digests", {})
    built(folder, archive, Cache(tmp_path / "cache"))
    page = page_of(archive)
    assert b"document.title = 1" in page, "some of it was told"
    assert b"<script>document" not in page
    assert b"<img src=x" not in page


@pytest.mark.parametrize("kept", ["<img src=x>", "", "ab" * 31, "AB" * 32])
def test_a_kept_digest_that_is_none_is_not_believed(kept: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It would make every file that is said to have it the same sound."""
    monkeypatch.setattr(audio, "digests", {})
    cache = Cache(tmp_path)
    cache.keep(cache_module.key_of("digests"), {"1-2-3": kept})
    with inputs.digests_kept(cache):
        assert not audio.digests
    cache.keep(cache_module.key_of("digests"), {"1-2-3": "ab" * 32})
    with inputs.digests_kept(cache):
        assert audio.digests == {"1-2-3": "ab" * 32}
