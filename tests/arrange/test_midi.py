"""Standard MIDI Files: percussion in, hits out, and the way back."""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest

from dossier.arrange import midi
from dossier.arrange.pattern import PatternError, parse_lines
from dossier.model.beat import Pattern


def tab(*lines: str) -> Pattern:
    return parse_lines(list(lines), steps_per_beat=4, source="test")


def _midi(*messages: mido.Message, ticks: int = 96, meta: tuple[mido.MetaMessage, ...] = ()) -> bytes:
    file, track = mido.MidiFile(ticks_per_beat=ticks), mido.MidiTrack()
    track.extend([*meta, *messages])
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_conformance_general_midi_key_map(tmp_path: Path) -> None:
    """General MIDI Level 1 percussion key map: the keys that the design names."""
    keys = {36: "kick", 38: "snare", 37: "rim", 39: "clap", 42: "closed-hat", 44: "closed-hat", 46: "open-hat",
            45: "tom", 49: "crash", 51: "ride", 54: "percussion", 56: "percussion"}  # fmt: skip
    notes = [mido.Message("note_on", channel=9, note=key, velocity=127, time=24) for key in keys]
    path = tmp_path / "keys.mid"
    path.write_bytes(_midi(*notes))
    found = midi.read(path.read_bytes())
    assert [hit.role for hit in found.hits] == list(keys.values())
    assert found.length_beats == 4.0
    assert not found.swing_applies


def test_midi_keeps_timing_through_tempo_changes(tmp_path: Path) -> None:
    path = tmp_path / "tempo.mid"
    path.write_bytes(
        _midi(
            mido.Message("note_on", channel=9, note=36, velocity=64, time=0),
            mido.MetaMessage("set_tempo", tempo=400_000, time=10),
            mido.Message("note_on", channel=9, note=38, velocity=100, time=54),
        )
    )
    hits = midi.read(path.read_bytes()).hits
    assert [hit.beat for hit in hits] == pytest.approx([0.0, 64 / 96])
    assert hits[0].velocity == pytest.approx(64 / 127)


@pytest.mark.parametrize("content", [b"", b"not midi at all", b"MThd\x00\x00\x00\x06\x00\x01"])
def test_a_damaged_midi_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.mid"
    path.write_bytes(content)
    with pytest.raises(PatternError):
        midi.read(path.read_bytes())


def test_midi_without_drums_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "piano.mid"
    path.write_bytes(_midi(mido.Message("note_on", channel=0, note=60, velocity=90, time=0)))
    with pytest.raises(midi.NoDrumsError, match="no General MIDI percussion"):
        midi.read(path.read_bytes())


def test_a_last_bar_of_rest_is_part_of_the_groove(tmp_path: Path) -> None:
    """analytic: a track that ends on a bar line says how long it is; one that ends with its last note does not."""
    path = tmp_path / "rest.mid"
    told = tab("kick |X---------------|----------------|")
    path.write_bytes(midi.write(told, tempo_bpm=92.0, meter=(4, 4)))
    assert midi.read(path.read_bytes()).length_beats == 8.0
    path.write_bytes(
        _midi(
            mido.Message("note_on", channel=9, note=36, velocity=100, time=0),
            mido.Message("note_off", channel=9, note=36, velocity=0, time=96 * 5),  # rings past the bar line
        )
    )
    assert midi.read(path.read_bytes()).length_beats == 4.0


@pytest.mark.parametrize(
    ("beats", "unit", "steps"),
    [((0.0, 0.25, 1.0, 1.75), 4, 4), ((0.0, 1 / 3, 2 / 3, 1.0), 4, 6), ((0.0, 0.125, 0.5), 4, 8),
     ((0.0, 0.25, 0.5, 1 / 3), 4, 12), ((0.0, 0.26, 0.51, 0.77, 1.02), 4, 4), ((0.0, 0.5, 1.0), 8, 2),
     ((0.0, 0.25), 16, 1)],
)  # fmt: skip
def test_played_hits_are_drawn_in_the_fewest_steps_that_hold_them(
    beats: tuple[float, ...], unit: int, steps: int, tmp_path: Path
) -> None:
    path, now = tmp_path / "steps.mid", 0
    notes = []
    for beat in sorted(beats):
        tick = round(beat * 480)
        notes.append(mido.Message("note_on", channel=9, note=38, velocity=90, time=tick - now))
        now = tick
    meta = (mido.MetaMessage("time_signature", numerator=4, denominator=unit),)
    path.write_bytes(_midi(*notes, ticks=480, meta=meta))
    assert midi.read(path.read_bytes()).steps_per_beat == steps


@pytest.mark.parametrize(("numerator", "denominator", "length"), [(3, 4, 3.0), (6, 8, 3.0), (7, 8, 3.5), (5, 4, 5.0)])
def test_the_files_own_meter_makes_the_bar(numerator: int, denominator: int, length: float, tmp_path: Path) -> None:
    path = tmp_path / "meter.mid"
    meta = (mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator),)
    path.write_bytes(_midi(mido.Message("note_on", channel=9, note=36, velocity=90, time=48), meta=meta))
    assert midi.read(path.read_bytes(), meter=(4, 4)).length_beats == length


def test_swing_and_velocity_of_a_played_file_are_kept(tmp_path: Path) -> None:
    """analytic: hits late by any amount come back where they were played, and are not swung again."""
    path = tmp_path / "played.mid"
    times = (0, 151, 240, 397)  # ticks of 480: swung and pushed by hand
    notes, now = [], 0
    for number, tick in enumerate(times):
        notes.append(mido.Message("note_on", channel=9, note=42, velocity=40 + 20 * number, time=tick - now))
        now = tick
    path.write_bytes(_midi(*notes, ticks=480))
    found = midi.read(path.read_bytes())
    assert [hit.beat * 480 for hit in found.hits] == pytest.approx(times)
    assert [round(hit.velocity * 127) for hit in found.hits] == [40, 60, 80, 100]
    again = tmp_path / "again.mid"
    again.write_bytes(midi.write(found, tempo_bpm=92.0, meter=(4, 4), swing=0.66))
    assert [hit.beat * 480 for hit in midi.read(again.read_bytes()).hits] == pytest.approx(times)


def test_midi_written_is_read_back_the_same(tmp_path: Path) -> None:
    told = tab("kick |X-----x-x-------|", "snare |----X--o----X---|")
    path = tmp_path / "out.mid"
    path.write_bytes(midi.write(told, tempo_bpm=92.0, meter=(4, 4)))
    back = midi.read(path.read_bytes())
    assert [(h.role, h.beat) for h in back.hits] == [(h.role, h.beat) for h in told.hits]
    assert [h.velocity for h in back.hits] == pytest.approx([h.velocity for h in told.hits], abs=0.01)
    assert back.length_beats == told.length_beats
