"""Playback: everything that the page plays, as encoded excerpts of whole bars that can be mixed in sync.

They share one excerpt: the hook where a section is named so, else the fullest section.  How loud any mixture of them is
follows from a table of shared energies (`measure.loudness.shared_energy`), so that the page can match what it plays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from dossier import audio
from dossier.arrange.parts import laid
from dossier.measure import loudness
from dossier.memo import Memo
from dossier.model.choice import Balanced, Choice
from dossier.model.findings import Room, hook_of
from dossier.model.measures import Array, Grid, Samples
from dossier.model.page import Preview
from dossier.model.parts import DrumPart, Groove, PlacedCandidate
from dossier.model.situation import Situation
from dossier.parallel import thread_map
from dossier.stages import loop_laying
from dossier.stages.balance import in_sections
from dossier.stages.placing import place_alone

EXCERPT_BARS = 4
LONGEST_EXCERPT_S = 16.0
AUDITION_COMPRESSION = 0.9  # of drums that do not play: a sound for each before a fine one for some
MOST_BYTES = 1_850_000  # of all sounds, so that the page stays below 5 MB; candidates get what the mix leaves


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """A preview before it is encoded."""

    id: str
    label: str
    sound: Callable[[], Samples]  # the excerpt, `(frames, 2)`
    group: str
    gain_db: float
    of: str | None = None


def excerpt(grid: Grid, room: Room) -> tuple[float, float]:
    """Start and length in seconds of the listening excerpt."""
    section = hook_of(room.sections)
    bars = max(1, min(EXCERPT_BARS, int(LONGEST_EXCERPT_S / grid.bar_s)))
    first = section.first_bar - 1 if section else 0
    first = max(0, min(first, grid.bars - bars))
    return grid.first_downbeat_s + first * grid.bar_s, min(bars, grid.bars) * grid.bar_s


def previews(
    here: Situation, room: Room, groove: Groove, choice: Choice, balanced: Balanced, memo: Memo
) -> tuple[tuple[Preview, ...], Array]:
    """Everything that the page plays, and what each two of the sounds have in common."""
    rate = here.music.rate_hz
    start, length = excerpt(here.grid, room)

    def encoded(layer: Layer, sound: Samples, compression: float = audio.MP3_COMPRESSION) -> Preview:
        # The same on both sides: one channel plays on both and costs half.
        thin = sound[:, :1] if np.array_equal(sound[:, 0], sound[:, 1]) else sound
        made = partial(audio.encode_mp3, thin, rate, compression=compression)
        mp3 = memo("preview", bytes, made, thin, rate, compression)
        return Preview(id=layer.id, label=layer.label, mp3=mp3, group=layer.group, of=layer.of, gain_db=layer.gain_db,
                       start_s=start, duration_s=length)  # fmt: skip

    layers = _layers(here, choice, balanced, start_s=start, length_s=length)
    sounds = list(thread_map(lambda layer: layer.sound(), layers))
    done = list(thread_map(lambda pair: encoded(*pair), zip(layers, sounds, strict=True)))
    together = loudness.shared_energy(sounds, rate)
    mix = np.sum([10.0 ** (layer.gain_db / 20.0) * sound
                  for layer, sound in zip(layers, sounds, strict=True) if layer.group == "layer"], axis=0)  # fmt: skip
    highest = 10.0 ** (here.policy["drums_file_dbfs"] / 20.0)
    mix *= min(1.0, highest / max(float(np.abs(mix).max()), 1e-9))
    done.append(encoded(Layer("mix", "music and drums", lambda: mix, "mix", 0.0), mix))

    def alone(audition: tuple[str, str, DrumPart, float]) -> tuple[Preview, Array]:
        name, label, part, gain_db = audition
        sound = laid(part, start_s=start, length_s=length)
        layer = Layer(name, label, lambda: sound, "candidate", gain_db + here.playing_gain_db)
        energy = memo("preview", np.ndarray, lambda: loudness.shared_energy([sound], rate)[0, 0], sound, rate)
        return encoded(layer, sound, AUDITION_COMPRESSION), energy

    auditions = [(f"candidate:{item.drum.name}", item.drum.name, in_sections(here, item).part, item.gains.db)
                 for item in _others(choice, balanced)]
    auditions += [one for part in balanced.parts for one in _other_means(part.item, here, groove, choice, memo)]
    energies, left = [], MOST_BYTES - sum(len(preview.mp3) for preview in done)
    for preview, energy in thread_map(alone, auditions):
        if len(preview.mp3) > left:
            continue
        left -= len(preview.mp3)
        done.append(preview)
        energies.append(energy)
    table = np.zeros((len(done), len(done), together.shape[2]))
    table[: len(layers), : len(layers)] = together
    for at, energy in enumerate(energies, len(layers) + 1):
        table[at, at] = energy
    return tuple(done), table


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
    out = [Layer("instrumental", "music", instrumental, "layer", 0.0)]
    plans = {item.placed.drum.name: item for item in choice.plans}
    for part in balanced.parts:
        row, gain_db = part.row, part.item.gains.db + base
        name, group = (part.id, "layer") if row.chosen else (f"candidate:{row.file}", "other")
        out.append(Layer(name, row.part, sound_of(part.item.part), group, gain_db))
        if row.chosen and part.item.treated:
            before = sound_of(replace(plans[row.file].placed.part, moves=part.item.part.moves))
            out.append(Layer(f"untreated:{part.id}", f"{row.part} as it is", before, "untreated", gain_db, of=part.id))
    return out


def _others(choice: Choice, balanced: Balanced) -> list[PlacedCandidate]:
    """Candidates of neither choice, in the order in which room for sound is given: the best of each role in turn."""
    heard = {part.row.file for part in balanced.parts}
    ranked: dict[str, list[PlacedCandidate]] = {}
    for item in sorted((*choice.ranking.loops, *choice.ranking.one_shots), key=lambda i: (-i.score, i.drum.name)):
        if item.drum.name not in heard and item.closely:
            ranked.setdefault(item.part.role or "loop", []).append(item)
    places = [(place, item) for found in ranked.values() for place, item in enumerate(found)]
    return [item for _, item in sorted(places, key=lambda entry: (entry[0], -entry[1].score, entry[1].drum.name))]


def _other_means(
    item: PlacedCandidate, here: Situation, groove: Groove, choice: Choice, memo: Memo
) -> Iterator[tuple[str, str, DrumPart, float]]:
    """The loop that plays, or could, by the means that were tried beside its own, each at its own gain, untreated."""
    tried = [one.means for one in item.means if one.match is not None and not one.chosen]
    ways = loop_laying.fits_of(item.drum, here, groove) if tried else {}
    for means in tried:
        fit = ways[means]
        assert not isinstance(fit, str)
        part = loop_laying.loop_part(item.drum, fit, here, groove, memo)
        placed = in_sections(here, place_alone(item.drum, part, here, choice.ranking.frames, memo))
        yield f"means:{means}:{item.drum.name}", means, placed.part, placed.gains.db
