"""The command line: exit codes, what goes to which stream, places that are refused; and what the README says of it.

Evidence: analytic, from the contract of the commands (exit codes, JSON, streams); NO_COLOR after no-color.org.  The
builds of most tests are stand-ins that publish an invented dossier; one test builds a real beat in its own process.
"""

from __future__ import annotations

import argparse
import errno
import io
import json
import os
import pty
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from time import sleep
from typing import Any

import numpy as np
import pytest
from factory import dossier, response
from msgspec.structs import replace
from small_beat import drum_loop, kick, noise_hit, tone, write

from dossier import beatfile, cli, inputs, parallel, pipeline, terminal
from dossier.archive import Archive
from dossier.model.beat import Given
from dossier.model.datafile import DossierData, InputFile

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MADE = "2026-01-02T03:04:05Z"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run one command in a folder of its own: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / "cache"))
    monkeypatch.delenv("DOSSIER_TRACEBACK", raising=False)

    def call(*argv: str | Path) -> tuple[int, str, str]:
        capsys.readouterr()
        try:
            code = cli.main([str(word) for word in argv])
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 1
        out, err = capsys.readouterr()
        return code, out, err

    return call


def publish(root: Path, data: DossierData) -> Path:
    archive = Archive(root)
    page = archive.publish(data, "<!doctype html><title>x</title>")
    pipeline.index(archive)
    return page


@pytest.fixture
def pretend(monkeypatch: pytest.MonkeyPatch) -> dict[str, DossierData | Exception]:
    """Builds that publish what they are told: by folder name, a dossier or the exception that stops it."""
    answers: dict[str, DossierData | Exception] = {}

    def build(folder: Path, archive: Archive, **_: Any) -> pipeline.Built:
        answer = answers[folder.resolve().name]
        if isinstance(answer, Exception):
            raise answer
        known = archive.find(answer.beat.slug, answer.revision.identity)
        page = archive.root / answer.beat.slug / f"{answer.beat.slug}-{answer.revision.id}.html"
        if known is None:
            page = archive.publish(answer, "<!doctype html>")
        return pipeline.built_of(answer, page, new=known is None)

    monkeypatch.setattr(pipeline, "build", build)
    return answers


# ------------------------------------------------------------------ usage


@pytest.mark.parametrize(
    "argv",
    [[], ["nothing"], ["build"], ["measure"], ["build", "x", "--jobs", "0"], ["build", "x", "--jobs", "many"],
     ["schema", "other"], ["decide", "x", "--status", "perhaps"]],
    ids=lambda argv: " ".join(argv) or "no command",
)  # fmt: skip
def test_wrong_usage_is_exit_code_2_without_traceback(run: Run, argv: list[str]) -> None:
    code, out, err = run(*argv)
    assert code == 2
    assert "Traceback" not in err
    assert "usage: dossier" in out + err


@pytest.mark.parametrize(
    "command", ["", "demo", "new", "build", "measure", "check", "decide", "index", "learn", "schema"]
)
def test_help_is_exit_code_0_and_explains_every_argument(run: Run, command: str) -> None:
    code, out, _ = run(*([command] if command else []), "--help")
    assert code == 0
    unexplained = [
        action.dest for action in parser_of(command)._actions
        if not action.help and not isinstance(action, argparse._SubParsersAction)
    ]  # fmt: skip
    assert unexplained == []
    assert out.startswith("usage: dossier")


def test_each_command_has_two_examples_that_it_can_read() -> None:
    for name, parser in commands_of(cli._parser()).items():
        shown = re.findall(r"^  dossier (.+)$", parser.format_help(), re.M)
        assert len(shown) == 2, name
        for example in shown:
            words = shlex.split(example.partition(" > ")[0])
            assert words[0] == name
            assert cli._parser().parse_args(words).run


def test_help_of_build_says_what_beat_toml_is(run: Run) -> None:
    _, out, _ = run("build", "--help")
    assert "A beat.toml in the folder is optional" in " ".join(out.split())
    assert "dossier new" in out


@pytest.mark.parametrize(
    ("argv", "words"),
    [(["build", "x", "--drumms", "y"], "unknown: --drumms y; did you mean '--drums'?"),
     (["decide", "x", "--txt=y"], "unknown: --txt=y; did you mean '--text'?"), (["index", "a", "b"], "unknown: b")],
)  # fmt: skip
def test_an_unknown_option_shows_the_usage_of_its_command(run: Run, argv: list[str], words: str) -> None:
    code, _, err = run(*argv)
    assert code == 2
    assert err.startswith(f"usage: dossier {argv[0]} ")
    assert f"dossier {argv[0]}: error: {words}" in err


# ------------------------------------------------------------------ build


def test_build_names_revision_verdict_and_pages_on_standard_output(run: Run, pretend: dict[str, Any]) -> None:
    data = pretend["one"] = dossier("one")
    Path("one").mkdir()
    code, out, err = run("build", "one")
    assert code == 0
    assert data.approach.verdict in out
    assert f"{data.beat.title}: new r001" in out
    assert out.rstrip().endswith(f"Open {Path('site/index.html')}")
    assert "dossier:" not in err


def test_the_same_again_is_said_and_keeps_its_remarks(run: Run, pretend: dict[str, Any]) -> None:
    pretend["one"] = replace(dossier("one"), warnings=("stems/pad.wav: has a DC offset of +4.0 % of full scale",))
    Path("one").mkdir()
    first, again = run("build", "one"), run("build", "one")
    assert "unchanged since r001" in again[1]
    assert "note: stems/pad.wav: has a DC offset" in first[1]
    assert "note: stems/pad.wav: has a DC offset" in again[1]
    assert first[0] == again[0] == 0


def test_one_bad_beat_does_not_cost_the_other(run: Run) -> None:
    """Two beats, one of them not there: the other is built; here with the real pipeline up to the input check."""
    code, out, err = run("build", "not-there", "nor-this")
    assert code == 2
    assert "not-there" in err
    assert "nor-this" in err
    assert "Open" not in out
    assert not Path("site").exists()


