"""Patterns: drum tablature in, hits out; plain patterns where there is none; swing.

Conventions
    Tablature is the common notation: one line a voice, ``x`` a hit, ``X`` an accent, ``o`` a ghost note, ``-`` a rest,
    ``|`` a bar line that is only drawn.  Voice names are the project's roles, or the short names that drum tablature
    commonly uses (BD, SD, HH, ...; common practice, no source).
    Velocity 0-1; the level of a hit is 40*log10(velocity) dB, the concave curve of the Downloadable Sounds and General
    MIDI 2 specifications (from memory): an accent is the file as it is, a plain hit 3.9 dB and a ghost 15.9 dB softer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from dossier.errors import DossierError
from dossier.model.beat import Pattern, PatternHit
from dossier.model.vocabulary import ROLES, Role

ACCENT, HIT, GHOST = 1.0, 0.8, 0.4
MAX_BAR_EVENTS = 512  # the densest bar; sixteen voices that roll in 32nds have as many in 4/4
MAX_EVENTS = 50_000  # of a pattern; a song of 200 bars, written out, has ten thousand

CELL_VELOCITY = {"X": ACCENT, "x": HIT, "o": GHOST, "-": 0.0}

NAMES: dict[str, Role] = {
    **{role.replace("-", " "): role for role in ROLES},
    "bd": "kick", "b": "kick", "kd": "kick", "sd": "snare", "s": "snare", "sn": "snare", "cp": "clap", "rs": "rim",
    "ss": "rim", "hh": "closed-hat", "h": "closed-hat", "ch": "closed-hat", "hat": "closed-hat", "oh": "open-hat",
    "rd": "ride", "r": "ride", "rc": "ride", "cc": "crash", "c": "crash", "t": "tom", "t1": "tom", "t2": "tom",
    "ft": "tom", "sh": "shaker", "perc": "percussion", "p": "percussion", "side stick": "rim",
}  # fmt: skip
"""What a voice may be called: a role's own name, or a common short name."""


class PatternError(DossierError):
    """A pattern that cannot be read; `places` holds (line, column, message), counted from 1."""

    def __init__(self, places: list[tuple[int, int, str]]) -> None:
        self.places = tuple(places)
        super().__init__("; ".join(f"line {line}, column {column}: {message}" for line, column, message in places))


