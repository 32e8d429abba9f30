"""Analytic: the same sound notated at half, true and double tempo is the same beat to the ear."""

from __future__ import annotations

import pytest
from common_beats import Ranked, instrumental, ranked, write_beat

from dossier.cache import Cache

DRUMS = {"kick-boom": "bd_boom", "kick-haus": "bd_haus", "snare-dub": "sn_dub", "hat-closed": "drum_cymbal_closed"}
LINES = ("kick |X-----x-X-------|", "snare |----X-------X---|", "closed-hat |x-x-x-x-x-x-x-x-|")


@pytest.fixture(scope="module")
def notated(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Ranked]:
    folder = tmp_path_factory.mktemp("notation")
    stems = instrumental("full", 120.0, 6)
    found = {}
    for bpm, steps in ((60.0, 8), (120.0, 4), (240.0, 2)):
        beat = write_beat(folder / f"at-{bpm:g}", stems, DRUMS, bpm=bpm, lines=LINES,
                          more=f"steps_per_beat = {steps}\n")  # fmt: skip
        found[bpm] = ranked(beat, Cache(folder / "cache"))
    return found


@pytest.mark.parametrize("bpm", [105.9, 106.2])
def test_a_hair_of_tempo_moves_no_gain(tmp_path_factory: pytest.TempPathFactory, bpm: float) -> None:
    """Analytic: the same music and drums at 105.9, 106.0 and 106.2 BPM: gains within 0.1 dB, kicks in one order."""
    folder = tmp_path_factory.mktemp("hair")
    stems = instrumental("full", 106.0, 6)
    found = [ranked(write_beat(folder / f"at-{at:g}", stems, DRUMS, bpm=at, lines=LINES), Cache(folder / "cache"))
             for at in (106.0, bpm)]  # fmt: skip
    gains = [{item.drum.name: item.gains.db for item in one.ranking.one_shots} for one in found]
    assert gains[1] == pytest.approx(gains[0], abs=0.1 + 1e-9)
    scores = [{item.drum.name: item.score for item in one.ranking.one_shots} for one in found]
    assert scores[1] == pytest.approx(scores[0], abs=0.005)
    kicks = [[item.drum.name for item in one.ranking.one_shots if item.part.role == "kick"] for one in found]
    assert kicks[0] == kicks[1]


@pytest.mark.parametrize("bpm", [60.0, 240.0])
def test_notation_moves_neither_gains_nor_order_nor_verdict(notated: dict[float, Ranked], bpm: float) -> None:
    true, other = notated[120.0], notated[bpm]
    assert other.analysis.room.fill == pytest.approx(true.analysis.room.fill, abs=0.005)
    gains = {item.drum.name: item.gains.db for item in true.ranking.one_shots}
    moved = {item.drum.name: item.gains.db for item in other.ranking.one_shots}
    assert moved == pytest.approx(gains, abs=0.1 + 1e-9)
    assert [item.drum.name for item in other.ranking.one_shots] == [item.drum.name for item in true.ranking.one_shots]
    assert (other.approach.kind, other.approach.direction) == (true.approach.kind, true.approach.direction)
