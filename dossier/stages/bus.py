"""Bus: the kit as a whole, as one loop-like sound that a treatment can be searched for.

All members are summed at their gains over one cycle of the pattern, as it sounds in the middle of the beat (tails of
the cycle before it are in it); repeated through the beat, it is measured like a loop.  The sum is turned to a true peak
that a file can hold, and its gain brings it back to where the members' gains put it.  Its plan is an alternative to
treating the members one by one, so it starts from the members as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from dossier import workers
from dossier.measure import true_peak
from dossier.model.beat import DrumFile
from dossier.model.findings import Approach, Fit, Plan, Step
from dossier.model.measures import Clip, FileMeasures, Samples
from dossier.stages.again import Again, keyed
from dossier.stages.analyse import Analysis, Drum, measure_file
from dossier.stages.levels import LONGEST_BLOCK_BARS
from dossier.stages.placing import Groove, Playable
from dossier.stages.rank import Placed, Ranking
from dossier.treat import FAMILIES
from dossier.treat.families import CYCLE_AFTER_S, CYCLE_BEFORE_S
from dossier.treat.samples import SILENCE

NAME = "kit"  # what a plan calls it in place of a file
FEWEST = 2  # members: one drum is no kit
PEAK_DBTP = -3.0  # of the file: room for what a treatment in the beat's length may find beyond one cycle
BLOCK_S = 15.0


def wanted(ranking: Ranking, approach: Approach) -> bool:
    """Whether a plan for the kit as a whole says anything: one-shots are, or may be, what is used."""
    return approach.kind in ("one-shots", "either") and ranking.kit is not None and len(ranking.kit_parts) >= FEWEST


def kit_as_one(analysis: Analysis, groove: Groove, ranking: Ranking) -> Placed | None:
    """The kit as one placed candidate; None where it never plays."""
    start, length = _cycle(analysis, groove)
    sound: Samples = np.zeros((round(length * analysis.rate_hz), 2))
    _add(ranking.kit_parts, sound, start_s=start)
    peak = true_peak.true_peak(sound)
    if ranking.kit is None or peak < SILENCE:
        return None
    gain_db = 20.0 * float(np.log10(peak)) - PEAK_DBTP
    sound = sound * 10.0 ** (-gain_db / 20.0)
    clip = Clip(sound, analysis.rate_hz)
    file = DrumFile(file=NAME, path=Path(NAME), kind="loop", tempo_bpm=analysis.grid.tempo_bpm)
    measures = analysis.keep(
        "kit", FileMeasures, lambda: measure_file(clip, drum=file, channels=2, bit_depth="64-bit float"), sound
    )
    drum = Drum(file=file, clip=clip, sha256="", problems=(), measures=measures)
    play = Playable(name=NAME, kind="loop", role=None, samples=sound, rate_hz=analysis.rate_hz, grid=analysis.grid,
                    voice=None, loop=None)  # fmt: skip
    fit: Fit = ranking.kit.fit
    return Placed(
        drum=drum, play=play, powers=play.powers(), plays=None, gain_db=gain_db, fit=fit, score=ranking.kit.score,
        terms=ranking.kit.terms, reason=ranking.kit.reason, closely=True,
    )  # fmt: skip


def whole_kit(
    kit: Placed, parts: Sequence[Placed], steps: Sequence[Step], *, length_s: float
) -> Samples:
    """The kit through its bus treatment in the beat's length, `(frames, 2)`, to be played at `kit.gain_db`.

    Worked on block by block, so that memory grows with the result only.  The cycle that the plan was searched on goes
    before each block, so that amounts that count from the peak count from the same one everywhere.
    """
    rate, cycle = kit.play.rate_hz, kit.play.samples
    frames, before, after = round(length_s * rate), round(CYCLE_BEFORE_S * rate), round(CYCLE_AFTER_S * rate)
    ahead, block = len(cycle) + before, round(BLOCK_S * rate)
    out = np.zeros((frames, cycle.shape[1]), dtype=np.float32)

    def work(first: int) -> None:
        last, context = min(frames, first + block), min(first, before)
        sound: Samples = np.zeros((ahead + min(frames, last + after) - first + context, cycle.shape[1]))
        sound[: len(cycle)] = cycle
        _add(parts, sound[ahead:], start_s=(first - context) / rate, turn_db=-kit.gain_db)
        for step in steps:
            sound = FAMILIES[step.treatment].apply(sound, rate, **step.amounts)
        out[first:last] = sound[ahead + context :][: last - first]

    for _ in workers.side_by_side(work, range(0, frames, block)):
        pass
    return out


def render(analysis: Analysis, ranking: Ranking, kit: Placed, plan: Plan) -> Again:
    """`whole_kit` in the beat's length, made when it is asked for, so that no long sound waits in memory."""
    parts = ranking.kit_parts
    make = partial(whole_kit, kit, parts, plan.steps, length_s=len(analysis.instrumental) / analysis.rate_hz)
    sounds = [(part.play.role, part.play.samples, part.gain_db) for part in parts]
    return keyed(
        analysis.keep, make, analysis.rate_hz, len(analysis.instrumental), "kit", kit.play.samples, kit.gain_db, sounds,
        plan.steps,
    )  # fmt: skip


def _add(parts: Sequence[Placed], out: Samples, *, start_s: float, turn_db: float = 0.0) -> None:
    """Add the parts, each at its gain and all turned, to a sound whose first sample is at `start_s`."""
    for part in parts:
        part.play.add_to(out, start_s=start_s, gain_db=part.gain_db + turn_db)


def _cycle(analysis: Analysis, groove: Groove) -> tuple[float, float]:
    """Start and length in seconds of one cycle of the pattern, whole bars, in the middle of its run."""
    grid = analysis.grid
    bar_beats = grid.meter[0] * 4.0 / grid.meter[1]
    bars = max(1, min(LONGEST_BLOCK_BARS, round(groove.pattern.length_beats / bar_beats), grid.bars))
    cycles = max(1, grid.bars // bars)
    hits = np.zeros(cycles)
    for voice in groove.voices.values():
        places = (np.array(voice.starts_s) - grid.first_downbeat_s) / (bars * grid.bar_s)
        inside = np.floor(places + 1e-6).astype(int)
        np.add.at(hits, inside[(inside >= 0) & (inside < cycles)], 1.0)
    # The fullest cycle; of those that are as full the one nearest to the middle.
    chosen = max(range(cycles), key=lambda cycle: (hits[cycle], -abs(cycle - (cycles - 1) / 2.0), -cycle))
    return grid.first_downbeat_s + chosen * bars * grid.bar_s, bars * grid.bar_s