def test_bad_among_good_is_exit_code_1(run: Run, pretend: dict[str, Any]) -> None:
    from dossier.errors import BeatError, Problem

    pretend["good"] = dossier("good")
    pretend["bad"] = BeatError([Problem("bad/beat.toml", key, "found -1") for key in ("tempo", "key")])
    for name in pretend:
        Path(name).mkdir()
    code, out, err = run("build", "bad", "good")
    assert code == 1
    assert "new r001" in out
    assert err.count("dossier: bad/beat.toml: ") == 2


def test_a_fault_of_the_program_is_named_and_costs_one_beat(
    run: Run, pretend: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    pretend["good"], pretend["odd"] = dossier("good"), ZeroDivisionError("so\nodd")
    for name in pretend:
        Path(name).mkdir()
    code, out, err = run("build", "odd", "good")
    assert code == 1
    assert "odd: a fault in dossier itself (ZeroDivisionError: so odd); please report it" in err
    assert "new r001" in out
    monkeypatch.setenv("DOSSIER_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(["build", "odd"])


def test_a_drum_that_cannot_be_read_is_left_out_named_and_exit_code_1(run: Run, pretend: dict[str, Any]) -> None:
    made = dossier("one")
    lost = InputFile(file="drums/torn.wav", sha256="", kind="drum", rights="unknown", origin="", used=False)
    said = "drums/torn.wav: is not audio: it has only 5 bytes"
    pretend["one"] = replace(made, inputs=(*made.inputs, lost), warnings=(said, "another remark"))
    Path("one").mkdir()
    for _ in range(2):
        code, out, err = run("build", "one")
        assert code == 1
        assert f"dossier: one: left out: {said}" in err
        assert "note: another remark" in out
        assert said not in out
    code, out, _ = run("build", "one", "--json")
    assert code == 1
    assert json.loads(out)["built"][0]["left_out"] == [said]


def test_build_as_json_is_one_document(run: Run, pretend: dict[str, Any]) -> None:
    from dossier.errors import AudioError

    pretend["one"], pretend["two"] = dossier("one"), AudioError("stems/x.wav: is empty")
    for name in pretend:
        Path(name).mkdir()
    code, out, _ = run("build", "one", "two", "--json")
    document = json.loads(out)
    assert code == 1
    assert [entry["beat"] for entry in document["built"]] == ["one"]
    assert document["failed"] == [{"beat": "two", "error": "stems/x.wav: is empty"}]


@pytest.mark.parametrize(("asked", "given"), [((), 3), (("--jobs", "1"), 1), (("--jobs", "1000"), 12)])
def test_processes_are_as_many_as_asked_for_and_as_the_machine_can_bear(
    run: Run, pretend: dict[str, Any], monkeypatch: pytest.MonkeyPatch, asked: tuple[str, ...], given: int
) -> None:
    pretend["one"] = dossier("one")
    Path("one").mkdir()
    seen, build = [], pipeline.build

    def watched(*told: Any, engine: parallel.Engine, **more: Any) -> pipeline.Built:
        seen.append(engine.jobs)
        return build(*told, **more)

    monkeypatch.setattr(pipeline, "build", watched)
    monkeypatch.setattr(parallel, "cores", lambda: 3)
    assert run("build", "one", *asked)[0] == 0
    assert seen == [given]


def test_a_folder_given_as_a_dot_has_its_name(run: Run, pretend: dict[str, Any]) -> None:
    pretend["one"] = ZeroDivisionError()
    Path("one").mkdir()
    os.chdir("one")
    assert "dossier: one: a fault" in run("build", ".", "-o", "../site")[2]


# ------------------------------------------------------------------ places


@pytest.mark.parametrize("place", ["one", "one/stems", "one/drums/new", "one/../one", "."])
def test_an_archive_among_the_files_of_a_beat_is_refused(run: Run, place: str) -> None:
    """Renders beside the drums would be the next build's candidates; `.` would be the beat's own folder."""
    write(Path("one/stems/bass.wav"), tone(55.0, 0.1))
    before = sorted(Path().rglob("*"))
    code, _, err = run("build", "one", "-o", place)
    assert code == 2
    assert "choose another place with -o" in err
    assert sorted(Path().rglob("*")) == before


def test_an_archive_elsewhere_in_a_beat_is_nobodys_harm(run: Run, pretend: dict[str, Any]) -> None:
    pretend["one"] = dossier("one")
    Path("one").mkdir()
    assert run("build", "one", "-o", "one/site")[0] == 0


@pytest.mark.parametrize("argv", [["build", "one"], ["demo"]], ids=["build", "demo"])
@pytest.mark.parametrize("place", ["file", "file/in/it"])
def test_a_file_in_the_place_of_the_archive_is_said_before_the_work(run: Run, argv: list[str], place: str) -> None:
    Path("file").write_text("x")
    code, _, err = run(*argv, "-o", place)
    assert code == 2
    assert "a file stands" in err
    assert "reading" not in err
    assert not Path("demo-audio").exists()


def test_a_read_only_place_is_said_before_the_work(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's answer is a stand-in: the superuser, who may run the tests, may write anywhere."""
    monkeypatch.setattr(os, "access", lambda place, _: Path(place).name != "shut")
    Path("shut").mkdir()
    code, _, err = run("build", "one", "-o", "shut/site")
    assert code == 2
    assert "cannot be written to" in err


@pytest.mark.parametrize("argv", [["index", "nowhere"], ["decide", "one", "--by", "A", "--text", "x", "-o", "nowhere"]],
                         ids=["index", "decide"])  # fmt: skip
def test_an_archive_that_is_not_there_is_not_made(run: Run, argv: list[str]) -> None:
    code, _, err = run(*argv)
    assert code == 2
    assert "nowhere: is not a folder" in err
    assert not Path("nowhere").exists()


def test_index_writes_nothing_into_a_folder_that_is_no_archive(run: Run) -> None:
    Path("other").mkdir()
    code, _, err = run("index", "other")
    assert code == 2
    assert "holds no dossier" in err
    assert list(Path("other").iterdir()) == []


def test_index_rebuilds_deleted_pages_from_the_data_files(run: Run) -> None:
    publish(Path("site"), dossier("one"))
    page = Path("site/index.html").read_bytes()
    Path("site/index.html").unlink()
    Path("site/archive.json").unlink()
    assert run("index", "site")[:2] == (0, f"Open {Path('site/index.html')}\n")
    assert Path("site/index.html").read_bytes() == page


# ------------------------------------------------------------------ decide


@pytest.mark.parametrize("told", ["lantern-market", "lantern-market/", "../music/lantern-market", "Lantern Market"])
def test_a_decision_by_hand_finds_its_beat_by_name_folder_or_title(run: Run, told: str) -> None:
    publish(Path("site"), dossier("lantern-market"))
    said = ("--by", "Ann\nOther", "--text", "Yes.", "--status", "agreed", "--gain", "kick=-3.5")
    code, out, _ = run("decide", told, *said)
    assert code == 0
    assert out == "lantern-market: d0001 on r001 by Ann Other: agreed\n"
    (done,) = Archive(Path("site")).decisions("lantern-market")
    assert (done.text, done.status, done.gains_db) == ("Yes.", "agreed", {"kick": -3.5})


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        ([], "nothing to record"),
        (["one"], "nothing to record"),
        (["one", "--text", "x"], "say it with --by"),
        (["other", "--text", "x", "--by", "A"], "holds no beat 'other'"),
        (["one", "--text", "x", "--by", "A", "--gain", "kick"], "write it as PART=DB"),
        (["one", "--text", "x", "--by", "A", "--gain", "kick=nan"], "nan"),
        (["one", "--text", "x", "--by", "A", "--gain", "gong=1"], "gong"),
        (["one", "--text", "x", "--by", "A", "--revision", "r009"], "r009"),
        (["one", "--text", "x", "--by", "A", "--supersedes", "d0009"], "d0009"),
        (["--response", "nothing.json"], "nothing.json: is not there"),
        (["one", "--response", "nothing.json"], "give --response alone"),
    ],
)
def test_a_decision_that_cannot_be_recorded_is_exit_code_2(run: Run, argv: list[str], said: str) -> None:
    publish(Path("site"), dossier("one"))
    code, out, err = run("decide", *argv)
    assert (code, out) == (2, "")
    assert said in err
    assert Archive(Path("site")).decisions("one") == ()


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_response_saved_by_an_editor_is_read(run: Run, encoding: str) -> None:
    data = dossier("one")
    publish(Path("site"), data)
    Path("answer.json").write_bytes(json.dumps(response(data)).encode(encoding))
    assert run("decide", "--response", "answer.json")[0] == 0


def test_an_answer_is_pasted_on_standard_input(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    data = dossier("one")
    publish(Path("site"), data)
    text = f"One, r001: happy [dossier one r001 {data.revision.identity[:12]}]\n"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))
    code, out, _ = run("decide", "--response", "-")
    assert (code, "agreed" in out) == (0, True)


