"""How unevenly finished mixes play: what makes a fill of 100 % mean what finished mixes carry.

    python tests/bench/learn_frame_spread.py FOLDER... [--table FILE.csv]

A folder is one sound set: it holds finished pieces, each a folder with

    stems/*       the music's stems, at the author's levels
    drums/ROLE.*  one-shots at full velocity, at the author's levels
    groove.mid    the drums' notes on channel 10, General MIDI; a velocity v means 40 log10(v / 127) dB
    facts.json    song, tempo, meter, bars, and parts: role and file of each one-shot

A piece's collection is what stands before the first hyphen of its name.

Of every finished mix (stems and drums at the author's gains): x, the excitation of each frame of 100 ms in each band
over that of the mix's mean power.  Excitation, not power in fine bands: a band that rests is filled by its neighbours,
and x of fine bands overstates how much (1.06 instead of 1.01).

Printed: fill of each mix against its own mean spectrum, plain and with x pooled from the other collections (1 is
right); against the default reference that of the mix, and of the music alone at its place under a mix of usual levels;
thirds of the latter, with 95 % intervals (pieces resampled), which are the limits of open and full in
`dossier.decide.policy`; and what steady noise fills.  `--table` writes x, the package's frame_spread.csv.

The package's figures come from General MIDI songs of the Debian packages openttd-openmsx, planetblupi-music-midi and
simutrans-data (its songs numbered below 28), played by libfluidsynth3 (no reverb, no chorus, gain 0.3) through the
sound sets of fluid-soundfont-gm and musescore-general-soundfont-small; `apt-get download` and `dpkg -x` give the files
without installing them.  Of each song at most 24 s, the busiest whole bars of one tempo and meter, with every channel a
stem and every drum role, kept by its most frequent note, a one-shot: 112 mixes of 56 pieces.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from dossier.arrange import midi, one_shots
from dossier.decide.policy import USUAL
from dossier.measure import hearing, loudness, occupancy
from dossier.model.measures import Grid
from dossier.model.vocabulary import ZONE_KEYS

FRAME_S = 0.1
PARTS = 20
TARGET_LUFS, LISTENING_DB = -16.0, 75.0
THIRDS = (100.0 / 3.0, 200.0 / 3.0)
RESAMPLED = 1000
HEAD = """\
# x of frames of 100 ms in finished mixes: excitation over that of the mix's mean power. A column a band, from the
# lowest; a row a twentieth of the frames, softest first: its mean. Made by tests/bench/learn_frame_spread.py.
"""


@dataclass(eq=False)
class Mix:
    name: str
    sounds: str
    powers: np.ndarray  # (fine,) mean power of the mix at the target loudness
    uneven: np.ndarray  # (frames, 38) its excitation over that of the mean power
    own: np.ndarray  # (38,) mean specific loudness of the mix
    music: np.ndarray  # (38,) of the music in it

    @property
    def collection(self) -> str:
        return self.name.split("-")[0]


def read(path: Path) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    return (np.repeat(samples, 2, axis=1) if samples.shape[1] == 1 else samples), rate


def measured(folder: Path) -> Mix:
    facts = json.loads((folder / "facts.json").read_text())
    stems = [read(path) for path in sorted((folder / "stems").iterdir())]
    rate = stems[0][1]
    music = np.zeros((max(len(samples) for samples, _ in stems), 2))
    for samples, _ in stems:
        music[: len(samples)] += samples
    mix, meter = music.copy(), tuple(facts["meter"])
    grid = Grid(facts["tempo"], "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, meter, facts["bars"])
    voices = one_shots.voices(grid, midi.read((folder / "groove.mid").read_bytes(), meter=meter), {}, [])
    for told in facts["parts"]:
        if told["role"] in voices:
            one_shots.add_samples(mix, read(folder / told["file"])[0], rate, voices[told["role"]])
    lufs = loudness.integrated(mix, rate)
    assert lufs is not None
    edges = FRAME_S * np.arange(int(len(music) / rate / FRAME_S) + 1)
    music_lufs = loudness.integrated(music, rate)
    assert music_lufs is not None
    gains = (TARGET_LUFS - lufs, TARGET_LUFS - USUAL.mix_over_music_lu("level") - music_lufs)
    powers, alone = (
        10.0 ** (gain / 10.0) * hearing.slot_powers(hearing.band_energies(x, rate), edges)
        for x, gain in zip((mix, music), gains, strict=True)
    )
    active = occupancy.active_frames(powers)
    mean = powers[active].mean(axis=0)
    frames = excited(powers[active])
    uneven = frames / np.maximum(excited(mean), 1e-30)
    return Mix(facts["song"], folder.parent.name, mean, uneven, loud(frames), loud(excited(alone[active])))


def excited(powers: np.ndarray) -> np.ndarray:
    return hearing.excitation(powers, spl_offset_db=LISTENING_DB - TARGET_LUFS)


def loud(excitation: np.ndarray) -> np.ndarray:
    """Mean specific loudness over frames, `(38,)` sone/Cam."""
    return hearing.specific_loudness(excitation).mean(axis=0)


def spread(mixes: list[Mix]) -> np.ndarray:
    """x, `(parts, 38)`: in every band the frames of all mixes sorted, in equal parts, the mean of each."""
    x = np.sort(np.concatenate([mix.uneven for mix in mixes]), axis=0)
    edges = np.linspace(0, len(x), PARTS + 1).round().astype(int)
    return np.add.reduceat(x, edges[:-1], axis=0) / np.diff(edges)[:, None]


def intervals(mixes: list[Mix], values: np.ndarray) -> np.ndarray:
    """95 % intervals of the thirds, pieces (in all their sound sets) resampled."""
    names = sorted({mix.name for mix in mixes})
    by_piece = [values[[mix.name == name for mix in mixes]] for name in names]
    rng = np.random.default_rng(1)
    drawn = (rng.integers(0, len(names), len(names)) for _ in range(RESAMPLED))
    thirds = [np.percentile(np.concatenate([by_piece[k] for k in some]), THIRDS) for some in drawn]
    return np.percentile(thirds, [2.5, 97.5], axis=0)


def line(label: str, values: Iterable[float]) -> None:
    print(f"{label:42s}" + " ".join(f"{v:6.3f}" for v in np.percentile(list(values), [5, 25, 50, 75, 95])))


def main() -> None:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folders", type=Path, nargs="+")
    arguments.add_argument("--table", type=Path)
    asked = arguments.parse_args()
    mixes = [measured(path.parent) for folder in asked.folders for path in sorted(folder.glob("*/facts.json"))]
    weights = occupancy.zone_weights()
    pools = {name: spread([m for m in mixes if m.collection != name]) for name in {m.collection for m in mixes}}
    popular = excited(occupancy.reference_powers(target_lufs=TARGET_LUFS))
    references = [loud(popular * pools[mix.collection]) for mix in mixes]
    fills = np.array([mix.music.sum() / ref.sum() for mix, ref in zip(mixes, references, strict=True)])
    zones = np.array([(weights @ mix.music) / (weights @ ref) for mix, ref in zip(mixes, references, strict=True)])
    print(f"{len(mixes)} mixes of {len({mix.name for mix in mixes})} pieces; 5 / 25 / 50 / 75 / 95 %")
    line("own spectrum, no x", (m.own.sum() / loud(excited(m.powers[None])).sum() for m in mixes))
    line("own spectrum, x of other collections",
         (m.own.sum() / loud(excited(m.powers) * pools[m.collection]).sum() for m in mixes))  # fmt: skip
    line("default reference, mix", (m.own.sum() / ref.sum() for m, ref in zip(mixes, references, strict=True)))
    line("default reference, music alone", fills)
    whole = np.array([(weights @ mix.own) / (weights @ ref) for mix, ref in zip(mixes, references, strict=True)])
    line(f"default reference, {whole.size} zones of mixes", whole.ravel())
    print("\nmusic alone: thirds of fill, and of zones " + ", ".join(ZONE_KEYS))
    for sounds in (*sorted({mix.sounds for mix in mixes}), ""):
        some = np.array([sounds in (mix.sounds, "") for mix in mixes])
        print(f"{sounds or 'all':12s} {np.percentile(fills[some], THIRDS).round(3)}")
        for third, row in zip(("lower", "upper"), np.percentile(zones[some], THIRDS, axis=0), strict=True):
            print(f"{'':12s} {third} " + " ".join(f"{v:5.2f}" for v in row))
    print("95 % of the thirds of fill:", intervals(mixes, fills).round(3).tolist())
    print(f"{zones.size} zones, all together: thirds", np.percentile(zones, THIRDS).round(3))
    steady, carried = hearing.specific_loudness(popular), loud(popular * spread(mixes))
    by_zone = (weights @ steady) / (weights @ carried)
    print(f"steady noise: {steady.sum() / carried.sum():.3f}, zones", by_zone.round(3))
    if asked.table:
        asked.table.write_text(HEAD + "".join(",".join(f"{v:.4g}" for v in row) + "\n" for row in spread(mixes)))


if __name__ == "__main__":
    main()
