"""The house rules that a machine can hold: who imports whom, what is lazy, what must not be named."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "dossier"
ROOMS = ("measure", "treat", "decide", "arrange", "render")
MODULES = sorted(path for path in PACKAGE.rglob("*.py"))


def imports_of(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            for name in node.names:
                yield f"{node.module}.{name.name}"
        elif isinstance(node, ast.Import):
            for name in node.names:
                yield name.name


@pytest.mark.parametrize("path", [p for room in ROOMS for p in sorted((PACKAGE / room).glob("*.py"))],
                         ids=lambda p: f"{p.parent.name}/{p.name}")  # fmt: skip
def test_pure_rooms_import_models_errors_and_themselves_only(path: Path) -> None:
    room = path.parent.name
    allowed = ("dossier.model", "dossier.errors", "dossier.names", f"dossier.{room}", "dossier.templates")
    foreign = {
        name for name in imports_of(path)
        if name.startswith("dossier.") and not name.startswith(allowed) and name != "dossier.templates"
    }  # fmt: skip
    assert foreign == set()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_module_says_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", [p for p in MODULES if p.name != "cli.py"], ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_command_line_prints(path: Path) -> None:
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    assert not any(isinstance(call.func, ast.Name) and call.func.id == "print" for call in calls)


def test_only_audio_opens_audio_files() -> None:
    users = {path.parent.name for path in MODULES if any(n.split(".")[0] == "soundfile" for n in imports_of(path))}
    assert users == {"audio"}


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, dossier.cli as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'librosa', 'plotly', 'soundfile', 'pyloudnorm', 'jinja2'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