@pytest.mark.parametrize(
    ("error", "said"),
    [(FileNotFoundError(2, "No such file or directory", b"/a/b/kick.wav"), "kick.wav: No such file or directory"),
     (OSError(18, "Invalid cross-device link", "/a/one", None, "/b/two"), "one: two: Invalid cross-device link"),
     (FileNotFoundError(2, "No such file or directory"), "No such file or directory (the system does not")],
)  # fmt: skip
def test_an_error_of_the_system_names_its_file(
    run: Run, monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    def fails(*_: Any) -> None:
        raise error

    publish(Path("site"), dossier("one"))
    monkeypatch.setattr(pipeline, "index", fails)
    code, _, err = run("index", "site")
    assert (code, err.startswith(f"dossier: {said}")) == (1, True), err


def test_a_response_file_is_taken_in_once(run: Run) -> None:
    data = dossier("one")
    publish(Path("site"), data)
    Path("answer.json").write_text(json.dumps(response(data)), encoding="utf-8")
    code, out, _ = run("decide", "--response", "answer.json")
    assert code == 0
    assert out.startswith("one: d0001 on r001 by ")
    code, out, err = run("decide", "--response", "answer.json")
    assert (code, out) == (0, "")
    assert "in the archive already, as d0001" in err
    assert len(Archive(Path("site")).decisions("one")) == 1


# ------------------------------------------------------------------ measure, check, schema


def test_measure_as_json_keeps_order_and_names_what_failed(run: Run) -> None:
    write(Path("kick.wav"), kick())
    Path("text.wav").write_text("no sound")
    code, out, err = run("measure", "kick.wav", "missing.wav", "text.wav", "--json")
    found = json.loads(out)
    assert code == 1
    assert [entry["file"] for entry in found] == ["kick.wav", "missing.wav", "text.wav"]
    assert found[0]["role"] == "kick"
    assert all(found[0][name] is not None or found[0]["reasons"][name] for name in found[0])
    assert [set(entry) for entry in found[1:]] == [{"file", "error"}] * 2
    assert err == ""


def test_measure_as_a_table_shows_values_and_why_there_are_dashes(run: Run) -> None:
    write(Path("kick.wav"), kick())
    write(Path("a-very-long-name-of-a-snare-in-the-rain.wav"), noise_hit(0.25, 300, 1))
    code, out, err = run("measure", "kick.wav", "a-very-long-name-of-a-snare-in-the-rain.wav", "gone.wav")
    assert code == 1
    assert err == "dossier: gone.wav: is not there; check the name and the folder\n"
    lines = out.splitlines()
    assert lines[0].split() == ["kick.wav", "a-very-..-rain.wav"]
    assert re.search(r"^true peak +-?\d+\.\d\d dBTP +-?\d+\.\d\d dBTP$", out, re.M)
    assert "no tempo, beats, first beat at, continuity: a one-shot has no tempo of its own" in lines
    assert "-0.00" not in out
    assert "_" not in out


def test_cells_of_the_table() -> None:
    assert terminal.cell({"x": -0.001}, "x", "dBFS", 2) == "0.00 dBFS"
    assert terminal.cell({"x": 0.0123}, "x", "ms", 1) == "12.3 ms"
    assert terminal.cell({"x": 7.4}, "x", "cents", 0) == "+7 cents"
    assert terminal.cell({"x": None}, "x", "Hz", 0) == "-"
    assert len(terminal.heading("n" * 300)) == terminal.HEADING_WIDTH


def test_names_that_the_terminal_cannot_write_are_no_failure(tmp_path: Path) -> None:
    write(tmp_path / "k\u00efck \U0001f941.wav", kick())
    for flags in ([], ["--json"]):
        done = in_a_process(["measure", *flags, *map(str, tmp_path.iterdir())], PYTHONIOENCODING="ascii")
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        if flags:
            assert json.loads(done.stdout)[0]["file"].endswith("k\u00efck \U0001f941.wav")


def test_check_names_the_beat_of_every_problem(run: Run) -> None:
    write(Path("good/stems/bass.wav"), tone(55.0, 3.0))
    for name in ("a.wav", "b.wav"):
        write(Path("torn/stems") / name, tone(55.0, 0.1))
        (Path("torn/stems") / name).write_bytes(b"RIFF")
    code, out, err = run("check", "good", "torn", "missing")
    assert code == 2
    assert out.startswith("good: nothing wrong\n")
    told = [line.split(": ")[1:3] for line in err.splitlines()]
    assert told[:2] == [["torn", "stems/a.wav"], ["torn", "stems/b.wav"]]
    assert "dossier: missing: is not there" in err


def test_check_shows_every_stem_and_drum_and_how_each_value_is_known(run: Run) -> None:
    """Analytic: what beat.toml, a tag, a name and the sound say was put there; the table and JSON tell the same."""
    write(Path("b/stems/low.wav"), 0.3 * tone(55.0, 4.0))
    write(Path("b/stems/pad.wav"), 0.1 * tone(440.0, 2.0))
    write(Path("b/drums/thing one.wav"), kick())
    write(Path("b/drums/snare x.wav"), noise_hit(0.2, 300, 1))
    write(Path("b/drums/beat_120bpm.wav"), drum_loop(rich=False))
    write(Path("b/drums/pinned.wav"), noise_hit(0.1, 2000, 3))
    Path("b/drums/torn.wav").write_bytes(b"RIFF" * 8)
    smpl = bytes(12) + (33).to_bytes(4, "little") + bytes(20)  # A1
    raw = Path("b/drums/thing one.wav").read_bytes() + b"smpl" + len(smpl).to_bytes(4, "little") + smpl
    Path("b/drums/thing one.wav").write_bytes(raw[:4] + (len(raw) - 8).to_bytes(4, "little") + raw[8:])
    Path("b/beat.toml").write_text(
        'tempo = 120\n[[stems]]\nfile = "stems/pad.wav"\nrole = "pad"\nstart = 2\n'
        '[[drums]]\nfile = "drums/pinned.wav"\nkind = "one-shot"\nrole = "rim"\n'
    )
    code, out, err = run("check", "b", "--json")
    (found,) = json.loads(out)
    assert code == 1  # the torn file is named and left out, as by a build
    assert re.search(r"^dossier: b: left out: drums/torn\.wav: ", err, re.M)
    rows = {entry["file"]: entry for entry in found["files"]}
    assert found["sources"]["tempo_bpm"] == "beat.toml"
    assert (rows["stems/low.wav"]["role"], rows["stems/low.wav"]["sources"]["role"]) == ("bass", "sound")
    assert (rows["stems/pad.wav"]["start_s"], rows["stems/pad.wav"]["sources"]["role"]) == (2.0, "beat.toml")
    assert rows["drums/thing one.wav"]["sources"] == {"kind": "sound", "role": "sound", "root": "tag"}
    assert (rows["drums/thing one.wav"]["role"], rows["drums/thing one.wav"]["root"]) == ("kick", "A1")
    assert rows["drums/snare x.wav"]["sources"]["role"] == "name"
    assert rows["drums/pinned.wav"]["sources"] == {"kind": "beat.toml", "role": "beat.toml"}
    loop = rows["drums/beat_120bpm.wav"]
    assert (loop["kind"], loop["sources"]["kind"], loop["sources"]["tempo_bpm"]) == ("loop", "name", "name")
    assert loop["tempo_bpm"] == pytest.approx(120.0, abs=0.5)
    code, out, _ = run("check", "b")
    assert code == 1
    assert re.search(r"^drums/thing one\.wav +one-shot \(sound\) +kick \(sound\) +- +A1 \(tag\) +0\.30 s *$", out, re.M)
    assert re.search(r"^stems/pad\.wav +stem +pad \(beat\.toml\) .* 2\.00 s *$", out, re.M)
    assert run("build", "b", "-o", "site")[0] == 1


def test_check_counts_the_drums_of_a_large_library(run: Run) -> None:
    write(Path("b/stems/low.wav"), 0.3 * tone(55.0, 3.0))
    for number in range(terminal.MOST_ROWS + 1):
        write(Path(f"lib/kick {number}.wav"), kick(0.1, 50.0 + number))
    code, out, _ = run("check", "b", "--drums", "lib")
    assert code == 0
    assert re.search(rf"^{terminal.MOST_ROWS + 1} drums +one-shot +kick +", out, re.M)
    assert "lib/kick" not in out
    assert run("check", "b", "--drums", "lib", "--all")[1].count("lib/kick") == terminal.MOST_ROWS + 1


@pytest.mark.parametrize(
    ("name", "seconds", "toml", "words"),
    [("short", 1.0, "", "at least 2 s are needed"), ("silent", 3.0, "", "loudness cannot be measured"),
     ("late", 3.0, "first_downbeat = 20", "lies past the music")],
)  # fmt: skip
def test_check_refuses_what_a_build_refuses(run: Run, name: str, seconds: float, toml: str, words: str) -> None:
    write(Path(name) / "stems/a.wav", (0.0 if name == "silent" else 0.3) * tone(110.0, seconds))
    (Path(name) / "beat.toml").write_text(toml)
    checked, built = run("check", name), run("build", name)
    assert (checked[0], built[0]) == (2, 2)
    assert words in checked[2]
    assert words in built[2]


def test_check_looks_at_the_archive_as_a_build_does(run: Run) -> None:
    """The taste beside it, and a name that another beat may have."""
    write(Path("b/stems/a.wav"), 0.3 * tone(110.0, 3.0))
    Path("taste.toml").write_text("taste = 9")
    for command in ("check", "build"):
        code, _, err = run(command, "b")
        assert (code, "taste.toml" in err) == (2, True)
    assert run("check", "b", "--archive", "elsewhere/site")[0] == 0
    assert not Path("elsewhere").exists()
    assert not Path("site").exists()
    Path("taste.toml").unlink()
    Archive(Path("site")).publish(dossier(slug="b", bars=1), "<html></html>", {})
    for command in ("check", "build"):
        code, _, err = run(command, "b")
        assert (code, "shares no stem with this one" in err) == (1, True)


# ------------------------------------------------------------------ new


def uncommented(text: str) -> str:
    """A drafted beat.toml with every line that stands behind a # taken for true."""
    return re.sub(r"^# (?=\w+ = |\[)", "", text, flags=re.M)


def test_new_writes_a_beat_toml_that_changes_nothing_and_holds_in_every_line(run: Run) -> None:
    """Round trip: the draft reads back; with each line uncommented it is a valid beat.toml of what was found."""
    write(Path("b/stems/low 'n\" wide.wav"), 0.3 * tone(55.0, 4.0))
    write(Path("b/stems/späd.wav"), 0.1 * tone(440.0, 2.0))
    write(Path("b/drums/beat_120bpm.wav"), drum_loop(rich=False))
    write(Path("b/drums/snare x.wav"), noise_hit(0.2, 300, 1))
    code, text, _ = run("new", "b", "--print")
    assert code == 0
    assert not Path("b/beat.toml").exists()
    before = beatfile.load(Path("b"))
    assert run("new", "b")[0] == 0
    assert Path("b/beat.toml").read_text(encoding="utf-8") == text
    after = beatfile.load(Path("b"))
    assert after.id.startswith("b-")
    assert [(stem.file, stem.role, stem.start_s) for stem in after.stems] == [
        (stem.file, "", None) for stem in before.stems
    ]
    assert (after.tempo_bpm, after.meter, after.key, after.swing, after.drums) == (None, None, None, None, before.drums)
    Path("b/beat.toml").write_text(uncommented(text).replace('"~/drums"', '"drums"'), encoding="utf-8")
    held = beatfile.load(Path("b"))
    assert held.tempo_bpm is not None
    assert held.pattern is not None
    assert [stem.role for stem in held.stems if "low" in stem.file] == ["bass"]
    assert {drum.file: (drum.kind, drum.role) for drum in held.drums} == {
        "drums/beat_120bpm.wav": ("loop", None), "drums/snare x.wav": ("one-shot", "snare"),
    }  # fmt: skip
    code, _, err = run("new", "b")
    assert (code, "holds beat.toml already, which stays as it is" in err) == (2, True)
    assert beatfile.load(Path("b")) == held


def test_new_gives_a_bounce_a_folder_of_its_name_that_is_the_same_beat(run: Run) -> None:
    write(Path("music/Night Tram.wav"), 0.3 * tone(55.0, 4.0))
    write(Path("lib/deep/kick.wav"), kick())
    write(Path("lib/deep/fx.wav"), kick())
    code, out, _ = run("new", "music/Night Tram.wav", "--drums", "lib", "--exclude", "fx*")
    assert code == 0
    assert "then: dossier build 'music/Night Tram'\n" in out
    bounce = beatfile.load(Path("music/Night Tram.wav"), given=Given((Path("lib"),), exclude=("fx*",)))
    folder = beatfile.load(Path("music/Night Tram"))
    assert (folder.title, folder.slug, folder.drums) == (bounce.title, bounce.slug, bounce.drums)
    assert inputs.stem_hashes(folder) == inputs.stem_hashes(bounce)
    write(Path("music/Other/stems/x.wav"), tone(55.0, 4.0))
    write(Path("music/Other.wav"), 0.3 * tone(55.0, 4.0))
    code, _, err = run("new", "music/Other.wav")
    assert (code, "holds stems already" in err) == (2, True)


@pytest.mark.parametrize("what", ["beat", "data"])
def test_schemas_are_json_schema_of_objects(run: Run, what: str) -> None:
    code, out, _ = run("schema", what)
    document = json.loads(out)
    assert code == 0
    assert document.get("type") == "object" or "$ref" in document


# ------------------------------------------------------------------ streams


def in_a_process(
    argv: Sequence[str], *, program: Sequence[str] = ("-m", "dossier"), cwd: Path | None = None, **env: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *program, *argv], capture_output=True, text=True, encoding="utf-8", check=False,
        cwd=cwd, env={**os.environ, "PYTHONPATH": str(ROOT), **env},
    )  # fmt: skip


