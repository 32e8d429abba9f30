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

from dossier import audio
from dossier.lay import pattern as lay_pattern
from dossier.measure import loudness
from dossier.model.findings import Plan
from dossier.model.measures import Samples
from dossier.model.page import PageAssets, Preview, WhatIfArrays, WhatIfPart
from dossier.stages.analyse import Analysis
from dossier.stages.placing import Groove, Playable
from dossier.stages.rank import Placed, Ranking
from dossier.stages.settle import Settled

EXCERPT_BARS = 4
LONGEST_EXCERPT_S = 16.0
AUDITIONS = 10  # candidates beside the chosen ones that can be played from the page

Write = Callable[[Path], None]


@dataclass(frozen=True, slots=True, eq=False)
class Treated:
    """A searched plan and the sound that it made."""

    plan: Plan
    placed: Placed
    samples: Samples


def renders(
    analysis: Analysis, groove: Groove, settled: Settled, treated: Sequence[Treated]
) -> dict[str, bytes | Write]:
    """Files beside the page: treated drums, treated parts in the beat's length, rough mix, pattern, settings sheet."""
    rate, slug = analysis.rate_hz, analysis.beat.slug
    length = len(analysis.instrumental) / rate
    files: dict[str, bytes | Write] = {f"{slug}-rough-mix.wav": partial(_write, samples=settled.mix, rate=rate)}
    for item in treated:
        if item.plan.render:
            files[item.plan.render] = partial(_write, samples=item.samples, rate=rate)
    for part in settled.parts:
        row = next(row for row in settled.balance.parts if row.id == part.id and row.file == part.placed.drum.name)
        if row.chosen:
            name = f"{slug}-part-{part.id}{'-treated' if part.treated else ''}.wav"
            files[name] = partial(_write_part, play=part.play, length_s=length, rate=rate)
    files[f"{slug}-pattern.mid"] = lay_pattern.write_midi(
        groove.pattern, tempo_bpm=analysis.grid.tempo_bpm, meter=analysis.grid.meter, swing=analysis.grid.swing
    )
    for name, pattern in sorted(groove.section_patterns.items()):
        safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower()).strip("-") or "section"
        files[f"{slug}-pattern-{safe}.mid"] = lay_pattern.write_midi(
            pattern, tempo_bpm=analysis.grid.tempo_bpm, meter=analysis.grid.meter, swing=analysis.grid.swing
        )
    files[f"{slug}-settings.csv"] = settings_sheet(settled, treated)
    return files


