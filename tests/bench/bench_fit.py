"""How the fit ranks the drums that authors chose for their own pieces, and what is usual for such drums.

    python tests/bench/bench_fit.py FOLDER... [--every N] [--constants]

Folders hold finished pieces as for learn_levels.py: a folder is a sound set, of the same names the same pieces.  Every
part of a piece is laid by the piece's own groove, at the level that is usual for its role, and so are the drums of the
same role from the other pieces.  Of drums that sound alike (`DISTINCT` of a spread, root mean square over the role
model's features) only one counts, and none that sounds like the piece's own.

Room is kept for a voice, as it is where nothing is said; only what is usual is learnt from the mixes as they are.

Printed: the mean percentile of the author's own drum among the others, with its 95 % interval, pieces resampled; by
role, and by half (weights were chosen on `TUNED`; the other collections are held out); how often a spoiled copy of the
own drum (noise or a beep under its envelope, without lows, without highs) scores above it, and how often it is not
graded poor; how authors' own drums are graded; what is heard of their kicks below 250 Hz (the policy's
`low_end_good_share` and `low_end_covered_share` are the median and the 25th percentile).  A few sounds are most
authors' choice, so part of what is measured is how common a sound is.  The role model was fitted on General MIDI sound
sets too, though on other renderings.  `--constants` prints the policy's `USUAL_FIT`.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from learn_levels import RESAMPLED, read
from msgspec.structs import replace
from scipy.signal import butter, sosfilt

from dossier.arrange import midi, one_shots
from dossier.arrange.pattern import PatternError
from dossier.decide import balance, fit, policy
from dossier.decide.policy import DEFAULTS, USUAL
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.measure.roles import features, role_probabilities, role_weights
from dossier.measure.sound_shape import measure_shape
from dossier.model.findings import Fit
from dossier.model.measures import Grid
from dossier.model.scene import Scene
from dossier.model.vocabulary import ROLES, Role

DISTINCT = 0.1
TUNED = "openttd"
FEWEST = 10  # pieces; roles in fewer are told from all their parts, usable or not
K_WEIGHTS = 10.0 ** (loudness.k_weight_db(hearing.FINE_HZ) / 10.0)
LOW = occ.zone_weights()[:2].sum(axis=0)  # sub and bass


@dataclass(eq=False)
class Sound:
    piece: str
    samples: np.ndarray
    rate: int
    likeness: dict[Role, float]
    shape: np.ndarray


@dataclass(eq=False)
class Row:
    """One drum in one piece."""

    sounds: str
    piece: str
    role: Role | None
    usable: bool
    kind: str  # "own", "other", or how it was spoiled
    fill: float
    fit: Fit
    without_voice: Fit  # the same where no room is kept for a voice
    low_share: float | None  # heard of it below 250 Hz, of what it is there alone, as `stages.low_end` measures it

    @property
    def score(self) -> float:
        return fit.score(self.fit, role=self.role, fill=self.fill, policy=DEFAULTS)[0]


def sound(piece: str, samples: np.ndarray, rate: int) -> Sound | None:
    body = measure_shape(samples, rate)
    if body is None:
        return None
    figures, weights = features(body), role_weights()
    return Sound(piece, samples, rate, role_probabilities(figures), (figures - weights.centre) / weights.spread)


def spoiled(samples: np.ndarray, rate: int) -> dict[str, np.ndarray]:
    width = max(1, rate // 200)
    envelope = np.convolve(np.abs(samples).max(axis=1), np.ones(width) / width, "same")[:, None]
    noise = np.random.default_rng(1).standard_normal((len(samples), 1))
    beep = np.sin(2.0 * np.pi * 1000.0 * np.arange(len(samples)) / rate)[:, None]

    def passed(kind: str, hz: float) -> np.ndarray:
        return np.asarray(sosfilt(butter(4, hz, kind, fs=rate, output="sos"), samples, axis=0))

    return {"noise": np.repeat(noise * envelope, 2, axis=1), "beep": np.repeat(beep * envelope, 2, axis=1),
            "thin": passed("highpass", 400.0), "dull": passed("lowpass", 1000.0)}  # fmt: skip


SPOILING = {"kick": ("noise", "beep", "thin"), "tom": ("noise", "beep", "thin"), "percussion": ("noise", "dull")}


def scene_of(folder: Path) -> tuple[dict, Scene, dict, Grid, float]:
    facts = json.loads((folder / "facts.json").read_text())
    stems = [read(path) for path in sorted((folder / "stems").iterdir())]
    music = np.zeros((max(len(samples) for samples, _ in stems), 2))
    for samples, _ in stems:
        music[: len(samples)] += samples
    meter = tuple(facts["meter"])
    grid = Grid(facts["tempo"], "", 1.0, 0.0, "", 1.0, 0.5, "", 1.0, meter, facts["bars"])
    voices = one_shots.voices(grid, midi.read((folder / "groove.mid").read_bytes(), meter=meter), {}, ())
    level = loudness.integrated(music, stems[0][1])
    assert level is not None
    powers = hearing.slot_powers(hearing.band_energies(music, stems[0][1]), grid.frame_edges_s())
    target, listening = DEFAULTS["target_lufs"], DEFAULTS["listening_level"]
    scene = in_beat.scene(
        powers, active=occ.active_frames(powers), k_weights=K_WEIGHTS,
        kept=occ.kept_share(DEFAULTS["voice_room"], DEFAULTS["voice_from_hz"], DEFAULTS["voice_to_hz"]),
        reference=occ.reference_of(occ.reference_powers(target_lufs=target), target_lufs=target,
                                   listening_level=listening),
        spl_offset_db=listening - USUAL.mix_over_music_lu("level") - level,
    )  # fmt: skip
    return facts, scene, voices, grid, level


def judged(
    on: Scene, powers: np.ndarray, gain_db: float, job: float, role: Role | None
) -> tuple[float, Fit, Fit, float | None]:
    drum = in_beat.place(on, powers, gain_db=gain_db)
    found = in_beat.measure(on, drum)
    told, without = (
        Fit(**one.told(Fit), job=job, heard_in_zones=fit.heard_in_zones(one.heard_zones, role), tempo_match=1.0,
            tuning_match=None, mono_loss_lu=0.0)
        for one in (found, in_beat.measure(replace(on, kept=np.zeros_like(on.kept)), drum))
    )  # fmt: skip
    alone = drum.alone @ LOW
    plays = alone > 0.1 * alone.max(initial=0.0)
    left = hearing.partial_loudness(drum.excitation[plays], on.excitation[plays]) @ LOW
    return found.music_fill, told, without, float(left.sum() / alone[plays].sum()) if plays.any() else None


def piece_rows(folder: Path, drums: dict[Role, list[Sound]]) -> list[Row]:
    try:
        facts, scene, voices, grid, level = scene_of(folder)
    except PatternError as error:
        print(f"  {folder.name} left out: {error.places[0][2]}", flush=True)
        return []
    name, sounds = facts["song"], folder.parent.name
    rows, whole, jobs = [], np.zeros_like(scene.powers), []
    for part in facts["parts"]:
        role, voice = part["role"], voices.get(part["role"])
        own = next((one for one in drums[role] if one.piece == name), None)
        if voice is None or own is None:
            continue
        made = {kind: sound(name, samples, own.rate) for kind, samples in spoiled(own.samples, own.rate).items()
                if kind in SPOILING.get(role, ("noise", "beep", "dull"))}  # fmt: skip
        trials = [("own", own), *made.items()]
        kept = [own]
        for other in drums[role]:
            if other.piece != name and all(apart(other, one) >= DISTINCT for one in kept):
                kept.append(other)
                trials.append(("other", other))
        velocity = 20.0 * float(np.log10(max(voice.gains)))
        for kind, one in trials:
            if one is None:
                continue
            powers = one_shots.lay_energies(hearing.band_energies(one.samples, one.rate), voice, grid.frame_edges_s())
            plays = loudness.integrated_from_blocks(powers @ scene.k_weights)
            if plays is None:
                continue
            to_level = balance.PartToLevel(
                role=role, intent="level", integrated_lufs=plays, blocks=np.zeros(1),
                hit_level_db=(loudness.hit_energy(one.samples, one.rate)[1] or -120.0) + velocity - plays,
                written_db=velocity - USUAL.roles[role].velocity_db,
            )  # fmt: skip
            gain = balance.usual_level(to_level, USUAL) + level - plays
            rows.append(Row(sounds, name, role, part["usable"], kind,
                            *judged(scene, powers, gain, one.likeness[role], role)))  # fmt: skip
            if kind == "own":
                whole += powers
                jobs.append((role, one.likeness[role], 1.0))
    plays = loudness.integrated_from_blocks(whole @ scene.k_weights)
    if plays is not None:
        gain = USUAL.all_drums_lu["level"] + level - plays
        job = fit.job_of_parts(jobs, DEFAULTS)
        rows.append(Row(sounds, name, None, True, "own", *judged(scene, whole, gain, job, None)))
    return rows


def apart(one: Sound, other: Sound) -> float:
    return float(np.sqrt(np.mean((one.shape - other.shape) ** 2)))


def percentiles(rows: Sequence[Row], wanted: Callable[[Row], bool]) -> dict[str, list[float]]:
    """By piece, the percentile of each own usable part among the others; those with fewer than two are left out."""
    parts: dict[tuple, list[Row]] = defaultdict(list)
    for row in rows:
        if row.role is not None and wanted(row):
            parts[row.sounds, row.piece, row.role].append(row)
    found = defaultdict(list)
    for (_, piece, _), each in parts.items():
        own = next((row for row in each if row.kind == "own"), None)
        others = [row.score for row in each if row.kind == "other"]
        if own is not None and own.usable and len(others) >= 2:
            found[piece].append(float(np.mean([np.sign(own.score - other) / 2.0 + 0.5 for other in others])))
    return found


def told(found: dict[str, list[float]]) -> str:
    if not found:
        return "no parts"
    sums, counts = (np.array([of(found[name]) for name in sorted(found)]) for of in (sum, len))
    drawn = np.random.default_rng(1).integers(0, len(sums), (RESAMPLED, len(sums)))
    low, high = np.percentile(sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1), [2.5, 97.5])
    return f"{sums.sum() / counts.sum():.3f} [{low:.3f} {high:.3f}], {len(sums)} pieces, {counts.sum()} parts"


def constants(rows: Sequence[Row]) -> None:
    for role in (*ROLES, None):
        own = [row for row in rows if row.kind == "own" and row.role == role]
        usable = [row for row in own if row.usable]
        own = usable if len({row.piece for row in usable}) >= FEWEST else own
        if not own:
            continue

        def figure(of: Callable[[Row], float], q: float, own: Sequence[Row] = own) -> float:
            return float(f"{np.percentile([of(row) for row in own], q):.2g}")

        enough = tuple(
            max(0.01, figure(lambda row, group=group: sum(row.without_voice.heard_zones[zone] for zone in group), 25))
            for group in fit.OWN_ZONES[role]
        )
        usual = policy.UsualFit(
            len({row.piece for row in own}), figure(lambda row: row.without_voice.job or 0.0, 50), enough,
            figure(lambda row: row.without_voice.room_filled, 50),
            max(1e-4, figure(lambda row: row.without_voice.over, 50)),
            figure(lambda row: row.without_voice.covered_music, 50), 0.0, 0.0,
        )  # fmt: skip
        fit.USUAL_FIT = {**fit.USUAL_FIT, role or "all-drums": usual}
        well, poor = np.percentile([row.score for row in own if row.score > -1.0], [25, 5])
        print(f'    "{role or "all-drums"}": UsualFit({usual.n}, {usual.job}, {usual.heard}, {usual.room}, '
              f"{usual.over}, {usual.covers}, {well:.3f}, {poor:.3f}),")  # fmt: skip


def main() -> None:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("folders", type=Path, nargs="+")
    arguments.add_argument("--every", type=int, default=1, help="look at every Nth piece only")
    arguments.add_argument("--constants", action="store_true")
    asked = arguments.parse_args()
    rows: list[Row] = []
    for folder in asked.folders:
        drums: dict[Role, list[Sound]] = defaultdict(list)
        pieces = [path.parent for path in sorted(folder.resolve().glob("*/facts.json"))]
        for piece in pieces:
            facts = json.loads((piece / "facts.json").read_text())
            for part in facts["parts"]:
                one = sound(facts["song"], *read(piece / part["file"]))
                if one is not None:
                    drums[part["role"]].append(one)
        with ProcessPoolExecutor(2) as pool:
            for found in pool.map(partial(piece_rows, drums=dict(drums)), pieces[:: asked.every]):
                rows += found
    if not rows:
        raise SystemExit("no pieces: FOLDER/PIECE/facts.json")
    print("author's own drum among others of its role")
    print("  all            ", told(percentiles(rows, lambda row: True)))
    print(f"  {TUNED:15s}", told(percentiles(rows, lambda row: row.piece.startswith(TUNED))))
    print("  held out       ", told(percentiles(rows, lambda row: not row.piece.startswith(TUNED))))
    for role in ROLES:
        print(f"  {role:15s}", told(percentiles(rows, lambda row, role=role: row.role == role)))
    print("spoiled copies above the author's own")
    own = {(row.sounds, row.piece, row.role): row.score for row in rows if row.kind == "own"}
    for kind in ("noise", "beep", "thin", "dull"):
        copies = [row for row in rows if row.kind == kind and (row.sounds, row.piece, row.role) in own]
        above = sum(row.score > own[row.sounds, row.piece, row.role] for row in copies)
        better = Counter(row.role for row in copies if fit.grade(row.score, row.role) != "poor")
        print(f"  {kind:6s} {above} of {len(copies)}; not poor: {dict(better)}")
    grades = Counter(fit.grade(row.score, row.role) for row in rows if row.kind == "own" and row.usable and row.role)
    print("authors' own drums:", dict(grades))
    low = [row.low_share for row in rows if row.kind == "own" and row.role == "kick" and row.usable and row.low_share]
    print(f"heard of {len(low)} kicks below 250 Hz, 5 / 10 / 25 / 50 / 75 %:",
          np.round(np.percentile(low, [5, 10, 25, 50, 75]), 3))  # fmt: skip
    if asked.constants:
        constants(rows)


if __name__ == "__main__":
    main()