def on_a_terminal(argv: Sequence[str], *, cwd: Path, **env: str) -> tuple[int, str, str]:
    """Run with standard error on a terminal and standard output in a pipe: exit code, output, what the terminal got."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "dossier", *argv], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=theirs,
        cwd=cwd, env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", **env},
    )  # fmt: skip
    os.close(theirs)
    got = b""
    while True:
        try:
            piece = os.read(ours, 65_536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        got += piece
    assert process.stdout is not None
    with process.stdout as stream:
        out = stream.read().decode()
    os.close(ours)
    return process.wait(), out, got.decode()


COLOUR = re.compile(r"\x1b\[[0-9;]*m")


def test_progress_moves_on_a_terminal_and_leaves_standard_output_alone(tmp_path: Path) -> None:
    write(tmp_path / "kick.wav", kick())
    code, out, seen = on_a_terminal(["measure", "kick.wav"], cwd=tmp_path)
    assert code == 0
    assert "kick.wav: measuring" in seen
    assert "\x1b" not in out
    assert COLOUR.search(seen)


@pytest.mark.parametrize(
    ("done", "total", "so_far_s", "told"),
    [(120, 321, 119 * 0.04, "drums 120 of 321, 0:08 left"), (2, 122, 1.0, "drums 2 of 122, 2:00 left"),
     (1, 321, 5.0, "drums 1 of 321"), (3, 321, 0.2, "drums 3 of 321"), (321, 321, 9.0, "drums 321 of 321")],
)  # fmt: skip
def test_counts_tell_the_time_left_at_the_pace_so_far(done: int, total: int, so_far_s: float, told: str) -> None:
    assert terminal.counting("drums", done, total, so_far_s) == told


def test_counts_move_on_a_terminal_and_are_one_line_a_stage_in_a_pipe(tmp_path: Path) -> None:
    """The same stage: its count on the terminal, its one line in a pipe."""
    write(tmp_path / "b/stems/a.wav", 0.3 * tone(55.0, 3.0))
    for number in range(5):
        write(tmp_path / f"b/drums/kick {number}.wav", kick(0.1, 50.0 + number))
    code, _, seen = on_a_terminal(["check", "b"], cwd=tmp_path, COLUMNS="120", DOSSIER_CACHE=str(tmp_path / "c"))
    assert (code, "drums 5 of 5" in COLOUR.sub("", seen)) == (0, True)
    lines: list[str] = []
    with terminal.Progress(1, note=lines.append) as progress:
        say = progress.item("b")
        say("measuring 5 drum candidates")
        list(parallel.counted(range(5), 5, "drums", say))
    assert lines == ["b: measuring 5 drum candidates"]


def test_no_color_leaves_out_colours_not_progress(tmp_path: Path) -> None:
    """no-color.org: set and not empty, it means no ANSI colour."""
    write(tmp_path / "kick.wav", kick())
    _, out, seen = on_a_terminal(["measure", "kick.wav"], cwd=tmp_path, NO_COLOR="1")
    assert "kick.wav: measuring" in seen
    assert not COLOUR.search(seen + out)


def test_a_terminal_that_cannot_move_its_cursor_gets_plain_lines(tmp_path: Path) -> None:
    code, _, seen = on_a_terminal(["build", "missing"], cwd=tmp_path, TERM="dumb")
    assert code == 2
    assert seen == "dossier: missing: is not there; check the name and the folder\r\n"


OUTPUTS = {
    "closed pipe": "| head -c 1 >/dev/null", "full disk": ">/dev/full", "closed": ">&-", "both closed": ">&- 2>&-",
}  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a device of Linux")
@pytest.mark.parametrize("where", OUTPUTS.values(), ids=OUTPUTS)
@pytest.mark.parametrize("argv", ["schema data", "schema", "measure kick.wav --json", "measure kick.wav", "index site"])
def test_what_becomes_of_standard_output_changes_nothing(argv: str, where: str, tmp_path: Path) -> None:
    """The exit code is that of the same command without; one line says it, and only where something was lost."""
    write(tmp_path / "kick.wav", kick())
    publish(tmp_path / "site", dossier("one"))
    (tmp_path / "site/index.html").unlink()
    line = f"{{ {sys.executable} -m dossier {argv}; echo code $? >&3; }} {where}"
    done = subprocess.run(
        ["bash", "-c", f"exec 3>code; {line}"], stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (tmp_path / "code").read_text() == "code 0\n"
    assert done.stdout == ""
    if "head" not in where and "2>&-" not in where:
        assert re.fullmatch(r"dossier: standard output cannot be written to \(.*\); the work goes on\n", done.stderr)
    assert done.stderr.count("\n") <= 1
    assert (tmp_path / "site/index.html").exists() == argv.startswith("index")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a device of Linux")
def test_all_beats_are_built_when_nobody_reads(
    pretend: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("one", "two"):
        pretend[name] = dossier(name)
        Path(name).mkdir()
    with Path("/dev/full").open("w", buffering=1) as full, monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", full)
        assert cli.main(["build", "one", "two"]) == 0
    assert Path("site/index.html").read_text().count("-r001.html") >= 2
    said = capsys.readouterr().err.splitlines()
    assert [line for line in said if "standard output" in line] == [
        "dossier: standard output cannot be written to (No space left on device); the work goes on"
    ]


ESCAPES = "\x1b[31m\x9b2J\u202e"


@pytest.mark.parametrize(
    "argv",
    [
        ["build", f"a{ESCAPES}"], ["check", f"a{ESCAPES}"], ["measure", f"a{ESCAPES}.wav"], ["index", f"a{ESCAPES}"],
        ["measure", f"a{ESCAPES}.wav", "--json"], ["build", "x", f"--{ESCAPES}"], [f"com{ESCAPES}"],
        ["build", "x", "--jobs", ESCAPES], ["build", "x", "-o", f"missing/{ESCAPES}"],
        ["build", "x", "--name", ESCAPES],
        ["build", "x", "--drums", ESCAPES], ["build", "x", "--include", ESCAPES], ["schema", ESCAPES],
        ["decide", ESCAPES, "--text", "x", "--by", "A"],
        ["decide", "one", "--text", "x", "--by", "A", "--gain", ESCAPES],
        ["decide", "one", "--text", "x", "--by", "A", "--gain", f"{ESCAPES}=1"],
        ["decide", "one", "--text", "x", "--by", "A", "--supersedes", ESCAPES],
        ["decide", "one", "--text", "x", "--by", "A", "--revision", ESCAPES], ["decide", "--response", ESCAPES],
        ["decide", "one", "--text", ESCAPES, "--by", f"A{ESCAPES}"], ["check", "tablature"], ["check", "cells"],
    ],
    ids=lambda argv: " ".join(argv).encode("ascii", "backslashreplace").decode(),
)  # fmt: skip
@pytest.mark.parametrize("bytes_too", [False, True], ids=["text", "bytes"])
def test_hidden_characters_are_escaped_on_the_terminal(run: Run, argv: list[str], bytes_too: bool) -> None:
    publish(Path("site"), dossier("one"))
    for name, line in (("tablature", "\\u001b[31m |x---|"), ("cells", "kick |x\\u009b--|")):
        Path(name).mkdir()
        Path(name, "beat.toml").write_text(f'[pattern]\nlines = ["{line}"]\n')
    told = [word.replace(ESCAPES, ESCAPES + "\udcff") for word in argv] if bytes_too else argv
    code, out, err = run(*told)
    assert code in (0, 1, 2)
    assert not set("\x1b\x9b\u202e\udcff") & set(out + err), ascii(out + err)
    assert "Traceback" not in err
    assert "a fault in dossier" not in err


@pytest.mark.parametrize("number", ["9" * 5_000, "0", "\u0663", "1e3", "-1"])
def test_a_number_of_processes_that_is_none_is_said_in_short(run: Run, number: str) -> None:
    code, _, err = run("build", "x", f"--jobs={number}")
    assert code == 2
    assert len(err.splitlines()[-1]) < 200


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes")
def test_a_folder_whose_name_is_no_text_is_built(tmp_path: Path) -> None:
    beat = tmp_path / "a\udcff\x1b[31m"
    write(beat / "stems/bass.wav", 0.3 * tone(55.0, 2.0))
    write(beat / "drums/kick.wav", kick())
    line = [b"bash", b"-c", b'exec "$0" -m dossier build "$1" --jobs 1', os.fsencode(sys.executable), os.fsencode(beat)]
    env = {**os.environ, "PYTHONPATH": str(ROOT), "DOSSIER_CACHE": str(tmp_path / "cache")}
    done = subprocess.run(line, capture_output=True, check=False, cwd=tmp_path, env=env)
    assert done.returncode == 0, done.stderr
    assert b"\x1b" not in done.stdout + done.stderr
    (data,) = tmp_path.glob("site/*/*-r001.json")
    assert "\x1b" not in data.read_text(encoding="utf-8")


def limited(limit: str, argv: str, cwd: Path) -> tuple[int, str]:
    """Run a command under a limit of the shell's; exit code and standard error."""
    done = subprocess.run(
        ["bash", "-c", f"{limit}; exec {sys.executable} -m dossier {argv}"], capture_output=True, text=True,
        check=False, stdin=subprocess.DEVNULL, cwd=cwd, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT), "DOSSIER_CACHE": "/proc/none"},
    )  # fmt: skip
    return done.returncode, done.stderr


