"""The data file: every number of a dossier in one document, from which the page is drawn."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from dossier.arrange.pattern import roles_of
from dossier.decide import brief
from dossier.decide.approach import zone_fullness
from dossier.decide.balance import mix_advice
from dossier.decide.policy import SETTINGS, Policy
from dossier.decide.taste import differs, told
from dossier.model import datafile as document
from dossier.model.beat import Pattern
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, Choice
from dossier.model.findings import Approach, Balance, Candidate, Plan
from dossier.model.notes import note_of
from dossier.model.numbers import signed
from dossier.model.page import Rendered
from dossier.model.parts import Drum, Groove, PlacedCandidate, Ranking, Treated
from dossier.model.situation import Analysis
from dossier.stages.balance import over_music
from dossier.stages.renders import files_of

MOST_UNPLACED = 40  # drums without a role that are listed


def data_file(
    analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, *,
    revision: document.RevisionInfo, version: str, decisions: Sequence[document.Decision], rendered: Rendered,
) -> document.DossierData:  # fmt: skip
    """The data file of one revision."""
    here, ranking = analysis.here, choice.ranking
    plans = tuple(item.plan for item in choice.plans)
    mix = checks.mix.mix
    files = [(part.row, *files_of(analysis.beat.slug, part)) for part in balanced.parts]
    taste = _taste(analysis, balanced)
    balance = Balance(
        parts=tuple(replace(row, cycle_file=cycle, full_file=full) for row, cycle, full in files),
        mix=mix, equal_peaks=balanced.equal_peaks,
        advice=(mix_advice(mix, here.conditions.target_lufs, here.policy), *((taste.text,) if taste else ()),
                *(one.text for one in checks.covered)),
        covered=checks.covered, music_gain_db=balanced.music_gain_db,
        all_drums_lu=balanced.all_drums_lu, mix_over_music_lu=over_music(here, choice.chosen),
        drums_file_gain_db=checks.drums_file_gain_db,
    )  # fmt: skip
    looked = document.Looked(
        files=len(analysis.beat.drums), measured=len(analysis.drums),
        placed=sum(item.closely for item in (*ranking.loops, *ranking.one_shots)),
        coarsely=sum(drum.drum is None and drum.name in ranking.sifted for drum in analysis.drums),
        unreadable=sum(entry.kind == "drum" and not entry.used and not entry.sha256 for entry in analysis.inputs),
    )  # fmt: skip
    own = analysis.beat.taste
    defaults = Policy() if own is None else Policy(usual=own.usual)
    settings = tuple(
        document.SettingUsed(name=s.name, value=here.policy[s.name], default=defaults[s.name], unit=s.unit,
                             reason=s.reason)
        for s in SETTINGS
    )
    doubts = dict.fromkeys(
        f"{part.row.file}: {problem}" for part in balanced.chosen for problem in part.item.drum.problems
    )
    return brief.told(document.DossierData(
        format_version=document.FORMAT_VERSION, program=document.ProgramInfo("dossier", version), revision=revision,
        beat=_beat(analysis), inputs=_inputs(analysis, ranking), instrumental=_instrumental(analysis),
        occupancy=checks.occupancy, approach=checks.approach, kit=ranking.kit, plans=plans, balance=balance,
        candidates=_candidates(ranking, balanced, choice.plans, here.music.key.name),
        low_end=checks.low_end.finding, translation=checks.translation, room_left=checks.room_left, looked=looked,
        settings=settings, taste=taste,
        patterns=_patterns(analysis.groove, here.grid.meter), decisions=tuple(decisions),
        proposals=_proposals(analysis.inputs, checks.approach, balanced, plans),
        warnings=(*analysis.warnings, *ranking.notes, *doubts), renders=tuple(sorted(rendered.files)),
        lowered=dict(sorted(rendered.lowered.items())), comparisons=rendered.comparisons,
        candidates_tried=len(analysis.drums),
    ))  # fmt: skip


def _taste(analysis: Analysis, balanced: Balanced) -> document.TasteUsed | None:
    own = analysis.beat.taste
    if own is None:
        return None
    return document.TasteUsed(
        name=own.name, made=own.made, pieces=own.usual.n, differs_db=differs(own.usual),
        text=told(own, [part.row.role for part in balanced.chosen]),
    )


def _inputs(analysis: Analysis, ranking: Ranking) -> tuple[document.InputFile, ...]:
    """All files but those of a library that cannot win."""
    left = {*ranking.sifted, *(drum.name for drum, _ in ranking.unplaced[MOST_UNPLACED:])}
    return tuple(entry for entry in analysis.inputs if entry.kind != "drum" or entry.file not in left)


def _beat(analysis: Analysis) -> document.BeatInfo:
    beat, music, conditions = analysis.beat, analysis.here.music, analysis.here.conditions
    grid = music.grid
    return document.BeatInfo(
        title=beat.title, slug=beat.slug, artist=beat.artist, tempo_bpm=grid.tempo_bpm, key=music.key.name,
        meter=f"{grid.meter[0]}/{grid.meter[1]}", duration_s=music.frames / music.rate_hz, bars=grid.bars,
        swing=grid.swing, first_downbeat_s=grid.first_downbeat_s, intent=beat.intent, sample_rate_hz=music.rate_hz,
        target_lufs=conditions.target_lufs, listening_level_db_spl=conditions.listening_level_db_spl, notes=grid.notes,
        sources={
            "tempo_bpm": grid.tempo_source, "first_downbeat_s": grid.downbeat_source, "swing": grid.swing_source,
            "meter": grid.meter_source,
            "key": music.key.source,
            "target_lufs": "beat.toml" if beat.target_lufs is not None else "default",
            "listening_level_db_spl": "beat.toml" if beat.listening_level_db_spl is not None else "default",
            "pattern": beat.pattern.source if beat.pattern else "assumed",
        },
        confidences={
            "tempo_bpm": grid.tempo_confidence, "first_downbeat_s": grid.downbeat_confidence,
            "swing": grid.swing_confidence, "key": music.key.confidence, "meter": grid.meter_confidence,
        },
        id=beat.id, tempo_alternatives=grid.tempo_alternatives, swing_of=grid.swing_of, voice=beat.voice,
    )  # fmt: skip


def _instrumental(analysis: Analysis) -> document.Instrumental:
    room, music = analysis.room, analysis.here.music
    loud = music.loudness
    return document.Instrumental(
        fill=room.fill, zones=room.zones, sections=room.sections, bars=room.bars, roomiest_zone=room.roomiest_zone,
        fullest_zone=room.fullest_zone, integrated_lufs=loud.integrated_lufs, true_peak_dbtp=loud.true_peak_dbtp,
        loudness_range_lu=loud.loudness_range_lu, width={"whole": music.image.whole, **music.image.zones},
        zone_states=zone_fullness(room, analysis.here.policy), drums=music.drums, kept=room.kept,
    )  # fmt: skip


def _candidates(
    ranking: Ranking, balanced: Balanced, treated: Sequence[Treated], key: str | None
) -> tuple[Candidate, ...]:
    used = {part.row.file for part in balanced.chosen}
    plans = {item.placed.drum.name: item.plan.id for item in treated}
    found = [
        _candidate(item.drum, item, key, chosen=item.drum.name in used, plan=plans.get(item.drum.name))
        for item in (*ranking.loops, *ranking.one_shots)
    ]
    unplaced = ranking.unplaced[:MOST_UNPLACED]
    found += [_candidate(drum, None, key, chosen=False, plan=None, why=why) for drum, why in unplaced]
    return tuple(found)


def _candidate(
    drum: Drum, placed: PlacedCandidate | None, key: str | None, *, chosen: bool, plan: str | None, why: str = ""
) -> Candidate:
    m = drum.measures
    problems = drum.problems
    if placed is not None and placed.part.assumed_voice:
        problems = (*problems, f"no {str(placed.part.role).replace('-', ' ')} in your pattern; tried on a simple one")
    if placed is not None and placed.part.loop is not None and placed.part.loop.poor_match:
        problems = (*problems, placed.part.loop.note)
    return Candidate(
        file=drum.name, name=drum.name.rsplit("/", 1)[-1], rights=drum.file.rights, origin=drum.file.origin,
        kind=m.hit.kind, role=m.hit.role, hits=m.loop.hits if m.loop is not None else (),
        looked_at="not at all" if placed is None else "closely" if placed.closely else "coarsely",
        score=None if placed is None else placed.score, terms={} if placed is None else placed.terms,
        fit=None if placed is None else placed.fit, gain_db=None if placed is None else placed.gains.to_set_db,
        level_lu=None if placed is None else placed.gains.level_lu,
        gain_range_db=None if placed is None else placed.gains.range_db,
        music_gain_db=0.0 if placed is None else placed.gains.music_db,
        reason=why if placed is None else placed.reason, loop=None if placed is None else placed.part.loop,
        integrated_lufs=m.loudness.integrated_lufs, one_hit_lufs=m.loudness.one_hit_lufs,
        sample_peak_dbfs=m.loudness.sample_peak_dbfs, true_peak_dbtp=m.loudness.true_peak_dbtp,
        crest_factor_db=m.loudness.crest_factor_db, pitch_hz=m.pitch.hz,
        pitch_note=None if m.pitch.hz is None else note_of(m.pitch.hz, key)[0],
        effective_length_s=m.hit.effective_length_s, chosen=chosen, plan=plan, problems=problems,
        means=placed.means if placed is not None else (),
        grade=None if placed is None else placed.grade, why="" if placed is None else placed.why,
    )  # fmt: skip


def _patterns(groove: Groove, meter: tuple[int, int]) -> tuple[document.PatternInfo, ...]:
    note = "No pattern was given: a plain one is assumed." if groove.assumed else ""
    whole = _pattern(groove.pattern, meter, assumed=groove.assumed, note=note)
    return whole, *(_pattern(pattern, meter, section=name) for name, pattern in sorted(groove.section_patterns.items()))


def _pattern(
    pattern: Pattern, meter: tuple[int, int], *, section: str | None = None, assumed: bool = False, note: str = ""
) -> document.PatternInfo:
    steps_a_quarter = pattern.steps_per_beat * meter[1] / 4.0
    steps = max(1, round(pattern.length_beats * steps_a_quarter))
    rows = []
    for role in roles_of([pattern]):
        cells = [0.0] * steps
        for hit in pattern.hits:
            if hit.role == role:
                index = min(steps - 1, round(hit.beat * steps_a_quarter))
                cells[index] = max(cells[index], hit.velocity)
        rows.append(document.PatternRow(role=role, cells=tuple(round(cell, 3) for cell in cells)))
    return document.PatternInfo(
        source=pattern.source, assumed=assumed, steps_per_beat=pattern.steps_per_beat, steps=steps, rows=tuple(rows),
        section=section, note=note,
    )  # fmt: skip


def _proposals(
    inputs: Sequence[document.InputFile], approach: Approach, balanced: Balanced, plans: Sequence[Plan]
) -> tuple[document.Proposal, ...]:
    rows = [part.row for part in balanced.chosen]
    used = {row.file for row in rows}
    found = [("approach", "", approach.verdict)]
    if rows:
        found.append(("drums", "", f"Use {', '.join(f'{row.part}: {row.file}' for row in rows)}."))
    for plan in plans:
        if plan.helped and plan.steps and plan.candidate in used:
            steps = ", then ".join(step.label for step in plan.steps)
            found.append(("plan", plan.candidate, f"{plan.candidate}: {steps}."))
    found += [("gain", row.id, f"Set {row.part} to {signed(row.gain_db)} dB.") for row in rows]
    for entry in inputs:
        concerned = entry.kind == "stem" or entry.file in used
        if entry.used and concerned and entry.rights in ("pending", "unknown"):
            text = f"Rights of {entry.file} are {entry.rights}: clear them, or replace the sound."
            found.append(("rights", entry.file, text))
    return tuple(document.Proposal(f"{kind}:{of}" if of else kind, kind, text) for kind, of, text in found)