def settings_sheet(settled: Settled, treated: Sequence[Treated]) -> bytes:
    """Every amount in trade units, to be dialled in with whatever tools are at hand."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["part", "file", "step", "treatment", "setting", "value", "unit"])
    for row in settled.balance.parts:
        if row.chosen:
            sheet.writerow([row.part, row.file, "", "gain", "gain", f"{row.gain_db:.1f}", "dB"])
    for item in treated:
        for number, step in enumerate(item.plan.steps, 1):
            for name, value in step.amounts.items():
                shown = f"{value:.4g}" if isinstance(value, float) else value
                unit = next((u for suffix, u in UNITS.items() if name.endswith(suffix)), "")
                setting = name.rsplit("_", 1)[0] if unit else name
                sheet.writerow([item.plan.role or "loop", item.plan.candidate, number, step.treatment,
                                setting.replace("_", " "), shown, unit])  # fmt: skip
    return text.getvalue().encode()


UNITS = {"_db": "dB", "_hz": "Hz", "_ms": "ms", "_s": "s", "_bits": "bit"}


def excerpt(analysis: Analysis) -> tuple[float, float]:
    """Start and length in seconds of the listening excerpt."""
    grid = analysis.grid
    sections = sorted(analysis.room.sections, key=lambda section: section.fill)
    bars = max(1, min(EXCERPT_BARS, int(LONGEST_EXCERPT_S / grid.bar_s)))
    first = sections[(len(sections) - 1) // 2].first_bar - 1 if sections else 0
    first = max(0, min(first, grid.bars - bars))
    return grid.first_downbeat_s + first * grid.bar_s, min(bars, grid.bars) * grid.bar_s


def assets(
    analysis: Analysis, ranking: Ranking, settled: Settled, treated: Sequence[Treated]
) -> PageAssets:
    """Everything that the page plays and recomputes."""
    previews = _previews(analysis, ranking, settled, treated)
    return PageAssets(previews=tuple(previews), what_if=_what_if(analysis, settled))


def _previews(
    analysis: Analysis, ranking: Ranking, settled: Settled, treated: Sequence[Treated]
) -> list[Preview]:
    rate = analysis.rate_hz
    start, length = excerpt(analysis)
    base = analysis.scene_gain_db

    def cut(samples: Samples) -> bytes:
        begin = round(start * rate)
        piece = np.zeros((round(length * rate), 2))
        found = samples[begin : begin + len(piece)]
        piece[: len(found)] = found
        return audio.encode_mp3(piece, rate)

    def laid(play: Playable) -> Samples:
        return play.laid(length_s=start + length)

    # The instrumental is stored at its playing level, so that no layer needs more than full scale.
    out = [
        Preview(id="instrumental", label="instrumental", mp3=cut(_scaled(analysis.instrumental, base)), group="layer",
                of=None, gain_db=0.0, matched_gain_db=0.0, start_s=start, duration_s=length)
    ]  # fmt: skip
    heard: set[str] = set()
    for part in settled.parts:
        row = next(row for row in settled.balance.parts if row.id == part.id and row.file == part.placed.drum.name)
        heard.add(row.file)
        group = "layer" if row.chosen else "candidate"
        out.append(
            Preview(id=part.id if row.chosen else f"candidate:{row.file}", label=part.label, mp3=cut(laid(part.play)),
                    group=group, of=None, gain_db=row.gain_db + base, matched_gain_db=0.0, start_s=start,
                    duration_s=length)
        )  # fmt: skip
    for item in treated:
        part_row = next(
            ((part, row) for part in settled.parts for row in settled.balance.parts
             if part.treated and row.chosen and row.id == part.id and row.file == item.placed.drum.name
             and part.placed is item.placed), None,
        )  # fmt: skip
        if part_row is None or item.plan.before.integrated_lufs is None or item.plan.after.integrated_lufs is None:
            continue
        part, row = part_row
        difference = item.plan.after.integrated_lufs - item.plan.before.integrated_lufs
        out.append(
            Preview(id=f"untreated:{part.id}", label=f"{part.label}, untreated", mp3=cut(laid(item.placed.play)),
                    group="untreated", of=part.id, gain_db=row.gain_db + base, matched_gain_db=difference,
                    start_s=start, duration_s=length)
        )  # fmt: skip
    others = [item for item in (*ranking.loops, *ranking.one_shots) if item.drum.name not in heard and item.closely]
    out += [
        Preview(id=f"candidate:{item.drum.name}", label=item.drum.name, mp3=cut(laid(item.play)), group="candidate",
                of=None, gain_db=item.gain_db + base, matched_gain_db=0.0, start_s=start, duration_s=length)
        for item in sorted(others, key=lambda item: (-item.score, item.drum.name))[:AUDITIONS]
    ]  # fmt: skip
    return out


def _what_if(analysis: Analysis, settled: Settled) -> WhatIfArrays | None:
    rows = {(row.id, row.file): row for row in settled.balance.parts if row.chosen}
    parts = [part for part in settled.parts if (part.id, part.placed.drum.name) in rows]
    if not parts:
        return None
    rate, scene = analysis.rate_hz, analysis.scene
    length = len(analysis.instrumental) / rate
    return WhatIfArrays(
        instrumental_excitation=scene.excitation,
        instrumental_block_energy=loudness.block_energy(analysis.instrumental, rate),
        reference_sone=scene.reference, active_slots=scene.active.astype(np.float64), zone_weights=scene.zone_weights,
        spl_offset_db=scene.spl_offset_db, mix_gain_db=settled.balance.mix.gain_db,
        parts=tuple(
            WhatIfPart(id=part.id, label=part.label, gain_db=rows[(part.id, part.placed.drum.name)].gain_db,
                       powers=part.powers, block_energy=loudness.block_energy(part.play.laid(length_s=length), rate))
            for part in parts
        ),
    )  # fmt: skip


def _scaled(samples: Samples, gain_db: float) -> Samples:
    return np.asarray(samples * 10.0 ** (gain_db / 20.0))


def _write(path: Path, *, samples: Samples, rate: int) -> None:
    audio.write_wav(path, samples, rate, bits=24)


def _write_part(path: Path, *, play: Playable, length_s: float, rate: int) -> None:
    audio.write_wav(path, play.laid(length_s=length_s), rate, bits=24)


Renders = Mapping[str, bytes | Write]
