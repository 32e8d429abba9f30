"""The archive on disk: revisions, identity, what changed, damage, older formats, privacy.  Evidence: analytic (the
rules of the format, checked on known content) unless a test says otherwise."""

from __future__ import annotations

import getpass
import io
import json
import os
import socket
import threading
from pathlib import Path

import factory
import msgspec
import pytest
from msgspec.structs import replace

from dossier.archive import Archive, dataformat
from dossier.archive.dataformat import NewerFormatError, encode, read_data, read_head
from dossier.archive.revisions import DataHead, check_slug, head_of, identity, revision_id, revision_number
from dossier.errors import ArchiveError
from dossier.model.datafile import FORMAT_VERSION, DossierData, RevisionInfo


def add(archive: Archive, data: DossierData, **renders: bytes) -> Path:
    return archive.publish(data, f"<html><title>{data.revision.id}</title></html>", renders)


def test_a_revision_lies_where_the_format_says(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "site")
    renders = {"kick.wav": b"RIFF", "levels.csv": lambda path: path.write_text("a,b\n")}
    page = archive.publish(factory.dossier(), "<html>one</html>", renders)
    assert page == tmp_path / "site/lantern-market/lantern-market-r001.html"
    assert page.read_text() == "<html>one</html>"
    found = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert found == {
        "site/.lock",
        "site/lantern-market/lantern-market-r001.html",
        "site/lantern-market/lantern-market-r001.json",
        "site/lantern-market/lantern-market-r001/kick.wav",
        "site/lantern-market/lantern-market-r001/levels.csv",
    }
    assert (tmp_path / "site/.lock").read_bytes() == b""


