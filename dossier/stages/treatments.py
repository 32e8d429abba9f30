"""Treatments: for the drums of each approach the plan that leads in the direction, searched in this beat.

Every trial is rendered, laid on the grid and measured against the instrumental on the ranking's slots, at the drum's
own gain; the before and after that are shown are measured on the whole beat.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from dossier.decide import plan as decide_plan
from dossier.decide.plan_goals import Goals
from dossier.measure import hearing, hits, inbeat, loudness
from dossier.model.findings import Approach, DrumFigures
from dossier.model.measures import Array, Indices, Samples
from dossier.stages.analyse import Analysis
from dossier.stages.placing import Playable
from dossier.stages.produce import Treated
from dossier.stages.rank import Placed, Ranking, ranking_slots, rescored, target_of, with_members
from dossier.stages.settle import Part, as_it_plays, part_of
from dossier.treat import FAMILIES, peaks

ENVELOPE_POINTS = 120
ENVELOPE_FLOOR_DB = -60.0
LAYERS = 3  # second files that layering may try
Measure = Callable[[Samples], DrumFigures]


def search_plans(analysis: Analysis, ranking: Ranking, approach: Approach) -> tuple[Treated, ...]:
    """A plan for each member of the kit and for the best loops, in the approach's direction."""
    most = int(analysis.policy["plans_loops"])
    loops = [item for item in ranking.loops if item.closely][:most]
    slots = ranking_slots(analysis)
    return tuple(
        _search(analysis, ranking, approach, placed, number, slots)
        for number, placed in enumerate((*ranking.kit_parts, *loops), 1)
    )


def treated_part(placed: Placed, treated: Sequence[Treated]) -> Part:
    """The part of the balance: with its plan where that helped."""
    part = part_of(placed)
    for item in treated:
        if item.placed.drum is placed.drum and item.plan.helped and item.plan.steps:
            play = placed.play.with_samples(item.samples)
            return replace(part, play=play, powers=play.powers(), treated=True)
    return part


def treated_ranking(analysis: Analysis, ranking: Ranking, treated: Sequence[Treated]) -> Ranking:
    """The ranking as it comes out with the plans that helped: what the approach is decided on."""
    slots = ranking_slots(analysis)
    by_name = {item.placed.drum.name: item for item in treated if item.plan.helped and item.plan.steps}

    def after(placed: Placed) -> Placed:
        item = by_name.get(placed.drum.name)
        if item is None:
            return placed
        return rescored(placed, analysis, placed.play.with_samples(item.samples), slots)

    loops = sorted((after(item) for item in ranking.loops), key=lambda item: (not item.closely, -item.score))
    return with_members(
        replace(ranking, loops=tuple(loops)), [after(item) for item in ranking.kit_parts], analysis, slots
    )


def _search(
    analysis: Analysis, ranking: Ranking, approach: Approach, placed: Placed, number: int, slots: Indices
) -> Treated:
    play, policy = placed.play, analysis.policy
    on = analysis.scene.subset(slots)

    def quick(samples: Samples) -> DrumFigures:
        powers = play.powers(samples)
        found = inbeat.measure(on, inbeat.place(on, powers[slots], gain_db=placed.gain_db))
        level = inbeat.gated_lufs(powers, analysis.scene.k_weights)
        return replace(_figures(found, samples, play.rate_hz), integrated_lufs=level)

    goals = Goals(
        gain=policy["plan_gain_goal"], share_loss=policy["plan_share_loss"],
        share_enough=target_of(analysis, play.role),
    )  # fmt: skip
    most = policy["plan_evaluations"] if play.kind == "one-shot" else policy["plan_loop_evaluations"]
    result = decide_plan.search(
        play.samples, play.rate_hz, candidate=placed.drum.name, role=play.role, direction=approach.direction,
        families=FAMILIES, measure=quick, true_peak=peaks.true_peak, layers=_layers(ranking, placed),
        goals=goals, most_evaluations=int(most), plan_id=f"plan-{number:02d}",
    )  # fmt: skip
    before = full_figures(analysis, play, play.samples, placed.gain_db)
    after = full_figures(analysis, play, result.samples, placed.gain_db)
    stem = placed.drum.name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    name = f"{analysis.beat.slug}-{play.role or 'loop'}-{stem}-treated.wav"
    plan = replace(
        decide_plan.told_again(result.plan, before=before, after=after, goals=goals),
        render=name if result.plan.helped and result.plan.steps else None,
        occupancy_change=_occupancy_change(analysis, play, result.samples, placed.gain_db),
    )  # fmt: skip
    return Treated(plan=plan, placed=placed, samples=result.samples)


