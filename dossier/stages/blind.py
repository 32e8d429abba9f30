"""Pairs that the page lets compare blind: what plays on each side, equally loud as the browser decodes it.

Both sides are brought to the softest of music and sides, so that nothing is louder than the page plays anyway.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from dossier import audio
from dossier.measure import loudness
from dossier.model.ears import Comparison, Side
from dossier.model.measures import Samples
from dossier.model.page import Preview
from dossier.parallel import thread_map


def comparisons(previews: Sequence[Preview], *, other: str, either: bool, step_db: float) -> tuple[Comparison, ...]:
    """The pairs that a page's sounds allow; loudness (BS.1770-5) is measured on the excerpt as it is decoded.

    `other`: "loop" or "kit", what the other choice is; `either`: the advice holds both choices to be as good.
    """
    by_id = {one.id: one for one in previews}
    if "instrumental" not in by_id:
        return ()
    advised = {one.id: one.gain_db for one in previews if one.group == "layer"}
    replaced = {one.of: one.id for one in previews if one.group == "untreated" and one.of is not None}
    others = {one.id: one.gain_db for one in previews if one.group == "other"}
    music = {"instrumental": by_id["instrumental"].gain_db}

    @cache
    def sound(name: str) -> tuple[Samples, int]:
        return audio.decode_mp3(by_id[name].mp3)

    def lufs(gains_db: Mapping[str, float]) -> float | None:
        return lufs_of(tuple(gains_db.items()))

    @cache
    def lufs_of(gains_db: tuple[tuple[str, float], ...]) -> float | None:
        layers = [10.0 ** (gain_db / 20.0) * sound(name)[0] for name, gain_db in gains_db]
        frames = min(len(layer) for layer in layers)
        mixed = np.sum([np.broadcast_to(layer[:frames], (frames, 2)) for layer in layers], axis=0)
        return loudness.integrated(mixed, sound("instrumental")[1])

    def as_it_is(part: str, gain_db: float) -> tuple[str, float]:
        """A part before its treatment, as loud as with it."""
        before, after = lufs({replaced[part]: 0.0}), lufs({part: 0.0})
        return replaced[part], gain_db + (after - before if before is not None and after is not None else 0.0)

    def drums(gains_db: Mapping[str, float], by_db: float) -> dict[str, float]:
        return {name: gain_db + by_db * (name != "instrumental") for name, gain_db in gains_db.items()}

    def paired(name: str, best: Side, second: Side, *, equal: bool = False) -> Comparison | None:
        levels = [*thread_map(lufs, (music, best.gains_db, second.gains_db), ahead=1)]
        if levels[1] is None or levels[2] is None:
            return None
        least = min(level for level in levels if level is not None)
        sides = tuple(
            Side(side.id, {layer: round(gain_db + least - level, 4) for layer, gain_db in side.gains_db.items()},
                 side.drums_db)
            for side, level in ((best, levels[1]), (second, levels[2]))
        )  # fmt: skip
        layers = sorted({*best.gains_db, *second.gains_db})
        hashes = {layer: hashlib.sha256(by_id[layer].mp3).hexdigest() for layer in layers}
        return Comparison(name, (sides[0], sides[1]), "" if equal else best.id, hashes)

    if len(advised) < 2:
        return ()
    found = []
    if replaced:
        before = dict(as_it_is(part, gain) if part in replaced else (part, gain) for part, gain in advised.items())
        found.append(paired("treatment", Side("drums treated", advised), Side("drums as they are", before)))
    if others:
        mine = "loop" if other == "kit" else "kit"
        found.append(paired("choice", Side(f"the {mine}", advised), Side(f"the {other}", music | others), equal=either))
    for name, by_db in (("louder", step_db), ("softer", -step_db)):
        second = Side(f"drums {step_db:g} dB {name}", drums(advised, by_db), by_db)
        found.append(paired(name, Side("drums as advised", advised), second))
    return tuple(each for each in found if each is not None)
