"""Produce: what can be heard and dialled in: renders beside the page, layers in it, arrays for its sliders.

Listening layers share one excerpt of whole bars in the section whose fill is the median of all sections, so that they
can be mixed in sync.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from dossier import audio, names, workers
from dossier.arrange import loops, midi
from dossier.measure import loudness
from dossier.model.findings import Plan
from dossier.model.measures import Array, Samples
from dossier.model.page import Preview, WhatIfArrays, WhatIfPart
from dossier.stages import bus
from dossier.stages.again import Write, keyed
from dossier.stages.analyse import Analysis
from dossier.stages.mix import Mixed
from dossier.stages.placing import Groove, Laid, Playable
from dossier.stages.rank import Placed, Ranking
from dossier.stages.settle import Settled
from dossier.treat import FAMILIES

EXCERPT_BARS = 4
LONGEST_EXCERPT_S = 16.0
DRUMS_PEAK = 10.0 ** (-1.0 / 20.0)  # of the file of all drums together
SHORT_CYCLE_S = 20.0  # a longer one is not worth the memory of its passes
PIECE = 1 << 17  # frames that are looked at together
AUDITIONS = 8  # candidates beside the chosen ones that can be played from the page


@dataclass(frozen=True, slots=True, eq=False)
class Treated:
    """A searched plan and the sound that it made."""

    plan: Plan
    placed: Placed
    samples: Samples


def renders(
    analysis: Analysis, groove: Groove, settled: Settled, mixed: Mixed, treated: Sequence[Treated]
) -> dict[str, bytes | Write]:
    """Files beside the page: treated drums, treated parts in the beat's length, rough mix, pattern, settings sheet."""
    rate, slug = analysis.rate_hz, analysis.beat.slug
    frames = len(analysis.instrumental)
    sounds = [(part.id, row.gain_db, part.play.role, part.play.samples) for part, row in settled.chosen]
    files: dict[str, bytes | Write] = {
        f"{slug}-rough-mix.wav": keyed(analysis.keep, mixed.sound, rate, frames, "mix", sounds)
    }
    for item in treated:
        if item.plan.render and item.plan.candidate != bus.NAME:  # the kit as a whole is rendered in the beat's length
            files[item.plan.render] = partial(_write, samples=item.samples, rate=rate)
    playing: list[tuple[Playable, float]] = []
    for part, row in settled.chosen:
        playing.append((part.play, row.gain_db))
        name = f"{slug}-part-{part.id}{'-treated' if part.treated else ''}.wav"
        laid = partial(Laid.of, [(part.play, 0.0)], frames=frames, rate_hz=rate)
        files[name] = keyed(analysis.keep, laid, rate, 0, "part", part.play.role, part.play.samples)
    if playing:
        together = partial(_together, playing=playing, frames=frames, rate=rate)
        files[f"{slug}-drums.wav"] = keyed(analysis.keep, together, rate, 0, "drums", sounds)
    files[f"{slug}-pattern.mid"] = midi.write(
        groove.pattern, tempo_bpm=analysis.grid.tempo_bpm, meter=analysis.grid.meter, swing=analysis.grid.swing
    )
    for number, (name, pattern) in enumerate(sorted(groove.section_patterns.items()), 1):
        files[f"{slug}-pattern-{number:02d}-{names.slug(name)}.mid"] = midi.write(
            pattern, tempo_bpm=analysis.grid.tempo_bpm, meter=analysis.grid.meter, swing=analysis.grid.swing
        )
    files[f"{slug}-settings.csv"] = settings_sheet(settled, treated)
    return files


