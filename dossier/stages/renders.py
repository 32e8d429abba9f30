"""Renders: the files beside the page.

Treated drums, one cycle of every part and of all drums (24-bit WAV, tagged), full-length parts and the rough mix
(24-bit FLAC), the kit and the slices of a loop as instruments, what they play as MIDI, the settings sheet.  A part's
files play at 0 dB: the gain that is told of it is what to set.  A file is lowered where its sound would pass full
scale, which integers cannot hold, and by how much is told.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from functools import partial

from msgspec.structs import replace

from dossier import names
from dossier.arrange import loops, midi, sfz
from dossier.arrange.one_shots import CHOKED_BY
from dossier.arrange.parts import LaidParts
from dossier.decide.low_end import DUCK
from dossier.memo import Memo
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, BalancedPart, Choice
from dossier.model.findings import LowEnd
from dossier.model.measures import Grid
from dossier.model.numbers import unsigned
from dossier.model.parts import DrumPart, Groove, Treated
from dossier.model.situation import Analysis
from dossier.model.vocabulary import ROLES
from dossier.stages import kit_bus
from dossier.stages.mix import all_drums
from dossier.stages.render_reuse import Renders, ReusableRender, Write, hit_file, in_range, over_db, reusable
from dossier.stages.slice_files import slice_files
from dossier.treat import FAMILIES
from dossier.treat.samples import sample_peak


def renders(
    analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, memo: Memo
) -> tuple[Renders, dict[str, float]]:
    """Every file of a revision by name, and those that are lowered, by how many dB.

    Long ones come first, so that all cores are busy to the end.
    """
    here, groove, slug = analysis.here, analysis.groove, analysis.beat.slug
    rate, grid, frames = here.music.rate_hz, here.grid, here.music.frames
    tail_db, tempo = here.policy["hit_file_tail_db"], grid.tempo_bpm
    files: Renders = {}
    lowered: dict[str, float] = {}

    def keep(name: str, render: bytes | Write, lower_db: float = 0.0) -> None:
        files[name] = render
        if lower_db:
            lowered[name] = lower_db

    def cycle_of(name: str, playing: Sequence[tuple[DrumPart, float]], lower_db: float) -> None:
        """One cycle, as it sounds in the middle of the beat."""
        start, length = _cycle([part for part, _ in playing], grid, groove, rate)
        rest = max(len(part.samples) for part, _ in playing)
        turned = [(replace(part, moves=()), gain_db - lower_db) for part, gain_db in playing]
        sound = LaidParts.at_gains(turned, frames=length, rate_hz=rate, start=start, rest=rest)
        content, more_db = in_range(sound[:], rate, tempo_bpm=tempo)
        keep(name, content, lower_db + more_db)

    sounds = [
        (part.id, part.item.gains.db, part.item.part.moves, part.item.part.role, part.item.part.samples)
        for part in balanced.chosen
    ]
    keep(f"{slug}-rough-mix.flac", reusable(memo, checks.mix.sound, rate, "mix", sounds))
    for item in choice.plans:
        if item.plan.render and item.placed.part.kind == "loop":
            keep(item.plan.render, *in_range(item.samples, rate, tempo_bpm=tempo))
        elif item.plan.render:
            keep(item.plan.render, *hit_file(item.samples, rate, memo, tail_db=tail_db))
    for part in balanced.parts:
        drum, (cycle, full) = replace(part.item.part, moves=()), files_of(slug, part)
        cycle_of(cycle, [(drum, 0.0)], 0.0)
        if full:
            lower_db = over_db(sample_peak(drum.samples))
            laid = partial(LaidParts.at_gains, [(drum, -lower_db)], frames=frames, rate_hz=rate)
            keep(full, reusable(memo, laid, rate, "part", drum.role, drum.samples), lower_db)
        if drum.loop is not None:
            sliced, lower_dbs = slice_files(slug, part.item.drum, drum, here, groove, memo)
            files |= sliced
            lowered |= lower_dbs
    if balanced.chosen:
        by_db = checks.drums_file_gain_db
        together = partial(all_drums, balanced.chosen, frames=frames, rate_hz=rate, by_db=by_db)
        keep(f"{slug}-drums.flac", reusable(memo, together, rate, "drums", sounds), -by_db)
        playing = [(part.item.part, part.item.gains.to_set_db) for part in balanced.chosen]
        cycle_of(f"{slug}-cycle-drums.wav", playing, -by_db)
    kit = [part for part in balanced.parts if part.item.part.voice is not None]
    if kit:
        treated = {item.plan.candidate: item.plan.render for item in choice.plans}
        samples = {}
        for part in kit:
            own = treated.get(part.row.file) if part.item.treated else None
            samples[part.id] = own or f"{slug}-kit-{part.id}.wav"
            if not own:
                keep(samples[part.id], *hit_file(part.item.part.samples, rate, memo, tail_db=tail_db))
        files[f"{slug}-kit.sfz"] = _instrument(analysis.beat.title, kit, samples, lowered)
    played = [("", groove.pattern)] + [
        (f"-{number:02d}-{names.slug(name)}", pattern)
        for number, (name, pattern) in enumerate(sorted(groove.section_patterns.items()), 1)
    ]
    for name, pattern in played:
        made = partial(midi.write, pattern, tempo_bpm=tempo, meter=grid.meter, swing=grid.swing,
                       swing_pair=grid.swing_pair_beats)  # fmt: skip
        files[f"{slug}-pattern{name}.mid"] = memo("file", bytes, made, pattern, made.keywords)
    files.update(checks.low_end.renders)
    lowered.update(checks.low_end.lowered)
    files[f"{slug}-settings.csv"] = settings_sheet(
        slug, balanced, choice.plans, checks.low_end.finding, lowered, checks.drums_file_gain_db
    )
    by_length = sorted(files.items(), key=lambda item: not isinstance(item[1], ReusableRender))
    return dict(by_length), lowered


def files_of(slug: str, part: BalancedPart) -> tuple[str, str]:
    """The files of a part at 0 dB: one cycle, and the whole beat; the latter, '' without, only of what plays."""
    tail = f"{part.id}{'-treated' if part.item.treated else ''}"
    return f"{slug}-cycle-{tail}.wav", f"{slug}-part-{tail}.flac" if part.row.chosen else ""


def _cycle(parts: Iterable[DrumPart], grid: Grid, groove: Groove, rate_hz: int) -> tuple[int, int]:
    """First frame and frames of one cycle: a pass of a loop, otherwise the pattern in the middle of the beat."""
    passes = [len(part.samples) for part in parts if part.voice is None]
    if passes:
        return loops.span(grid, rate_hz)[0], max(passes)
    start_s, length_s = kit_bus.cycle_of(grid, groove)
    return round(start_s * rate_hz), round(length_s * rate_hz)


def _instrument(
    title: str, kit: Sequence[BalancedPart], samples: Mapping[str, str], lowered: Mapping[str, float]
) -> bytes:
    """The kit on the General MIDI keys of the pattern's files, its parts to one another as the gains say."""
    volumes = {part.id: part.item.gains.to_set_db + lowered.get(samples[part.id], 0.0) for part in kit}
    lower_db = max(0.0, max(volumes.values()) - sfz.HIGHEST_DB)
    groups = {role: number for number, role in enumerate(ROLES, 1)}
    regions = []
    for part in kit:
        role = part.item.part.role
        assert role is not None
        ended_by = next(iter(CHOKED_BY.get(role, ())), role)
        regions.append(sfz.Region(
            samples[part.id], midi.MIDI_NOTE[role], max(volumes[part.id] - lower_db, sfz.LOWEST_DB),
            group=groups[role], off_by=groups[ended_by],
        ))  # fmt: skip
    remarks = [f"{title}: the kit at the gains of its page"]
    if lower_db:
        remarks[0] += f", all lowered by {unsigned(lower_db)} dB, as a volume ends at {sfz.HIGHEST_DB:g} dB"
    return sfz.write(regions, remarks=remarks)


