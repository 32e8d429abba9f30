"""Patterns: tablature and MIDI in, hits out."""

from __future__ import annotations

import io
from pathlib import Path

import mido
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
    found = p.read_midi(path)
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
    hits = p.read_midi(path).hits
    assert [hit.beat for hit in hits] == pytest.approx([0.0, 64 / 96])
    assert hits[0].velocity == pytest.approx(64 / 127)


@pytest.mark.parametrize("content", [b"", b"not midi at all", b"MThd\x00\x00\x00\x06\x00\x01"])
def test_a_damaged_midi_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.mid"
    path.write_bytes(content)
    with pytest.raises(p.PatternError):
        p.read_midi(path)


def test_midi_without_drums_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "piano.mid"
    path.write_bytes(_midi(mido.Message("note_on", channel=0, note=60, velocity=90, time=0)))
    with pytest.raises(p.NoDrumsError, match="no General MIDI percussion"):
        p.read_midi(path)


def test_a_last_bar_of_rest_is_part_of_the_groove(tmp_path: Path) -> None:
    """analytic: a track that ends on a bar line says how long it is; one that ends with its last note does not."""
    path = tmp_path / "rest.mid"
    told = parse("kick |X---------------|----------------|")
    path.write_bytes(p.write_midi(told, tempo_bpm=92.0, meter=(4, 4)))
    assert p.read_midi(path).length_beats == 8.0
    path.write_bytes(
        _midi(
            mido.Message("note_on", channel=9, note=36, velocity=100, time=0),
            mido.Message("note_off", channel=9, note=36, velocity=0, time=96 * 5),  # rings past the bar line
        )
    )
    assert p.read_midi(path).length_beats == 4.0


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
    assert p.read_midi(path).steps_per_beat == steps


@pytest.mark.parametrize(("numerator", "denominator", "length"), [(3, 4, 3.0), (6, 8, 3.0), (7, 8, 3.5), (5, 4, 5.0)])
def test_the_files_own_meter_makes_the_bar(numerator: int, denominator: int, length: float, tmp_path: Path) -> None:
    path = tmp_path / "meter.mid"
    meta = (mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator),)
    path.write_bytes(_midi(mido.Message("note_on", channel=9, note=36, velocity=90, time=48), meta=meta))
    assert p.read_midi(path, meter=(4, 4)).length_beats == length


def test_swing_and_velocity_of_a_played_file_are_kept(tmp_path: Path) -> None:
    """analytic: hits late by any amount come back where they were played, and are not swung again."""
    path = tmp_path / "played.mid"
    times = (0, 151, 240, 397)  # ticks of 480: swung and pushed by hand
    notes, now = [], 0
    for number, tick in enumerate(times):
        notes.append(mido.Message("note_on", channel=9, note=42, velocity=40 + 20 * number, time=tick - now))
        now = tick
    path.write_bytes(_midi(*notes, ticks=480))
    found = p.read_midi(path)
    assert [hit.beat * 480 for hit in found.hits] == pytest.approx(times)
    assert [round(hit.velocity * 127) for hit in found.hits] == [40, 60, 80, 100]
    again = tmp_path / "again.mid"
    again.write_bytes(p.write_midi(found, tempo_bpm=92.0, meter=(4, 4), swing=0.66))
    assert [hit.beat * 480 for hit in p.read_midi(again).hits] == pytest.approx(times)


def test_midi_written_is_read_back_the_same(tmp_path: Path) -> None:
    told = parse("kick |X-----x-x-------|", "snare |----X--o----X---|")
    path = tmp_path / "out.mid"
    path.write_bytes(p.write_midi(told, tempo_bpm=92.0, meter=(4, 4)))
    back = p.read_midi(path)
    assert [(h.role, h.beat) for h in back.hits] == [(h.role, h.beat) for h in told.hits]
    assert [h.velocity for h in back.hits] == pytest.approx([h.velocity for h in told.hits], abs=0.01)
    assert back.length_beats == told.length_beats


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