def test_what_was_published_is_read_back(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    data = factory.dossier()
    add(archive, data)
    assert archive.latest("lantern-market") == data
    assert archive.revisions("lantern-market") == (data.revision,)
    assert archive.slugs() == ("lantern-market",)
    assert archive.latest("elsewhere") is None
    assert archive.revisions("elsewhere") == ()


def test_revisions_count_up_and_are_never_overwritten(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    assert archive.next_revision("lantern-market") == "r001"
    add(archive, factory.dossier())
    assert archive.next_revision("lantern-market") == "r002"
    before = (tmp_path / "lantern-market/lantern-market-r001.html").read_bytes()
    with pytest.raises(ArchiveError, match="never overwritten"):
        archive.publish(factory.dossier(), "another page", {})
    with pytest.raises(ArchiveError, match="the next revision is r002, not r004"):
        archive.publish(factory.dossier(revision="r004"), "another page", {})
    assert (tmp_path / "lantern-market/lantern-market-r001.html").read_bytes() == before
    add(archive, factory.dossier(revision="r002", seed=2))
    assert [revision.id for revision in archive.revisions("lantern-market")] == ["r001", "r002"]


def test_numbers_of_revisions() -> None:
    assert [revision_id(number) for number in (1, 42, 1000)] == ["r001", "r042", "r1000"]
    assert [revision_number(name) for name in ("r001", "r1000", "r01", "x001", "r001x")] == [1, 1000, None, None, None]


def test_the_same_again_is_found_and_another_state_is_not(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    first = factory.dossier()
    add(archive, first)
    assert archive.find("lantern-market", first.revision.identity) == first.revision
    assert archive.find("lantern-market", factory.hash_of("else")) is None
    assert archive.find("elsewhere", first.revision.identity) is None
    add(archive, factory.dossier(revision="r002", seed=2))
    assert archive.find("lantern-market", first.revision.identity) is None, "going back is a change from the newest"


def test_a_missing_page_is_built_anew_and_named(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    data = factory.dossier()
    add(archive, data).unlink()
    assert archive.find("lantern-market", data.revision.identity) is None
    (skipped,) = archive.index().skipped
    assert skipped.file == "lantern-market/lantern-market-r001.html"
    assert "missing" in skipped.reason


def test_identity_depends_on_content_alone() -> None:
    inputs = [("stems/a.wav", "11"), ("drums/b.wav", "22")]
    settings = {"intent": "level", "policy": {"open_below": 0.5, "full_above": 0.8}, "roles": ("kick", "snare")}
    one = identity(inputs, settings, "0.1.0")
    assert len(one) == 64
    assert one == identity(reversed(inputs), dict(reversed(settings.items())), "0.1.0")
    others = {
        identity([("stems/a.wav", "12"), inputs[1]], settings, "0.1.0"),
        identity([("stems/x.wav", "11"), inputs[1]], settings, "0.1.0"), identity(inputs[:1], settings, "0.1.0"),
        identity(inputs, settings | {"intent": "tucked"}, "0.1.0"), identity(inputs, settings, "0.2.0"),
    }
    assert len(others | {one}) == 6
    with pytest.raises(ArchiveError, match="cannot tell this revision from others"):
        identity(inputs, {"odd": object()}, "0.1.0")


@pytest.mark.parametrize(
    ("beat_id", "stems", "known", "expected"),
    [
        ("", "its own", False, "lantern-market"),
        ("", "others", True, "lantern-market"),
        ("", "others", False, None),
        ("", "none", False, None),
        ("lm-1", "others", False, "lantern-market"),  # the same id
        ("lm-2", "others", False, "lantern-market-2"),  # another id
        ("lm-2", "its own", False, "lantern-market"),  # a new id for the same music
        ("depot", "others", False, "night-depot"),  # an id that stands under another name
    ],
)
def test_a_beat_is_the_same_by_id_or_by_music_never_by_name_alone(
    tmp_path: Path, beat_id: str, stems: str, known: bool, expected: str | None
) -> None:
    """Analytic, from the rule; what is not known to be the same beat is an error that says how to say so."""
    archive = Archive(tmp_path)
    first, other = factory.dossier(), factory.dossier("night-depot")
    add(archive, replace(first, beat=replace(first.beat, id="lm-1")))
    add(archive, replace(other, beat=replace(other.beat, id="depot")))
    own = {entry.sha256 for entry in first.inputs if entry.kind == "stem"}
    told = {"its own": {*list(own)[:1], "0" * 64}, "others": {"0" * 64}, "none": set()}[stems]
    if expected is None:
        with pytest.raises(ArchiveError, match=r"'Lantern Market', that shares no stem .* --name lantern-market"):
            archive.slug_for("lantern-market", beat_id=beat_id, stems=told, known=known)
    else:
        assert archive.slug_for("lantern-market", beat_id=beat_id, stems=told, known=known) == expected
    assert archive.slug_for("free", beat_id="", stems=told, known=False) == "free"


@pytest.mark.parametrize(
    "slug", ["", "..", "a/b", "a\\b", ".hidden", "-x", "Upper", "a b", "x" * 101, "nul\0", "cafe\u0301"]
)
def test_names_that_are_no_folder_everywhere_are_refused(slug: str, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="lower-case letters"):
        Archive(tmp_path / "site").publish(factory.dossier(slug=slug, title="Any"), "page", {})
    assert not (tmp_path / "site").exists()


def test_plain_names_are_taken() -> None:
    assert [check_slug(slug) for slug in ("a", "lantern-market", "3am_take", "caf\u00e9")]


@pytest.mark.parametrize("name", ["", "../x.wav", "/x.wav", "a/b.wav", "a\\b.wav", ".x"])
def test_renders_stay_in_their_folder(name: str, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="cannot be the name of a render"):
        Archive(tmp_path).publish(factory.dossier(), "page", {name: b""})
    assert not list(tmp_path.iterdir())


# ---------------------------------------------------------------------- the data file


def test_the_same_content_gives_the_same_bytes_in_any_order_of_mappings() -> None:
    data = factory.dossier()
    shuffled = replace(
        data, instrumental=replace(data.instrumental, zones=dict(reversed(data.instrumental.zones.items())))
    )
    raw = encode(data)
    assert raw == encode(shuffled) == encode(read_data(raw)) == encode(factory.dossier())
    zones = json.loads(raw)["instrumental"]["zones"]
    assert list(zones) == ["sub", "bass", "low_mid", "mid", "high_mid", "presence", "brilliance"]


def test_numbers_are_rounded_and_rows_stay_on_one_line() -> None:
    raw = encode(
        {"one": 1 / 3, "minus": -1e-9, "row": [1 / 3, 2.0, 3], "none": None, "yes": True, "text": 'é\u2028"</'}
    )
    assert raw.decode() == (
        '{"minus": 0.0, "none": null, "one": 0.333333, "row": [0.33333,2.0,3], "text": "é\u2028\\"</", "yes": true}\n'
    )
    lines = encode(factory.dossier(bars=40)).decode().splitlines()
    assert max(map(len, lines)) > 600, "a band's row is one line"
    assert len(lines) < 1200


def test_a_long_row_is_rounded_as_each_of_its_numbers_is() -> None:
    """Analytic, at ties too, which binary numbers only seem to be."""
    whole = range(-100, 100)
    for row in ([k / 7 for k in whole], [(k + 0.5) * 1e-5 for k in whole], [k * 1e9 + 1 / 3 for k in whole]):
        wanted = ",".join(repr(round(value, 5) + 0.0) for value in row)
        assert json.loads(encode({"row": row}))["row"] == json.loads(f"[{wanted}]")
        assert b"-0.0," not in encode({"row": row})
    assert json.loads(encode({"row": [1.5, 2] * 50}))["row"][:2] == [1.5, 2]
    with pytest.raises(ArchiveError, match=r"row\.\[row\] is not a finite number"):
        encode({"row": [*map(float, whole), float("nan")]})


def test_numpy_numbers_are_written_like_plain_ones() -> None:
    numpy = pytest.importorskip("numpy", reason="numpy is not installed")
    plain = {"a": [0.1, 0.2], "b": 0.5, "c": 3, "d": True, "e": [[1.0, 2.0]]}
    odd = {"a": tuple(numpy.array([0.1, 0.2])), "b": numpy.float64(0.5), "c": numpy.int64(3), "d": numpy.bool_(True),
           "e": numpy.array([[1.0, 2.0]])}  # fmt: skip
    assert encode(odd) == encode(plain)


@pytest.mark.parametrize(
    ("value", "place"),
    [
        ({"a": {"b": float("nan")}}, r"a\.b is not a finite number"),
        ({"a": [1.0, float("inf")]}, r"a\.\[row\] is not a finite number"),
        ({"a": [{"b": object()}]}, r"a\.\[0\]\.b is a object"),
    ],
)
def test_what_json_cannot_hold_is_an_error_with_its_place(value: object, place: str) -> None:
    with pytest.raises(ArchiveError, match=place):
        encode(value)


def test_the_top_level_holds_what_scripts_rely_on() -> None:
    document = json.loads(encode(factory.dossier()))
    assert {
        "format_version", "program", "beat", "revision", "inputs", "instrumental", "occupancy", "approach",
        "candidates", "kit", "plans", "balance", "low_end", "translation", "decisions", "warnings",
    } <= set(document)  # fmt: skip
    assert {"name", "version"} <= set(document["program"])
    assert {"title", "slug", "tempo_bpm", "key", "meter", "duration_s", "bars"} <= set(document["beat"])
    assert {"id", "made", "identity", "changes"} <= set(document["revision"])
    assert {"file", "sha256", "rights", "origin"} <= set(document["inputs"][0])
    assert {"fill", "zones", "sections", "integrated_lufs", "true_peak_dbtp"} <= set(document["instrumental"])
    assert {"name", "bars", "fill", "zones"} <= set(document["instrumental"]["sections"][0])
    assert {"band_hz", "slot_s", "instrumental"} <= set(document["occupancy"])
    assert {"kind", "direction", "reasons"} <= set(document["approach"])
    assert {"file", "kind", "role", "rights", "score", "terms", "fit", "gain_db", "plan"} <= set(
        document["candidates"][0]
    )
    assert {"job", "heard_in_zones", "room_filled", "over", "covered_music", "lift_lu"} <= set(
        document["candidates"][0]["fit"]
    )
    assert {"candidate", "steps", "before", "after", "helped"} <= set(document["plans"][0])
    assert {"treatment", "amounts"} <= set(document["plans"][0]["steps"][0])
    assert {"parts", "equal_peaks", "mix"} <= set(document["balance"])
    assert {
        "part", "sample_peak_dbfs", "true_peak_dbtp", "integrated_lufs", "peak_to_loudness_db", "audible_share",
        "lift_lu", "gain_db",
    } <= set(document["balance"]["parts"][0])  # fmt: skip
    assert {"integrated_lufs", "true_peak_dbtp", "headroom_db"} <= set(document["balance"]["mix"])


# ---------------------------------------------------------------------- older, newer and damaged files


@pytest.mark.parametrize("version", range(1, FORMAT_VERSION + 1))
def test_a_kept_file_of_each_format_is_read(version: int) -> None:
    """Regression: each format as it was written, by `factory.py` of its time."""
    raw = (Path(__file__).parent / f"data_formats/v{version}.json").read_bytes()
    data = read_data(raw, shown_as=f"v{version}.json")
    assert (data.format_version, data.beat.title, data.revision.id) == (version, "Lantern Market", "r001")
    assert len(data.occupancy.instrumental) == 38
    assert data.balance.mix.integrated_lufs == -16.0


def test_a_head_is_read_without_the_long_parts_of_its_file() -> None:
    raw = encode(factory.dossier())
    head = read_head(io.BytesIO(raw))
    assert len(head) < len(raw) / 2
    assert dataformat.decode(head, DataHead, shown_as="x") == head_of(read_data(raw))


def test_a_head_is_read_where_other_fields_stand_first() -> None:
    """As files of this format were written before."""
    raw = (Path(__file__).parent / f"data_formats/v{FORMAT_VERSION}.json").read_bytes()
    assert raw.index(b'"occupancy"') < raw.index(b'"balance"')
    assert read_head(io.BytesIO(raw)) == raw
    assert dataformat.decode(raw, DataHead, shown_as="x") == head_of(read_data(raw))


def test_a_file_that_was_cut_short_has_no_head() -> None:
    raw = encode(factory.dossier())[:-3]
    with pytest.raises(ArchiveError, match="damaged"):
        dataformat.decode(read_head(io.BytesIO(raw)), DataHead, shown_as="x")


def test_an_older_format_is_lifted_step_by_step(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dataformat, "FORMAT_VERSION", 4)
    monkeypatch.setitem(dataformat.UPGRADES, 2, lambda tree: tree | {"beat": tree["beat"] | {"title": "by 2"}})
    monkeypatch.setitem(
        dataformat.UPGRADES, 3, lambda tree: tree | {"beat": tree["beat"] | {"title": tree["beat"]["title"] + ", 3"}}
    )
    assert read_data(encode(factory.dossier())).beat.title == "by 2, 3"


def test_a_newer_format_is_named_and_passed_over(tmp_path: Path) -> None:
    said: list[str] = []
    archive = Archive(tmp_path, say=said.append)
    add(archive, factory.dossier())
    newer = tmp_path / "lantern-market/lantern-market-r002.json"
    newer.write_text('{"format_version": 99, "all": "new"}')
    with pytest.raises(NewerFormatError, match=r"r002\.json: format 99, written by a newer version"):
        read_data(newer.read_bytes(), shown_as="lantern-market-r002.json")
    latest = archive.latest("lantern-market")
    assert latest is not None
    assert latest.revision.id == "r001"
    assert any("lantern-market-r002.json: format 99" in line for line in said)
    (skipped,) = archive.index().skipped
    assert skipped.file == "lantern-market/lantern-market-r002.json"
    assert archive.next_revision("lantern-market") == "r003", "its number is taken"


@pytest.mark.parametrize(
    "raw",
    [b"", b"{", b"null", b"[]", b"{}", b'{"format_version": 1}', b'{"format_version": "one"}', b'{"format_version": 0}',
     b'{"format_version": -4}', b"\xff\xfe\x00", b'{"format_version": 1, "beat": ' + b"[" * 100_000, b"\0" * 4096],
)  # fmt: skip
def test_damaged_files_are_named_and_never_hide_the_rest(raw: bytes, tmp_path: Path) -> None:
    said: list[str] = []
    archive = Archive(tmp_path, say=said.append)
    add(archive, factory.dossier())
    add(archive, factory.dossier(slug="night-depot"))
    damaged = tmp_path / "lantern-market/lantern-market-r002.json"
    damaged.write_bytes(raw)
    index = archive.index()
    assert [beat.slug for beat in index.beats] == ["lantern-market", "night-depot"]
    assert [entry.file for entry in index.skipped] == ["lantern-market/lantern-market-r002.json"]
    assert sum("lantern-market-r002.json" in line for line in said) == 1, "said once"
    assert archive.find("lantern-market", factory.dossier().revision.identity) is None, "the newest cannot be trusted"
    add(archive, factory.dossier(revision="r003", seed=5))
    assert damaged.read_bytes() == raw, "left as it was"
    latest = archive.latest("lantern-market")
    assert latest is not None
    assert latest.revision.id == "r003"


def test_a_truncated_data_file_at_any_length_is_passed_over(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    add(archive, factory.dossier(bars=1))
    path = tmp_path / "lantern-market/lantern-market-r001.json"
    whole = path.read_bytes()
    for length in range(0, len(whole) - 2, 997):
        path.write_bytes(whole[:length])
        assert archive.index().beats == ()
        assert archive.latest("lantern-market") is None
    path.write_bytes(whole)
    assert len(archive.index().beats) == 1


def test_a_file_under_another_name_is_passed_over(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    add(archive, factory.dossier())
    folder = tmp_path / "lantern-market"
    (folder / "lantern-market-r002.json").write_bytes((folder / "lantern-market-r001.json").read_bytes())
    (skipped,) = archive.index().skipped
    assert "holds lantern-market r001, not what its name says" in skipped.reason


def test_leftovers_of_a_killed_build_are_cleared_by_the_next(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    add(archive, factory.dossier())
    folder = tmp_path / "lantern-market"
    (folder / "lantern-market-r002.html").write_text("half")
    (folder / "lantern-market-r002").mkdir()
    (folder / "lantern-market-r002/old.wav").write_bytes(b"x")
    (folder / ".lantern-market-r002.77-0.part").mkdir()
    (folder / ".lantern-market-r002.77-0.part/data").write_bytes(b"x")
    (tmp_path / ".index.html.77-1.part").write_text("half")
    assert [revision.id for revision in archive.revisions("lantern-market")] == ["r001"]
    add(archive, factory.dossier(revision="r002", seed=2), **{"new.wav": b"y"})
    archive.write_index(lambda index: "page")
    assert [path.name for path in (folder / "lantern-market-r002").iterdir()] == ["new.wav"]
    assert "r002" in (folder / "lantern-market-r002.html").read_text()
    assert not [path for path in tmp_path.rglob("*") if path.name.endswith(".part")]


# ---------------------------------------------------------------------- index


def test_the_index_is_built_from_the_data_files_alone(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    for slug in ("night-depot", "lantern-market", "slow-ferry"):
        add(archive, factory.dossier(slug=slug))
    add(archive, factory.dossier(slug="slow-ferry", revision="r002", seed=9))
    (tmp_path / "pictures").mkdir()
    (tmp_path / "README.md").write_text("not a beat")
    seen = []
    page = archive.write_index(lambda index: seen.append(index) or "<html>index</html>")
    assert page.read_text() == "<html>index</html>"
    first = (tmp_path / "archive.json").read_bytes()
    assert [beat.slug for beat in seen[0].beats] == ["lantern-market", "night-depot", "slow-ferry"]
    assert [revision.id for revision in seen[0].beats[2].revisions] == ["r001", "r002"]
    (tmp_path / "archive.json").unlink()
    (tmp_path / "index.html").unlink()
    Archive(tmp_path).write_index(lambda index: "<html>index</html>")
    assert (tmp_path / "archive.json").read_bytes() == first, "same content, same bytes"
    document = json.loads(first)
    assert document["format_version"] == 2
    assert [drum["part"] for drum in document["beats"][0]["revisions"][0]["drums"]] == ["kick", "snare", "closed hat"]
    assert {entry["file"] for entry in document["beats"][0]["revisions"][0]["rights"]} == {
        "stems/pad.wav", "stems/bass.wav", "drums/kick-low.wav", "drums/snare-dry.wav", "drums/hat-short.wav",
    }, "rights of what plays, not of what was only looked at"  # fmt: skip


def test_an_empty_archive_has_an_index_too(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "new")
    assert archive.index().beats == ()
    assert not (tmp_path / "new").exists(), "reading makes nothing"
    assert archive.write_index(lambda index: f"{len(index.beats)} beats").read_text() == "0 beats"


def test_the_lock_may_be_nested_and_keeps_others_out(tmp_path: Path) -> None:
    said: list[str] = []
    archive, other = Archive(tmp_path), Archive(tmp_path, say=said.append)
    order: list[str] = []

    def second() -> None:
        with other.lock():
            order.append("second")

    with archive.lock(), archive.lock():
        thread = threading.Thread(target=second)
        thread.start()
        while not said:
            thread.join(0.005)
        order.append("first")
    thread.join(10)
    assert order == ["first", "second"]
    assert said == [f"another build is writing to {tmp_path}; waiting for it to finish"]


# ---------------------------------------------------------------------- privacy


@pytest.mark.parametrize("path", ["/music/kick.wav", "C:\\music\\kick.wav", "\\\\nas\\music\\kick.wav"])
def test_absolute_paths_are_refused(path: str, tmp_path: Path) -> None:
    data = factory.dossier()
    shown = replace(data, inputs=(*data.inputs, replace(data.inputs[1], file=path)))
    with pytest.raises(ArchiveError, match="absolute path"):
        add(Archive(tmp_path / "site"), shown)
    assert not (tmp_path / "site").exists()


def test_a_sentence_that_shows_the_home_folder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/users/mara")
    with pytest.raises(ArchiveError, match="shows where files lie"):
        add(Archive(tmp_path), factory.dossier(warnings=("cannot read '/users/mara/beats/kick.wav'",)))
    add(Archive(tmp_path), factory.dossier(warnings=("cannot read drums/users/mara/kick.wav",)))


def test_nothing_written_names_the_machine_or_the_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tmp_path / "a-place-of-its-own"
    archive = Archive(root)
    data = factory.dossier()
    add(archive, data, **{"kick.wav": b"RIFF"})
    archive.record("lantern-market", factory.decision())
    archive.take_in(msgspec.json.encode(factory.response(data)))
    archive.write_index(lambda index: encode(index).decode())
    names = {str(tmp_path), "a-place-of-its-own", socket.gethostname(), str(Path.home()) + "/", os.getcwd()}
    user = getpass.getuser()
    texts = [
        path.read_bytes().decode() + path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()
    ]
    assert len(texts) >= 6
    for text in texts:
        assert not [name for name in names if name in text]
        assert f'"{user}"' not in text


def test_revision_info_keeps_its_fields(tmp_path: Path) -> None:
    info = RevisionInfo("r001", "2026-03-01T10:00:00Z", "ab" * 32, ("First.",), None)
    archive = Archive(tmp_path)
    add(archive, factory.dossier(revision=info))
    assert archive.revisions("lantern-market") == (info,)
