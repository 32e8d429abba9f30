"""Every threshold that a decision reads stands in the policy, and every setting of the policy is read."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from dossier.decide.policy import DEFAULTS, SETTINGS

PACKAGE = Path(__file__).resolve().parents[1] / "dossier"
DECIDING = ("decide", "stages")  # rooms whose comparisons may not read a number of their own
NUMERICS = re.compile(r"MOST_\w+|\w+_TOLERANCE\w*|\w+_STEP_\w+|\w+_(S|BARS|SLOTS|POINTS|HZ)")
"""Names of an algorithm's own numbers: bounds of work (MOST_...), what absorbs rounding (..._TOLERANCE), raster steps
(..._STEP_DB), how much is looked at or made (seconds, bars, slots, points, hertz).  Any other number in capitals that
is compared belongs in the policy."""


def trees(*rooms: str) -> Iterator[tuple[Path, ast.Module]]:
    for room in rooms:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            yield path, ast.parse(path.read_text(encoding="utf-8"))


def own_numbers(tree: ast.Module) -> set[str]:
    """Module-level names in capitals that are given numbers."""
    found = set()
    for node in tree.body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)}
            constants = [c for c in ast.walk(node.value) if isinstance(c, ast.Constant)]
            if constants and all(isinstance(c.value, int | float) for c in constants):
                found |= {name for name in names if name.isupper()}
    return found


def decided_by(node: ast.AST) -> list[ast.expr]:
    """What a comparison, or a bound set by `min` and `max`, looks at."""
    if isinstance(node, ast.Compare):
        return [node.left, *node.comparators]
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("min", "max"):
        return node.args
    return []


@pytest.mark.parametrize(("path", "tree"), [*trees(*DECIDING)], ids=lambda p: p.stem if isinstance(p, Path) else "")
def test_no_decision_reads_a_number_of_its_own(path: Path, tree: ast.Module) -> None:
    compared = {
        name.id for node in ast.walk(tree) for side in decided_by(node) for name in ast.walk(side)
        if isinstance(name, ast.Name)
    }  # fmt: skip
    mine = own_numbers(tree) if path.name != "policy.py" else set()
    assert {name for name in mine & compared if not NUMERICS.fullmatch(name)} == set()


def test_every_setting_is_read_and_every_name_that_is_read_is_a_setting() -> None:
    """A name may be put together (`policy[f"share_{intent}"]`): the part in braces then stands for any words."""
    read = []
    for path, tree in trees("."):
        if path.name == "policy.py":
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Subscript) and re.search(r"\bpolicy$", ast.unparse(node.value)):
                parts = node.slice.values if isinstance(node.slice, ast.JoinedStr) else [node.slice]
                read.append("".join(re.escape(p.value) if isinstance(p, ast.Constant) else "[a-z_]+" for p in parts))
    patterns = {pattern for pattern in read if pattern != "[a-z_]+"}
    assert {name for name in DEFAULTS if not any(re.fullmatch(pattern, name) for pattern in patterns)} == set()
    assert {pattern for pattern in patterns if not any(re.fullmatch(pattern, name) for name in DEFAULTS)} == set()


def test_every_setting_has_a_name_of_its_own_a_unit_and_a_reason() -> None:
    assert len(DEFAULTS) == len(SETTINGS)
    assert all(setting.unit and setting.reason and "\n" not in setting.reason for setting in SETTINGS)
