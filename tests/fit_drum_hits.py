"""Fits the weights of `dossier.measure.drum_hits`, and prints how well drums in music are told, left-out pieces first.

    python tests/fit_drum_hits.py FOLDER... [--without FOLDER]...

A folder is a sound set of finished pieces, as `tests/bench/learn_frame_spread.py` describes them; a piece's collection
is what stands before the first hyphen of its name.  Pieces whose other stems play wood blocks or agogo bells (programs
113 and 115 of General MIDI Level 1; MEM) count as having drums.  Each hit of the drums is a positive in the mix; every
rise of the floor in the music alone is a negative.  `--without` names folders of more recordings without drums; those
of the first are negatives too, those of the others are only told: here 44 pitched programs of General MIDI Level 1,
each alone, notes of 0.14 s at random, played by libfluidsynth3 through FluidR3_GM.sf2 and TimGM6mb.sf2.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from learn_frame_spread import read

from dossier.arrange import midi, one_shots
from dossier.measure import drum_hits
from dossier.model.measures import Grid

PERCUSSIVE = ("openttd-say-what-redfarn", "planetblupi-music008")
NEAR_S = 0.035
BREAK = (4, 8)  # bars in which a break is laid into the music
PENALTY = 1e-3


@dataclass(eq=False)
class Piece:
    name: str
    grid: Grid
    found: dict[str, tuple[np.ndarray, np.ndarray]]  # rises of the music, the mix, softer drums, and a break inside
    drum: np.ndarray  # which rises of the mix lie at a drum's hit

    def bars(self, which: str, fitted: np.ndarray) -> tuple[tuple[int, int], ...]:
        times, figures = self.found[which]
        sure = figures @ fitted[:-1] + fitted[-1] > np.log(drum_hits.SURE / (1.0 - drum_hits.SURE))
        return drum_hits.bars_with_drums(times[sure], self.grid)


def measured(folder: Path) -> Piece:
    facts = json.loads((folder / "facts.json").read_text())
    stems = [read(path) for path in sorted((folder / "stems").iterdir())]
    rate, meter = stems[0][1], tuple(facts["meter"])
    music = np.zeros((max(len(samples) for samples, _ in stems), 2))
    for samples, _ in stems:
        music[: len(samples)] += samples
    grid = Grid(facts["tempo"], "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, meter, facts["bars"])
    voices = one_shots.voices(grid, midi.read((folder / "groove.mid").read_bytes(), meter=meter), {}, [])
    drums, starts = np.zeros_like(music), []
    for told in facts["parts"]:
        if told["role"] in voices:
            one_shots.add_samples(drums, read(folder / told["file"])[0], rate, voices[told["role"]])
            starts += voices[told["role"]].starts_s
    within = np.zeros((len(drums), 1))
    first, end = (round(bar * grid.slot_s * grid.slots_per_bar * rate) for bar in BREAK)
    within[first:end] = 1.0
    mixes = {"music": music, "mix": music + drums, "6 dB softer": music + 0.5 * drums, "break": music + within * drums}
    found = {name: drum_hits.figures(*drum_hits.floors(mix, rate)) for name, mix in mixes.items()}
    near = np.abs(found["mix"][0][:, None] - np.asarray(starts)[None, :]).min(axis=1) < NEAR_S
    return Piece(facts["song"], grid, found, near)


def without(path: Path) -> Piece:
    """A recording without drums, on a grid of its own."""
    samples, rate = read(path)
    grid = Grid(100.0, "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, (4, 4), int(len(samples) / rate / 2.4))
    return Piece(path.stem, grid, {"music": drum_hits.figures(*drum_hits.floors(samples, rate))}, np.zeros(0))


def fit(pieces: list[Piece]) -> np.ndarray:
    """Weights of the figures and a bias, by logistic regression."""
    x = np.concatenate([p.found[name][1] for p in pieces for name in ("music", "mix") if name in p.found])
    y = np.concatenate([np.concatenate([np.zeros(len(p.found["music"][0])), p.drum]) for p in pieces])
    middle, width = x.mean(axis=0), x.std(axis=0)
    scaled = np.column_stack([(x - middle) / width, np.ones(len(x))])
    signs = 2.0 * y - 1.0

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        margin = signs * (scaled @ w)
        slope = -signs / (1.0 + np.exp(np.clip(margin, -500.0, 500.0)))
        return (float(np.logaddexp(0.0, -margin).mean() + PENALTY * (w[:-1] ** 2).sum()),
                scaled.T @ slope / len(y) + 2.0 * PENALTY * np.append(w[:-1], 0.0))  # fmt: skip

    found = minimize(loss, np.zeros(scaled.shape[1]), jac=True).x
    weights = found[:-1] / width
    return np.append(weights, found[-1] - weights @ middle)


def main() -> None:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folders", type=Path, nargs="+")
    arguments.add_argument("--without", type=Path, action="append", default=[])
    asked = arguments.parse_args()
    pieces = [measured(path.parent) for folder in asked.folders for path in sorted(folder.glob("*/facts.json"))]
    pitched = [[without(path) for path in sorted(folder.iterdir())] for folder in asked.without]
    more = pitched[0] if pitched else []
    plain = [piece for piece in pieces if piece.name not in PERCUSSIVE]
    left_out = {
        collection: fit([*more, *(piece for piece in plain if piece.name.split("-")[0] != collection)])
        for collection in {piece.name.split("-")[0] for piece in pieces}
    }
    own = {id(piece): left_out[piece.name.split("-")[0]] for piece in pieces}
    for which in ("mix", "6 dB softer", "music"):
        some = plain if which == "music" else pieces
        told = [piece.name for piece in some if piece.bars(which, own[id(piece)])]
        print(f"{which}: drums found in {len(told)} of {len(some)}", *(told if which == "music" else ()))
    long = [piece for piece in plain if piece.grid.bars > BREAK[1]]
    runs = [piece.bars("break", own[id(piece)]) for piece in long]
    inside = sum(any(first < BREAK[1] and first + count > BREAK[0] for first, count in each) for each in runs)
    beyond = sum(any(first < BREAK[0] - 1 or first + count > BREAK[1] + 1 for first, count in each) for each in runs)
    print(f"break of four bars: found in {inside} of {len(long)}, something beyond it and its neighbours in {beyond}")
    fitted = fit([*more, *plain])
    for folder, recordings in zip(asked.without, pitched, strict=True):
        told = [each.name for each in recordings if each.bars("music", fitted)]
        print(f"{folder.name}: drums found in {len(told)} of {len(recordings)} without", *told)
    print("WEIGHTS =", tuple(round(float(w), 3) for w in fitted[:-1]), "BIAS =", round(float(fitted[-1]), 2))


if __name__ == "__main__":
    main()
