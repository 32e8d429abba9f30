"""Gains: the one place where they are solved, for a part alone in the music and for parts that play together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from dossier.arrange.pattern import HIT
from dossier.decide import balance
from dossier.measure import in_beat, loudness
from dossier.model.findings import Gains, SectionGain
from dossier.model.measures import FRAME_S, Indices
from dossier.model.parts import DrumPart, Groove, PlacedCandidate, Played
from dossier.model.situation import Conditions, Situation

LONGEST_BLOCK_BARS = 4
LONGEST_BLOCK_S = 8.0


def blocks(here: Situation, groove: Groove, most: int) -> Indices:
    """About `most` frames in blocks as long as the pattern, spread over the beat; all of a short one."""
    pattern_s = groove.pattern.length_beats * 60.0 / here.grid.tempo_bpm
    return in_beat.spread_frames(here.grid.frames, most, block=round(min(LONGEST_BLOCK_S, pattern_s) / FRAME_S))


def alone(here: Situation, part: DrumPart, plays: Played) -> Gains:
    """The gain at which one part stands as usual, nothing but the music beside it."""
    return _solved(here, [(part, plays)], "alone")[0]


def together(here: Situation, items: Sequence[PlacedCandidate]) -> tuple[Gains, ...]:
    """The gains at which parts that play together stand as usual, and with one another as loud as asked."""
    return _solved(here, [(item.part, item.plays) for item in items], "together")


def base_gains(
    playing: Sequence[tuple[DrumPart, Played]], conditions: Conditions, music_lufs: float
) -> list[float]:
    """The gains of parts that play together, beside the music as its stems are; 0 dB for a part too soft to measure."""
    heard = [(part, plays) for part, plays in playing if plays.integrated_lufs is not None]
    solved = iter(balance.solve(
        [_to_level(conditions, part, plays) for part, plays in heard], music_lufs=music_lufs, usual=conditions.usual,
        intent=conditions.intent, loudness_of=loudness.integrated_from_blocks,
    ))  # fmt: skip
    return [next(solved) if plays.integrated_lufs is not None else 0.0 for _, plays in playing]


def _solved(here: Situation, playing: Sequence[tuple[DrumPart, Played]], state: str) -> tuple[Gains, ...]:
    usual, music_lufs = here.conditions.usual, here.music.integrated_lufs
    gains = base_gains(playing, here.conditions, music_lufs)
    in_sections = [_in_sections(here, part, plays, gain) for (part, plays), gain in zip(playing, gains, strict=True)]
    highest = [gain.gain_db for sections in in_sections for gain in sections]
    music_db = balance.music_gain([*gains, *highest], here.policy)
    found = []
    for (part, plays), gain, sections in zip(playing, gains, in_sections, strict=True):
        low, high = balance.range_of(part.role, usual)
        found.append(Gains(
            db=gain, state=state, music_db=music_db,
            level_lu=None if plays.integrated_lufs is None else plays.integrated_lufs + gain - music_lufs,
            range_db=(balance.on_fader(gain + music_db + low), balance.on_fader(gain + music_db + high)),
            sections=tuple(replace(one, gain_db=balance.on_fader(one.gain_db + music_db)) for one in sections),
        ))  # fmt: skip
    return tuple(found)


def _to_level(conditions: Conditions, part: DrumPart, plays: Played) -> balance.PartToLevel:
    assert plays.integrated_lufs is not None
    hit = plays.integrated_lufs if plays.hit_lufs is None else plays.hit_lufs
    return balance.PartToLevel(
        role=part.role, intent=conditions.intent_of(part.role), integrated_lufs=plays.integrated_lufs,
        blocks=plays.blocks, hit_level_db=hit - plays.integrated_lufs, written_db=_written_db(conditions, part),
    )  # fmt: skip


def _written_db(conditions: Conditions, part: DrumPart) -> float:
    """How much louder than usual the pattern writes the part's loudest hit."""
    if part.voice is None or part.role is None or part.assumed_voice or not part.voice.velocities:
        return 0.0
    loudest = 20.0 * float(np.log10(max(part.voice.gains)))
    if part.voice.velocities == "written":
        return loudest - 40.0 * float(np.log10(HIT))
    return loudest - conditions.usual.roles[part.role].velocity_db


def _in_sections(here: Situation, part: DrumPart, plays: Played, gain_db: float) -> list[SectionGain]:
    """Gains in the sections that have an intent of their own, where the part plays and the gain is another."""
    drums = here.conditions.usual.all_drums_lu
    found = []
    for section in here.sections:
        by_db = drums[section.intent] - drums[here.conditions.intent_of(part.role)] + section.music_lu
        begin, end = (here.grid.first_downbeat_s + bar * here.grid.bar_s
                      for bar in (section.first_bar, section.first_bar + section.bars))  # fmt: skip
        there = plays.blocks[round(begin / loudness.BLOCK_S) : round(end / loudness.BLOCK_S)]
        if abs(by_db) >= here.policy["section_least_db"] and there.any():
            gain = balance.on_fader(gain_db + by_db)
            found.append(SectionGain(section.name, section.intent, section.first_bar + 1, section.bars, gain))
    return found


def moves_of(here: Situation, gains: Gains) -> tuple[tuple[float, float], ...]:
    """Corners (s, dB) of a part's gain over time, on top of its base gain: a section's is reached within a beat.

    The beat before a section leads into it, and its own last beat out of it.
    """
    grid = here.grid
    beat_s = grid.bar_s / grid.meter[0]
    by_bar = np.zeros(grid.bars + 1)
    for one in gains.sections:
        by_bar[one.first_bar - 1 : one.first_bar - 1 + one.bars] = one.gain_db - gains.to_set_db
    corners = []
    for bar in np.flatnonzero(np.diff(by_bar[: grid.bars])) + 1:
        at = grid.first_downbeat_s + float(bar) * grid.bar_s
        corners += [(at - beat_s, float(by_bar[bar - 1])), (at, float(by_bar[bar]))]
    if not corners and by_bar[: grid.bars].any():
        corners = [(0.0, float(by_bar[0]))]
    return tuple(corners)
