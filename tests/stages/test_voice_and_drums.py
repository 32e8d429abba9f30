"""What a voice keeps free, and drums that are in the music already."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from stage_beat import RATE, Staged, full_music, noise, real, repeated, staged, time_of, write_beat

from dossier.measure import drum_hits
from dossier.model.measures import Grid, Samples

SECONDS = 24.0  # twelve bars at 120 BPM
BARS = Grid(120.0, "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, (4, 4), 12)


def notes() -> Samples:
    """Struck tones with four partials, eight a second, and a pad: pitched and percussive, `(frames, 2)`."""
    out, hz = np.zeros(round(SECONDS * RATE)), (220.0, 261.6, 329.6, 392.0, 523.3)
    for at in range(round(SECONDS * 8)):
        t = time_of(0.5)
        tone = sum(np.sin(2 * np.pi * n * hz[at * 3 % 5] * t) / n**2 for n in (1, 2, 4, 9)) * np.exp(-t / 0.12)
        first = round(at / 8 * RATE)
        out[first : first + len(tone)] += 0.1 * tone[: len(out) - first]
    return out[:, None] + noise(SECONDS, low_hz=80.0, high_hz=3000.0, seed=4, tilt=1.0) * 0.2


def broken(name: str, first_bar: int, bars: int) -> Samples:
    """A real loop in some bars, silence elsewhere."""
    sound, rate = real(name)
    assert rate == RATE
    out = np.zeros((round(SECONDS * RATE), 2))
    span = slice(round(2.0 * first_bar * RATE), round(2.0 * (first_bar + bars) * RATE))
    out[span] = repeated(sound, 2.0 * bars)
    return 0.5 * out


@pytest.mark.parametrize("loop", ["loop_breakbeat", "loop_compus"])
def test_real_loops_are_found_in_their_bars_and_struck_tones_are_none(loop: str) -> None:
    """Real, CC0 sounds of Debian's sonic-pi-samples, laid into struck tones that have no drums."""
    assert drum_hits.bars_with_drums(drum_hits.hits(notes(), RATE)[0], BARS) == ()
    found = drum_hits.bars_with_drums(drum_hits.hits(notes() + broken(loop, 4, 4), RATE)[0], BARS)
    assert found
    marked = {bar for first, count in found for bar in range(first, first + count)}
    assert {5, 6} <= marked <= {3, 4, 5, 6, 7, 8}


@pytest.mark.parametrize(
    ("samples", "rate"), [
        (np.zeros((0, 2)), RATE), (np.zeros((RATE, 2)), RATE), (np.ones((3 * RATE, 2)), RATE), (np.ones((9, 1)), RATE),
        (broken("loop_breakbeat", 0, 12)[::4], 11_025), (np.eye(3 * RATE, 1), RATE),
    ], ids=["empty", "silent", "constant", "nine", "low rate", "one click"],
)  # fmt: skip
def test_odd_music_has_no_drums(samples: Samples, rate: int) -> None:
    assert drum_hits.bars_with_drums(drum_hits.hits(samples, rate)[0], BARS) == ()


def test_drums_in_the_music_are_said_with_stem_and_bars(tmp_path: Path) -> None:
    drums = {"snare": real("sn_dub")}
    stems = {"tones": notes(), "break": broken("loop_breakbeat", 4, 4)}
    found = staged(write_beat(tmp_path / "beat", stems=stems, drums=drums), tmp_path / "cache").analysis
    (run,) = found.here.music.drums
    assert run.stems == ("stems/break.wav",)
    assert 4 <= run.first_bar <= 6
    assert run.first_bar + run.bars - 1 <= 9
    said = f"in bars {run.first_bar}-{run.first_bar + run.bars - 1}, of stems/break.wav"
    assert any(said in note for note in found.here.grid.notes)
    assert any(said in note for note in found.warnings)


@pytest.fixture(scope="module")
def voiced(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Staged]:
    folder = tmp_path_factory.mktemp("voice")
    stems, drums = {"pad": 0.02 * full_music()["choir"]}, {"snare": real("sn_dub"), "kick": real("bd_haus")}
    return {
        voice: staged(write_beat(folder / voice, stems=stems, drums=drums, toml=toml), folder / "cache")
        for voice, toml in (("expected", ""), ("none", 'voice = "none"\n'), ("in-stems", 'voice = "in-stems"\n'))
    }


def test_room_is_kept_for_a_voice_that_is_expected(voiced: dict[str, Staged]) -> None:
    """By definition: the music's fill stays, drums fill less of what is free and go over it sooner."""
    expected, none, inside = (voiced[name] for name in ("expected", "none", "in-stems"))
    rooms = [each.analysis.room for each in (expected, none, inside)]
    assert rooms[0].fill == rooms[1].fill == rooms[2].fill
    kept_zones = rooms[0].kept
    assert [kept_zones[zone] for zone in ("low_mid", "mid", "high_mid")] == pytest.approx([0.3] * 3, abs=0.03)
    assert not {"sub", "brilliance"} & set(kept_zones)
    assert not rooms[1].kept
    assert not rooms[2].kept
    kept, free = (each.placed("snare").fit for each in (expected, none))
    assert kept.over > free.over
    gains = {each.placed("snare").gains.db for each in voiced.values()}
    assert len(gains) == 1
    assert voiced["in-stems"].placed("snare").fit == free
    assert kept.room_filled + kept.over == pytest.approx(free.room_filled + free.over)
