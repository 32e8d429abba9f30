"""Renders: the files beside the page: treated drums, parts in the beat's length, rough mix, pattern, settings sheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from dossier import names
from dossier.arrange import midi
from dossier.arrange.parts import LaidParts
from dossier.memo import Memo
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, Choice
from dossier.model.numbers import unsigned
from dossier.model.parts import Treated
from dossier.model.situation import Analysis
from dossier.stages import kit_bus
from dossier.stages.mix import all_drums
from dossier.stages.render_reuse import Renders, ReusableRender, reusable, write
from dossier.treat import FAMILIES


def renders(analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, memo: Memo) -> Renders:
    """Every file of a revision, by name; long ones first, so that all cores are busy to the end."""
    here, groove, slug = analysis.here, analysis.groove, analysis.beat.slug
    rate, grid, frames = here.music.rate_hz, here.grid, len(here.music.samples)
    sounds = [
        (part.id, part.item.gains.db, part.item.part.moves, part.item.part.role, part.item.part.samples)
        for part in balanced.chosen
    ]
    files: Renders = {f"{slug}-rough-mix.wav": reusable(memo, checks.mix.sound, rate, "mix", sounds)}
    for item in choice.plans:
        if item.plan.render and item.plan.candidate == kit_bus.NAME:
            files[item.plan.render] = kit_bus.kit_render(here, choice.untreated, item.placed, item.plan, memo)
        elif item.plan.render:
            files[item.plan.render] = partial(write, samples=item.samples, rate_hz=rate)
    for part in balanced.chosen:
        drum_part = replace(part.item.part, moves=())
        name = f"{slug}-part-{part.id}{'-treated' if part.item.treated else ''}.wav"
        laid = partial(LaidParts.at_gains, [(drum_part, 0.0)], frames=frames, rate_hz=rate)
        files[name] = reusable(memo, laid, rate, "part", drum_part.role, drum_part.samples)
    if balanced.chosen:
        together = partial(all_drums, balanced.chosen, frames=frames, rate_hz=rate, by_db=checks.drums_file_gain_db)
        files[f"{slug}-drums.wav"] = reusable(memo, together, rate, "drums", sounds)
    played = [("", groove.pattern)] + [
        (f"-{number:02d}-{names.slug(name)}", pattern)
        for number, (name, pattern) in enumerate(sorted(groove.section_patterns.items()), 1)
    ]
    for name, pattern in played:
        files[f"{slug}-pattern{name}.mid"] = midi.write(
            pattern, tempo_bpm=grid.tempo_bpm, meter=grid.meter, swing=grid.swing, swing_pair=grid.swing_pair_beats
        )
    files[f"{slug}-settings.csv"] = settings_sheet(balanced, choice.plans, checks.drums_file_gain_db)
    files.update(checks.low_end.renders)
    return dict(sorted(files.items(), key=lambda item: not isinstance(item[1], ReusableRender)))


def settings_sheet(balanced: Balanced, treated: Sequence[Treated], drums_file_gain_db: float) -> bytes:
    """Every amount in trade units, to be dialled in with whatever tools are at hand."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["part", "file", "chosen", "step", "treatment", "setting", "value", "unit"])
    used = {part.row.file for part in balanced.chosen}
    if balanced.chosen:
        beside_file_db = balanced.music_gain_db + drums_file_gain_db
        sheet.writerow(["music", "", "yes", "", "gain", "gain", unsigned(balanced.music_gain_db), "dB"])
        sheet.writerow(["music", "", "", "", "gain", "beside the file of all drums", unsigned(beside_file_db), "dB"])
    for part in balanced.chosen:
        row = part.row
        sheet.writerow([row.part, row.file, "yes", "", "gain", "gain", unsigned(row.gain_db), "dB"])
        for there in row.sections:
            where = f"gain from bar {there.first_bar} to {there.first_bar + there.bars - 1} ({there.name})"
            sheet.writerow([row.part, row.file, "yes", "", "gain in a section", where, unsigned(there.gain_db), "dB"])
    for item in treated:
        for number, step in enumerate(item.plan.steps, 1):
            for name, value, unit in FAMILIES[step.treatment].settings(step.amounts):
                shown = f"{value:.4g}" if isinstance(value, float) else value
                whole = item.plan.candidate == kit_bus.NAME
                role = kit_bus.NAME if whole else item.plan.role or "loop"
                state = "alternative" if whole else "yes" if item.plan.candidate in used else "no"
                sheet.writerow([role, item.plan.candidate, state, number, step.treatment, name, shown, unit])
    return text.getvalue().encode()