def settings_sheet(
    slug: str, balanced: Balanced, treated: Sequence[Treated], low_end: LowEnd, lowered: Mapping[str, float],
    drums_file_gain_db: float,
) -> bytes:  # fmt: skip
    """Every amount in trade units, to be dialled in with whatever tools are at hand, and the render that it is of."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(["part", "file", "chosen", "step", "treatment", "setting", "value", "unit", "render"])
    used = {part.row.file for part in balanced.chosen}
    if balanced.chosen:
        beside_file_db = balanced.music_gain_db + drums_file_gain_db
        sheet.writerow(["music", "", "yes", "", "gain", "gain", unsigned(balanced.music_gain_db), "dB", ""])
        sheet.writerow(["music", "", "", "", "gain beside the drums file", "gain", unsigned(beside_file_db), "dB",
                        f"{slug}-drums.flac"])  # fmt: skip
    for part in balanced.chosen:
        row, named = part.row, [name for name in files_of(slug, part) if name]
        for name in named:
            sheet.writerow([row.part, row.file, "yes", "", "gain", "gain", unsigned(row.gain_db), "dB", name])
        for there in row.sections:
            where = f"gain from bar {there.first_bar} to {there.first_bar + there.bars - 1} ({there.name})"
            sheet.writerow([row.part, row.file, "yes", "", "gain in a section", where, unsigned(there.gain_db), "dB",
                            named[-1]])  # fmt: skip
    for item in treated:
        for number, step in enumerate(item.plan.steps, 1):
            for name, value, unit in FAMILIES[step.treatment].settings(step.amounts):
                shown = f"{value:.4g}" if isinstance(value, float) else value
                whole = item.plan.candidate == kit_bus.NAME
                role = kit_bus.NAME if whole else item.plan.role or "loop"
                state = "alternative" if whole else "yes" if item.plan.candidate in used else "no"
                sheet.writerow([role, item.plan.candidate, state, number, step.treatment, name, shown, unit,
                                item.plan.render or ""])  # fmt: skip
    for remedy in low_end.remedies:
        for name, value in remedy.amounts.items():
            setting, _, unit = name.rpartition("_")
            file = low_end.kick if remedy.name != DUCK else low_end.bass_stem
            shown = f"{value:.4g}" if isinstance(value, float) else value
            sheet.writerow(["low end", file, "alternative", "", remedy.name, setting, shown, unit,
                            remedy.render or ""])  # fmt: skip
    for render, amount in sorted(lowered.items()):
        sheet.writerow(["", "", "", "", "lowered to stay below full scale", "gain", unsigned(-amount), "dB", render])
    return text.getvalue().encode()
