"""Tempos of drumless music against the tempos it was written at, and how long the estimate takes.

    python tests/bench/bench_tempo.py SONGS [--font NAME] [--fit]

SONGS holds beat folders, FONT/COLLECTION-NAME/: the stems of a piece without its drums in stems/, the tempo in beats a
minute and the meter in facts.json ({"tempo": 120.0, "meter": [4, 4]}).  Any General MIDI song makes one: render every
channel but the tenth with a synthesiser such as FluidSynth, each to a file, and write down the tempo that it sets.
Songs of free games are in Debian's packages openttd-openmsx, planetblupi-music-midi and simutrans-data; use
stretches of 8 to 24 s of one tempo.

Right is within 1 % of the tempo as written: another metrical level is wrong, "named" where the alternatives hold the
right one.  Bars: right 85 %, right or named 95 %, at most two alternatives, none wrong above a confidence of 0.6, and
60 % of the right ones above it.

--fit fits the weights of `dossier.measure.beat_level` anew, a song counting once however often it is there, and prints
what they reach on each collection when they are fitted to the others.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.optimize import minimize
from scipy.special import logsumexp

from dossier.measure import beat_level, grid, onsets, rhythm

SURE = 0.6


@dataclass(frozen=True)
class Result:
    font: str
    collection: str
    song: str
    true_bpm: float
    meter: tuple[int, int]
    found: grid.Grid

    @property
    def right(self) -> bool:
        return near(self.found.tempo_bpm, self.true_bpm)

    @property
    def named(self) -> bool:
        return self.right or any(near(other, self.true_bpm) for other in self.found.tempo_alternatives[:2])

    @property
    def sure(self) -> bool:
        return self.found.tempo_confidence > SURE


def near(found_bpm: float, true_bpm: float) -> bool:
    return abs(found_bpm / true_bpm - 1.0) <= 0.01


def music_of(folder: Path) -> tuple[np.ndarray, int]:
    """The stems' sum, `(frames, channels)`, and its sample rate."""
    parts = [soundfile.read(path, dtype="float32", always_2d=True) for path in sorted((folder / "stems").iterdir())]
    out = np.zeros((max(len(samples) for samples, _ in parts), 2), dtype=np.float32)
    for samples, _ in parts:
        out[: len(samples)] += samples
    return out, parts[0][1]


def measured(folder: Path) -> Result:
    facts = json.loads((folder / "facts.json").read_text())
    samples, rate_hz = music_of(folder)
    collection, _, song = folder.name.partition("-")
    meter = (int(facts["meter"][0]), int(facts["meter"][1]))
    return Result(folder.parent.name, collection, song, facts["tempo"], meter, grid.estimate(samples, rate_hz))


def told(result: Result) -> str:
    found = result.found
    others = " ".join(f"{other:.1f}" for other in found.tempo_alternatives)
    verdict = "right" if result.right else "named" if result.named else "wrong"
    loud = "!" if result.sure and not result.right else ""
    return (
        f"{result.collection[:10]:10s} {result.song[:32]:32s} {result.true_bpm:7.2f} {found.tempo_bpm:7.2f} "
        f"{found.tempo_bpm / result.true_bpm:6.3f} {found.tempo_confidence:5.2f} {verdict}{loud:1s} "
        f"{result.meter[0]}/{result.meter[1]} as {found.meter[0]}/{found.meter[1]}  {others}"
    )


def figures(name: str, results: list[Result]) -> str:
    right = [r for r in results if r.right]
    count, named = max(len(results), 1), sum(r.named for r in results)
    return (
        f"{name:24s} n {len(results):3d}  right {len(right) / count:4.0%}  named {named / count:4.0%}"
        f"  wrong and sure {sum(r.sure and not r.right for r in results):2d}"
        f"  sure of the right {sum(r.sure for r in right) / max(len(right), 1):4.0%}"
    )


def speed() -> str:
    """Three minutes of stereo: chords, bass and an arpeggio, made here."""
    rate_hz, beat_s = 48_000, 60.0 / 93.0
    t = np.arange(180 * rate_hz) / rate_hz
    music = np.zeros((len(t), 2), dtype=np.float32)
    for part, (hz, every) in enumerate(((55.0, 2.0), (220.0, 4.0), (660.0, 0.5), (880.0, 1.5))):
        sound = np.sin(2 * np.pi * hz * t) * np.exp(-(t % (every * beat_s)) * 4.0)
        music += sound[:, None] * np.array([0.6, 0.4] if part % 2 else [0.4, 0.6])
    taken = []
    for _ in range(4):
        start = time.process_time()
        grid.estimate(music, rate_hz)
        taken.append(time.process_time() - start)
    return f"180 s of stereo: {np.median(taken[1:]):.2f} s of a core"


def weights_of(pieces: list[tuple[str, np.ndarray, int]], penalty: float = 0.003) -> np.ndarray:
    """Most likely weights of the kinds of evidence; `pieces` are (song, evidence, index of the right tempo)."""
    spread = np.concatenate([evidence for _, evidence, _ in pieces]).std(axis=0)
    count = Counter(song for song, _, _ in pieces)

    def loss(weights: np.ndarray) -> float:
        total = 0.0
        for song, evidence, right in pieces:
            scores = evidence / spread @ weights
            total += (logsumexp(scores) - scores[right]) / count[song]
        return total / len(count) + penalty * float(weights @ weights)

    return np.asarray(minimize(loss, np.zeros(len(spread)), method="BFGS").x / spread)


def fit(folders: list[Path]) -> None:
    pieces, collections = [], []
    for folder in folders:
        found = onsets.detect(*music_of(folder))
        pulse = rhythm.fit(found)
        tempos = beat_level.family(pulse.tempo_bpm if pulse else 120.0)
        right = np.flatnonzero(np.abs(tempos / json.loads((folder / "facts.json").read_text())["tempo"] - 1.0) < 0.01)
        if len(right):
            pieces.append((folder.name, beat_level.evidence(found, tempos)[0], int(right[0])))
            collections.append(folder.name.partition("-")[0])
    print("all", np.round(weights_of(pieces), 3))
    for left_out in sorted(set(collections)):
        weights = weights_of([p for p, c in zip(pieces, collections, strict=True) if c != left_out])
        hits = [
            int(np.argmax(evidence @ weights)) == right
            for (_, evidence, right), c in zip(pieces, collections, strict=True)
            if c == left_out
        ]
        print(f"without {left_out:12s} {np.round(weights, 3)} right {np.mean(hits):4.0%} of its {len(hits)}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("songs", type=Path)
    parser.add_argument("--font", action="append")
    parser.add_argument("--fit", action="store_true")
    asked = parser.parse_args()
    if asked.fit:
        fit(sorted(facts.parent for facts in asked.songs.glob("*/*/facts.json")))
        return
    everything: list[Result] = []
    for font in asked.font or sorted(path.parent.parent.name for path in asked.songs.glob("*/*/facts.json")):
        if any(result.font == font for result in everything):
            continue
        results = []
        for facts in sorted((asked.songs / font).glob("*/facts.json")):
            results.append(measured(facts.parent))
            print(told(results[-1]), flush=True)
        for collection in sorted({result.collection for result in results}):
            print(figures(f"{font} {collection}", [r for r in results if r.collection == collection]))
        print(figures(font, results))
        everything += results
    print(figures("all", everything))
    print(speed())


if __name__ == "__main__":
    main()
