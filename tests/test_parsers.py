"""Whatever is written in tablature, responses, data files, tags or beat.toml is read, or refused in words.

Evidence: property-based, by Hypothesis; `tests/bench/fuzz.py` does the same with damaged bytes of good files.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import factory
import pytest
import tomlkit
from badinput.beat_folders import fill
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier import beatfile
from dossier.archive.dataformat import read_data
from dossier.archive.decisions import Log, decision_from, read_log, read_response
from dossier.archive.revisions import head_of
from dossier.arrange import midi
from dossier.arrange.pattern import MAX_BAR_EVENTS, MAX_EVENTS, NAMES, PatternError, parse_lines
from dossier.decide.policy import DEFAULTS
from dossier.errors import ArchiveError, BeatError
from dossier.model.vocabulary import ROLES
from dossier.names import printable

HEAD = head_of(factory.dossier(bars=1))
IN_ONE_FOLDER = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)

text = st.text(max_size=30)
words = st.sampled_from(["r001", "approach", "agreed", "kick", ""])
scalars = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), text, words)
trees = st.recursive(scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(text, inner, max_size=4))
names = st.sampled_from(sorted(NAMES)) | text
lines = st.one_of(
    st.builds(lambda name, cells: f"{name}|{cells}", names, st.text("xXo-| ", max_size=64)),
    st.builds(lambda name, cells: f"{name} {cells}", names, st.text("xXo-?\x1b", max_size=20)), text,
)  # fmt: skip
meters = st.tuples(st.integers(1, 32), st.sampled_from([2, 4, 8, 16]))


@given(st.lists(lines, max_size=12), st.integers(1, 24), meters)
@settings(deadline=None, max_examples=300)
def test_tablature_is_a_pattern_or_says_where_it_is_none(told: list[str], steps: int, meter: tuple[int, int]) -> None:
    try:
        pattern = parse_lines(told, steps_per_beat=steps, source="x", meter=meter)
    except PatternError as error:
        places = error.places
        assert places
        assert all(0 <= line <= len(told) + 1 and column >= 0 and said for line, column, said in places)
        return
    assert all(0 <= hit.beat < pattern.length_beats and 0 < hit.velocity <= 1 for hit in pattern.hits)
    assert {hit.role for hit in pattern.hits} <= set(ROLES)
    beats = [hit.beat for hit in pattern.hits]
    assert beats == sorted(beats)
    assert len(beats) <= MAX_EVENTS
    bar = 4.0 * meter[0] / meter[1]
    assert all(sum(start <= beat < start + bar for beat in beats) <= MAX_BAR_EVENTS for start in {0.0, bar, 2 * bar})


@given(st.binary(max_size=200), st.binary(max_size=40))
@settings(deadline=None, max_examples=200)
def test_any_bytes_as_midi_are_a_pattern_or_none(track: bytes, tail: bytes) -> None:
    whole = b"MThd\0\0\0\6\0\1\0\1\1\xe0MTrk" + len(track).to_bytes(4) + track + tail
    try:
        pattern = midi.read(whole)
    except (PatternError, ArithmeticError, ValueError):
        return
    assert pattern.hits
    assert all(0 <= hit.beat < pattern.length_beats for hit in pattern.hits)


@given(st.dictionaries(st.sampled_from(sorted(factory.response(factory.dossier(bars=1)))), trees, max_size=4))
@settings(deadline=None, max_examples=300)
def test_a_response_with_any_values_is_a_decision_or_refused(changed: dict[str, Any]) -> None:
    tree = factory.response(factory.dossier(bars=1)) | changed
    raw = json.dumps(tree).encode("utf-8", "surrogatepass")
    try:
        decision, new = decision_from(read_response(raw), [HEAD], Log(()))
    except ArchiveError as error:
        said = str(error)
        assert 0 < len(said) < 1_000
        return
    assert new
    assert decision.identity == HEAD.revision.identity
    assert decision.status in ("agreed", "to change", "note")
    assert printable(decision.by) == decision.by


@given(trees.map(json.dumps) | text)
@settings(deadline=None, max_examples=200)
def test_any_json_is_no_data_file_and_no_decision_unless_it_is_one(told: str) -> None:
    raw = told.encode("utf-8", "surrogatepass")
    with pytest.raises(ArchiveError):
        read_data(raw)
    assert len(read_log(raw).decisions) == 0


KEYS = sorted(beatfile.json_schema()["properties"])
inner_keys = st.sampled_from(["file", "role", "kind", "name", "bars", "lines", "midi", "files", "gain_db", "start"])
toml_values = st.recursive(
    st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats() | st.dates() | text
    | st.sampled_from(["4/4", "4/4\n", "D minor", "drums/kick.wav", "../x", "~/drums", "bar 3", "own", "level", "*"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(inner_keys | text, inner, max_size=3),
)  # fmt: skip


@given(st.dictionaries(st.sampled_from(KEYS) | text, toml_values, max_size=4))
@IN_ONE_FOLDER
def test_a_beat_toml_of_any_values_is_a_beat_or_problems_with_their_keys(tmp_path: Path, told: dict[str, Any]) -> None:
    try:
        content = tomlkit.dumps(told)
    except Exception:  # what TOML cannot hold
        return
    folder = fill(tmp_path / "x", toml=content.encode("utf-8", "surrogatepass"))
    try:
        beat = beatfile.load(folder, known_policy=DEFAULTS)
    except BeatError as error:
        said = str(error)
        assert 0 < said.count("\n") + 1 <= 51
        assert str(tmp_path) not in said
        assert printable(said, keep="\n") == said
        return
    assert beat.stems
    assert printable(beat.title) == beat.title


@given(st.text() | st.text(st.characters(categories=["Cc", "Cs", "Cf", "Zl", "Zp"])))
def test_what_is_printable_stays_so_and_holds_no_control_character(told: str) -> None:
    shown = printable(told)
    assert printable(shown) == shown
    shown.encode()
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in shown)
