"""beat.toml's words: the JSON Schema, the program's own checks, and that the two say the same."""

from __future__ import annotations

import copy
import random
import re
import string
import tomllib
from collections.abc import Mapping
from typing import Any, get_args

from badinput.beat_folders import BAD_TOML, GOOD_TOML
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier import beatfile
from dossier.beatfile.schema import BeatTable, RoleWord, suggest_meter
from dossier.beatfile.validate import check
from dossier.model.notes import key_meant
from dossier.model.vocabulary import INTENTS, RIGHTS, ROLES


def valid(document: Any, schema: Mapping[str, Any], root: Mapping[str, Any]) -> bool:
    """The part of JSON Schema (draft 2020-12, validation vocabulary) that beat.toml's schema uses."""
    known = {"$ref", "$schema", "$defs", "title", "description", "default", "examples", "type", "properties",
             "required", "additionalProperties", "propertyNames", "items", "minItems", "maxItems", "minLength",
             "maxLength", "pattern", "minimum", "maximum", "enum", "anyOf"}  # fmt: skip
    assert set(schema) <= known, set(schema) - known
    if "$ref" in schema:
        return valid(document, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root)
    if "anyOf" in schema and not any(valid(document, one, root) for one in schema["anyOf"]):
        return False
    if "enum" in schema and document not in schema["enum"]:
        return False
    number = isinstance(document, int | float) and not isinstance(document, bool)
    types = {"object": isinstance(document, dict), "array": isinstance(document, list),
             "string": isinstance(document, str), "number": number,
             "integer": number and not isinstance(document, float)}  # fmt: skip
    if "type" in schema and not types[schema["type"]]:
        return False
    if isinstance(document, dict):
        properties, names = schema.get("properties", {}), schema.get("propertyNames")
        rest = schema.get("additionalProperties", {})
        if not set(schema.get("required", ())) <= set(document):
            return False
        for name, value in document.items():
            if names is not None and not valid(name, names, root):
                return False
            inner = properties.get(name, rest)
            if inner is False or not valid(value, inner, root):
                return False
    if isinstance(document, list):
        return (
            schema.get("minItems", 0) <= len(document) <= schema.get("maxItems", 10**9)
            and all(valid(item, schema.get("items", {}), root) for item in document)
        )  # fmt: skip
    if isinstance(document, str):
        fits = schema.get("minLength", 0) <= len(document) <= schema.get("maxLength", 10**9)
        pattern = schema.get("pattern", "").replace("$", r"\Z")  # in ECMA-262's words, which JSON Schema speaks
        return fits and re.search(pattern, document) is not None
    return not number or schema.get("minimum", -1e999) <= document <= schema.get("maximum", 1e999)


def structural_problems(document: Mapping[str, Any]) -> list[str]:
    found: list[str] = []
    check(document, lambda key, message: found.append(f"{key}: {message}"), BeatTable)
    return found


def test_schema_says_what_it_is() -> None:
    """Conformance: JSON Schema draft 2020-12, core vocabulary ($schema, $defs, $ref)."""
    schema = beatfile.json_schema(["open_below"])
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["type"] == "object"
    assert schema["additionalProperties"] is False
    assert schema["properties"]["policy"]["propertyNames"] == {"enum": ["open_below"]}
    for table in (schema, *schema["$defs"].values()):
        assert table["additionalProperties"] is False
        assert table["description"]
    assert {"forward", "level", "tucked"} == set(schema["properties"]["intent"]["enum"]) == set(INTENTS)
    assert set(schema["$defs"]["StemEntry"]["properties"]["rights"]["enum"]) == set(RIGHTS)


def test_role_words_are_the_projects_roles() -> None:
    assert {word.replace(" ", "-") for word in get_args(RoleWord)} == set(ROLES)


def test_schema_accepts_what_is_accepted() -> None:
    schema = beatfile.json_schema()
    for text in (GOOD_TOML, "", "tempo = 92", "[pattern.sections.hook]\nmidi = 'x.mid'"):
        document = tomllib.loads(text)
        assert structural_problems(document) == []
        assert valid(document, schema, schema)


