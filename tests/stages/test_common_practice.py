"""What every beat maker would say, on real sounds: common practice, no source, except where a docstring says more."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soxr
from common_beats import (
    INDUSTRIAL_BPM,
    LEANEST,
    MORE,
    RATE,
    Ranked,
    air,
    instrumental,
    notes,
    ranked,
    real,
    ringing_loop,
    write_beat,
)
from scipy.signal import butter, sosfiltfilt

from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS

RICH = {"industrial": INDUSTRIAL_BPM, "ringing": 100.0}


@pytest.fixture(scope="module")
def beats(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, str], Ranked]:
    """An open or a full instrumental with one rich loop and the leanest kit, at the loop's own tempo."""
    root = tmp_path_factory.mktemp("practice")
    made: dict[tuple[str, str], Ranked] = {}

    def beat(parts: str, loop: str) -> Ranked:
        if (parts, loop) not in made:
            bpm = RICH[loop]
            sound = real("loop_industrial") if loop == "industrial" else ringing_loop(bpm)
            drums = {**LEANEST, "loop-rich": sound}
            folder = write_beat(root / f"{parts}-{loop}", instrumental(parts, bpm), drums, bpm=bpm)
            made[parts, loop] = ranked(folder, Cache(root / "cache"))
        return made[parts, loop]

    return beat


@pytest.mark.parametrize("loop", list(RICH))
def test_an_open_instrumental_takes_the_rich_loop_and_wants_it_fuller(
    beats: Callable[[str, str], Ranked], loop: str
) -> None:
    found = beats("open", loop)
    kit = found.ranking.kit
    assert kit is not None
    assert found.analysis.room.fill < DEFAULTS["open_below"]
    rich = found.ranking.loops[0]
    assert rich.part.loop is not None
    assert rich.part.loop.method == "as it is"
    assert rich.fit.room_filled > 1.5 * kit.fit.room_filled
    assert rich.terms["room"] > kit.terms["room"] + DEFAULTS["either_within"]
    lows = [fit.heard_zones["sub"] + fit.heard_zones["bass"] for fit in (rich.fit, kit.fit)]
    assert (lows[0] < 0.1 * lows[1]) is (loop == "industrial"), "it has no lows, which a kit has"
    assert found.approach.kind in {"industrial": ("loop", "either"), "ringing": ("loop",)}[loop]
    assert found.approach.direction == "fuller"
    full = beats("full", loop)
    assert full.ranking.kit is not None
    lead = rich.score - kit.score
    assert lead > full.ranking.loops[0].score - full.ranking.kit.score + DEFAULTS["either_within"]


@pytest.mark.parametrize("loop", list(RICH))
def test_a_full_instrumental_takes_the_lean_kit_and_wants_it_leaner(
    beats: Callable[[str, str], Ranked], loop: str
) -> None:
    found = beats("full", loop)
    kit = found.ranking.kit
    assert kit is not None
    assert found.analysis.room.fill > DEFAULTS["full_above"]
    assert kit.fit.overlap < found.ranking.loops[0].fit.overlap
    assert kit.score > found.ranking.loops[0].score + DEFAULTS["either_within"]
    assert (found.approach.kind, found.approach.direction) == ("one-shots", "leaner")
    assert all(any(char.isdigit() for char in reason) for reason in found.approach.reasons[:3])


def kick_at(octave: float) -> np.ndarray:
    """A real kick (fundamental 60 Hz) turned by octaves, as long as the others."""
    turned = soxr.resample(real("bd_boom"), 2.0**octave, 1.0)
    length = round(0.3 * RATE)
    return np.pad(turned, ((0, length), (0, 0)))[:length] * np.linspace(1.0, 0.0, length)[:, None] ** 0.5


@pytest.mark.parametrize(
    ("bass_hz", "crowded", "clear"), [(59.9, "kick-60", "kick-120"), (119.8, "kick-120", "kick-60")]
)
def test_a_kick_on_the_bass_overlaps_more_than_one_an_octave_away(
    bass_hz: float, crowded: str, clear: str, tmp_path: Path
) -> None:
    stems = {"bass": 0.3 * np.tile(notes([bass_hz] * 4, 0.5, partials=2, slope_db=-20), 4),
             "keys": 0.03 * np.tile(notes([440.0], 2.0, partials=12, slope_db=-6), 4)}  # fmt: skip
    folder = write_beat(
        tmp_path / "low", stems, {"kick-60": kick_at(0), "kick-120": kick_at(1)}, bpm=120.0,
        lines=("kick |X-----x-X-------|",),
    )  # fmt: skip
    found = ranked(folder, Cache(tmp_path / "cache"))
    on, beside = found.of(crowded), found.of(clear)
    # The kick an octave up meets the bass's second partial.
    assert on.fit.overlap > (1.0 if bass_hz < 100.0 else 1.5) * beside.fit.overlap
    if bass_hz < 100.0:  # above, what is heard of the lower kick is its overtone, which the bass covers as well
        assert on.fit.audible_share < 0.25 * beside.fit.audible_share
        assert on.fit.heard_in_zones is not None
        assert beside.fit.heard_in_zones is not None
        assert on.fit.heard_in_zones < 0.25 * beside.fit.heard_in_zones
    assert on.score - on.terms["job"] < beside.score - beside.terms["job"], "but for how like a kick they sound"


