"""Playback: everything that the page plays, as encoded excerpts that can be mixed in sync.

They share one excerpt of whole bars in the section whose fill is the median of all sections.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from dossier import audio
from dossier.arrange.parts import laid
from dossier.memo import Memo
from dossier.model.choice import Balanced, Choice
from dossier.model.findings import Room
from dossier.model.measures import Grid, Samples
from dossier.model.page import Preview
from dossier.model.parts import DrumPart
from dossier.model.situation import Situation
from dossier.parallel import thread_map

EXCERPT_BARS = 4
LONGEST_EXCERPT_S = 16.0
AUDITIONS = 8  # candidates beside the chosen ones that can be played from the page


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """A preview before it is encoded."""

    id: str
    label: str
    sound: Callable[[], Samples]  # the excerpt, made when it is encoded
    group: str
    gain_db: float
    of: str | None = None
    matched_gain_db: float = 0.0


def excerpt(grid: Grid, room: Room) -> tuple[float, float]:
    """Start and length in seconds of the listening excerpt."""
    sections = sorted(room.sections, key=lambda section: section.fill)
    bars = max(1, min(EXCERPT_BARS, int(LONGEST_EXCERPT_S / grid.bar_s)))
    first = sections[(len(sections) - 1) // 2].first_bar - 1 if sections else 0
    first = max(0, min(first, grid.bars - bars))
    return grid.first_downbeat_s + first * grid.bar_s, min(bars, grid.bars) * grid.bar_s


def previews(here: Situation, room: Room, choice: Choice, balanced: Balanced, memo: Memo) -> tuple[Preview, ...]:
    """Everything that the page plays."""
    rate = here.music.rate_hz
    start, length = excerpt(here.grid, room)

    def encoded(layer: Layer) -> Preview:
        piece = layer.sound()
        # The same on both sides: one channel plays on both and costs half.
        thin = piece[:, :1] if np.array_equal(piece[:, 0], piece[:, 1]) else piece
        mp3 = memo("preview", bytes, lambda: audio.encode_mp3(thin, rate), thin, rate)
        return Preview(
            id=layer.id, label=layer.label, mp3=mp3, group=layer.group, of=layer.of, gain_db=layer.gain_db,
            matched_gain_db=layer.matched_gain_db, start_s=start, duration_s=length,
        )  # fmt: skip

    layers = _layers(here, choice, balanced, start_s=start, length_s=length)
    return tuple(thread_map(encoded, layers, ahead=len(layers)))


def _layers(here: Situation, choice: Choice, balanced: Balanced, *, start_s: float, length_s: float) -> list[Layer]:
    base, rate, music = here.playing_gain_db, here.music.rate_hz, here.music.samples

    def sound_of(part: DrumPart) -> Callable[[], Samples]:
        return partial(laid, part, start_s=start_s, length_s=length_s)

    def instrumental() -> Samples:
        begin = max(0, round(start_s * rate))
        piece = np.zeros((round(length_s * rate), 2))
        found = music[begin : begin + len(piece)]
        piece[: len(found)] = found
        return np.asarray(piece * 10.0 ** (base / 20.0))

    # The instrumental is stored at its playing level, so that no layer needs more than full scale.
    out = [Layer("instrumental", "instrumental", instrumental, "layer", 0.0)]
    plans = {item.placed.drum.name: item for item in choice.plans}
    for part in balanced.parts:
        row, gain_db = part.row, part.item.gains.db + base
        name, group = (part.id, "layer") if row.chosen else (f"candidate:{row.file}", "candidate")
        out.append(Layer(name, row.part, sound_of(part.item.part), group, gain_db))
        if row.chosen and part.item.treated:
            plan = plans[row.file]
            before, after = plan.plan.before.integrated_lufs, plan.plan.after.integrated_lufs
            matched = after - before if before is not None and after is not None else 0.0
            out.append(Layer(f"untreated:{part.id}", f"{row.part}, untreated", sound_of(plan.placed.part), "untreated",
                             gain_db, of=part.id, matched_gain_db=matched))  # fmt: skip
    heard = {part.row.file for part in balanced.parts}
    ranking = choice.ranking
    others = [item for item in (*ranking.loops, *ranking.one_shots) if item.drum.name not in heard and item.closely]
    others.sort(key=lambda item: (-item.score, item.drum.name))
    return out + [
        Layer(f"candidate:{item.drum.name}", item.drum.name, sound_of(item.part), "candidate", item.gains.db + base)
        for item in others[:AUDITIONS]
    ]