def parse_lines(lines: Sequence[str], *, steps_per_beat: int, source: str, meter: tuple[int, int] = (4, 4)) -> Pattern:
    """Read drum tablature: one voice a line, a name, then cells; two lines of one role are played together.

    `steps_per_beat` are the cells in a beat of the meter (a quarter in x/4, an eighth in x/8).  Cells that divide a
    quarter into triplets are played where they are written; the beat's swing moves the others.  `source` says where the
    lines stand.  `PatternError` holds the line and column of every problem: unknown voice, unknown cell, lengths that
    do not fit together.
    """
    problems: list[tuple[int, int, str]] = []
    voices: list[tuple[int, Role, list[float]]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        role, cells, found = _read_line(line, number)
        problems.extend(found)
        if role is not None and cells:
            voices.append((number, role, cells))
    longest = max((len(cells) for _, _, cells in voices), default=0)
    for number, _, cells in voices:
        if longest % len(cells):
            problems.append(
                (number, 1, f"has {len(cells)} cells beside a line of {longest}; lines must have equal lengths, "
                 "or a length that fits a whole number of times into the longest")
            )  # fmt: skip
    if not voices and not problems:
        problems.append((1, 1, "no line with hits found; write for example 'kick |x---x---x---x---|'"))
    if problems:
        raise PatternError(problems)
    quarters_per_step = 4.0 / meter[1] / steps_per_beat
    check_density(sum(longest // len(cells) * sum(cell > 0 for cell in cells) for _, _, cells in voices))
    hits = [
        PatternHit(role=role, beat=step * quarters_per_step, velocity=velocity)
        for _, role, cells in voices
        for step, velocity in enumerate(cells * (longest // len(cells)))
        if velocity > 0
    ]
    check_density(len(hits), (hit.beat for hit in hits), bar_beats=4.0 * meter[0] / meter[1])
    in_triplets = steps_per_beat * meter[1] % 12 == 0
    return Pattern(
        hits=in_order(hits), length_beats=longest * quarters_per_step, source=source, steps_per_beat=steps_per_beat,
        swing_applies=not in_triplets,
    )  # fmt: skip


def check_density(events: int, beats: Iterable[float] = (), *, bar_beats: float = 4.0) -> None:
    """Refuse more `events` than drums have, and more in one bar, by their `beats`, with PatternError."""
    fullest = max(Counter(int(beat // bar_beats) for beat in beats).values(), default=0)
    if events > MAX_EVENTS or fullest > MAX_BAR_EVENTS:
        told = f"{events} events" + f", {fullest} of them in one bar" * (fullest > 0)
        most = f"up to {MAX_BAR_EVENTS} events a bar and {MAX_EVENTS} in all"
        raise PatternError([(1, 1, f"has {told}; allowed: {most}")])


def _read_line(line: str, number: int) -> tuple[Role | None, list[float], list[tuple[int, int, str]]]:
    problems: list[tuple[int, int, str]] = []
    name, bar, rest = line.partition("|")
    start = len(name) + 1
    if not bar:  # no bar line: the cells are the last word
        name, _, rest = line.rstrip().rpartition(" ")
        start = len(line.rstrip()) - len(rest)
    role = NAMES.get(" ".join(name.lower().replace("-", " ").replace("_", " ").split()))
    if role is None:
        allowed = ", ".join(ROLES)
        problems.append((number, 1, f"names the voice '{name.strip()[:40]}', which is not a role; allowed: {allowed}"))
    cells: list[float] = []
    for column, cell in enumerate(rest, start + 1):
        if cell in "| ":
            continue
        if cell in CELL_VELOCITY:
            cells.append(CELL_VELOCITY[cell])
        else:
            problems.append((number, column, f"has '{cell}'; a cell is x (hit), X (accent), o (ghost) or - (rest)"))
    if not cells and not problems:
        problems.append((number, len(line), "has no cells after the voice's name"))
    return role, cells, problems


def plain(meter: tuple[int, int] = (4, 4)) -> Pattern:
    """A plain pattern for a beat that names none: kick on one and three, snare on two and four, hats in eighths.

    Common practice, no source.  In other meters: kick on one, snare on the middle beat, hats in eighths.
    """
    beats, unit = meter
    quarter = 4.0 / unit
    length = beats * quarter
    hits = [PatternHit(role="closed-hat", beat=0.5 * k, velocity=HIT) for k in range(int(length * 2))]
    kicks, snares = ((0, 2), (1, 3)) if beats == 4 else ((0,), (beats // 2,))
    hits += [PatternHit(role="kick", beat=quarter * k, velocity=ACCENT) for k in kicks]
    hits += [PatternHit(role="snare", beat=quarter * k, velocity=ACCENT) for k in snares]
    return Pattern(hits=in_order(hits), length_beats=length, source="assumed", steps_per_beat=4)


def plain_voice(role: Role, meter: tuple[int, int] = (4, 4)) -> Pattern:
    """One bar of a role on its own, so that candidates that the beat's pattern does not play can be compared at all.

    Its source is 'assumed'.  Common practice, no source: kicks on every other beat, backbeats on every second beat (in
    the middle of an odd bar), hats and rides in eighths, shakers in sixteenths, toms at the end of the bar, percussion
    between the beats.
    """
    beats, quarter = meter[0], 4.0 / meter[1]
    length = beats * quarter
    sixteenths = [0.25 * k for k in range(int(length * 4))]
    backbeats = [quarter * k for k in range(1, beats, 2)] if beats % 2 == 0 else [quarter * (beats // 2)]
    places: dict[Role, list[float]] = {
        "kick": [quarter * k for k in range(0, beats, 2)], "snare": backbeats, "clap": backbeats, "rim": backbeats,
        "closed-hat": sixteenths[::2], "ride": sixteenths[::2], "shaker": sixteenths, "open-hat": sixteenths[2::4],
        "crash": [0.0], "tom": [place for place in sixteenths[::2] if place >= length - 1.0],
        "percussion": [place for index, place in enumerate(sixteenths) if index % 8 in (3, 6)],
    }  # fmt: skip
    hits = [
        PatternHit(role=role, beat=place, velocity=GHOST if role == "shaker" and index % 2 else HIT)
        for index, place in enumerate(places[role] or [0.0])
    ]
    return Pattern(hits=in_order(hits), length_beats=length, source="assumed")


def swung(beat: float, swing: float, *, pair: float = 0.5) -> float:
    """Move a straight position to the swung one: each second note falls at `swing` of its pair; in quarter notes.

    `pair` is 0.5 where sixteenths swing, 1.0 where eighths do.  0.5 is straight, 2/3 triplet swing; positions between
    are stretched evenly, so that ornaments keep their order.
    """
    number, inside = divmod(beat / pair, 1.0)
    moved = inside * 2.0 * swing if inside < 0.5 else swing + (inside - 0.5) * 2.0 * (1.0 - swing)
    return (number + moved) * pair


def roles_of(patterns: Iterable[Pattern]) -> tuple[Role, ...]:
    """The roles that are played, in the project's order."""
    played = {hit.role for pattern in patterns for hit in pattern.hits}
    return tuple(role for role in ROLES if role in played)


def in_order(hits: Iterable[PatternHit]) -> tuple[PatternHit, ...]:
    """Hits by time, then by role, the louder first."""
    return tuple(sorted(hits, key=lambda hit: (hit.beat, ROLES.index(hit.role), -hit.velocity)))
