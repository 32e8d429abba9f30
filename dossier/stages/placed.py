"""Placed: one candidate in the beat, at the gain that its intent asks for, with its fit and its score."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from dossier.decide import balance, fit
from dossier.measure import in_beat
from dossier.model.findings import Fit
from dossier.model.measures import Array, Indices, Loudness
from dossier.model.scene import InBeat
from dossier.stages.analyse import Analysis, Drum
from dossier.stages.levels import as_it_plays, gain_bounds, target_of
from dossier.stages.placing import Playable

COARSE_LIFT_LU = 6.0  # one lift for all that are looked at coarsely


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """How a candidate plays in the beat, and what it does there at the gain that its intent asks for, as it is kept."""

    powers: Array
    plays: Loudness
    gain_db: float
    found: InBeat


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A candidate that was placed in the beat."""

    drum: Drum
    play: Playable
    powers: Array  # (slots, fine), 0 dB; empty where it was looked at coarsely
    plays: Loudness | None  # at 0 dB; None where it was looked at coarsely
    gain_db: float
    fit: Fit
    score: float
    terms: Mapping[str, float]
    reason: str
    closely: bool


def place_candidate(drum: Drum, play: Playable, analysis: Analysis, slots: Indices) -> Placed:
    """Place one candidate at the gain that its intent asks for, and score it."""
    on = analysis.scene.subset(slots)

    def level() -> Level:
        powers, plays = play.powers(), as_it_plays(play)
        low, high = gain_bounds(analysis, play.role, plays)
        thin = powers[slots]
        solved = balance.solve_one(
            lambda gain: in_beat.audible_share(on, in_beat.place(on, thin, gain_db=gain)),
            target=target_of(analysis, play.role), low_db=low, high_db=high,
        )  # fmt: skip
        gain = balance.on_fader(solved.gain_db, low, high)
        found = in_beat.measure(on, in_beat.place(on, thin, gain_db=gain))
        return Level(powers=powers, plays=plays, gain_db=gain, found=found)

    kept = analysis.keep("level", Level, level, drum.sha256, play.kind, play.role, play.loop, slots)
    return scored(drum, play, analysis, kept.powers, kept.gain_db, kept.found, plays=kept.plays)


def place_coarsely(drum: Drum, play: Playable, analysis: Analysis, few: Indices) -> Placed:
    """A look at a few bars; at those where it plays, if it rests in the common ones."""
    powers = play.powers()
    if not powers[few].any() and powers.any():
        loudest = int(np.argmax(powers.sum(axis=1)))
        per_bar = analysis.grid.slots_per_bar
        first = loudest // per_bar * per_bar
        few = np.arange(first, min(first + len(few), len(powers)), dtype=np.intp)
    on, thin = analysis.scene.subset(few), powers[few]
    level = in_beat.lift(on, in_beat.place(on, thin, gain_db=0.0))
    low, high = analysis.policy["gain_floor_db"], analysis.policy["gain_ceiling_db"]
    gain = float(np.clip(COARSE_LIFT_LU - level, low, high)) if level is not None else 0.0
    found = in_beat.measure(on, in_beat.place(on, thin, gain_db=gain))
    return scored(drum, play, analysis, powers, gain, found, plays=None)


def rescored(placed: Placed, analysis: Analysis, play: Playable, slots: Indices) -> Placed:
    """The same candidate with other (treated) sound, at the gain it has."""
    on, gain_db = analysis.scene.subset(slots), placed.gain_db

    def level() -> Level:
        powers = play.powers()
        found = in_beat.measure(on, in_beat.place(on, powers[slots], gain_db=gain_db))
        return Level(powers=powers, plays=as_it_plays(play), gain_db=gain_db, found=found)

    kept = analysis.keep("treated level", Level, level, play.kind, play.role, play.samples, gain_db, slots)
    return scored(placed.drum, play, analysis, kept.powers, gain_db, kept.found, plays=kept.plays)


def scored(
    drum: Drum, play: Playable, analysis: Analysis, powers: Array, gain_db: float, found: InBeat, *,
    plays: Loudness | None,
) -> Placed:  # fmt: skip
    """A candidate, with its powers, scored by what it does in the beat at a gain."""
    measured = Fit(
        room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share, lift_lu=found.lift_lu,
        tempo_match=fit.tempo_match(play.loop, poor_beyond=analysis.policy["loop_poor_beyond"]),
        tuning_match=fit.tuning_match(
            drum.measures.pitch.hz, analysis.key.name, gone_cents=analysis.policy["tuning_gone_cents"]
        ) if play.kind == "one-shot" else None,
        mono_loss_lu=drum.measures.stereo.whole.mono_loss_lu,
    )  # fmt: skip
    value, terms = fit.score(
        measured, fill=found.fill - found.room_filled, target_share=target_of(analysis, play.role),
        policy=analysis.policy,
    )  # fmt: skip
    return Placed(
        drum=drum, play=play, powers=powers if plays is not None else powers[:0], plays=plays, gain_db=gain_db,
        fit=measured, score=value, terms=terms,
        reason=fit.reason(measured, gain_db=gain_db, terms=terms, policy=analysis.policy),
        closely=plays is not None,
    )  # fmt: skip
