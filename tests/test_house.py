"""The house rules that a machine can hold.  Each test names all offenders at once."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "dossier"
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}
MODULES = {".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__") for path in TREES}

# The picture of the rooms: from the ground floor up, a line holds rooms that may import it and the lines before it.
GUIDE = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
FLOORS = [line.split() for line in GUIDE.split("```rooms\n")[1].split("```")[0].splitlines()]
ROOMS = [room for floor in FLOORS for room in floor]
PURE = ("measure", "treat", "arrange", "decide", "render")  # they know of no file, cache or process, nor each other
PURE_MAY_IMPORT = {"model", "errors", "names"}
TRADES = {  # what only one room may do, and what none may
    "print": "cli", "soundfile": "audio",
    **dict.fromkeys(("eval", "exec", "pickle", "cloudpickle", "dill", "marshal", "shelve", "os.fork", "os.forkpty",
                     "os._exit")),
}  # fmt: skip


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def shown(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def imported(tree: ast.Module) -> Iterator[str]:
    """Every module that is imported, however it is written."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            for name in node.names:
                whole = f"{node.module}.{name.name}"
                yield whole if whole in MODULES else node.module or ""
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)


def test_rooms_import_downwards_only_and_pure_rooms_not_each_other() -> None:
    wrong = []
    for path, tree in TREES.items():
        room = room_of(path)
        if room.startswith("__"):
            continue
        if room in PURE:
            allowed = {room, *PURE_MAY_IMPORT}
        else:
            height = next((at for at, floor in enumerate(FLOORS) if room in floor), -1)
            allowed = {"demo_beats", *(room for floor in FLOORS[: height + 1] for room in floor)}
        for name in imported(tree):
            top, _, rest = name.partition(".")
            if top == "dossier" and rest and rest.split(".")[0] not in allowed:
                wrong.append(f"{shown(path)} imports {name}")
    assert not wrong, "\n".join(wrong)
    assert {room_of(path) for path in TREES} - {"__init__", "__main__"} == set(ROOMS), "the picture has other rooms"


def uses(tree: ast.Module) -> Iterator[str]:
    """What a module does that only one room, or none, may do."""
    yield from {name.split(".")[0] for name in imported(tree)} & TRADES.keys()
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in TRADES:
                yield name
            case ast.Attribute(value=ast.Name(id="os"), attr=name) if f"os.{name}" in TRADES:
                yield f"os.{name}"
            case ast.keyword(arg="allow_pickle", value=value) if ast.unparse(value) != "False":
                yield "pickle"


def test_modules_say_what_they_are_for_and_keep_to_their_trade() -> None:
    """Only the command line prints, only `audio` opens audio; nothing forks, unpickles or ends without cleaning up."""
    wrong = [f"{shown(path)} says nothing" for path, tree in TREES.items() if not ast.get_docstring(tree)]
    wrong += [
        f"{shown(path)} uses {what}"
        for path, tree in TREES.items() for what in uses(tree) if room_of(path) != TRADES[what]
    ]  # fmt: skip
    assert not wrong, "\n".join(wrong)


def test_no_two_classes_share_a_name() -> None:
    places = defaultdict(list)
    for path, tree in TREES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                places[node.name].append(shown(path))
    twice = {name: where for name, where in places.items() if len(where) > 1}
    assert not twice, "\n".join(f"{name}: {', '.join(where)}" for name, where in twice.items())


def test_what_is_replaced_is_a_field() -> None:
    """A type checker lets `msgspec.structs.replace` take any name."""
    bodies = [node.body for tree in TREES.values() for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
    fields = {ast.unparse(line.target) for body in bodies for line in body if isinstance(line, ast.AnnAssign)}
    wrong = [
        f"{shown(path)}:{node.lineno}: {word.arg}"
        for path, tree in TREES.items() for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("replace", "structs.replace")
        for word in node.keywords if word.arg is not None and word.arg not in fields
    ]  # fmt: skip
    assert not wrong, "\n".join(wrong)


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, dossier.cli as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'librosa', 'plotly', 'soundfile', 'pyloudnorm', 'jinja2', 'joblib', 'mido'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
