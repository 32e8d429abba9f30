"""Notes and keys by name.

Conventions
    MIDI note n is 440 * 2^((n - 69) / 12) Hz (equal temperament, A4 = 69 = 440 Hz); octaves run from C to B, and an
    octave's number belongs to the letter: B#3 sounds like C4, Cb4 like B3.  A key reads "F# minor", "Db major".
    Without a key, notes are written with sharps.
"""

from __future__ import annotations

import re
from functools import lru_cache
from math import floor, log2

SHARP_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
FLAT_NAMES = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
MAJOR_STEPS = (0, 2, 4, 5, 7, 9, 11)
MINOR_STEPS = (0, 2, 3, 5, 7, 8, 10)
_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}  # sharps of the letter's major key
_MARKS = {"♯": "#", "sharp": "#", "is": "#", "♭": "b", "flat": "b", "es": "b", None: ""}
_ALTERED = {-1: "b", 0: "", 1: "#"}
_RAISED = ((5, 9), (6, 11))  # degrees of a minor key, from 0, and their semitones above the tonic


def key_meant(text: str) -> str | None:
    """The key that was probably meant: 'Dm' and 'd min' are 'D minor', 'F♯ Major' is 'F# major'."""
    found = re.fullmatch(r"\s*([A-Ga-g])\s*(#|b|♯|♭|sharp|flat|is|es)?[\s_-]*([A-Za-z]*)\s*", text)
    if not found:
        return None
    mark, mode = _MARKS.get(found[2], found[2]), found[3]
    if mode in ("m", "min", "moll") or mode.lower() in ("min", "minor"):
        return f"{found[1].upper()}{mark} minor"
    if mode in ("", "M", "dur") or mode.lower() in ("maj", "major"):
        return f"{found[1].upper()}{mark} major"
    return None


def pitch_class(name: str) -> int:
    """Semitones above C of a note's name without octave, 0-11: 'Cb' is 11.  Raises ValueError where it is no note."""
    if not re.fullmatch("[A-G](#*|b*)", name):
        raise ValueError(f"'{name}' is no note")
    return (_LETTERS[name[0]] + name.count("#") - name[1:].count("b")) % 12


@lru_cache(maxsize=64)
def names_in(key: str | None) -> tuple[str, ...]:
    """Name of each pitch class, from that of C to that of B, in a key.

    The seven notes of the key (natural minor) have a letter each.  A minor key's raised sixth and seventh keep their
    letters too, where one accidental is enough.  Other notes take the accidentals of the key signature, and sharps
    where it has none.
    """
    meant = key_meant(key) if key else None
    if meant is None:
        return SHARP_NAMES
    tonic, mode = meant.split()
    minor = mode == "minor"
    fifths = _FIFTHS[tonic[0]] + 7 * (tonic.count("#") - tonic[1:].count("b")) - 3 * minor
    names = list(FLAT_NAMES if fifths < 0 else SHARP_NAMES)
    steps = MINOR_STEPS if minor else MAJOR_STEPS
    letters = "CDEFGAB"
    first, start = letters.index(tonic[0]), pitch_class(tonic)
    for degree, step in (*_RAISED[: 2 * minor], *enumerate(steps)):
        letter, number = letters[(first + degree) % 7], (start + step) % 12
        mark = _ALTERED.get((number - _LETTERS[letter] + 6) % 12 - 6)
        if mark is not None:
            names[number] = letter + mark
    return tuple(names)


def note_name(number: int, key: str | None = None) -> str:
    """Name of a MIDI note, spelt in the key: 69 is 'A4', 70 'A#4', and 'Bb4' in F major."""
    name = names_in(key)[number % 12]
    return f"{name}{(number - name.count('#') + name[1:].count('b')) // 12 - 1}"


def nearest_note(hz: float) -> tuple[int, float]:
    """The nearest MIDI note, and the distance from it in cents, -50 to 50.

    Raises ValueError for a frequency that is not above zero.
    """
    if not hz > 0.0:
        raise ValueError(f"a note needs a frequency above 0 Hz, found {hz}")
    number = 69.0 + 12.0 * log2(hz / 440.0)
    nearest = floor(number + 0.5)
    return nearest, 100.0 * (number - nearest)


def note_of(hz: float, key: str | None = None) -> tuple[str, float]:
    """As `nearest_note`, the note by its name."""
    nearest, cents = nearest_note(hz)
    return note_name(nearest, key), cents