@pytest.mark.parametrize("argv", ["build b -o site", "check b", "measure k.wav", "index", "decide x --text a --by b"])
def test_a_working_folder_that_is_gone_is_named(argv: str, tmp_path: Path) -> None:
    (tmp_path / "gone").mkdir()
    code, said = limited("cd gone; rmdir ../gone", argv, tmp_path)
    assert (code, said) == (2, "dossier: the working folder is gone; change to another folder and run it again\n")


LIMITS = {
    "memory, build": ("ulimit -v 300000", "build b", "ulimit -v"),
    "files, jobs": ("ulimit -n 9", "build b --jobs 3", "b: "),
    "memory, check": ("ulimit -v 150000", "check b", "ulimit -v"),
    "memory, measure": ("ulimit -v 250000", "measure b/drums/kick.wav", "ulimit -v"),
    "sixteen files, jobs": ("ulimit -n 16", "build b --jobs 3", "b: "),
}  # fmt: skip


@pytest.mark.parametrize(("limit", "argv", "named"), LIMITS.values(), ids=LIMITS)
def test_a_machine_at_its_end_is_one_line_and_exit_code_1(limit: str, argv: str, named: str, tmp_path: Path) -> None:
    write(tmp_path / "b/stems/bass.wav", 0.3 * tone(55.0, 2.0))
    write(tmp_path / "b/drums/kick.wav", kick())
    write(tmp_path / "b/drums/snare.wav", noise_hit(0.25, 300, 1))
    code, said = limited(limit, argv, tmp_path)
    assert code == 1, said
    (told,) = [line for line in said.splitlines() if not line.startswith("b: ")]
    assert told.startswith("dossier: ")
    assert named in told
    assert "Traceback" not in said
    assert "a fault in dossier" not in said


