"""Slice files: the slices of a loop as an instrument, and the MIDI file that plays them as the loop is laid.

The slices are those of the loop as it is, before treatments, each whole: so they can be played at any tempo.
"""

from __future__ import annotations

from functools import partial
from math import sqrt

from dossier import audio
from dossier.arrange import midi, sfz, slices
from dossier.memo import Memo
from dossier.model.parts import Drum, DrumPart, Groove
from dossier.model.situation import Situation
from dossier.model.vocabulary import ROLES
from dossier.stages import loop_laying
from dossier.stages.library import sound_of
from dossier.stages.render_reuse import Renders, in_range


def slice_files(
    slug: str, drum: Drum, part: DrumPart, here: Situation, groove: Groove, memo: Memo
) -> tuple[Renders, dict[str, float]]:
    """Files by name, and those that are lowered by how many dB; none of a loop that cannot be sliced."""
    fit, loop, rate, grid = part.loop, drum.measures.loop, here.music.rate_hz, here.grid
    if fit is None or loop is None or not loop.hits:
        return {}, {}
    sound = audio.resample(sound_of(drum), rate).samples
    cut, laid = loop_laying.cut_pass(drum, fit, sound, here, groove)
    keys = slices.keys_of(cut, rate)
    files: Renders = {}
    lowered: dict[str, float] = {}
    regions = []
    for index, key in sorted(keys.items()):
        role = cut[index].role
        name = f"{slug}-slice-{index + 1:02d}-{role}.wav"
        files[name], lower_db = in_range(slices.on_its_own(sound, rate, cut[index]), rate)
        if lower_db:
            lowered[name] = lower_db
        # Sliced, one plays after another; by a pattern each role is a voice of its own.
        voice = 1 + ROLES.index(role) if fit.method == "re-laid" else 1
        regions.append(sfz.Region(name, key, volume_db=lower_db, group=voice, off_by=voice))
    left_out = f"; {len(cut) - len(keys)} more have no key" if len(keys) < len(cut) else ""
    remarks = [f"{drum.name}, cut at its hits{left_out}", f"{slug}-slices.mid plays it at {grid.tempo_bpm:g} BPM"]
    files[f"{slug}-slices.sfz"] = sfz.write(regions, remarks=remarks)
    key_at = {cut[index].hit: key for index, key in keys.items()}
    beat_frames, length = 60.0 / grid.tempo_bpm * rate, fit.beats
    notes = [
        (max(0.0, one.hit / beat_frames) % length, key_at[one.slice.hit], sqrt(one.gain))
        for one in laid.placed if one.slice.hit in key_at
    ]  # fmt: skip
    made = partial(midi.write_notes, notes, length_beats=length, tempo_bpm=grid.tempo_bpm, meter=grid.meter)
    files[f"{slug}-slices.mid"] = memo("file", bytes, made, notes, made.keywords)
    return files, lowered
