"""Patterns: tablature in, hits out."""

from __future__ import annotations

import pytest

from dossier.arrange import pattern as p
from dossier.model.beat import Pattern, PatternHit


def parse(*lines: str, steps: int = 4) -> Pattern:
    return p.parse_lines(list(lines), steps_per_beat=steps, source="test")


def test_analytic_cells_become_hits_at_their_places() -> None:
    found = parse("kick |x---o-X-|", "closed hat |x-x-x-x-|")
    kicks = [(hit.beat, hit.velocity) for hit in found.hits if hit.role == "kick"]
    assert kicks == [(0.0, p.HIT), (1.0, p.GHOST), (1.5, p.ACCENT)]
    assert found.length_beats == 2.0
    assert sum(hit.role == "closed-hat" for hit in found.hits) == 4


def test_analytic_a_short_line_repeats_under_a_long_one() -> None:
    found = parse("kick |x---x---x---x---|x-------x-------|", "shaker |x-x-|")
    assert found.length_beats == 8.0
    assert sum(hit.role == "shaker" for hit in found.hits) == 16


@pytest.mark.parametrize(
    ("steps", "meter", "swung"),
    [(4, (4, 4), True), (2, (4, 4), True), (3, (4, 4), False), (6, (4, 4), False), (12, (3, 4), False),
     (2, (6, 8), True), (3, (6, 8), False), (1, (6, 8), True)],
)  # fmt: skip
def test_triplets_are_played_as_written(steps: int, meter: tuple[int, int], swung: bool) -> None:
    """A grid in triplets says itself where its hits fall; swing would push them off it."""
    found = p.parse_lines(["ride |x-x|"], steps_per_beat=steps, source="test", meter=meter)
    assert found.swing_applies is swung
    quarter = steps * meter[1] / 4
    assert [hit.beat for hit in found.hits] == pytest.approx([0.0, 2 / quarter])


@pytest.mark.parametrize(
    ("line", "place", "words"),
    [
        ("kick |x--q|", (1, 10), "has 'q'"),
        ("gong |x---|", (1, 1), "names the voice 'gong'"),
        ("kick ||", (1, 7), "no cells"),
        ("c |c", (1, 4), "has 'c'"),
        ("closed hat x-y-", (1, 14), "has 'y'"),
        ("", (1, 1), "no line with hits"),
    ],
)
def test_a_problem_names_its_line_and_column(line: str, place: tuple[int, int], words: str) -> None:
    with pytest.raises(p.PatternError) as caught:
        parse(line)
    first = caught.value.places[0]
    assert first[:2] == place
    assert words in first[2]


def test_all_problems_are_told_at_once() -> None:
    with pytest.raises(p.PatternError) as caught:
        parse("gong |x---|", "kick |x-z-|", "snare |--x-x|")
    assert {place[0] for place in caught.value.places} >= {1, 2}


def test_lengths_that_do_not_fit_are_refused() -> None:
    with pytest.raises(p.PatternError, match="equal lengths"):
        parse("kick |x---x---|", "snare |--x|")


@pytest.mark.parametrize(("beat", "swing", "there"), [(0.25, 0.5, 0.25), (0.25, 2 / 3, 1 / 3), (0.5, 2 / 3, 0.5),
                                                      (1.75, 0.58, 1.5 + 0.29), (0.0, 0.6, 0.0)])  # fmt: skip
def test_analytic_swing_moves_the_second_sixteenth(beat: float, swing: float, there: float) -> None:
    assert p.swung(beat, swing) == pytest.approx(there)


@pytest.mark.parametrize("meter", [(4, 4), (3, 4), (6, 8), (5, 4)])
def test_plain_pattern_fills_its_bar(meter: tuple[int, int]) -> None:
    found = p.plain(meter)
    assert found.length_beats == meter[0] * 4 / meter[1]
    assert {hit.role for hit in found.hits} == {"kick", "snare", "closed-hat"}
    assert all(hit.beat < found.length_beats for hit in found.hits)


def test_roles_come_in_the_projects_order() -> None:
    hits = (PatternHit("snare", 0, 1), PatternHit("kick", 0, 1))
    assert p.roles_of([Pattern(hits=hits, length_beats=4, source="test")]) == ("kick", "snare")
