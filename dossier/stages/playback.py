"""Playback: everything that the page plays, as encoded excerpts of whole bars that can be mixed in sync.

They share one excerpt: the hook where a section is named so, else the fullest section.  How loud any mixture of them is
follows from a table of shared energies (`measure.loudness.shared_energy`), so that the page can match what it plays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio
from dossier.arrange.parts import laid
from dossier.measure import loudness
from dossier.memo import Memo, by_content
from dossier.model.choice import Balanced, Choice
from dossier.model.findings import Room, hook_of
from dossier.model.measures import Array, Clip, Grid, Samples
from dossier.model.page import Preview
from dossier.model.parts import DrumPart, Groove, PlacedCandidate
from dossier.model.situation import Situation
from dossier.parallel import thread_map
from dossier.stages import loop_laying
from dossier.stages.balance import in_sections
from dossier.stages.placing import place_alone

EXCERPT_BARS = 4
LONGEST_EXCERPT_S = 16.0
# Of drums that do not play, a sound for each before a fine one for some; what they have up to 15 kHz stays.
AUDITION_COMPRESSION, AUDITION_HZ = 0.8, 32_000
MOST_BYTES = 1_850_000  # of all sounds, so that the page stays below 5 MB; candidates get what the mix leaves


class Layer(Struct, frozen=True, eq=False):
    """A preview before it is encoded."""

    id: str
    label: str
    sound: Callable[[], Samples]  # the excerpt, `(frames, 2)`
    made_of: Sequence[object]  # everything that it depends on beside the beat and the excerpt
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
    memo = memo.within(start, length)

    def encoded(layer: Layer, compression: float = audio.MP3_COMPRESSION, most_hz: int = rate) -> Preview:
        stored_hz = audio.mp3_rate(min(rate, most_hz))
        made = partial(_encoded, layer.sound, rate, stored_hz, compression)
        mp3 = memo("preview", bytes, made, layer.made_of, stored_hz, compression)
        return Preview(id=layer.id, label=layer.label, mp3=mp3, rate_hz=stored_hz, group=layer.group, of=layer.of,
                       gain_db=layer.gain_db, start_s=start, duration_s=length)  # fmt: skip

    def shared(layers: Sequence[Layer]) -> Array:
        made = partial(_shared, [layer.sound for layer in layers], rate)
        return memo("preview", np.ndarray, made, [layer.made_of for layer in layers])

    layers = _layers(here, choice, balanced, start_s=start, length_s=length)
    playing = [layer for layer in layers if layer.group == "layer"]

    def mixed() -> Samples:
        mix = np.sum([10.0 ** (layer.gain_db / 20.0) * layer.sound() for layer in playing], axis=0)
        highest = 10.0 ** (here.policy["drums_file_dbfs"] / 20.0)
        return np.asarray(mix * min(1.0, highest / max(float(np.abs(mix).max()), 1e-9)))

    made_of = ["mix", *((layer.made_of, layer.gain_db) for layer in playing)]
    mix = Layer("mix", "music and drums", mixed, made_of, "mix", 0.0)

    def alone(audition: tuple[str, str, DrumPart, float]) -> tuple[Preview, Array]:
        name, label, part, gain_db = audition
        layer = Layer(name, label, *_sound_of(part, start, length), "candidate", gain_db + here.playing_gain_db)
        return encoded(layer, AUDITION_COMPRESSION, AUDITION_HZ), shared([layer])[0, 0]

    auditions = [one for part in balanced.parts for one in _other_means(part.item, here, groove, choice, memo)]
    auditions += [(f"candidate:{item.drum.name}", item.drum.name, in_sections(here, item).part, item.gains.db)
                  for item in _others(choice, balanced)]
    work: list[Callable[[], Any]] = [partial(encoded, mix), partial(shared, layers)]
    work += [*(partial(encoded, layer) for layer in layers), *(partial(alone, one) for one in auditions)]
    played, together, *found = thread_map(lambda look: look(), work, ahead=len(work))
    done = [*found[: len(layers)], played]
    energies, left = [], MOST_BYTES - sum(len(preview.mp3) for preview in done)
    for preview, energy in found[len(layers) :]:
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


def _encoded(sound: Callable[[], Samples], rate_hz: int, stored_hz: int, compression: float) -> bytes:
    samples = sound()
    # The same on both sides: one channel plays on both and costs half.
    thin = samples[:, :1] if np.array_equal(samples[:, 0], samples[:, 1]) else samples
    stored = audio.resample(Clip(thin, rate_hz), stored_hz)
    return audio.encode_mp3(stored.samples, stored_hz, compression=compression)


def _shared(sounds: Sequence[Callable[[], Samples]], rate_hz: int) -> Array:
    return loudness.shared_energy([sound() for sound in sounds], rate_hz)


def _sound_of(part: DrumPart, start_s: float, length_s: float) -> tuple[Callable[[], Samples], list[object]]:
    """A part in the excerpt, laid when it is first heard, and what it is made of."""
    made_of = [by_content(part.samples), part.voice, part.moves]  # read once for all that is made of it
    return cache(partial(laid, part, start_s=start_s, length_s=length_s)), made_of


def _layers(here: Situation, choice: Choice, balanced: Balanced, *, start_s: float, length_s: float) -> list[Layer]:
    base, rate = here.playing_gain_db, here.music.rate_hz

    @cache
    def instrumental() -> Samples:
        begin = max(0, round(start_s * rate))
        piece = np.zeros((round(length_s * rate), 2))
        found = here.music.samples[begin : begin + len(piece)]
        piece[: len(found)] = found
        return np.asarray(piece * 10.0 ** (base / 20.0))

    # The instrumental is stored at its playing level, so that no layer needs more than full scale.
    out = [Layer("instrumental", "music", instrumental, ["music", base], "layer", 0.0)]
    plans = {item.placed.drum.name: item for item in choice.plans}
    for part in balanced.parts:
        row, gain_db = part.row, part.item.gains.db + base
        name, group = (part.id, "layer") if row.chosen else (f"candidate:{row.file}", "other")
        out.append(Layer(name, row.part, *_sound_of(part.item.part, start_s, length_s), group, gain_db))
        if row.chosen and part.item.treated:
            before = _sound_of(replace(plans[row.file].placed.part, moves=part.item.part.moves), start_s, length_s)
            out.append(Layer(f"untreated:{part.id}", f"{row.part} as it is", *before, "untreated", gain_db, part.id))
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
