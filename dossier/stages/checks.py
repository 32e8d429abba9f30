"""Checks: what the chosen drums do in the beat once they are at their gains."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dossier.memo import Memo
from dossier.model.checks import Checks
from dossier.model.choice import Balanced, Choice
from dossier.model.situation import Analysis
from dossier.parallel import thread_map
from dossier.stages.low_end import low_end_check
from dossier.stages.masking import covered_parts
from dossier.stages.mix import drums_file_gain, rough_mix
from dossier.stages.occupancy_maps import occupancy_maps, placed_parts, room_left
from dossier.stages.sensitivity import with_sensitivity
from dossier.stages.translation import translation


def check(analysis: Analysis, choice: Choice, balanced: Balanced, memo: Memo) -> Checks:
    """The mix, the low end, how the drums travel, what room is left, and how sure the advice is."""
    here, room, ranking = analysis.here, analysis.room, choice.ranking
    placed = placed_parts(here, balanced)
    looks: list[Callable[[], Any]] = [
        lambda: rough_mix(here, room, balanced, memo),
        lambda: low_end_check(here, analysis.beat.slug, balanced, memo, ranking.one_shots),
        lambda: with_sensitivity(here, ranking, choice.approach, memo),
        lambda: occupancy_maps(here, balanced, placed, choice.plans),
        lambda: room_left(here, ranking, balanced, placed, memo),
        lambda: drums_file_gain(here, balanced, memo),
        lambda: covered_parts(here, balanced, placed, memo),
    ]
    found = thread_map(lambda look: look(), looks, ahead=len(looks), each_bytes=here.music.sound_bytes)
    mix, low_end, approach, occupancy, left, lowered, covered = found
    return Checks(
        approach=approach, mix=mix, covered=covered, low_end=low_end, occupancy=occupancy, room_left=left,
        drums_file_gain_db=lowered, translation=translation(here, balanced, mix, ranking.frames, memo),
    )  # fmt: skip
