"""Placing: one candidate in the beat, at the gain that its intent asks for, with its fit and its score."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.decide import fit
from dossier.measure import in_beat, roles
from dossier.memo import Memo, by_content
from dossier.model.findings import Fit, Gains
from dossier.model.measures import Array, Indices
from dossier.model.parts import Drum, DrumPart, PlacedCandidate, Played
from dossier.model.scene import InBeat, Scene
from dossier.model.situation import Situation
from dossier.model.vocabulary import Role
from dossier.stages.candidates import as_it_plays, part_powers
from dossier.stages.gains import alone


class LevelInBeat(Struct, frozen=True, eq=False):
    """How a candidate plays in the beat and what it does at the gain that its intent asks for, as it is kept."""

    plays: Played
    gains: Gains
    found: InBeat
    job: float  # of the sound as it is now


def place_alone(
    drum: Drum, part: DrumPart, here: Situation, frames: Indices, memo: Memo, *, treated: bool = False
) -> PlacedCandidate:
    """Place one candidate, nothing but the music beside it, at the gain that its intent asks for, and score it."""
    sound = part.samples if treated else [drum.sha256, drum.file.slices_s]
    laid = [by_content(sound), part.kind, part.role, part.loop]

    @cache
    def powers() -> Array:
        return memo("level", Array, lambda: part_powers(part).astype(np.float32), "powers", laid)

    def level() -> LevelInBeat:
        on, plays = here.scene.subset(frames), as_it_plays(part, here.duration_s)
        gains = alone(here, part, plays)
        found = in_beat.measure(on, in_beat.place(on, powers()[frames], gain_db=gains.db))
        job = fit.job(drum.measures, part.role, here.policy)
        if treated and part.role is not None:
            job = roles.likeness_of_sound(part.samples, part.rate_hz).get(part.role, 0.0)
        return LevelInBeat(plays=plays, gains=gains, found=found, job=job)

    kept = memo("level", LevelInBeat, level, laid, frames)
    return scored(drum, part, here, powers, kept.gains, kept.found, job=kept.job, plays=kept.plays, treated=treated)


def place_coarsely(drum: Drum, part: DrumPart, here: Situation, few: Indices, memo: Memo) -> PlacedCandidate:
    """A look at a few bars; at those where it plays, if it rests in the common ones."""

    def level() -> LevelInBeat:
        powers, rows = part_powers(part), few
        if not powers[few].any() and powers.any():
            first = int(np.argmax(powers.sum(axis=1)))
            rows = np.arange(first, min(first + len(few), len(powers)), dtype=np.intp)
        on, plays = here.scene.subset(rows), as_it_plays(part, here.duration_s)
        gains = alone(here, part, plays)
        found = in_beat.measure(on, in_beat.place(on, powers[rows], gain_db=gains.db))
        job = fit.job(drum.measures, part.role, here.policy)
        return LevelInBeat(plays=plays, gains=gains, found=found, job=job)

    sound = [drum.sha256, drum.file.slices_s]
    kept = memo("level", LevelInBeat, level, "coarsely", sound, part.kind, part.role, part.loop, few)
    return scored(drum, part, here, None, kept.gains, kept.found, job=kept.job, plays=kept.plays)


def scored(
    drum: Drum, part: DrumPart, here: Situation, read_powers: Callable[[], Array] | None, gains: Gains, found: InBeat,
    *, job: float | None, plays: Played, treated: bool = False,
) -> PlacedCandidate:  # fmt: skip
    """A candidate scored by what it does in the beat at its gain."""
    measured = Fit(
        **found.told(Fit), job=job, heard_in_zones=fit.heard_in_zones(found.heard_zones, part.role),
        mono_loss_lu=drum.measures.stereo.whole.mono_loss_lu,
        tempo_match=part.loop.match if part.loop is not None else 1.0,
        tuning_match=fit.tuning_match(
            drum.measures.pitch.hz, here.music.key.name, gone_cents=here.policy["tuning_gone_cents"]
        ) if part.kind == "one-shot" else None,
    )  # fmt: skip
    value, terms = fit.score(measured, role=part.role, fill=found.music_fill, policy=here.policy)
    graded = fit.grade(value, part.role)
    return PlacedCandidate(
        drum=drum, part=part, read_powers=read_powers, plays=plays, gains=gains, fit=measured, score=value,
        terms=terms, grade=graded, treated=treated,
        why=fit.why(terms, role=part.role, grade=graded, policy=here.policy),
        reason=fit.reason(measured, role=part.role, gain_db=gains.to_set_db, terms=terms, policy=here.policy),
    )  # fmt: skip


def judge(
    on: Scene, powers: Array, like: Fit, *, here: Situation, role: Role | None = None, gain_db: float = 0.0,
    memo: Memo | None = None,
) -> tuple[Fit, float, dict[str, float]]:  # fmt: skip
    """Fit, score and terms of a drum part in a scene; what does not depend on the scene is taken from `like`.

    `memo`: one whose results depend on the scene.
    """
    def in_scene() -> InBeat:
        return in_beat.measure(on, in_beat.place(on, powers, gain_db=gain_db))

    found = in_scene() if memo is None else memo("level", InBeat, in_scene, "judged", powers, gain_db)
    heard = fit.heard_in_zones(found.heard_zones, role)
    measured = replace(like, **found.told(Fit), heard_in_zones=heard)
    return measured, *fit.score(measured, role=role, fill=found.music_fill, policy=here.policy)