def test_where_only_brilliance_is_open_a_soft_bright_hat_ranks_above_a_dark_one(tmp_path: Path) -> None:
    def filtered(sound: np.ndarray, kind: str, hz: float) -> np.ndarray:
        return np.asarray(sosfiltfilt(butter(4, hz, kind, fs=RATE, output="sos"), sound, axis=0))

    stems = {name: filtered(sound, "lowpass", 5500.0) for name, sound in instrumental("full", 120.0).items()}
    stems["strings"] += 0.02 * air(len(stems["strings"]) / RATE, low_hz=300, high_hz=5500)[: len(stems["strings"])]
    hat = real("drum_cymbal_closed")
    drums = {"hat-bright": 0.25 * filtered(hat, "highpass", 7000.0), "hat-as-it-is": hat,
             "hat-dark": soxr.resample(hat, 0.4, 1.0)[: len(hat)], "hat-dull": 3.0 * filtered(hat, "lowpass", 3500.0)}
    folder = write_beat(tmp_path / "top", stems, drums, bpm=120.0, lines=("closed-hat |x-x-x-x-x-x-x-x-|",))
    found = ranked(folder, Cache(tmp_path / "cache"))
    zones = found.analysis.room.zones
    assert zones["brilliance"] < 0.35 < min(zones[z] for z in zones if z != "brilliance")  # the one zone nearly unused
    bright, dark, dull = found.of("hat-bright"), found.of("hat-dark"), found.of("hat-dull")
    assert bright.drum.measures.loudness.one_hit_lufs < dark.drum.measures.loudness.one_hit_lufs - 6.0
    assert bright.score > max(dark.score, dull.score) + 0.1


def candidates(bpm: float) -> dict[str, str | np.ndarray]:
    return {**LEANEST, **MORE, "loop-rich": ringing_loop(bpm), "loop-industrial": "loop_industrial"}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Ranked, Path]:
    root = tmp_path_factory.mktemp("stable")
    folder = write_beat(root / "plain", instrumental("open", 132.0), candidates(132.0), bpm=132.0)
    return ranked(folder, Cache(root / "cache")), root


def settled_order(scores: dict[str, float], apart: float = 0.01) -> list[tuple[str, str]]:
    """All pairs of which the first is better by more than a hair."""
    return [(a, b) for a, x in scores.items() for b, y in scores.items() if x > y + apart]


@pytest.mark.parametrize(
    ("name", "change"),
    [("drums-up", {"gain": 10 ** (1 / 20)}), ("drums-down", {"gain": 10 ** (-1 / 20)}),
     ("stems-up", {"stem_gain": 10 ** (1 / 20)}), ("stems-down", {"stem_gain": 10 ** (-1 / 20)}),
     ("drums-late", {"drum_lead_s": 0.0073}), ("beat-late", {"lead_s": 0.0411}), ("beat-later", {"lead_s": 0.5})],
)  # fmt: skip
def test_the_order_is_stable(plain: tuple[Ranked, Path], name: str, change: dict[str, float]) -> None:
    """A decibel of input level, or where the analysis happens to start, moves no score by more than a hair.

    analytic: gains are solved for what is heard, so a change of level comes back as a change of gain.
    """
    first, root = plain
    folder = write_beat(root / name, instrumental("open", 132.0), candidates(132.0), bpm=132.0, **change)
    found = ranked(folder, Cache(root / "cache"))
    before, after = first.scores(), found.scores()
    assert before.keys() == after.keys()
    assert max(abs(before[key] - after[key]) for key in before) < (0.01 if "gain" in next(iter(change)) else 0.03)
    assert all(after[better] > after[worse] for better, worse in settled_order(before, 0.05))
    assert (found.approach.kind, found.approach.direction) == (first.approach.kind, first.approach.direction)
    if "gain" in next(iter(change)):
        assert all(after[better] > after[worse] for better, worse in settled_order(before))
