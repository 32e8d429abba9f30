"""What is wrong with a beat.toml or a taste: every departure from their declared tables, with its place.

Conventions
    Key paths read like `drums[2].role`; entries count from 0.  A message says what was found, what is allowed and,
    where a word or number looks like another, which one was probably meant.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from msgspec import inspect

from dossier.errors import BeatError, Problem
from dossier.names import did_you_mean, printable

Report = Callable[[str, str], None]  # (key path, message)
T = TypeVar("T")

MAX_PROBLEMS = 50  # nobody reads more


class Ledger:
    """The problems and notes of one beat folder, in the order they were found."""

    def __init__(self, folder_name: str, config_name: str) -> None:
        self.notes: list[str] = []
        self.problems: list[Problem] = []
        self._folder_name = folder_name
        self._config_name = config_name

    def about_key(self, key: str, message: str) -> None:
        """A problem in beat.toml."""
        self.problems.append(Problem(f"{self._folder_name}/{self._config_name}", key, printable(message)))

    def about_folder(self, message: str) -> None:
        """A problem in the folder itself."""
        self.problems.append(Problem(self._folder_name, "", printable(message)))

    def close(self) -> None:
        """Raise BeatError if there are problems."""
        if not self.problems:
            return
        shown, more = self.problems[:MAX_PROBLEMS], len(self.problems) - MAX_PROBLEMS
        if more > 0:
            shown.append(Problem(self._folder_name, "", f"and {more} more problems like these"))
        raise BeatError(shown)


_BAD: Any = object()
_Refuse = Callable[[str, str], Any]  # reports, and answers `_BAD`
_NOTHING: Mapping[str, Any] = {}
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def check(document: Mapping[str, Any], report: Report, table: type[T]) -> T:
    """Report every departure of a parsed document from the declared `table`, and return what is valid.

    An invalid value becomes its default or, where it has none (a stem's `file`), empty (`""`, 0), so that entries keep
    their places in their lists.
    """
    kind = inspect.type_info(table)
    assert isinstance(kind, inspect.StructType)

    def refuse(key: str, message: str) -> Any:
        report(key, message)
        return _BAD

    made: T = _table(document, kind, "", refuse, _NOTHING)
    return made


def join(key: str, name: str) -> str:
    """A key path and the next name in it, quoted as in TOML unless it is a bare key."""
    shown = name if _BARE_KEY.fullmatch(name) else f'"{printable(name)}"'
    return f"{key}.{shown}" if key else shown


def found(value: object) -> str:
    """A value as a message shows it."""
    if isinstance(value, str):
        return f"'{printable(value if len(value) <= 60 else value[:57] + '...')}'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**30 else "a number with more than 30 digits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    return f"a date or time ({value})"


def _walk(value: Any, kind: inspect.Type, key: str, refuse: _Refuse, extra: Mapping[str, Any] = _NOTHING) -> Any:
    if isinstance(kind, inspect.Metadata):
        return _walk(value, kind.type, key, refuse, {**extra, **(kind.extra or {})})
    if isinstance(kind, inspect.UnionType):  # a number, or a text in words of its own
        number, text = sorted(kind.types, key=lambda one: isinstance(_plain(one), inspect.StrType))
        numeric = isinstance(value, int | float) and not isinstance(value, bool)
        return _walk(value, number if numeric else text, key, refuse, extra)
    return _CHECKS[type(kind)](value, kind, key, refuse, extra)


def _plain(kind: inspect.Type) -> inspect.Type:
    return kind.type if isinstance(kind, inspect.Metadata) else kind


def _names(kind: inspect.StructType) -> str:
    return ", ".join(field.encode_name for field in kind.fields)


def _table(value: Any, kind: inspect.StructType, key: str, refuse: _Refuse, _: Mapping[str, Any]) -> Any:
    if not isinstance(value, dict):
        return refuse(key, f"found {found(value)}; allowed: a table with {_names(kind)}")
    fields = {field.encode_name: field for field in kind.fields}
    for name in value:
        if name not in fields:
            numbered = name.rstrip("0123456789") in fields  # key0 is not meant for key
            hint = (did_you_mean(name, fields) if not numbered else "") or f"; known here: {_names(kind)}"
            refuse(join(key, name), f"is not a known key{hint}")
    made: dict[str, Any] = {}
    for name, field in fields.items():
        if name in value:
            got = _walk(value[name], field.type, join(key, name), refuse)
            if got is not _BAD:
                made[name] = got
        elif field.required:
            refuse(join(key, name), "is missing")
        if field.required and name not in made:
            made[name] = _empty(field.type)
    return kind.cls(**made)


def _empty(kind: inspect.Type) -> Any:
    if isinstance(kind, inspect.Metadata):
        return _empty(kind.type)
    if isinstance(kind, inspect.StructType):
        return kind.cls(**{field.encode_name: _empty(field.type) for field in kind.fields if field.required})
    if isinstance(kind, inspect.ListType):
        return []
    return 0 if isinstance(kind, inspect.IntType) else ""


def _list(value: Any, kind: inspect.ListType, key: str, refuse: _Refuse, _: Mapping[str, Any]) -> Any:
    inner = _plain(kind.item_type)
    tables = isinstance(inner, inspect.StructType)
    numbers = isinstance(inner, inspect.FloatType)
    of = "tables" if tables else "numbers" if numbers else "texts"
    if not isinstance(value, list):
        hint = f"; write [[{key}]] with two brackets" if tables and isinstance(value, dict) else ""
        hint = hint or ("; put it in brackets: [...]" if isinstance(value, str) or numbers else "")
        return refuse(key, f"found {found(value)}; allowed: a list of {of}{hint}")
    low, high = kind.min_length or 0, kind.max_length
    if len(value) < low or (high is not None and len(value) > high):
        return refuse(key, f"has {len(value)} entries; allowed: {low} to {high}")
    out = []
    for index, item in enumerate(value):
        got = _walk(item, kind.item_type, f"{key}[{index}]", _naming(item, refuse))
        if got is _BAD and not tables:
            out = _BAD
        elif out is not _BAD:
            out.append(_empty(inner) if got is _BAD else got)
    return out


def _naming(item: Any, refuse: _Refuse) -> _Refuse:
    """Name the entry in each of its problems: in a long file entries are hard to count."""
    name = item.get("file", item.get("name")) if isinstance(item, dict) else None
    if not isinstance(name, str) or not name:
        return refuse
    return lambda key, message: refuse(key, f"{message} (in the entry of {found(name)})")


def _mapping(value: Any, kind: inspect.DictType, key: str, refuse: _Refuse, _: Mapping[str, Any]) -> Any:
    if not isinstance(value, dict):
        return refuse(key, f"found {found(value)}; allowed: a table [{key}]")
    words = [str(word) for word in kind.key_type.values] if isinstance(kind.key_type, inspect.LiteralType) else None
    made = {}
    for name, item in value.items():
        here = join(key, name)
        if words is not None and name not in words:
            refuse(here, f"is not a role; allowed: {_plain_words(words)}{did_you_mean(name, words)}")
            continue
        got = _walk(item, kind.value_type, here, refuse)
        if got is not _BAD:
            made[name] = got
    return made


def _plain_words(words: Iterable[str]) -> str:
    listed = list(words)
    return ", ".join(word for word in listed if word.replace(" ", "-") == word or word.replace(" ", "-") not in listed)


def _word(value: Any, kind: inspect.LiteralType, key: str, refuse: _Refuse, _: Mapping[str, Any]) -> Any:
    words = [str(word) for word in kind.values]
    if isinstance(value, str) and value in words:
        return value
    hint = did_you_mean(value, words) if isinstance(value, str) else ""
    return refuse(key, f"found {found(value)}; allowed: {_plain_words(words)}{hint}")


def _text(value: Any, kind: inspect.StrType, key: str, refuse: _Refuse, extra: Mapping[str, Any]) -> Any:
    if not isinstance(value, str):
        return refuse(key, f"found {found(value)}; allowed: {extra.get('allowed', 'text')}; write it in quotes")
    low, high = kind.min_length or 0, kind.max_length
    if len(value) < low:
        return refuse(key, "is empty; allowed: text that is not empty")
    if high is not None and len(value) > high:
        return refuse(key, f"has {len(value)} characters; allowed: at most {high}")
    if kind.pattern is not None and not re.search(kind.pattern.replace("$", r"\Z"), value):
        suggested = extra["suggest"](value) if "suggest" in extra else None
        hint = f"; did you mean '{suggested}'?" if suggested else ""
        return refuse(key, f"found {found(value)}; allowed: {extra.get('allowed', kind.pattern)}{hint}")
    return value


def _number(
    value: Any, kind: inspect.IntType | inspect.FloatType, key: str, refuse: _Refuse, extra: Mapping[str, Any]
) -> Any:
    whole = isinstance(kind, inspect.IntType)
    numeric = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
    low, high = kind.ge, kind.le
    assert low is not None
    assert high is not None
    if numeric and low <= value <= high:  # false for NaN
        return value if whole else float(value)
    hint = ""
    if isinstance(value, str) and re.fullmatch(r"\s*[-+]?[0-9.]+\s*", value):
        hint = "; write it without quotes"
    elif extra.get("percent") and numeric and low <= value * 100 <= high:
        hint = f"; in percent that is {value * 100:g}"
    elif numeric and isinstance(value, float) and not math.isfinite(value):
        hint = "; it has to be a plain number"
    kind_of = "a whole number" if whole else "a number"
    return refuse(key, f"found {found(value)}; allowed: {kind_of} from {low:g} to {high:g}{hint}")


_CHECKS: dict[type[inspect.Type], Callable[..., Any]] = {
    inspect.StructType: _table, inspect.ListType: _list, inspect.DictType: _mapping, inspect.LiteralType: _word,
    inspect.StrType: _text, inspect.IntType: _number, inspect.FloatType: _number,
}  # fmt: skip
