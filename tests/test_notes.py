"""Notes spelt in a key, and numbers with a sign.

The seven notes of each key are the circle of fifths as every primer of music theory has it: each step up sharpens the
next of F C G D A E B, each step down flattens the next of B E A D G C F (MEM).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.decide.fit import cents_from_key
from dossier.model.notes import names_in, note_name, note_of, pitch_class
from dossier.model.numbers import signed, unsigned

SHARPS, FLATS = "FCGDAEB", "BEADGCF"
MAJOR = {0: "C", 1: "G", 2: "D", 3: "A", 4: "E", 5: "B", 6: "F#", 7: "C#",
         -1: "F", -2: "Bb", -3: "Eb", -4: "Ab", -5: "Db", -6: "Gb", -7: "Cb"}  # fmt: skip
MINOR = {0: "A", 1: "E", 2: "B", 3: "F#", 4: "C#", 5: "G#", 6: "D#", 7: "A#",
         -1: "D", -2: "G", -3: "C", -4: "F", -5: "Bb", -6: "Eb", -7: "Ab"}  # fmt: skip
KEYS = [(f"{tonic} {mode}", count) for mode, keys in (("major", MAJOR), ("minor", MINOR))
        for count, tonic in keys.items()]  # fmt: skip


@pytest.mark.parametrize(("key", "count"), KEYS, ids=[key for key, _ in KEYS])
def test_conformance_the_seven_notes_of_every_key(key: str, count: int) -> None:
    marks = dict.fromkeys(SHARPS[:count], "#") if count > 0 else dict.fromkeys(FLATS[: -count or 0], "b")
    scale = {letter + marks.get(letter, "") for letter in "CDEFGAB"}
    assert scale <= set(names_in(key))
    assert all(names_in(key)[pitch_class(name)] == name for name in scale)
    assert [pitch_class(name) for name in names_in(key)] == list(range(12))


@pytest.mark.parametrize(
    ("key", "names"),
    [
        (None, "C C# D D# E F F# G G# A A# B"),
        ("C major", "C C# D D# E F F# G G# A A# B"),
        ("F major", "C Db D Eb E F Gb G Ab A Bb B"),
        ("D major", "C C# D D# E F F# G G# A A# B"),
        ("D minor", "C C# D Eb E F Gb G Ab A Bb B"),  # the raised seventh is a C#
        ("G minor", "C Db D Eb E F F# G Ab A Bb B"),
        ("C# major", "B# C# D D# E E# F# G G# A A# B"),
    ],
)
def test_chromatic_notes_take_the_accidentals_of_the_key(key: str | None, names: str) -> None:
    """Common practice, no source."""
    assert names_in(key) == tuple(names.split())


def test_octaves_belong_to_the_letter() -> None:
    """Scientific pitch notation: the octave changes between B and C, so B#3 sounds like C4 (MEM)."""
    assert [note_name(60, "C# major"), note_name(59, "Cb major"), note_name(60)] == ["B#3", "Cb4", "C4"]
    assert note_of(466.16, "F major") == ("Bb4", pytest.approx(0.0, abs=0.1))


def test_a_key_without_a_note_is_refused() -> None:
    with pytest.raises(ValueError, match="no note"):
        cents_from_key(100.0, "H minor")


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_what_rounds_to_nothing_has_no_sign(value: float, digits: int) -> None:
    text = signed(value, digits)
    assert float(text) == round(value, digits)
    assert (text[0] in "+-") == (float(text) != 0.0)
    assert unsigned(value, digits) == text.removeprefix("+")


def test_analytic_signs() -> None:
    assert [signed(v) for v in (0.0, -0.0, 0.04, -0.04, 0.06, -1.25, 3.0)] == [
        "0.0", "0.0", "0.0", "0.0", "+0.1", "-1.2", "+3.0"
    ]  # fmt: skip
    assert [signed(0.4, 0), unsigned(-0.04), unsigned(2.0)] == ["0", "0.0", "2.0"]
