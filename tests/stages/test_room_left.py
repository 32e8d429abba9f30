"""Room left: with the chosen drums in, what is left by zone, and which unused files fit into it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from common_beats import RATE, Sound, instrumental, ranked, real, write_beat
from scipy.signal import butter, sosfiltfilt

from dossier import stages
from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS
from dossier.measure.occupancy import reference_spectrum_db
from dossier.model.choice import Choice
from dossier.model.findings import RoomLeft
from dossier.stages.occupancy_maps import placed_parts, room_left

DRUMS = {"kick-haus": real("bd_haus"), "snare-zome": real("sn_zome"), "hat-closed": real("drum_cymbal_closed"),
         "tom-low": real("drum_tom_lo_hard")}  # fmt: skip
LINES = ("kick |X-----x-X-------|", "snare |----X-------X---|")


def left_in(folder: Path, stems: dict[str, Sound]) -> RoomLeft:
    """What is left with a kick and a snare in the music, where a hat and a low tom lie unused."""
    beat = ranked(write_beat(folder, stems, DRUMS, bpm=120.0, lines=LINES), Cache(folder / "cache"))
    chosen = beat.ranking.kit_parts
    assert {item.part.role for item in chosen} == {"kick", "snare"}
    choice = Choice(approach=beat.approach, untreated=beat.ranking, plans=(), ranking=beat.ranking, chosen=chosen,
                    others=())  # fmt: skip
    balanced, here = stages.balance(beat.analysis, choice, beat.memo), beat.analysis.here
    found = room_left(here, beat.ranking, balanced, placed_parts(here, balanced), beat.memo)
    assert found is not None
    return found


def dull(*stems: str) -> dict[str, Sound]:
    """Some of the full instrumental, with nothing above 3 kHz."""
    low_pass = butter(4, 3000.0, "lowpass", fs=RATE, output="sos")
    return {name: np.asarray(sosfiltfilt(low_pass, instrumental("full", 120.0, 2)[name], axis=0)) for name in stems}


def test_of_two_unused_files_the_one_that_fits_the_hole_is_an_idea(tmp_path: Path) -> None:
    """Analytic: over bass, pad and keys only the top is empty, which a hat fills and a tom does not; without the keys
    there is room in the middle too, and the same tom fits."""
    found = left_in(tmp_path / "top", dull("bass", "pad", "keys"))
    assert min(found.zones["presence"], found.zones["brilliance"]) > 0.5
    assert max(found.zones[zone] for zone in ("sub", "bass", "low_mid", "mid", "high_mid")) < 0.1
    assert [idea.split(" as an extra ")[0] for idea in found.ideas] == ["drums/hat-closed.wav"]
    assert float(found.ideas[0].split("fill ")[1].split(" %")[0]) >= 100.0 * DEFAULTS["extra_least_room"]
    assert "Nothing else" not in found.sentence
    # the bar's rests are emptier than the slots in which a kick or a snare sounds
    assert np.mean([found.slots[at] for at in (2, 3, 10, 14)]) > np.mean([found.slots[at] for at in (0, 4, 8, 12)])
    found = left_in(tmp_path / "more", dull("bass", "pad"))
    assert {idea.split(" as an extra ")[0] for idea in found.ideas} == {"drums/hat-closed.wav", "drums/tom-low.wav"}


def test_in_music_that_carries_all_that_mixes_carry_nothing_is_an_idea(tmp_path: Path) -> None:
    """Analytic: noise of the reference's own spectrum is full in every zone, and the same two files stay out."""
    frames = 8 * RATE
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    level = np.where(hz >= 20.0, 10.0 ** (reference_spectrum_db(np.maximum(hz, 20.0)) / 20.0), 0.0)
    wall = np.fft.irfft(level * np.fft.rfft(np.random.default_rng(3).standard_normal(frames)), frames)
    found = left_in(tmp_path, {"wall": 0.1 * wall / np.sqrt(np.mean(wall**2))})
    assert max(found.zones.values()) == pytest.approx(0.0, abs=0.2)
    assert found.ideas == ()
    assert found.sentence.endswith("Nothing else is worth adding.")
