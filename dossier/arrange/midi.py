"""Standard MIDI Files: percussion in, hits out, and the way back.

Conventions
    The General MIDI Level 1 percussion key map (key numbers 35-81, channel 10); positions in quarter notes.
    Velocity 1-127 in the file is 0-1 in a hit.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from math import ceil

from dossier.arrange.pattern import PatternError, check_density, in_order, swung
from dossier.model.beat import Pattern, PatternHit
from dossier.model.vocabulary import Role

# General MIDI Level 1 percussion key map; 82 (shaker) is General MIDI Level 2.
GENERAL_MIDI: dict[int, Role] = {
    35: "kick", 36: "kick", 37: "rim", 38: "snare", 39: "clap", 40: "snare",
    41: "tom", 43: "tom", 45: "tom", 47: "tom", 48: "tom", 50: "tom",
    42: "closed-hat", 44: "closed-hat", 46: "open-hat",
    49: "crash", 52: "crash", 55: "crash", 57: "crash", 51: "ride", 53: "ride", 59: "ride",
    54: "percussion", 56: "percussion", 58: "percussion", 69: "shaker", 70: "shaker", 82: "shaker",
    **dict.fromkeys([*range(60, 69), *range(71, 82)], "percussion"),
}  # fmt: skip
MIDI_NOTE: dict[Role, int] = {
    "kick": 36, "snare": 38, "clap": 39, "rim": 37, "closed-hat": 42, "open-hat": 46, "ride": 51, "crash": 49,
    "tom": 45, "shaker": 70, "percussion": 63,
}  # fmt: skip
PERCUSSION_CHANNEL = 9  # channel 10 as musicians count
TICKS_PER_BEAT = 480
OFF_THE_STEPS = 0.1  # of a step, mean: loosely played hits are still drawn on it; chance would make it 0.25


class NoDrumsError(PatternError):
    """A readable MIDI file that holds no percussion."""


def read(content: bytes, *, source: str = "groove.mid", meter: tuple[int, int] = (4, 4)) -> Pattern:
    """Read the percussion of a Standard MIDI File; `source` is the name that the pattern is shown under.

    Positions are kept in quarter notes, so tempo changes in the file do not matter; velocities and swing are kept as
    played.  The pattern is as long as the whole bars (of the file's first time signature, else of `meter`) that hold
    its notes, or as its track says, if that ends on a later bar line: a last bar of rest is part of a groove.
    `PatternError` for another kind of file or SMPTE time, `NoDrumsError` without percussion on channel 10.
    """
    import mido

    try:
        file = mido.MidiFile(file=io.BytesIO(content))
    except Exception as error:  # mido raises many kinds for damaged files
        why = str(error) or type(error).__name__
        raise PatternError([(1, 1, f"is not a readable Standard MIDI File ({why})")]) from None
    if file.ticks_per_beat <= 0 or file.ticks_per_beat >= 0x8000:
        raise PatternError([(1, 1, "counts time in SMPTE frames, not in quarter notes; export it with musical time")])
    signature: tuple[int, int] | None = None
    hits: list[PatternHit] = []
    others, end = 0, 0.0
    for track in file.tracks:
        ticks, before = 0, len(hits)
        for message in track:
            ticks += message.time
            if message.type == "time_signature":
                if message.numerator < 1:
                    why = "has a time signature of no beats; export it again with the song's meter"
                    raise PatternError([(1, 1, why)])
                signature = signature or (message.numerator, message.denominator)
            if message.type != "note_on" or message.velocity == 0:
                continue
            role = GENERAL_MIDI.get(message.note) if message.channel == PERCUSSION_CHANNEL else None
            if role is None:
                others += 1
            else:
                hits.append(PatternHit(role=role, beat=ticks / file.ticks_per_beat, velocity=message.velocity / 127.0))
        if len(hits) > before:
            end = max(end, ticks / file.ticks_per_beat)
    if not hits:
        why = f"holds no General MIDI percussion on channel 10 ({others} other notes found)"
        raise NoDrumsError([(1, 1, why)])
    meter = signature or meter
    bar_beats = 4.0 * meter[0] / meter[1]
    check_density(len(hits), (hit.beat for hit in hits), bar_beats=bar_beats)
    last = max(hit.beat for hit in hits)
    bars = max(1, ceil((last + 1e-6) / bar_beats))
    if abs(end / bar_beats - round(end / bar_beats)) < 1e-3:
        bars = max(bars, round(end / bar_beats))
    return Pattern(
        hits=in_order(hits), length_beats=bars * bar_beats, source=source, swing_applies=False,
        steps_per_beat=_drawn_in(hits, meter[1]),
    )  # fmt: skip


def _drawn_in(hits: Sequence[PatternHit], unit: int) -> int:
    """Steps a beat of the meter in which played hits are best drawn: the fewest that nearly hold them all apart."""
    for quarter in (4, 6, 8, 12, 24):
        steps, rest = divmod(4 * quarter, unit)
        off = [abs(hit.beat * quarter - round(hit.beat * quarter)) for hit in hits]
        cells = {(hit.role, round(hit.beat * quarter)) for hit in hits}
        near = sum(off) / len(off) < OFF_THE_STEPS and max(off) < 0.25 - 1e-9
        if not rest and steps and near and len(cells) == len(hits):
            return steps
    return max(1, 4 * 24 // unit)


def write(
    pattern: Pattern, *, tempo_bpm: float, meter: tuple[int, int], swing: float = 0.5, swing_pair: float = 0.5
) -> bytes:
    """The pattern as a Standard MIDI File (format 0), swing written into the notes."""
    played = [
        (swung(hit.beat, swing, pair=swing_pair) if pattern.swing_applies else hit.beat, MIDI_NOTE[hit.role],
         hit.velocity) for hit in pattern.hits
    ]  # fmt: skip
    return write_notes(played, length_beats=pattern.length_beats, tempo_bpm=tempo_bpm, meter=meter)


def write_notes(
    notes: Iterable[tuple[float, int, float]], *, length_beats: float, tempo_bpm: float, meter: tuple[int, int]
) -> bytes:
    """Percussion notes (quarter note, key number, velocity 0-1) as a Standard MIDI File, each a 32nd long."""
    import mido

    events: list[tuple[int, int, int, int]] = []  # tick, order, note, velocity
    for beat, note, strength in notes:
        tick, velocity = round(beat * TICKS_PER_BEAT), max(1, round(strength * 127))
        events += [(tick, 1, note, velocity), (tick + TICKS_PER_BEAT // 8, 0, note, 0)]
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tempo_bpm), time=0))
    track.append(mido.MetaMessage("time_signature", numerator=meter[0], denominator=meter[1], time=0))
    now = 0
    for tick, order, note, velocity in sorted(events):
        kind = "note_on" if order else "note_off"
        track.append(mido.Message(kind, channel=PERCUSSION_CHANNEL, note=note, velocity=velocity, time=tick - now))
        now = tick
    end = round(length_beats * TICKS_PER_BEAT)
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_BEAT)
    file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()