@pytest.mark.parametrize("argv", [["index", "site"], ["decide", "one", "--text", "x", "--by", "A"], ["build", "two"]])
def test_a_full_disk_is_exit_code_1_whichever_command_meets_it(
    argv: list[str], run: Run, pretend: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    publish(Path("site"), dossier("one"))
    pretend["two"] = dossier("two")
    Path("two").mkdir()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    code, _, err = run(*argv)
    assert code == 1
    assert err.count("no space is left on the disk") == err.count("\n") == 1


ALONE = """
import sys
from pathlib import Path
from time import sleep
from dossier import cli
code = cli.main()
assert not {"joblib", "multiprocessing.process"} & set(sys.modules), "nothing that starts processes is even loaded"
lists = [path.read_text() for path in Path("/proc/self/task").glob("*/children")]
assert not "".join(lists), "there are other processes"
sys.exit(code)
"""


def test_a_real_build_in_a_pipe_says_plain_lines_and_shows_no_place_on_this_machine(tmp_path: Path) -> None:
    """One stem, two one-shots, a torn file; what is published names no folder outside the beat.

    With one job it is the only process.
    """
    beat = tmp_path / "paper-harbour"
    write(beat / "stems/bass.wav", np.concatenate([0.3 * tone(hz, 2.0) for hz in (55.0, 65.41)]))
    write(beat / "drums/kick.wav", kick())
    write(beat / "drums/snare.wav", noise_hit(0.25, 300, 1))
    (beat / "drums/torn.wav").write_bytes(b"RIFF")
    (beat / "beat.toml").write_text('title = "Paper Harbour"\ntempo = 120\n', encoding="utf-8")
    done = in_a_process(
        ["build", "paper-harbour", "--jobs", "1"], program=["-c", ALONE], cwd=tmp_path,
        DOSSIER_CACHE=str(tmp_path / "cache"),
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "Warning" not in done.stderr
    assert "Paper Harbour: new r001" in done.stdout
    lines = done.stderr.splitlines()
    lost = "dossier: paper-harbour: left out: drums/torn.wav: "
    assert sum(line.startswith(lost) for line in lines) == 1
    assert all(line.startswith(("paper-harbour: ", lost)) for line in lines)
    for written in (tmp_path / "site").rglob("*"):
        if written.suffix in (".html", ".json", ".jsonl", ".csv", ".mid"):
            assert str(tmp_path).encode() not in written.read_bytes(), written.name
    assert {path.name for path in beat.rglob("*")} == {
        "stems", "drums", "beat.toml", "bass.wav", "kick.wav", "snare.wav", "torn.wav"
    }  # fmt: skip


# ------------------------------------------------------------------ the README


def parser_of(command: str) -> argparse.ArgumentParser:
    parser = cli._parser()
    if not command:
        return parser
    return commands_of(parser)[command]


def commands_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    (found,) = (action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    return dict(found.choices)


def told_commands() -> list[str]:
    rows = [line for line in README.splitlines() if line.startswith("| `dossier ")]
    return [told.replace("\\|", "|") for row in rows for told in re.findall(r"`(dossier [^`]+)`", row)]


def test_the_readme_tells_of_every_command_and_of_no_other() -> None:
    assert {told.split()[1] for told in told_commands()} == set(commands_of(cli._parser()))


@pytest.mark.parametrize("told", told_commands())
def test_commands_of_the_readme_parse_as_they_are_written(told: str) -> None:
    """With and without what stands in brackets; of alternatives each; dots after a word mean one or more."""
    without = re.sub(r"\s*\[[^\]]*\]", "", told)
    inside = re.sub(r"[\[\]]", "", told)
    either = re.search(r"\S+\|\S+", inside)
    variants = [inside.replace(either[0], word) for word in either[0].split("|")] if either else [inside]
    for variant in (without, *variants):
        words = shlex.split(variant.replace("…", ""))[1:]
        assert cli._parser().parse_args(words).run


@pytest.mark.parametrize("name", ["demo", "tests"])
def test_marked_commands_of_the_readme_are_one_line_that_installs_this_checkout(name: str) -> None:
    marked = re.search(rf"<!-- {name} -->\n```sh\n(.+)\n```\n<!-- end -->", README)
    assert marked is not None
    steps = marked[1].split(" && ")
    assert steps[0] == "python3 -m venv .venv"
    assert steps[1].startswith(".venv/bin/pip install ")
    assert steps[2].startswith(".venv/bin/")


def test_every_option_that_the_readme_names_exists() -> None:
    known = {
        option for parser in commands_of(cli._parser()).values() for action in parser._actions
        for option in action.option_strings
    }  # fmt: skip
    prose = re.sub(r"```.*?```", "", README, flags=re.S)
    told = {word for code in re.findall(r"`([^`]+)`", prose) for word in re.findall(r"(?<!\S)--?[a-z][\w-]*", code)}
    assert told
    assert told <= known


def test_exit_codes_are_what_the_readme_says() -> None:
    assert (cli.DONE, cli.FAILED, cli.USAGE) == (0, 1, 2)
    assert "Exit code 0: done. 1: something failed" in README.replace("\n", " ")


# ------------------------------------------------------------------ watching

WATCHING = """
import sys, pathlib
from dossier import pipeline
from dossier.errors import BeatError, Problem
def build(place, archive, **_):
    words = sorted(path.read_text() for path in place.rglob("*.wav") if path.is_file()) if place.is_dir() else ["?"]
    print("built", place.name, *words, file=sys.stderr, flush=True)
    raise BeatError([Problem(place.name, "", "one"), Problem(place.name, "", "two")])
pipeline.build = build
from dossier import cli
sys.exit(cli.main())
"""


def test_watching_builds_when_files_settle_and_ends_cleanly(tmp_path: Path) -> None:
    """In a process of its own, with a stand-in for the build: what set it off, in how many lines, and how it ended."""
    for name in ("one", "two"):
        (tmp_path / name / "stems").mkdir(parents=True)
        (tmp_path / name / "stems/a.wav").write_text("first")
    with subprocess.Popen(
        [sys.executable, "-c", WATCHING, "build", "one", "two", "--watch"], cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        assert process.stderr is not None
        said = [process.stderr.readline().strip() for _ in range(5)]
        assert said == ["built one first", "dossier: one: one; one: two", "built two first",
                        "dossier: two: one; two: two", "watching 2 beats; Ctrl-C ends it"]  # fmt: skip
        for number in range(8):  # an export in the making
            (tmp_path / "two/stems/a.wav").write_text(f"written {number}")
            sleep(0.2)
        assert process.stderr.readline().strip() == "built two written 7"
        assert process.stderr.readline().strip() == "dossier: two: one; two: two"
        (tmp_path / "one/.hidden").write_text("x")
        (tmp_path / "site/one").mkdir(parents=True)
        (tmp_path / "one/beat.toml").write_text("")
        assert process.stderr.readline().strip() == "built one first"
        (tmp_path / "taste.toml").write_text("taste = 1")  # every beat of the archive follows it
        said = sorted(process.stderr.readline().strip() for _ in range(4))
        assert said[:2] == ["built one first", "built two written 7"]
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert (process.returncode, out) == (0, "")
    assert err.splitlines()[-1] == "watching ended"
    assert "Traceback" not in err


def test_watching_a_real_beat_makes_a_revision_a_change_and_one_line_a_build(tmp_path: Path) -> None:
    write(tmp_path / "b/stems/low.wav", 0.3 * tone(55.0, 3.0))
    write(tmp_path / "b/drums/kick.wav", kick())
    with subprocess.Popen(
        [sys.executable, "-m", "dossier", "build", "b", "--watch", "--jobs", "1"], cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "DOSSIER_CACHE": str(tmp_path / "cache")},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "b: new r001: site/b/b-r001.html\n"
        write(tmp_path / "b/drums/kick.wav", 0.5 * kick(0.2))
        assert process.stdout.readline() == "b: new r002: site/b/b-r002.html\n"
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (0, "", "watching 1 beat; Ctrl-C ends it\nwatching ended\n")
    changes = json.loads((tmp_path / "site/b/b-r002.json").read_text())["revision"]["changes"]
    assert any("kick.wav" in change for change in changes)
