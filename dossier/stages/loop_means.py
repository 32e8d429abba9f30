"""Loop means: every way to bring a loop to the tempo, tried in this beat and judged by the same fit."""

from __future__ import annotations

from msgspec.structs import replace

from dossier.decide import means as decide_means
from dossier.memo import Memo
from dossier.model.findings import LoopMeans
from dossier.model.measures import Indices
from dossier.model.parts import Drum, Groove, PlacedCandidate
from dossier.model.situation import Situation
from dossier.model.vocabulary import MEANS
from dossier.stages import loop_laying
from dossier.stages.placing import place_alone


def place_loop(drum: Drum, here: Situation, groove: Groove, frames: Indices, memo: Memo) -> PlacedCandidate:
    """The loop by the means that suits this beat best, and what became of the others."""
    ways, wanted = loop_laying.fits_of(drum, here, groove), drum.file.means
    tried = {
        means: place_alone(drum, loop_laying.loop_part(drum, fit, here, groove, memo), here, frames, memo)
        for means in MEANS if not isinstance(fit := ways[means], str)
    }  # fmt: skip
    pinned = wanted is not None and wanted in tried
    chosen = wanted if wanted is not None and pinned else decide_means.best(
        {means: (item.score, item.fit.tempo_match) for means, item in tried.items()}, here.policy
    )
    fits = {means: item.part.loop for means, item in tried.items() if item.part.loop is not None}
    costs = {means: fit.cost for means, fit in fits.items() if fit.cost is not None}
    told = []
    for means in MEANS:
        if means not in tried:
            told.append(LoopMeans(means=means, chosen=False, why=str(ways[means])))
            continue
        item, said = tried[means], decide_means.costs_in_words(costs[means])
        if means == chosen:
            said = decide_means.why(means, {way: (tried[way].score, costs[way]) for way in tried}, pinned=pinned)
        elif means == "re-laid":
            said = f"{fits[means].note}; {said}"
        told.append(LoopMeans(
            means=means, chosen=means == chosen, why=said, cost=costs[means], match=fits[means].match,
            score=item.score, gain_db=item.gains.to_set_db, music_gain_db=item.gains.music_db,
        ))  # fmt: skip
    return replace(tried[chosen], means=tuple(told))
