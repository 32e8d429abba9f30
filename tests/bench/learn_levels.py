"""Learn how loud drum parts are against the music, from pieces whose authors set the levels, and test what was learnt.

    python tests/bench/learn_levels.py FOLDER... [--constants | --figures | --shares | --taste]

A folder is one sound set: it holds finished pieces, each a folder with

    stems/*       the music's stems, at the author's levels
    drums/ROLE.*  one-shots at full velocity, at the author's levels
    groove.mid    the drums' notes on channel 10, General MIDI; a velocity v means 40 log10(v / 127) dB
    facts.json    song, tempo, meter, bars, bus_lu (all drums less the music, LU), and parts: role, file, level_lu (the
                  part less the music, LU, as the author's mix plays it), usable (the one-shot laid by the groove is
                  within 3 dB of the author's own sound)

A piece's collection is what stands before the first hyphen of its name.  The same names in two folders are the same
pieces through two sound sets.

The usual levels in the policy come from General MIDI songs of the Debian packages openttd-openmsx,
planetblupi-music-midi and simutrans-data (its songs numbered below 28), played by libfluidsynth3 (no reverb, no chorus,
gain 0.3) through the sound sets of fluid-soundfont-gm and musescore-general-soundfont-small; `apt-get download` and
`dpkg -x` give the files without installing them.  Of each song at most 24 s, the busiest whole bars of one tempo and
meter, with every channel a stem and every drum role, kept by its most frequent note, a one-shot.  Game music has softer
drums than beats have: what should carry over are the slopes and how roles stand to one another.

Printed: how the levels spread; slopes; and errors of the model and of simpler ways, in dB: absolute, and relative,
i.e. with the piece's median error taken away.  Whole collections are left out, in both sound sets at once.  In
brackets are 95 % intervals, pieces resampled.  `--constants` prints the figures as Python; `--figures` prints nothing
else than each part's, as in tests/data/levels_people_set.csv, sets and pieces numbered, collections lettered.
`--shares` prints nothing else than how much is heard of each part at its author's level, beside the music and the
other parts: the policy's `covered_*` are the 10th percentiles over all sets, of kicks and toms, and of the rest.
`--taste` prints errors on the other pieces of a collection after learning a taste from n of them, the default learnt
from the other collections.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from string import ascii_lowercase

import numpy as np
import soundfile
from msgspec.structs import replace

from dossier.arrange import midi, one_shots
from dossier.decide import balance, taste
from dossier.decide.policy import DEFAULTS
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.model.measures import Grid
from dossier.model.usual import HeardPart, HeardPiece, RoleLevel, UsualLevels
from dossier.model.vocabulary import INTENTS, ROLES, Intent

GROUPS = {"kick": "kick", "snare": "snare", "clap": "snare", "rim": "snare", "closed-hat": "hat", "open-hat": "hat",
          "shaker": "hat", "ride": "cymbal", "crash": "cymbal", "tom": "other", "percussion": "other"}  # fmt: skip
FEWEST = 10  # pieces; the median of a role with fewer leans on its group's
LEAN = 3.0  # by n / (n + LEAN)
SOFTEST_DB = -20.0  # music at a part's hits that is softer than this counts as this
RESAMPLED = 2000
LOWS = ("kick", "tom")
ENDS = {"tucked": 20, "forward": 90}  # percentiles; all drums' usual level is the mean


@dataclass(eq=False)
class Part:
    role: str
    usable: bool
    level: float  # LU against the music, in the author's mix
    peak: float  # sample peak less the music's loudness, dB
    laid: float  # integrated loudness as it plays, LUFS
    hit: float  # hit level as it plays, dB
    velocity: float  # dB
    music_at_hits: float  # dB
    energy: np.ndarray
    piece: Piece

    def to_level(self, usual: UsualLevels, *, velocity: bool) -> balance.PartToLevel:
        written = self.velocity - usual.roles[self.role].velocity_db if velocity else 0.0
        return balance.PartToLevel(self.role, "level", self.laid, self.energy, self.hit, written)


@dataclass(eq=False)
class Piece:
    name: str
    sounds: str
    music: float  # LUFS
    all_drums: float  # LU against the music
    under_mix: float  # LU, the mix less the music
    kit: float  # LU against the music, the parts alone: without the notes that no part plays
    parts: list[Part] = field(default_factory=list)

    @property
    def collection(self) -> str:
        return self.name.split("-")[0]

    @property
    def usable(self) -> list[Part]:
        return [part for part in self.parts if part.usable]


# ---- measuring


def read(path: Path) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    return (np.repeat(samples, 2, axis=1) if samples.shape[1] == 1 else samples), rate


def in_lufs(power: float) -> float:
    return loudness.OFFSET_DB + 10.0 * float(np.log10(max(power, 1e-30)))


def measured(folder: Path) -> Piece | None:
    facts = json.loads((folder / "facts.json").read_text())
    stems = [read(path) for path in sorted((folder / "stems").iterdir())]
    rate = stems[0][1]
    frames = max(len(samples) for samples, _ in stems)
    music, drums = np.zeros((frames, 2)), np.zeros((frames, 2))
    for samples, _ in stems:
        music[: len(samples)] += samples
    energy = loudness.block_energy(music, rate)
    level = loudness.integrated_from_blocks(energy)
    if level is None:
        return None
    so_far = np.concatenate([[0.0], np.cumsum(energy)])
    meter = tuple(facts["meter"])
    grid = Grid(facts["tempo"], "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, meter, facts["bars"])
    voices = one_shots.voices(grid, midi.read((folder / "groove.mid").read_bytes(), meter=meter), {}, [])
    piece = Piece(facts["song"], folder.parent.name, level, facts["bus_lu"], 0.0, facts["bus_lu"])
    for told in facts["parts"]:
        voice = voices.get(told["role"])
        if voice is None or told.get("level_lu") is None:
            continue
        hit, laid = read(folder / told["file"])[0], np.zeros((frames, 2))
        one_shots.add_samples(laid, hit, rate, voice)
        drums += laid
        blocks = loudness.block_energy(laid, rate)
        as_it_plays = loudness.integrated_from_blocks(blocks)
        if as_it_plays is None:
            continue
        velocity = 20.0 * float(np.log10(max(voice.gains)))
        begins = np.clip(np.array(voice.starts_s) / 0.1, 0.0, len(energy) - 1)
        at_hits = float(np.mean([np.interp(t + 1, range(len(so_far)), so_far) - np.interp(t, range(len(so_far)), so_far)
                                 for t in begins]))  # fmt: skip
        piece.parts.append(
            Part(
                role=told["role"], usable=told["usable"], level=told["level_lu"], peak=told["peak_db"],
                laid=as_it_plays, hit=(loudness.hit_energy(hit, rate)[1] or -120.0) + velocity - as_it_plays,
                velocity=velocity,
                music_at_hits=max(in_lufs(at_hits) - level, SOFTEST_DB), energy=blocks, piece=piece,
            )
        )  # fmt: skip
    piece.under_mix = (loudness.integrated(music + drums, rate) or level) - level
    piece.kit = (loudness.integrated(drums, rate) or level + piece.all_drums) - level
    return piece


def shares(folder: Path, piece: Piece) -> list[tuple[str, float]]:
    """Role and audible share, 0-1, of every usable part, all parts at their author's levels."""
    facts = json.loads((folder / "facts.json").read_text())
    stems = [read(path) for path in sorted((folder / "stems").iterdir())]
    rate, meter = stems[0][1], tuple(facts["meter"])
    music = np.zeros((max(len(samples) for samples, _ in stems), 2))
    for samples, _ in stems:
        music[: len(samples)] += samples
    grid = Grid(facts["tempo"], "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, meter, facts["bars"])
    edges = grid.frame_edges_s()
    powers = hearing.slot_powers(hearing.band_energies(music, rate), edges)
    voices = one_shots.voices(grid, midi.read((folder / "groove.mid").read_bytes(), meter=meter), {}, [])
    target, spl = DEFAULTS["target_lufs"], DEFAULTS["listening_level"]
    scene = in_beat.scene(
        powers, active=occ.active_frames(powers), kept=occ.kept_share(0.0, 0.0, 0.0),
        spl_offset_db=spl - piece.under_mix - piece.music,
        reference=occ.reference_of(occ.reference_powers(target_lufs=target), target_lufs=target, listening_level=spl),
        k_weights=10.0 ** (loudness.k_weight_db(hearing.FINE_HZ) / 10.0),
    )  # fmt: skip
    files = {told["role"]: folder / told["file"] for told in facts["parts"]}
    placed = []
    for part in piece.parts:
        energies = hearing.band_energies(read(files[part.role])[0], rate)
        laid = one_shots.lay_energies(energies, voices[part.role], edges)
        placed.append(in_beat.place(scene, laid, gain_db=part.level + piece.music - part.laid))
    total = np.sum([one.excitation for one in placed], axis=0)
    return [
        (part.role, in_beat.measure(scene, one, total - one.excitation).audible_share)
        for part, one in zip(piece.parts, placed, strict=True) if part.usable
    ]  # fmt: skip


def print_shares(sets: Mapping[str, Sequence[tuple[str, float]]]) -> None:
    print(f"audible share{'':21s}   n   5 / 10 / 25 / 50 / 75 %")
    everything = [one for found in sets.values() for one in found]
    for name, found in [*sets.items(), ("all sets", everything)]:
        for label, roles in (("kicks and toms", LOWS), ("other parts", [r for r in ROLES if r not in LOWS])):
            mine = [share for role, share in found if role in roles]
            if mine:
                print(f"{name:18s} {label:15s} {len(mine):4d}  {quantiles(mine, (5, 10, 25, 50, 75), digits=4)}")


# ---- learning


def usual(parts: Sequence[Part], figure: Callable[[Part], float]) -> dict[str, float]:
    """The median of a figure by role, of roles in few pieces shrunk towards that of their group."""
    everything = float(np.median([figure(p) for p in parts]))
    out = {}
    for role in ROLES:
        own = [figure(p) for p in parts if p.role == role]
        n = len({p.piece.name for p in parts if p.role == role})
        group = [figure(p) for p in parts if GROUPS[p.role] == GROUPS[role]]
        wider = float(np.median(group)) if len(group) >= 5 else everything
        weight = 1.0 if n >= FEWEST else n / (n + LEAN)
        out[role] = weight * (float(np.median(own)) if own else 0.0) + (1.0 - weight) * wider
    return out


def learn(
    pieces: Sequence[Piece], *, velocity: bool = True, middle: Callable[[list[float]], float] = np.mean
) -> UsualLevels:
    """The usual level of every role, and all drums' level for every intent.

    The hit level is set so that the model is right for the middle part, not for the middle of each figure alone.
    `middle` of all drums' levels: their mean scatters less from pieces to other pieces than their median does.
    """
    parts = [part for piece in pieces for part in piece.usable]
    level, softer = usual(parts, lambda p: p.level), usual(parts, lambda p: p.velocity)
    whole = usual(parts, lambda p: p.level + p.hit - velocity * p.velocity)
    roles = {}
    for role in ROLES:
        own = [p.level for p in parts if p.role == role] or [level[role]]
        hit = whole[role] - level[role] + velocity * softer[role]
        n = len({p.piece.name for p in parts if p.role == role})
        low, high = np.percentile(own, [25, 75]) if n >= FEWEST else (level[role], level[role])
        roles[role] = RoleLevel(n, level[role], float(low), float(high), hit, softer[role], 0.0, 0.0)
    levels = [piece.all_drums for piece in pieces]
    drums: dict[Intent, float] = {"level": float(middle(levels))}
    low, high, drums["tucked"], drums["forward"] = np.percentile(levels, [25, 75, *ENDS.values()]).tolist()
    about = low - drums["level"], high - drums["level"]
    return UsualLevels(roles, drums, about, len({piece.name for piece in pieces}), "")


def model(train: Sequence[Piece], test: Sequence[Piece], *, offset: bool = True, velocity: bool = True,
          own_sum: bool = False) -> list[float]:  # fmt: skip
    """Levels of the usable parts as the balance gives them; `own_sum`: at the author's all-drums level."""
    return levels_of(learn(train, velocity=velocity), test, offset=offset, velocity=velocity, own_sum=own_sum)


def levels_of(learnt: UsualLevels, test: Sequence[Piece], *, offset: bool = True, velocity: bool = True,
              own_sum: bool = False) -> list[float]:  # fmt: skip
    out = []
    for piece in test:
        parts = [part.to_level(learnt, velocity=velocity) for part in piece.parts]
        told = replace(learnt, all_drums_lu=dict.fromkeys(INTENTS, piece.kit)) if own_sum else learnt
        if offset:
            gains = balance.solve(parts, music_lufs=piece.music, intent="level", usual=told,
                                  loudness_of=loudness.integrated_from_blocks)  # fmt: skip
            levels = [part.integrated_lufs + gain - piece.music for part, gain in zip(parts, gains, strict=True)]
        else:
            levels = [balance.usual_level(part, told) for part in parts]
        out += [level for level, part in zip(levels, piece.parts, strict=True) if part.usable]
    return out


def by_role(figure: Callable[[Part], float]) -> Callable[[Sequence[Piece], Sequence[Piece]], list[float]]:
    """A baseline: a role's median of `figure`, which rises dB by dB with the part's level."""

    def way(train: Sequence[Piece], test: Sequence[Piece]) -> list[float]:
        middle = usual([part for piece in train for part in piece.usable], figure)
        return [middle[p.role] - figure(p) + p.level for piece in test for p in piece.usable]

    return way


def equally_loud(train: Sequence[Piece], test: Sequence[Piece]) -> list[float]:
    level = float(np.median([p.level for piece in train for p in piece.usable]))
    return [level for piece in test for _ in piece.usable]


# ---- slopes


def centred(values: np.ndarray, *keys: Sequence[str]) -> np.ndarray:
    """Less the means of every key's groups, together (alternating projections)."""
    out = values - values.mean(axis=0)
    for _ in range(50):
        for key in keys:
            _, index = np.unique(key, return_inverse=True)
            sums = np.zeros((index.max() + 1, out.shape[1]))
            np.add.at(sums, index, out)
            out = out - (sums / np.bincount(index)[:, None])[index]
    return out


def fit(rows: np.ndarray) -> np.ndarray:
    """Least squares of the first column on the others."""
    return np.linalg.lstsq(rows[:, 1:], rows[:, 0], rcond=None)[0]


def table_of(pieces: Sequence[Piece], figures: Sequence[str], *, within_pieces: bool) -> tuple[np.ndarray, list[str]]:
    """Levels and figures of the parts of common roles, less the means of their role (and piece), and pieces' names."""
    common = {r for r in ROLES if len({p.piece.name for q in pieces for p in q.usable if p.role == r}) >= FEWEST}
    parts = [p for piece in pieces for p in piece.usable if p.role in common]
    table = np.array([[p.level, *(getattr(p, figure) for figure in figures)] for p in parts])
    keys = [[f"{p.piece.sounds}/{p.role}" for p in parts], [f"{p.piece.sounds}/{p.piece.name}" for p in parts]]
    return centred(table, *keys[: 1 + within_pieces]), [p.piece.name for p in parts]


def slopes_of(pieces: Sequence[Piece], figures: Sequence[str], *, within_pieces: bool) -> str:
    """Slopes of the level on the figures, with intervals."""
    table, names = table_of(pieces, figures, within_pieces=within_pieces)
    by_piece = [table[[n == name for n in names]] for name in sorted(set(names))]
    rng = np.random.default_rng(1)
    draws = [fit(np.concatenate([by_piece[k] for k in rng.integers(0, len(by_piece), len(by_piece))]))
             for _ in range(500)]  # fmt: skip
    low, high = np.percentile(draws, [2.5, 97.5], axis=0)
    return "   ".join(f"{name} {b:+.2f} [{lo:+.2f} {hi:+.2f}]"
                      for name, b, lo, hi in zip(figures, fit(table), low, high, strict=True))  # fmt: skip


def fitted(train: Sequence[Piece], test: Sequence[Piece]) -> list[float]:
    """The model with slopes as `train` has them, the music's level at the hits among them; no offset."""
    figures = ("hit", "velocity", "music_at_hits")
    slopes = fit(table_of(train, figures, within_pieces=False)[0])
    terms = dict(zip(figures, slopes, strict=True))
    return by_role(lambda p: p.level - sum(slope * getattr(p, f) for f, slope in terms.items()))(train, test)


# ---- testing


def held_out(way: Callable, train: Sequence[Piece], test: Sequence[Piece], *, collections: bool = True) -> np.ndarray:
    """Error of every usable part of `test`, in its order, with the part's collection left out of `train`."""
    errors: dict[Part, float] = {}
    for name in sorted({piece.collection for piece in test}) if collections else [None]:
        asked = [piece for piece in test if name in (None, piece.collection)]
        given = [piece for piece in train if name is None or piece.collection != name]
        parts = [part for piece in asked for part in piece.usable]
        errors |= {part: level - part.level for part, level in zip(parts, way(given, asked), strict=True)}
    return np.array([errors[part] for piece in test for part in piece.usable])


def relative(test: Sequence[Piece], errors: np.ndarray) -> np.ndarray:
    """Errors less their piece's median; NaN in pieces of one part."""
    out, at = np.full(len(errors), np.nan), 0
    for piece in test:
        mine = slice(at, at := at + len(piece.usable))
        if len(piece.usable) >= 2:
            out[mine] = errors[mine] - np.median(errors[mine])
    return out


def interval(test: Sequence[Piece], values: np.ndarray) -> tuple[float, float, float]:
    """Mean and 95 % interval, pieces (in all their sound sets) resampled."""
    names = [piece.name for piece in test for _ in piece.usable]
    sums, counts = defaultdict(float), defaultdict(int)
    for name, value in zip(names, values, strict=True):
        if not np.isnan(value):
            sums[name] += value
            counts[name] += 1
    total, n = np.array(list(sums.values())), np.array(list(counts.values()))
    drawn = np.random.default_rng(1).integers(0, len(total), (RESAMPLED, len(total)))
    low, high = np.percentile(total[drawn].sum(axis=1) / n[drawn].sum(axis=1), [2.5, 97.5])
    return float(total.sum() / n.sum()), float(low), float(high)


def told(test: Sequence[Piece], values: np.ndarray) -> str:
    mean, low, high = interval(test, values)
    return f"{mean:6.2f} [{low:5.2f} {high:5.2f}]"


LEVEL, PEAK, MODEL = "role's usual level (B0)", "role's usual sample peak (B1)", "model"
MEDIAN = "model, all drums' median"
WAYS: dict[str, Callable] = {
    LEVEL: by_role(lambda p: p.level),
    PEAK: by_role(lambda p: p.peak),
    "all equally loud (B2)": equally_loud,
    MODEL: model,
    MEDIAN: lambda train, test: levels_of(learn(train, middle=np.median), test),
    "model, no offset": lambda train, test: model(train, test, offset=False),
    "model, velocity unread": lambda train, test: model(train, test, velocity=False),
    "  the same, no offset": lambda train, test: model(train, test, velocity=False, offset=False),
    "model, own all-drums level": lambda train, test: model(train, test, own_sum=True),
    "slopes fitted, no offset": fitted,
    "peak of the file (no offset)": by_role(lambda p: p.peak - p.velocity),
}


def compare(title: str, train: Sequence[Piece], test: Sequence[Piece], against: str, *, collections: bool) -> None:
    print(f"\n# {title}: {len(test)} pieces, {sum(len(p.usable) for p in test)} parts; differences to {against}")
    print(f"{'':31s} bias   absolute             relative             difference absolute   difference relative")
    found = {name: held_out(way, train, test, collections=collections) for name, way in WAYS.items()}
    base = found[against]
    for name, errors in found.items():
        rel, other = relative(test, errors), relative(test, base)
        print(f"{name:31s}{np.median(errors):+5.1f} {told(test, np.abs(errors))} {told(test, np.abs(rel))} "
              f"{told(test, np.abs(errors) - np.abs(base))} {told(test, np.abs(rel) - np.abs(other))}")  # fmt: skip
    print(f"{'model less the one with the median':54s}{told(test, np.abs(found[MODEL]) - np.abs(found[MEDIAN]))}")


def taste_of(pieces: Sequence[Piece], usual: UsualLevels, lean: float) -> UsualLevels:
    """The default moved by what is learnt from pieces whose velocities are known, as `dossier learn` does it."""
    heard = [HeardPiece(piece.name, piece.all_drums, tuple(
        HeardPart(p.role, p.level, p.hit - p.velocity + usual.roles[p.role].velocity_db) for p in piece.usable
    )) for piece in pieces]  # fmt: skip
    found = {one.role: one.level_lu for one in taste.learn(heard, {**DEFAULTS, "taste_lean": lean}, usual)}
    level = usual.all_drums_lu["level"]
    louder = (level if found[None] is None else found[None]) - level
    roles = {role: replace(of, level_lu=of.level_lu + louder if found.get(role) is None else found[role])
             for role, of in usual.roles.items()}  # fmt: skip
    return replace(usual, roles=roles, all_drums_lu={name: of + louder for name, of in usual.all_drums_lu.items()})


def print_taste(pieces: Sequence[Piece]) -> None:
    rng = np.random.default_rng(3)
    print("errors, dB, absolute / relative, by `taste_lean`; the last is the default")
    for n in (4, 8, 16):
        errors = defaultdict(list)
        for name in sorted({piece.collection for piece in pieces}):
            own = [piece for piece in pieces if piece.collection == name]
            base = learn([piece for piece in pieces if piece.collection != name])
            for _ in range(20 if len(own) >= n + 2 else 0):
                drawn = [own[k] for k in rng.permutation(len(own))]
                for lean in (0.0, 2.0, 4.0, 8.0, 16.0, 1e9):
                    told = levels_of(taste_of(drawn[:n], base, lean), drawn[n:])
                    wrong = np.array(told) - [part.level for piece in drawn[n:] for part in piece.usable]
                    errors[lean].append((np.abs(wrong).mean(), np.nanmean(np.abs(relative(drawn[n:], wrong)))))
        print(f"n = {n:2d}  " + "   ".join(f"{lean:g}: {a:.2f} / {b:.2f}" for lean, (a, b) in
              ((lean, np.mean(found, axis=0)) for lean, found in errors.items())))  # fmt: skip


# ---- report


def quantiles(values: Iterable[float], q: Sequence[float] = (5, 25, 50, 75, 95), *, digits: int = 1) -> str:
    return " ".join(f"{v:6.{digits}f}" for v in np.percentile(list(values), q))


def spread(pieces: Sequence[Piece]) -> None:
    print(f"{len(pieces)} pieces; 5 / 25 / 50 / 75 / 95 %")
    print(f"{'all drums, LU':15s}      {quantiles(p.all_drums for p in pieces)}"
          f"   20 / 90 %: {quantiles((p.all_drums for p in pieces), list(ENDS.values()))}"
          f"   mean {np.mean([p.all_drums for p in pieces]):.2f}")  # fmt: skip
    print(f"{'mix - music, LU':15s}      {quantiles((p.under_mix for p in pieces), digits=2)}")
    names = ("level, LU", "hit level, dB", "velocity, dB", "music at hits, dB", "sample peak less music, dB")
    print(f"{'role':15s}{'n':>4s}  " + "  ".join(f"{name:34s}" for name in names))
    for role in ROLES:
        mine = [p for piece in pieces for p in piece.usable if p.role == role]
        if mine:
            columns = ([getattr(p, f) for p in mine] for f in ("level", "hit", "velocity", "music_at_hits", "peak"))
            print(f"{role:15s}{len(mine):4d}  " + "  ".join(quantiles(c) for c in columns))


def constants(pieces: Sequence[Piece]) -> None:
    """What the policy holds; errors with the collection left out, at the author's own all-drums level."""
    learnt = learn(pieces)
    errors = -held_out(lambda train, test: model(train, test, own_sum=True), pieces, pieces)
    parts = [part for piece in pieces for part in piece.usable]
    for role, of in learnt.roles.items():
        mine = errors[[of.n < FEWEST or part.role == role for part in parts]]
        low, high = np.percentile(mine, [25, 75])
        figures = (of.level_lu, of.low_lu, of.high_lu, of.hit_level_db, of.velocity_db, min(low, 0.0), max(high, 0.0))
        print(f'        "{role}": RoleLevel({of.n}, {", ".join(f"{v:.1f}" for v in figures)}),')
    print({intent: round(level, 1) for intent, level in learnt.all_drums_lu.items()}, learnt.all_drums_range_db)


def print_figures(sets: Sequence[Sequence[Piece]]) -> None:
    names: dict[str, list[str]] = defaultdict(list)
    for name, collection in sorted({(piece.name, piece.collection) for found in sets for piece in found}):
        names[collection].append(name)
    ids = {name: f"{letter}-{number:02d}" for letter, collection in zip(ascii_lowercase, names, strict=False)
           for number, name in enumerate(names[collection], 1)}  # fmt: skip
    print("sounds,piece,all_drums_lu,role,level_lu,peak_db,hit_db,velocity_db")
    for sounds, found in enumerate(sets, 1):
        for piece in found:
            for p in piece.usable:
                print(f"{sounds},{ids[piece.name]},{piece.all_drums:.2f},{p.role},{p.level:.2f},{p.peak:.2f},"
                      f"{p.hit:.2f},{p.velocity:.2f}")  # fmt: skip


def main() -> None:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folders", type=Path, nargs="+")
    arguments.add_argument("--constants", action="store_true")
    arguments.add_argument("--figures", action="store_true")
    arguments.add_argument("--shares", action="store_true")
    arguments.add_argument("--taste", action="store_true")
    asked = arguments.parse_args()
    if asked.shares:
        print_shares({folder.resolve().name: [
            one for path in sorted(folder.resolve().glob("*/facts.json"))
            if (piece := measured(path.parent)) is not None for one in shares(path.parent, piece)
        ] for folder in asked.folders})  # fmt: skip
        return
    sets: dict[str, list[Piece]] = {}
    for folder in asked.folders:
        found = [measured(path.parent) for path in sorted(folder.resolve().glob("*/facts.json"))]
        sets[folder.resolve().name] = [piece for piece in found if piece is not None and piece.usable]
    pieces = [piece for found in sets.values() for piece in found]
    if not pieces:
        raise SystemExit("no pieces: FOLDER/PIECE/facts.json")
    if asked.figures:
        print_figures([*sets.values()])
        return
    if asked.taste:
        for name, found in sets.items():
            print(f"\n# {name}: ", end="")
            print_taste(found)
        return
    for name, found in [*sets.items(), ("all sets", pieces)]:
        print(f"\n# {name}: ", end="")
        spread(found)
        for label, within in (("within roles", False), ("within roles and pieces", True)):
            for figures in (["hit", "music_at_hits"], ["hit", "velocity", "music_at_hits"]):
                print(f"slopes {label}: {slopes_of(found, figures, within_pieces=within)}")
    for name, found in sets.items():
        compare(f"{name}, learnt from itself, collections left out", found, found, LEVEL, collections=True)
        compare(f"{name}, learnt from all sets, collections left out", pieces, found, LEVEL, collections=True)
        others = [piece for piece in pieces if piece.sounds != name]
        if others:
            compare(f"{name}, learnt from the others", others, found, PEAK, collections=False)
            compare(f"{name}, learnt from the others, collections left out", others, found, PEAK, collections=True)
    if asked.constants:
        constants(pieces)


if __name__ == "__main__":
    main()