def settings_sheet(settled: Settled, treated: Sequence[Treated]) -> bytes:
    """Every amount in trade units, to be dialled in with whatever tools are at hand."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["part", "file", "chosen", "step", "treatment", "setting", "value", "unit"])
    used = {row.file for _, row in settled.chosen}
    for _, row in settled.chosen:
        sheet.writerow([row.part, row.file, "yes", "", "gain", "gain", f"{row.gain_db:.1f}", "dB"])
    for item in treated:
        for number, step in enumerate(item.plan.steps, 1):
            for name, value, unit in FAMILIES[step.treatment].settings(step.amounts):
                shown = f"{value:.4g}" if isinstance(value, float) else value
                part = bus.NAME if item.plan.candidate == bus.NAME else item.plan.role
                state = "alternative" if part == bus.NAME else "yes" if item.plan.candidate in used else "no"
                sheet.writerow([part or "loop", item.plan.candidate, state, number, step.treatment, name, shown, unit])
    return text.getvalue().encode()


def excerpt(analysis: Analysis) -> tuple[float, float]:
    """Start and length in seconds of the listening excerpt."""
    grid = analysis.grid
    sections = sorted(analysis.room.sections, key=lambda section: section.fill)
    bars = max(1, min(EXCERPT_BARS, int(LONGEST_EXCERPT_S / grid.bar_s)))
    first = sections[(len(sections) - 1) // 2].first_bar - 1 if sections else 0
    first = max(0, min(first, grid.bars - bars))
    return grid.first_downbeat_s + first * grid.bar_s, min(bars, grid.bars) * grid.bar_s


@dataclass(frozen=True, slots=True, eq=False)
class _Take:
    """A preview before it is encoded."""

    id: str
    label: str
    sound: Callable[[], Samples]  # the excerpt, made when it is encoded
    group: str
    gain_db: float
    of: str | None = None
    matched_gain_db: float = 0.0


def previews(
    analysis: Analysis, ranking: Ranking, settled: Settled, treated: Sequence[Treated]
) -> tuple[Preview, ...]:
    """Everything that the page plays."""
    rate = analysis.rate_hz
    start, length = excerpt(analysis)

    def mp3(samples: Samples) -> bytes:
        key = analysis.keep.key("mp3", samples, rate)
        return analysis.keep.cache.memo(key, lambda: audio.encode_mp3(samples, rate), bytes, bytes)

    def encoded(take: _Take) -> Preview:
        piece = take.sound()
        # The same on both sides: one channel plays on both and costs half.
        thin = piece[:, :1] if np.array_equal(piece[:, 0], piece[:, 1]) else piece
        return Preview(
            id=take.id, label=take.label, mp3=mp3(thin), group=take.group, of=take.of,
            gain_db=take.gain_db, matched_gain_db=take.matched_gain_db, start_s=start, duration_s=length,
        )  # fmt: skip

    takes = _takes(analysis, ranking, settled, treated, start_s=start, length_s=length)
    return tuple(workers.side_by_side(encoded, takes, ahead=len(takes)))


def _takes(
    analysis: Analysis, ranking: Ranking, settled: Settled, treated: Sequence[Treated], *, start_s: float,
    length_s: float,
) -> list[_Take]:  # fmt: skip
    """All layers of the excerpt."""
    base = analysis.scene_gain_db

    def laid(play: Playable) -> Callable[[], Samples]:
        return partial(play.laid, start_s=start_s, length_s=length_s)

    def instrumental() -> Samples:
        begin = max(0, round(start_s * analysis.rate_hz))
        piece = np.zeros((round(length_s * analysis.rate_hz), 2))
        found = analysis.instrumental[begin : begin + len(piece)]
        piece[: len(found)] = found
        return np.asarray(piece * 10.0 ** (base / 20.0))

    # The instrumental is stored at its playing level, so that no layer needs more than full scale.
    out = [_Take("instrumental", "instrumental", instrumental, "layer", 0.0)]
    heard: set[str] = set()
    for part, row in zip(settled.parts, settled.rows, strict=True):
        heard.add(row.file)
        name, group = (part.id, "layer") if row.chosen else (f"candidate:{row.file}", "candidate")
        out.append(_Take(name, part.label, laid(part.play), group, row.gain_db + base))
        plan = next((item for item in treated if item.placed.drum.name == row.file), None)
        if row.chosen and part.treated and plan is not None:
            before, after = plan.plan.before.integrated_lufs, plan.plan.after.integrated_lufs
            out.append(
                _Take(f"untreated:{part.id}", f"{part.label}, untreated", laid(plan.placed.play),
                      "untreated", row.gain_db + base, of=part.id,
                      matched_gain_db=after - before if before is not None and after is not None else 0.0)
            )  # fmt: skip
    others = [item for item in (*ranking.loops, *ranking.one_shots) if item.drum.name not in heard and item.closely]
    out += [
        _Take(f"candidate:{item.drum.name}", item.drum.name, laid(item.play), "candidate",
              item.gain_db + base)
        for item in sorted(others, key=lambda item: (-item.score, item.drum.name))[:AUDITIONS]
    ]  # fmt: skip
    return out


def part_blocks(analysis: Analysis, settled: Settled) -> list[Array]:
    """K-weighted energy of each chosen part in the beat's length at 0 dB gain, by blocks of 100 ms."""
    return list(workers.side_by_side(partial(_blocks, analysis), (part.play for part, _ in settled.chosen)))


def what_if(
    analysis: Analysis, settled: Settled, blocks: Sequence[Array], *, mix_gain_db: float
) -> WhatIfArrays | None:
    """What the page computes again as its sliders move; None without drums."""
    if not settled.chosen:
        return None
    scene = analysis.scene
    return WhatIfArrays(
        instrumental_excitation=scene.excitation,
        instrumental_block_energy=analysis.blocks,
        reference_sone=scene.reference, active_slots=scene.active.astype(np.float64), zone_weights=scene.zone_weights,
        spl_offset_db=scene.spl_offset_db, mix_gain_db=mix_gain_db,
        parts=tuple(
            WhatIfPart(id=part.id, label=part.label, gain_db=row.gain_db,
                       powers=part.powers, block_energy=energy)
            for (part, row), energy in zip(settled.chosen, blocks, strict=True)
        ),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """K-weighted energy of a part in the beat's length, by blocks of 100 ms, as it is kept."""

    energy: Array


def _blocks(analysis: Analysis, play: Playable) -> Array:
    rate, frames = analysis.rate_hz, len(analysis.instrumental)

    def measured() -> Blocks:
        if play.voice is not None or len(play.samples) > SHORT_CYCLE_S * rate:
            return Blocks(loudness.block_energy(Laid.of([(play, 0.0)], frames=frames, rate_hz=rate), rate))
        first, last = loops.span(analysis.grid, rate)
        return Blocks(loudness.repeated_block_energy(
            play.samples, rate, first=first, last=min(frames, last), frames=frames
        ))  # fmt: skip

    return analysis.keep("part blocks", Blocks, measured, play.role, play.samples).energy


def _write(path: Path, *, samples: Samples, rate: int) -> None:
    audio.write_wav(path, samples, rate, bits=24)


def _together(*, playing: Sequence[tuple[Playable, float]], frames: int, rate: int) -> Laid:
    """All chosen parts at their gains; lowered as a whole where they would pass `DRUMS_PEAK`."""
    whole = Laid.of(playing, frames=frames, rate_hz=rate)
    pieces = (whole[first : first + PIECE] for first in range(0, frames, PIECE))
    peak = max((float(max(piece.max(), -piece.min())) for piece in pieces), default=0.0)
    if peak <= DRUMS_PEAK:
        return whole
    lower_db = 20.0 * float(np.log10(DRUMS_PEAK / peak))
    return Laid.of([(play, gain_db + lower_db) for play, gain_db in playing], frames=frames, rate_hz=rate)


Renders = Mapping[str, bytes | Write]
