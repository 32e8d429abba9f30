"""The stages of a build: each takes what it reads, returns a typed result, and decides nothing.

What a stage measures, `dossier.decide` judges; `dossier.pipeline` calls the stages in turn.
"""

from __future__ import annotations

from collections.abc import Callable

from msgspec.structs import replace

from dossier import audio
from dossier.cache import Cache
from dossier.errors import AudioError
from dossier.memo import Memo
from dossier.model.beat import Beat
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, Choice
from dossier.model.datafile import InputFile
from dossier.model.ears import Comparison
from dossier.model.page import Rendered
from dossier.model.parts import Ranking, Treated
from dossier.model.situation import Analysis
from dossier.model.vocabulary import Direction
from dossier.names import printable
from dossier.parallel import HERE, Engine
from dossier.stages import blind, candidates, music, page_assets, playback, seen_drums, stems, treatments
from dossier.stages import renders as render_stage
from dossier.stages.balance import balance, over_music
from dossier.stages.checks import check
from dossier.stages.choice import approach_of, choose, sides
from dossier.stages.datafile import data_file
from dossier.stages.library import candidates_csv
from dossier.stages.ranking import rank
from dossier.stages.render_reuse import from_earlier

__all__ = [
    "analyse", "balance", "candidates_csv", "check", "choose", "data_file", "from_earlier", "place", "rank", "render",
    "treat",
]  # fmt: skip


def analyse(beat: Beat, cache: Cache, say: Callable[[str], None]) -> tuple[Analysis, Memo]:
    """Measure a beat: the music, the room in it, and every drum file on its own.

    The memo's results depend on the music and on all that was asked for.  Raises `BeatError` where a stem cannot be
    read, or the instrumental is silent or too short to measure.
    """
    say("reading stems")
    files = Memo(cache)
    summed = stems.sum_stems(beat, files)
    beat = replace(beat, stems=tuple(stem for stem, _ in summed.stems))
    heard = files.within([(entry.file, entry.sha256, entry.gain_db, entry.start_s) for entry in summed.inputs])
    say("measuring the instrumental")
    measured = music.measure_music(beat, summed, heard)
    conditions = music.conditions_of(beat)
    reference, reference_notes = music.reference_of(beat, conditions.target_lufs)
    here = music.situation_of(measured, conditions, reference, beat.sections)
    sections, section_notes = music.sections_of(beat, here.grid)
    others = _other_inputs(beat)
    say(f"measuring {len(beat.drums)} drum candidates")
    few = int(here.policy["all_measured"])
    drums, drum_inputs, drum_notes = seen_drums.read_drums(candidates.pinned(beat), files, say, few=few)
    notes = (*beat.notes, *summed.notes, *here.grid.notes, *reference_notes, *section_notes, *drum_notes)
    analysis = Analysis(
        beat=beat, here=here, room=music.room_of(here.scene, here.grid, sections), drums=drums, warnings=notes,
        groove=candidates.groove_of(beat, here.grid), inputs=(*summed.inputs, *drum_inputs, *others),
    )  # fmt: skip
    memo = heard.within(
        here.grid, measured.key.name, conditions, reference, beat.pattern, beat.section_patterns, beat.sections,
        sections,
    )  # fmt: skip
    return analysis, memo


def place(analysis: Analysis, memo: Memo, ranking: Ranking) -> tuple[Analysis, Memo, Ranking]:
    """The beat with the music where the solved mix leaves it; ranked again where that is not where it was taken to be.

    Gains are levels against the music, so its place does not move them, and once is enough.
    """
    here = analysis.here
    over = over_music(here, sides(approach_of(here, analysis.room, ranking, memo), ranking)[0])
    if abs(over - here.mix_over_music_lu) < here.policy["place_again_lu"]:
        return analysis, memo, ranking
    moved = music.situation_of(here.music, here.conditions, here.reference_powers, analysis.beat.sections, over)
    sections = [(one.name, one.first_bar - 1, one.bars) for one in analysis.room.sections]
    analysis = replace(analysis, here=moved, room=music.room_of(moved.scene, moved.grid, sections))
    memo = memo.within(over)
    return analysis, memo, rank(analysis, memo)


def treat(
    analysis: Analysis, ranking: Ranking, memo: Memo, *, engine: Engine = HERE, say: Callable[[str], object] = str
) -> tuple[Direction, tuple[Treated, ...]]:
    """The direction that the drums as they are point to, and a plan for each that leads there."""
    way = approach_of(analysis.here, analysis.room, ranking, memo)
    return way.direction, treatments.search_plans(analysis, ranking, way, memo, engine=engine, say=say)


def render(analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, memo: Memo) -> Rendered:
    """What the page plays and computes from, and the files beside it."""
    here = analysis.here
    files, lowered = render_stage.renders(analysis, choice, balanced, checks, memo)
    sounds, energies = playback.previews(here, analysis.room, analysis.groove, choice, balanced, memo)
    loop = any(part.row.role is None for part in balanced.parts if not part.row.chosen)
    pairs = memo("preview", tuple[Comparison, ...], lambda: blind.comparisons(
        sounds, other="loop" if loop else "kit", either=checks.approach.kind == "either",
        step_db=here.policy["blind_step_db"],
    ), sounds, loop, checks.approach.kind)  # fmt: skip
    return Rendered(
        previews=sounds, energies=energies, comparisons=pairs,
        what_if=page_assets.what_if(here, balanced, mix_gain_db=checks.mix.mix.gain_db),
        files=files, lowered=lowered,
    )


def _other_inputs(beat: Beat) -> list[InputFile]:
    """Settings, grooves and references, by their content."""
    found = [
        InputFile(file=printable(path.name), sha256=audio.sha256(path), rights="own", origin="",
                  kind="settings" if path.suffix == ".toml" else "groove")
        for path in beat.config_files
    ]  # fmt: skip
    for path in beat.references:
        try:
            digest = audio.sha256(path)
        except AudioError:
            digest = ""
        found.append(InputFile(file=printable(path.name), sha256=digest, kind="reference", rights="unknown", origin=""))
    return found
