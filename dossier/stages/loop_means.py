"""Loop means: every way to bring a loop to the tempo, tried in this beat and judged by the same fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from dossier.decide import means as decide_means
from dossier.memo import Memo
from dossier.model.findings import LoopFit, LoopMeans
from dossier.model.measures import Indices
from dossier.model.parts import Drum, DrumPart, Groove, PlacedCandidate
from dossier.model.situation import Situation
from dossier.model.vocabulary import MEANS, Means
from dossier.stages import loop_laying
from dossier.stages.placing import place_alone


def place_loop(
    drum: Drum, here: Situation, groove: Groove, frames: Indices, memo: Memo, *, thoroughly: bool
) -> PlacedCandidate:
    """The loop by the means that suits this beat best, and what became of the others.

    Unless `thoroughly`, that of which too little is left is not placed, and a loop that can be sliced is not stretched,
    which takes long and always smears.
    """
    ways, wanted = loop_laying.fits_of(drum, here, groove), drum.file.means
    if not thoroughly and not isinstance(ways["sliced"], str) and wanted != "stretch":
        ways["stretch"] = "tried only of the best loops: sliced, it keeps its attacks"
    parts = {
        means: loop_laying.loop_part(drum, fit, here, groove, memo)
        for means in MEANS if not isinstance(fit := ways[means], str)
    }  # fmt: skip
    left = {means: part.loop.match for means, part in parts.items() if part.loop is not None}
    if not thoroughly:
        most = max(left.values())
        enough = min(most, here.policy["loop_poor_below"])
        left = {means: match for means, match in left.items() if match >= enough or means == wanted}
    tried = {means: place_alone(drum, parts[means], here, frames, memo) for means in left}
    pinned = wanted is not None and wanted in tried
    chosen = wanted if wanted is not None and pinned else decide_means.best(
        {means: (item.score, item.fit.tempo_match) for means, item in tried.items()}, here.policy
    )
    return with_means(parts, tried, ways, chosen, pinned=pinned)


def with_means(
    parts: Mapping[Means, DrumPart], tried: Mapping[Means, PlacedCandidate], ways: Mapping[Means, LoopFit | str],
    chosen: Means, *, pinned: bool,
) -> PlacedCandidate:  # fmt: skip
    """The chosen one, with what is told of all."""
    costs = {means: part.loop.cost for means, part in parts.items() if part.loop is not None and part.loop.cost}
    scores = {means: (item.score, costs[means]) for means, item in tried.items()}
    told = []
    for means in MEANS:
        if means not in parts:
            told.append(LoopMeans(means=means, chosen=False, why=str(ways[means])))
            continue
        said, loop, item = decide_means.costs_in_words(costs[means]), parts[means].loop, tried.get(means)
        if means == chosen:
            said = decide_means.why(means, scores, pinned=pinned)
        told.append(LoopMeans(
            means=means, chosen=means == chosen, why=said, cost=costs[means], match=loop.match if loop else None,
            score=item.score if item else None, gain_db=item.gains.to_set_db if item else None,
            music_gain_db=item.gains.music_db if item else 0.0,
        ))  # fmt: skip
    return replace(tried[chosen], means=tuple(told))
