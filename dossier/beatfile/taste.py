"""The file of a taste: how loud a user sets drums, as `dossier learn` writes it and anyone may edit it.

Conventions
    Levels are LU against the music.  `level_lu` is what holds, as it stands there; what a file leaves out keeps its
    place beside all drums, as it has it by default.  `found_lu`, `n` and `pieces` only tell where that comes from.
    `mark` is a digest of all other lines: a file of another digest was edited, and is not written over.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import UNSET, Meta, UnsetType
from msgspec.structs import replace

from dossier import files
from dossier.beatfile import toml
from dossier.beatfile.schema import RoleWord, stated
from dossier.beatfile.validate import Report, check
from dossier.decide.policy import USUAL
from dossier.decide.taste import by_ear
from dossier.errors import ArchiveError, UnusableFileError
from dossier.model.usual import Learnt, Taste, UsualLevels
from dossier.model.vocabulary import INTENTS, Intent
from dossier.names import printable

NAME = "taste.toml"
MAX_BYTES = 2**20  # ten thousand names of pieces
_MARK = re.compile(rb'^mark = "([0-9a-f]{16})"\r?\n', re.MULTILINE)
_HEAD = """How loud you set drums against the music, in LU, learnt from pieces that you finished.
level_lu is what a build aims at: edit it, and it holds as it stands.  It lies between what was found in your pieces
(found_lu) and what is usual, nearer to yours the more pieces there are (n); half of them lie from low_lu to high_lu.
Lines may go: what is missing is as usual.  `dossier learn` will not write over an edited file unless told to."""

Level = Annotated[float, Meta(ge=-100, le=60)]
Names = Annotated[list[Annotated[str, Meta(max_length=1000)]], Meta(max_length=10_000)]


class LevelTable(msgspec.Struct, forbid_unknown_fields=True):
    level_lu: Level | UnsetType = UNSET
    low_lu: Level | UnsetType = UNSET
    high_lu: Level | UnsetType = UNSET
    found_lu: Level | UnsetType = UNSET
    n: Annotated[int, Meta(ge=0, le=1_000_000)] = 0
    pieces: Names = []


class DrumsTable(LevelTable, forbid_unknown_fields=True):
    tucked_lu: Level | UnsetType = UNSET
    forward_lu: Level | UnsetType = UNSET


class TasteTable(msgspec.Struct, forbid_unknown_fields=True):
    taste: Annotated[int, Meta(ge=1, le=1)]  # number of this format
    made: Annotated[str, Meta(max_length=40)] = ""
    mark: Annotated[str, Meta(max_length=64)] = ""
    all_drums: DrumsTable = msgspec.field(default_factory=DrumsTable)
    roles: dict[RoleWord, LevelTable] = {}


def beside(archive: Path) -> Path:
    """Where the taste of an archive's beats lies, or would."""
    return Path(os.path.abspath(archive)).parent / NAME


def read(raw: bytes, name: str, report: Report) -> Taste | None:
    """The taste in a file, over the defaults; None, and every problem reported with its key, where it is none."""
    problems = []

    def wrong(key: str, message: str) -> None:
        problems.append(key)
        report(key, message)

    try:
        document = toml.parsed(raw, quote=False)
    except UnusableFileError as error:
        wrong("", str(error))
        return None
    if not isinstance(document.get("taste"), int):
        wrong("", "is no taste: it has no line 'taste = 1'; `dossier learn` writes one")
        return None
    table = check(document, wrong, TasteTable)
    usual = _usual(table, name, wrong)
    return None if problems else Taste(name=name, made=table.made, usual=usual)


def _usual(table: TasteTable, name: str, report: Report) -> UsualLevels:
    told, base = table.all_drums, USUAL.all_drums_lu
    level = stated(told.level_lu, base["level"])
    moved: dict[Intent, float] = {intent: base[intent] - base["level"] + level for intent in INTENTS}
    moved |= {"tucked": stated(told.tucked_lu, moved["tucked"]), "forward": stated(told.forward_lu, moved["forward"])}
    if not moved["tucked"] <= level <= moved["forward"]:
        report("all_drums", f"tucked_lu {moved['tucked']:g}, level_lu {level:g}, forward_lu {moved['forward']:g}; "
               "allowed: values that rise in this order")  # fmt: skip
    low, high = _range(told, level, *USUAL.all_drums_range_db, "all_drums", report)
    roles = dict(USUAL.roles)
    for role, of in USUAL.roles.items():
        own = table.roles.get(role) or table.roles.get(role.replace("-", " ")) or LevelTable()  # type: ignore[call-overload]
        stands = stated(own.level_lu, of.level_lu - base["level"] + level)
        below, above = of.low_lu - of.level_lu, of.high_lu - of.level_lu
        below, above = _range(own, stands, below, above, f"roles.{role}", report)
        roles[role] = replace(of, level_lu=stands, low_lu=stands + below, high_lu=stands + above,
                              n=own.n or of.n)  # fmt: skip
    learnt = f", learnt {table.made[:10]}" if table.made else ""
    pieces = f"{told.n} of your own pieces" if told.n != 1 else "one of your own pieces"
    return UsualLevels(roles=roles, all_drums_lu=moved, all_drums_range_db=(low, high), n=told.n,
                       source=f"{pieces}{learnt}", mixes="your own mixes")  # fmt: skip