def test_schema_and_checks_agree_on_the_corpus() -> None:
    """Cross-check: the validator above and the program's own walk, on every bad beat.toml that can be parsed."""
    schema = beatfile.json_schema()
    for case in BAD_TOML:
        try:
            document = tomllib.loads(case.text)
        except (ValueError, RecursionError):
            assert case.problems[0][0] == "", case.name
            continue
        assert valid(document, schema, schema) == (structural_problems(document) == []), case.name


def test_schema_and_checks_agree_on_random_documents() -> None:
    """Cross-check, seeded: a good document with some of its values replaced."""
    rng = random.Random(11)
    schema = beatfile.json_schema()
    values: list[Any] = [
        0, 1, -1, 4, 60, 92.0, 0.5, 1e300, float("nan"), float("inf"), True, "", " ", "level", "kick", "4/4", "D minor",
        "own", "bar 3", [], {}, ["x"], [1], {"kick": "level"}, {"file": "a"}, [{"file": "a"}],
        [{"name": "a", "bars": 1}],
    ]  # fmt: skip
    good, verdicts = tomllib.loads(GOOD_TOML), set()
    for _ in range(1_500):
        document = copy.deepcopy(good)
        for _ in range(rng.randint(0, 3)):
            place: Any = document
            while True:
                keys = list(place) if isinstance(place, dict) else list(range(len(place)))
                if not keys:
                    break
                key = rng.choice(keys)
                if isinstance(place[key], dict | list) and rng.random() < 0.6:
                    place = place[key]
                    continue
                if rng.random() < 0.2:
                    del place[key]
                elif rng.random() < 0.1 and isinstance(place, dict):
                    place["".join(rng.choices(string.ascii_lowercase, k=5))] = rng.choice(values)
                else:
                    place[key] = rng.choice(values)
                break
        found = structural_problems(document)
        verdicts.add(not found)
        assert valid(document, schema, schema) == (not found), (document, found)
    assert verdicts == {True, False}


@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.times(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from([*beatfile.json_schema()["properties"], "file", "name", "bars", "lines", "kick", "x y"]), inner,
        max_size=4),
    max_leaves=12))  # fmt: skip
@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.too_slow])
def test_any_document_is_answered_with_problems(document: Any) -> None:
    """Invariant: the walk ends, with keys and messages that can be printed."""
    for line in structural_problems(document if isinstance(document, dict) else {"title": document}):
        assert line.encode()
        assert "\n" not in line


def test_every_key_of_beat_toml_has_a_bad_case() -> None:
    """The corpus follows the schema: a new key needs a case."""
    schema = beatfile.json_schema()
    keys = set(schema["properties"])
    for name, prefix in (("StemEntry", "stems[0]."), ("DrumEntry", "drums[0]."), ("SectionEntry", "sections[0]."),
                         ("PatternTable", "pattern."), ("ReferenceTable", "reference.")):  # fmt: skip
        keys |= {prefix + key for key in schema["$defs"][name]["properties"]}
    tried = {re.sub(r"\[\d+\]", "[0]", key) for case in BAD_TOML for key, _ in case.problems}
    missing = {key for key in keys if not any(one == key or one.startswith((f"{key}.", f"{key}[")) for one in tried)}
    assert missing <= {"stems[0].role", "drums[0].origin", "drums[0].rights"}  # texts and words checked elsewhere


def test_suggested_keys_and_meters() -> None:
    for text, key in (
        ("Dm", "D minor"), ("d min", "D minor"), ("D", "D major"), ("F#m", "F# minor"), ("Bb", "Bb major"),
        ("bbm", "Bb minor"), ("C\u266f Minor", "C# minor"), ("Aes dur", "Ab major"), ("A-flat major", None),
        ("D dorian", None), ("", None),
    ):  # fmt: skip
        assert key_meant(text) == key, text
    for text, meter in (
        ("4-4", "4/4"), ("6 / 8", "6/8"), ("44", "4/4"), ("12:8", "12/8"), ("128", "12/8"), ("5/3", None),
    ):  # fmt: skip
        assert suggest_meter(text) == meter, text
