"""Renders: the files beside the page: treated drums, parts in the beat's length, rough mix, pattern, settings sheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from functools import partial

import numpy as np

from dossier import names
from dossier.arrange import midi
from dossier.arrange.parts import LaidParts
from dossier.memo import Memo
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, Choice
from dossier.model.numbers import unsigned
from dossier.model.parts import DrumPart, Treated
from dossier.model.situation import Analysis
from dossier.stages import kit_bus
from dossier.stages.render_reuse import Renders, ReusableRender, reusable, write
from dossier.treat import FAMILIES

PIECE = 1 << 17  # frames that are looked at together


def renders(analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, memo: Memo) -> Renders:
    """Every file of a revision, by name; long ones first, so that all cores are busy to the end."""
    here, groove, slug = analysis.here, analysis.groove, analysis.beat.slug
    rate, grid, frames = here.music.rate_hz, here.grid, len(here.music.samples)
    sounds = [(part.id, part.item.gains.db, part.item.part.role, part.item.part.samples) for part in balanced.chosen]
    files: Renders = {f"{slug}-rough-mix.wav": reusable(memo, checks.mix.sound, rate, "mix", sounds)}
    for item in choice.plans:
        if item.plan.render and item.plan.candidate == kit_bus.NAME:
            files[item.plan.render] = kit_bus.kit_render(here, choice.untreated, item.placed, item.plan, memo)
        elif item.plan.render:
            files[item.plan.render] = partial(write, samples=item.samples, rate_hz=rate)
    playing = [(part.item.part, part.item.gains.db) for part in balanced.chosen]
    for part in balanced.chosen:
        drum_part = part.item.part
        name = f"{slug}-part-{part.id}{'-treated' if part.item.treated else ''}.wav"
        laid = partial(LaidParts.at_gains, [(drum_part, 0.0)], frames=frames, rate_hz=rate)
        files[name] = reusable(memo, laid, rate, "part", drum_part.role, drum_part.samples)
    if playing:
        highest = here.policy["drums_file_dbfs"]
        together = partial(_together, playing=playing, frames=frames, rate=rate, highest_dbfs=highest)
        files[f"{slug}-drums.wav"] = reusable(memo, together, rate, "drums", sounds)
    played = [("", groove.pattern)] + [
        (f"-{number:02d}-{names.slug(name)}", pattern)
        for number, (name, pattern) in enumerate(sorted(groove.section_patterns.items()), 1)
    ]
    for name, pattern in played:
        files[f"{slug}-pattern{name}.mid"] = midi.write(
            pattern, tempo_bpm=grid.tempo_bpm, meter=grid.meter, swing=grid.swing, swing_pair=grid.swing_pair_beats
        )
    files[f"{slug}-settings.csv"] = settings_sheet(balanced, choice.plans)
    files.update(checks.low_end.renders)
    return dict(sorted(files.items(), key=lambda item: not isinstance(item[1], ReusableRender)))


def settings_sheet(balanced: Balanced, treated: Sequence[Treated]) -> bytes:
    """Every amount in trade units, to be dialled in with whatever tools are at hand."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["part", "file", "chosen", "step", "treatment", "setting", "value", "unit"])
    used = {part.row.file for part in balanced.chosen}
    for part in balanced.chosen:
        sheet.writerow([part.row.part, part.row.file, "yes", "", "gain", "gain", unsigned(part.item.gains.db), "dB"])
    for item in treated:
        for number, step in enumerate(item.plan.steps, 1):
            for name, value, unit in FAMILIES[step.treatment].settings(step.amounts):
                shown = f"{value:.4g}" if isinstance(value, float) else value
                whole = item.plan.candidate == kit_bus.NAME
                role = kit_bus.NAME if whole else item.plan.role or "loop"
                state = "alternative" if whole else "yes" if item.plan.candidate in used else "no"
                sheet.writerow([role, item.plan.candidate, state, number, step.treatment, name, shown, unit])
    return text.getvalue().encode()


def _together(*, playing: Sequence[tuple[DrumPart, float]], frames: int, rate: int, highest_dbfs: float) -> LaidParts:
    """All chosen parts at their gains; lowered as a whole where they would pass a sample peak."""
    whole = LaidParts.at_gains(playing, frames=frames, rate_hz=rate)
    pieces = (whole[first : first + PIECE] for first in range(0, frames, PIECE))
    peak = max((float(max(piece.max(), -piece.min())) for piece in pieces), default=0.0)
    lower_db = min(0.0, highest_dbfs - 20.0 * float(np.log10(max(peak, 1e-9))))
    if not lower_db:
        return whole
    return LaidParts.at_gains([(part, gain_db + lower_db) for part, gain_db in playing], frames=frames, rate_hz=rate)
