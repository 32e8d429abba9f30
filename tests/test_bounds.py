"""What a small hostile file costs: memory is measured from outside, in a process of its own.

Evidence: analytic.  The peak is the operating system's (getrusage, ru_maxrss, in KiB on Linux).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import factory
import pytest
from badinput.beat_folders import fill

from dossier.archive import Archive

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="ru_maxrss has another unit elsewhere")

MIB = 1 << 20
WATCHED = """
import json, resource, sys
from pathlib import Path
from dossier import inputs
from dossier.archive import Archive
from dossier.errors import DossierError
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
kind, warm, *places = sys.argv[1:]
told = {}
def one(place):
    try:
        if kind == "beat":
            inputs.load(Path(place))
        else:
            said = []
            Archive(Path(place), say=said.append).write_index(lambda index: "")
            return " ".join(said)
    except DossierError as error:
        return str(error)
    return ""
one(warm)
for place in places:
    before = peak()
    told[Path(place).name] = one(place), (peak() - before) * 1024
print(json.dumps(told))
"""


def watched(kind: str, warm: Path, places: list[Path]) -> dict[str, tuple[str, int]]:
    """What each place leads to, and the bytes by which it raised the peak, after a harmless one."""
    command = [sys.executable, "-c", WATCHED, kind, *map(str, [warm, *places])]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120, env={**os.environ})
    return {name: (said, size) for name, (said, size) in json.loads(done.stdout).items()}


def to_size(line: str, size: int = 100_000) -> str:
    return line * (size // len(line))


def voices(cells: int, lines: int) -> str:
    """A tablature whose first line is long and whose others repeat a single cell."""
    rows = [f"'kick |{'x' * cells}|'", *["'hh |x|'"] * (lines - 1)]
    return f"[pattern]\nsteps_per_beat = 24\nlines = [{', '.join(rows)}]"


BOMBS = {
    "dotted": ".".join("a" * 50_000) + " = 1", "dotted-quoted": ".".join(['"a"'] * 25_000) + " = 1",
    "dotted-header": f"[{'.'.join('a' * 50_000)}]", "dotted-inline": f"x = {{{'.'.join('a' * 49_000)} = 1}}",
    "dotted-spaces": " . ".join("a" * 25_000) + " = 1", "dotted-list": f"[[{'.'.join('a' * 50_000)}]]",
    "dotted-after-text": '"" = """\\""""\n' + ".".join("a" * 49_000) + " = 1",
    "many-dotted": "".join(f"k{n}.a.b.c.d.e.f.g = 1\n" for n in range(4_200)),
    "many-headers": "".join(f"[k{n}.a.b.c.d.e.f]\n" for n in range(4_500)), "list-headers": to_size("[[drums]]\n"),
    "nested-lists": "x = " + "[" * 100_000, "nested-tables": "x = " + "{a=" * 33_000, "keys": to_size("a=1\n"),
    "list": f"x = [{to_size('1,')}]", "lists": f"x = [{to_size('[],')}]", "tables": f"x = [{to_size('{},')}]",
    "text": f"title = '{'x' * 99_000}'", "dates": f"x = [{to_size('1979-05-27,')}]",
    "digits": "tempo = " + "9" * 99_000, "open-quotes": '"' * 100_000, "lines": voices(16_000, 199),
    "full-lines": voices(4_000, 20),
    "hits": "[pattern]\nlines = [" + f"'kick |{'x' * 16_000}|'," * 6 + "]",
}  # fmt: skip


@pytest.fixture
def harmless(tmp_path: Path) -> Path:
    return fill(tmp_path / "harmless", toml="[pattern]\nlines = ['kick |x---|']\n")


def test_a_beat_toml_of_100_kb_takes_less_than_100_mb(tmp_path: Path, harmless: Path) -> None:
    for name, text in BOMBS.items():
        assert len(text) <= 101_000, name
        fill(tmp_path / name, toml=text)
    found = watched("beat", harmless, [tmp_path / name for name in BOMBS])
    assert {name: size for name, (_, size) in found.items() if size > 100 * MIB} == {}
    assert [name for name, (said, _) in found.items() if not said] == [], "all are refused"
    assert all("nested too deeply" in said for name, (said, _) in found.items() if name.startswith("dotted"))
    for name in ("lines", "full-lines", "hits"):
        assert "events a bar" in found[name][0]


def midi(notes: int) -> bytes:
    """Kicks at one time, in running status: three bytes each."""
    track = b"\0\x99\x24\x64" + b"\0\x24\x64" * (notes - 1) + b"\0\xff\x2f\0"
    return b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk" + len(track).to_bytes(4) + track


def test_a_midi_file_of_coincident_notes_is_refused_with_the_bound(tmp_path: Path, harmless: Path) -> None:
    places = []
    for notes in (513, 250_000):
        places.append(fill(tmp_path / str(notes)))
        (places[-1] / "groove.mid").write_bytes(midi(notes))
    found = watched("beat", harmless, places)
    for place in places:
        said, size = found[place.name]
        assert f"has {place.name} events" in said
        assert "allowed: up to 512 events a bar" in said
        assert size < 400 * MIB


def archives(folder: Path) -> Iterator[Path]:
    bombs = {
        "version": b'{"format_version": -1000000000000}', "nested": b'{"format_version": 1, "beat": ' + b"[" * MIB,
        "digits": b'{"format_version": ' + b"9" * MIB + b"}",
    }  # fmt: skip
    for name, content in bombs.items():
        (folder / name / "lantern-market").mkdir(parents=True)
        (folder / name / "lantern-market" / "lantern-market-r001.json").write_bytes(content)
        yield folder / name
    (folder / "sparse" / "lantern-market").mkdir(parents=True)
    for file in ("lantern-market-r001.json", "decisions.jsonl"):
        (folder / "sparse" / "lantern-market" / file).touch()
        os.truncate(folder / "sparse" / "lantern-market" / file, 8 << 30)
    yield folder / "sparse"


def test_a_data_file_takes_no_memory_for_what_it_claims(tmp_path: Path) -> None:
    Archive(tmp_path / "good").publish(factory.dossier(bars=1), "page", {})
    found = watched("archive", tmp_path / "good", list(archives(tmp_path)))
    assert {name: size for name, (_, size) in found.items() if size > 50 * MIB} == {}
    assert [name for name, (said, _) in found.items() if "passed over" not in said] == []
