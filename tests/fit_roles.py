"""Fit the table of role weights, `dossier/measure/role_weights.csv`.

    python tests/fit_roles.py            print how well roles are told on sets left out of the fit
    python tests/fit_roles.py --write    fit on all sets and write the table

Each sound is also taken with random variations (pitch, filtering, saturation, noise, length), so that the table learns
what a role is rather than a file; drums made by rule are added.  Two nets of one hidden layer are fitted by gradient
descent (Adam: Kingma and Ba, ICLR 2015; MEM), from seeds, with noise on the figures and a penalty on the weights, and
joined into one: the mean of their scores.  Half of the loss is that of the family of roles.  Sets count by the root of
their size, roles about equally, rims less and percussion more.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soxr
from scipy.signal import butter, sosfilt

sys.path.insert(0, str(Path(__file__).parent))
import drum_synthesis
from labelled_sounds import GROUPS, Labelled, recorded

from dossier.measure import roles, sound_shape
from dossier.model.vocabulary import ROLES

VARIATIONS, VARIATIONS_OF_MADE = 3, 1
MADE_OF_EACH = 60
LONGEST_S = 2.5  # of a recorded sound, so that its variations cost less
UNITS, SEEDS, EPOCHS, BATCH = 24, (0, 1), 30, 64
RATE, NOISE, PENALTY, FAMILY = 3e-3, 0.4, 0.02, 0.5
COMMON = {"rim": 0.4, "percussion": 1.5}
_IN_FAMILY = np.array([[GROUPS[a] == GROUPS[b] for b in ROLES] for a in ROLES], dtype=float)


@dataclass(frozen=True)
class Rows:
    """Figures of sounds and their variations."""

    figures: np.ndarray  # (n, features)
    role: np.ndarray  # (n,) index into ROLES
    source: np.ndarray  # (n,) the set that it is left out with
    plain: np.ndarray  # (n,) no variation
    name: np.ndarray


def synthesised(seed: int, each: int) -> Iterator[Labelled]:
    for role in sorted(drum_synthesis.MAKERS):
        for number in range(each):
            samples, rate = drum_synthesis.make(role, number, seed=seed)
            yield Labelled("made", f"made/{role}/{number}", "one-shot", role, samples, rate)


def varied(sound: Labelled, number: int) -> Labelled:
    g = np.random.default_rng([number, *sound.name.encode()])
    x, rate = sound.samples.astype(np.float64), sound.rate_hz
    x = soxr.resample(x, rate * 2.0 ** (g.uniform(-3, 3) / 12), rate, quality="MQ")
    if g.random() < 0.3:
        x = sosfilt(butter(1, min(g.uniform(5000, 12000), 0.45 * rate), fs=rate, output="sos"), x, axis=0)
    if g.random() < 0.3:
        x = sosfilt(butter(1, g.uniform(30, 150), "high", fs=rate, output="sos"), x, axis=0)
    if g.random() < 0.3:
        x = np.tanh(x / np.abs(x).max() * g.uniform(1, 4))
    if g.random() < 0.3:
        x = x + np.abs(x).max() * 10.0 ** (-g.uniform(45, 65) / 20) * g.standard_normal(x.shape)
    if g.random() < 0.3:
        x = x[: max(int(0.05 * rate), int(len(x) * g.uniform(0.35, 0.9)))].copy()
        fade = min(len(x), int(0.01 * rate))
        x[-fade:] *= np.linspace(1, 0, fade)[:, None]
    return Labelled(sound.source, sound.name, sound.kind, sound.role, x.astype(np.float32), rate)


def rows_of(sounds: Iterable[Labelled]) -> Rows:
    """Figures of the sounds that have a role, and of their variations."""
    found: list[tuple[np.ndarray, int, str, bool, str]] = []
    for sound in sounds:
        if sound.role is None:
            continue
        count = VARIATIONS_OF_MADE if sound.source == "made" else VARIATIONS
        short = replace(sound, samples=sound.samples[: int(LONGEST_S * sound.rate_hz)])
        for number in range(count + 1):
            taken = varied(short, number) if number else sound
            shape = sound_shape.measure_shape(taken.samples, taken.rate_hz)
            if shape is not None:
                figures = roles.features(shape)
                found.append((figures, ROLES.index(sound.role), sound.source, not number, sound.name))
    return Rows(*(np.array(column) for column in zip(*found, strict=True)))


def _weight(source: np.ndarray, role: np.ndarray) -> np.ndarray:
    weight = np.ones(len(role))
    for one in set(source):
        weight[source == one] /= np.sqrt((source == one).sum())
    for index, name in enumerate(ROLES):
        here = role == index
        weight[here] *= COMMON.get(name, 1.0) / np.sqrt(weight[here].sum() + 1e-9)
    return weight / weight.mean()


def _net(x: np.ndarray, role: np.ndarray, weight: np.ndarray, seed: int) -> list[np.ndarray]:
    g = np.random.default_rng(seed)
    wide, many = x.shape[1], len(ROLES)
    layers = [g.normal(0, wide**-0.5, (wide, UNITS)), np.zeros(UNITS), g.normal(0, UNITS**-0.5, (UNITS, many)),
              np.zeros(many)]  # fmt: skip
    first, second = [np.zeros_like(p) for p in layers], [np.zeros_like(p) for p in layers]
    step = 0
    for epoch in range(EPOCHS):
        rate = RATE * 0.5 * (1 + np.cos(np.pi * epoch / EPOCHS))
        order = g.permutation(len(x))
        for start in range(0, len(x), BATCH):
            some = order[start : start + BATCH]
            seen = x[some] + NOISE * g.standard_normal((len(some), wide))
            inner = np.tanh(seen @ layers[0] + layers[1])
            score = inner @ layers[2] + layers[3]
            likely = np.exp(score - score.max(axis=1, keepdims=True))
            likely /= likely.sum(axis=1, keepdims=True)
            in_family = likely * _IN_FAMILY[role[some]]
            in_family /= np.maximum(in_family.sum(axis=1, keepdims=True), 1e-12)
            wanted = (1 - FAMILY) * np.eye(many)[role[some]] + FAMILY * in_family
            off = (likely - wanted) * weight[some][:, None] / len(some)
            back = (off @ layers[2].T) * (1 - inner**2)
            step += 1
            for k, slope in enumerate((seen.T @ back, back.sum(axis=0), inner.T @ off, off.sum(axis=0))):
                first[k] = 0.9 * first[k] + 0.1 * slope
                second[k] = 0.99 * second[k] + 0.01 * slope**2
                moved = first[k] / (1 - 0.9**step) / (np.sqrt(second[k] / (1 - 0.99**step)) + 1e-8)
                layers[k] -= rate * (moved + PENALTY * layers[k] * (k in (0, 2)))
    return layers


def fit(rows: Rows, used: np.ndarray) -> roles.RoleWeights:
    """Weights fitted on the rows that are `used`."""
    x, role, source = rows.figures[used], rows.role[used], rows.source[used]
    centre, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    scaled = np.clip((x - centre) / spread, -roles._FARTHEST, roles._FARTHEST)
    nets = [_net(scaled, role, _weight(source, role), seed) for seed in SEEDS]
    return roles.RoleWeights(
        centre=centre, spread=spread, inner=np.concatenate([net[0] for net in nets], axis=1),
        inner_bias=np.concatenate([net[1] for net in nets]),
        outer=np.concatenate([net[2] for net in nets]) / len(nets), outer_bias=sum(net[3] for net in nets) / len(nets),
    )  # fmt: skip


def told_by(weights: roles.RoleWeights, figures: np.ndarray) -> list[str]:
    """The role that `roles.role_of` would tell by other weights."""
    likely = weights.probabilities(figures)
    family = likely @ np.array([[role in roles_ for roles_ in roles.FAMILIES] for role in ROLES], dtype=float)
    best = [max(roles.FAMILIES[k], key=lambda role, p=p: p[ROLES.index(role)])
            for k, p in zip(family.argmax(axis=1), likely, strict=True)]  # fmt: skip
    return list(best)


def left_out(rows: Rows) -> dict[str, list[tuple[str, str, str]]]:
    """For each recorded set (name, role, told): what a table fitted without the set tells of its sounds."""
    found = {}
    for source in sorted(set(rows.source) - {"made"}):
        tested = (rows.source == source) & rows.plain
        told = told_by(fit(rows, rows.source != source), rows.figures[tested])
        true = [ROLES[index] for index in rows.role[tested]]
        found[source] = list(zip(rows.name[tested], true, told, strict=True))
    return found


def share(pairs: Sequence[tuple[str, str, str]]) -> str:
    right = sum(GROUPS[role] == GROUPS[told] for _, role, told in pairs)
    exact = sum(role == told for _, role, told in pairs)
    return f"family of roles {right}/{len(pairs)} = {right / len(pairs):.1%}, exact {exact / len(pairs):.1%}"


def write(weights: roles.RoleWeights, target: Path) -> None:
    with target.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["unit", "bias", *roles.FEATURES, *ROLES])
        blank = [""] * len(ROLES)
        table.writerow(["centre", "", *(f"{v:.4f}" for v in weights.centre), *(f"{v:.3f}" for v in weights.outer_bias)])
        table.writerow(["spread", "", *(f"{v:.4f}" for v in weights.spread), *blank])
        for k, bias in enumerate(weights.inner_bias):
            row = [bias, *weights.inner[:, k], *weights.outer[k]]
            table.writerow([k, *(f"{value:.3f}" for value in row)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="fit on all sets and write the table")
    arguments = parser.parse_args()
    rows = rows_of([*recorded(), *synthesised(1, MADE_OF_EACH)])
    if arguments.write:
        write(fit(rows, np.ones(len(rows.role), dtype=bool)), Path(roles.__file__).parent / "role_weights.csv")
        return
    every: list[tuple[str, str, str]] = []
    for source, pairs in left_out(rows).items():
        print(f"{source}: {share(pairs)}")
        every += pairs
    print(f"all, each set left out of the fit: {share(every)}")


if __name__ == "__main__":
    main()
