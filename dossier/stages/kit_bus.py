"""Kit bus: the kit as a whole, as one loop-like sound that a treatment can be searched for.

All members are summed at their gains over one cycle of the pattern, as it sounds in the middle of the beat (tails of
the cycle before it are in it); repeated through the beat, it is measured like a loop.  The sum is turned to a true peak
that a file can hold, and its gain brings it back to where the members' gains put it.  Its plan is an alternative to
treating the members one by one, so it starts from the members as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

import numpy as np

from dossier.arrange.parts import add_part
from dossier.decide import fit
from dossier.measure import true_peak
from dossier.memo import Memo
from dossier.model.beat import DrumFile
from dossier.model.findings import Approach, Gains
from dossier.model.measures import Array, Clip, FileMeasures, Grid, Samples
from dossier.model.parts import Drum, DrumPart, Groove, PlacedCandidate, Played, Ranking
from dossier.model.situation import Situation
from dossier.stages.candidates import as_it_plays, measure_file, part_powers
from dossier.stages.gains import LONGEST_BLOCK_BARS
from dossier.treat.samples import SILENCE

NAME = "kit"  # what a plan calls it in place of a file


def is_wanted(ranking: Ranking, approach: Approach, policy: Mapping[str, float]) -> bool:
    """Whether a plan for the kit as a whole says anything: one-shots are, or may be, what is used."""
    kit = ranking.kit is not None and len(ranking.kit_parts) >= policy["kit_fewest_members"]
    return kit and approach.kind in ("one-shots", "either")


def kit_as_one(here: Situation, groove: Groove, ranking: Ranking, memo: Memo) -> PlacedCandidate | None:
    """The kit as one placed candidate; None where it never plays."""
    rate, grid = here.music.rate_hz, here.grid
    start, length = cycle_of(grid, groove)
    sound: Samples = np.zeros((round(length * rate), 2))
    for item in ranking.kit_parts:
        add_part(sound, item.part, start_s=start, gain_db=item.gains.db, rest=len(item.part.samples))
    peak = true_peak.true_peak(sound)
    if ranking.kit is None or peak < SILENCE:
        return None
    gain_db = 20.0 * float(np.log10(peak)) - here.policy["kit_file_dbtp"]
    sound = sound * 10.0 ** (-gain_db / 20.0)
    clip = Clip(sound, rate)
    file = DrumFile(file=NAME, path=Path(NAME), kind="loop", tempo_bpm=grid.tempo_bpm)
    measure = partial(measure_file, clip, drum=file, channels=2, bit_depth="64-bit float")
    measures = memo("measured", FileMeasures, measure, sound)
    drum = Drum(file=file, clip=clip, outline=np.zeros((0, 0)), sha256="", problems=(), measures=measures)
    part = DrumPart(name=NAME, kind="loop", role=None, samples=sound, rate_hz=rate, grid=grid, voice=None, loop=None)
    powers, plays = memo("level", tuple[Array, Played],
                         lambda: (part_powers(part), as_it_plays(part, here.duration_s)), NAME, sound)  # fmt: skip
    return PlacedCandidate(
        drum=drum, part=part, read_powers=lambda: powers, plays=plays,
        gains=Gains(db=gain_db, state="together", music_db=ranking.kit_parts[0].gains.music_db),
        fit=ranking.kit.fit, score=ranking.kit.score, terms=ranking.kit.terms, reason=ranking.kit.reason,
        grade=fit.grade(ranking.kit.score, None), why=ranking.kit.why,
    )  # fmt: skip


def cycle_of(grid: Grid, groove: Groove) -> tuple[float, float]:
    """Start and length in seconds of one cycle of the pattern, whole bars, in the middle of its run."""
    bars = max(1, min(LONGEST_BLOCK_BARS, round(groove.pattern.length_beats / grid.bar_beats), grid.bars))
    cycles = max(1, grid.bars // bars)
    hits = np.zeros(cycles)
    for voice in groove.voices.values():
        places = (np.array(voice.starts_s) - grid.first_downbeat_s) / (bars * grid.bar_s)
        inside = np.floor(places + 1e-6).astype(int)
        np.add.at(hits, inside[(inside >= 0) & (inside < cycles)], 1.0)
    # The fullest cycle; of those that are as full the one nearest to the middle.
    chosen = max(range(cycles), key=lambda cycle: (hits[cycle], -abs(cycle - (cycles - 1) / 2.0), -cycle))
    return grid.first_downbeat_s + chosen * bars * grid.bar_s, bars * grid.bar_s