def _range(told: LevelTable, level: float, low: float, high: float, key: str, report: Report) -> tuple[float, float]:
    """Quartiles about the level."""
    low, high = stated(told.low_lu, level + low) - level, stated(told.high_lu, level + high) - level
    if low > high:
        report(key, f"low_lu {level + low:g} lies above high_lu {level + high:g}; allowed: a range from low to high")
    return min(low, 0.0), max(high, 0.0)  # whoever edits a level alone may leave its range behind


def text(learnt: Sequence[Learnt], *, made: str) -> bytes:
    """The file of what was learnt, at the time `made` (ISO 8601)."""
    lines = [f"# {line}" for line in _HEAD.splitlines()] + ["", "taste = 1", f"made = {_value(made)}"]
    base = USUAL.all_drums_lu
    for one in learnt:
        lines += ["", "[all_drums]" if one.role is None else f"[roles.{one.role}]"]
        level = one.level_lu
        if level is None:
            lines.append("# level_lu =  # as usual beside all drums: too few of your pieces have it")
        else:
            lines.append(f"level_lu = {level:.1f}")
            lines.append(f"low_lu = {one.low_lu:.1f}\nhigh_lu = {one.high_lu:.1f}")
            if one.role is None:
                lines += [f"{intent}_lu = {base[intent] - base['level'] + level:.1f}  # of beats with that intent"
                          for intent in ("tucked", "forward")]  # fmt: skip
        lines += [f"# {told}"] if (told := by_ear(one)) else []
        lines.append(f"found_lu = {one.found_lu:.1f}")
        lines.append(f"n = {len(one.pieces)}\npieces = {_value([*one.pieces])}")
    whole = ("\n".join(lines) + "\n").encode()
    before, after = whole.split(b"taste = 1\n", 1)
    return before + b'taste = 1\nmark = "' + _digest(whole) + b'"\n' + after


def _value(value: object) -> str:
    import tomlkit

    return tomlkit.item(value).as_string()


def _digest(rest: bytes) -> bytes:
    return hashlib.sha256(rest.replace(b"\r\n", b"\n")).hexdigest()[:16].encode()


def is_as_written(raw: bytes) -> bool:
    """Whether a file is what `text` wrote, unedited."""
    marks = _MARK.findall(raw)
    return len(marks) == 1 and _digest(_MARK.sub(b"", raw)) == marks[0]


def write(path: Path, content: bytes | None, *, over: bool) -> Path | None:
    """Put a taste in its place, or with no content only see whether that is allowed.

    A file there that was edited, or is no taste, is moved aside if `over` and refused if not (ArchiveError); returns
    where it went.
    """
    aside, shown = None, printable(str(path))
    if os.path.lexists(path):
        try:
            ours = is_as_written(files.read_bounded(path, MAX_BYTES, follow=False))
        except UnusableFileError as error:
            if path.is_dir() or not over:
                raise ArchiveError(f"{shown}: {error}; name another file with -o") from None
            ours = False
        if not ours and not over:
            raise ArchiveError(
                f"{shown}: was edited, or written by something else, so it is not written over; name another "
                "file with -o, or say --replace: the old one is then kept beside it"
            )
        if not ours and content is not None:
            numbered = (path.with_name(f"{path.stem}-before-{number}{path.suffix}") for number in range(1, 10_000))
            aside = next(name for name in numbered if not os.path.lexists(name))
            try:
                os.rename(path, aside)
            except OSError as error:
                raise files.explain(error, f"move {shown} aside") from error
    if content is not None:
        files.make_folder(path.parent)
        files.write_atomic(path, content)
    return aside