def full_figures(analysis: Analysis, play: Playable, samples: Samples, gain_db: float) -> DrumFigures:
    """One side of a before-and-after, on the whole beat, with envelope and spectrum."""
    changed = play.with_samples(samples)
    powers = changed.powers()
    found = inbeat.measure(analysis.scene, inbeat.place(analysis.scene, powers, gain_db=gain_db))
    plays = as_it_plays(analysis, changed)
    envelope, step = envelope_db(samples, play.rate_hz)
    return replace(
        _figures(found, samples, play.rate_hz),
        integrated_lufs=plays.integrated_lufs,
        effective_length_s=hits.measure(samples, play.rate_hz, kind=play.kind, role=play.role).effective_length_s,
        envelope_db=envelope, envelope_step_s=step,
        spectrum_db=_spectrum(analysis, powers),
    )  # fmt: skip


def envelope_db(samples: Samples, rate_hz: int) -> tuple[tuple[float, ...], float]:
    """Peak envelope in dBFS over at most `ENVELOPE_POINTS` steps, and the step in seconds."""
    step = max(1, -(-len(samples) // ENVELOPE_POINTS))
    peaks = np.abs(samples).max(axis=1)
    padded = np.pad(peaks, (0, -len(peaks) % step)).reshape(-1, step).max(axis=1)
    levels = 20.0 * np.log10(np.maximum(padded, 10.0 ** (ENVELOPE_FLOOR_DB / 20.0)))
    return tuple(round(float(level), 2) for level in levels), step / rate_hz


def _figures(found: inbeat.InBeat, samples: Samples, rate_hz: int) -> DrumFigures:
    peak = loudness.measure(samples, rate_hz)
    return DrumFigures(
        sample_peak_dbfs=peak.sample_peak_dbfs, true_peak_dbtp=peak.true_peak_dbtp, integrated_lufs=None,
        crest_factor_db=peak.crest_factor_db, effective_length_s=None,
        fill=found.fill, room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share,
    )  # fmt: skip


def _layers(ranking: Ranking, placed: Placed) -> Mapping[str, Samples]:
    """Second files that may be layered under a one-shot: the best others of its role and of the roles beside it."""
    if placed.play.kind == "loop":
        return {}
    beside = {"snare": ("clap", "rim"), "clap": ("snare",), "rim": ("snare", "clap"), "kick": ("tom",)}
    roles = (placed.play.role, *beside.get(placed.play.role or "", ()))
    found = [
        item for item in ranking.one_shots
        if item.closely and item.play.role in roles and item.drum.name != placed.drum.name
    ]  # fmt: skip
    return {item.drum.name: item.play.samples for item in found[:LAYERS]}


def _spectrum(analysis: Analysis, powers: Array) -> tuple[float, ...]:
    """K-unweighted mean power a band over the slots in which the part sounds, dB."""
    level = powers.sum(axis=1)
    rows = level > 0.01 * level.max(initial=0.0)
    mean = powers[rows].mean(axis=0) if rows.any() else powers.mean(axis=0)
    bands = len(analysis.scene.reference)
    inside = np.clip(np.digitize(hearing.FINE_CAM, hearing.BAND_EDGES_CAM) - 1, -1, bands)
    summed = np.array([mean[inside == band].sum() for band in range(bands)])
    return tuple(round(float(value), 1) for value in 10.0 * np.log10(np.maximum(summed, 1e-12)))


def _occupancy_change(
    analysis: Analysis, play: Playable, samples: Samples, gain_db: float
) -> tuple[tuple[float, ...], ...]:
    """Occupancy with the treated drum less with the untreated one, `(band, slot)`, over the first bar it plays in."""
    per_bar = analysis.grid.slots_per_bar
    first = play.voice.starts_s[0] if play.voice is not None and play.voice.starts_s else analysis.grid.first_downbeat_s
    bar = max(0, int((first - analysis.grid.first_downbeat_s) / analysis.grid.bar_s + 1e-6))
    rows = np.arange(bar * per_bar, min((bar + 1) * per_bar, analysis.grid.slots), dtype=np.intp)
    on = analysis.scene.subset(rows)
    change = inbeat.occupancy_with(on, [inbeat.place(on, play.powers(samples)[rows], gain_db=gain_db)])
    change = change - inbeat.occupancy_with(on, [inbeat.place(on, play.powers()[rows], gain_db=gain_db)])
    return tuple(tuple(round(float(value), 3) for value in row) for row in change.T)
