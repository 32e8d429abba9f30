"""Fit the table of role prototypes, `dossier/measure/role_prototypes.csv`, and print how well it does on sets left out.

    python tests/fit_roles.py            print the accuracies with each set left out
    python tests/fit_roles.py --write    fit on all sets and write the table

Sets: the CC0 sounds, the GM kits of each installed soundfont, the patches of `freepats`, drums made by rule.  Each
sound is also taken with random variations (pitch, filtering, saturation, noise, length), so that the table learns what
a role is rather than a file.  The Debian packages that were there when the table was written: sonic-pi-samples,
fluid-soundfont-gm, timgm6mb-soundfont, opl3-soundfont, freepats.
Each role is a mixture of Gaussians with independent figures, fitted by expectation maximisation from a seeded k-means.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import soxr
from scipy.signal import butter, sosfilt

sys.path.insert(0, str(Path(__file__).parent))
import drum_synthesis
from labelled_sounds import GROUPS, SOUNDFONTS, Labelled, cc0, kit, kits, patches

from dossier.measure import roles, sound_shape

PROTOTYPES, WIDE_PROTOTYPES = 5, {"percussion": 16}
VARIATIONS, VARIATIONS_OF_MADE = 5, 1
MADE_OF_EACH = 120
LONGEST_S = 2.5  # of a recorded sound, so that its variations cost less
LEAST_SPREAD = 0.3  # in standard deviations of all sounds


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


def figures(sound: Labelled) -> np.ndarray | None:
    shape = sound_shape.measure_shape(sound.samples, sound.rate_hz)
    if shape is None:
        return None
    return roles.features(shape)


def mixture(x: np.ndarray, count: int, floor: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights, means and spreads of a mixture of Gaussians with independent figures."""
    g = np.random.default_rng(0)
    scale = x.std(axis=0) + 1e-9
    best = (np.inf, np.zeros(0, dtype=int))
    for _ in range(8):
        centres = x[g.choice(len(x), count, replace=False)]
        for _ in range(40):
            near = (((x[:, None] - centres) / scale) ** 2).sum(axis=2).argmin(axis=1)
            centres = np.array([x[near == k].mean(axis=0) if (near == k).any() else centres[k] for k in range(count)])
        cost = float((((x - centres[near]) / scale) ** 2).sum())
        if cost < best[0] - 1e-9:
            best = cost, near
    share = np.eye(count)[best[1]]
    for _ in range(60):
        size = share.sum(axis=0) + 1e-9
        weights = size / size.sum()
        means = (share.T @ x) / size[:, None]
        spreads = np.sqrt((share.T @ x**2) / size[:, None] - means**2 + floor**2)
        logs = np.log(weights) - 0.5 * (((x[:, None] - means) / spreads) ** 2).sum(axis=2) - np.log(spreads).sum(axis=1)
        share = np.exp(logs - logs.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
    return weights, means, spreads


def fit(x: np.ndarray, names: np.ndarray) -> tuple[tuple[str, ...], np.ndarray, np.ndarray, np.ndarray]:
    floor = LEAST_SPREAD * x.std(axis=0)
    rows: list[tuple[str, float, np.ndarray, np.ndarray]] = []
    for role in sorted(set(names)):
        count = WIDE_PROTOTYPES.get(role, PROTOTYPES)
        for weight, mean, spread in zip(*mixture(x[names == role], count, floor), strict=True):
            rows.append((role, float(weight), mean, spread))
    return (
        tuple(r[0] for r in rows),
        np.array([r[1] for r in rows]),
        np.array([r[2] for r in rows]),
        np.array([r[3] for r in rows]),
    )


def same(told: str, role: str) -> bool:
    return GROUPS[told] == GROUPS[role]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true")
    arguments = parser.parse_args()
    sounds = [sound for sound in cc0() if sound.role] + list(patches()) + list(synthesised(1, MADE_OF_EACH))
    for font in sorted(path.name for path in SOUNDFONTS.glob("*.sf2") if not path.is_symlink()):
        sounds += list(kits(font, font))
        sounds += list(kit(font, 0, font, velocity=60, reverb=True))
    rows = []
    for sound in sounds:
        made = sound.source == "made"
        rows.append((sound, figures(sound), 0))
        short = replace(sound, samples=sound.samples[: int(LONGEST_S * sound.rate_hz)])
        count = VARIATIONS_OF_MADE if made else VARIATIONS
        rows.extend((sound, figures(varied(short, k)), k) for k in range(1, count + 1))
    rows = [row for row in rows if row[1] is not None]
    x = np.array([row[1] for row in rows])
    source, name = np.array([r[0].source for r in rows]), np.array([r[0].role for r in rows])
    plain = np.array([r[2] == 0 for r in rows])
    for left_out in sorted(set(source)):
        table = fit(x[source != left_out], name[source != left_out])
        roles._prototypes = lambda table=table: table
        tested = (source == left_out) & plain
        right = np.array([same(roles.role_of(f)[0], r) for f, r in zip(x[tested], name[tested], strict=True)])
        print(f"{left_out}: {right.sum()} of {len(right)} ({right.mean():.1%}) with the set left out")
    table = fit(x, name)
    roles._prototypes = lambda: table
    right = np.array([same(roles.role_of(f)[0], r) for f, r in zip(x[plain], name[plain], strict=True)])
    print(f"all: {right.mean():.1%} with all sets fitted")
    if arguments.write:
        header = ["role", "weight", *roles.FEATURES, *(f"{feature}_spread" for feature in roles.FEATURES)]
        lines = [
            "# Prototypes of the roles of drums: roles.py has the figures, tests/fit_roles.py how they were fitted."
        ]
        lines.append(",".join(header))
        for role, weight, mean, spread in zip(*table, strict=True):
            lines.append(",".join([role, f"{weight:.3f}", *(f"{value:.3f}" for value in [*mean, *spread])]))
        target = Path(roles.__file__).parent / "role_prototypes.csv"
        target.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
