"""Beats for what is common practice: real drum sounds (tests/data, CC0) over synthesised instrumentals.

Open is a bass and a low pad; full has six parts over the whole spectrum.  Everything is seeded and short.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile as sf
import soxr
from tests_support import write_wav

from dossier import inputs, stages
from dossier.cache import Cache
from dossier.memo import Memo
from dossier.model.findings import Approach
from dossier.model.parts import PlacedCandidate, Ranking
from dossier.model.situation import Analysis
from dossier.stages.choice import approach_of

DATA = Path(__file__).resolve().parents[1] / "data"
RATE = 48_000
LINES = ("kick |X-----x-X-------|", "snare |----X-------X---|", "closed-hat |x-x-x-x-x-x-x-x-|")
LEANEST = {"kick-short": "bd_fat", "snare-short": "sn_dub", "hat-closed": "drum_cymbal_closed"}
MORE = {"kick-heavy": "drum_heavy_kick", "kick-long": "bd_zome", "snare-long": "sn_zome",
        "snare-hard": "drum_snare_hard"}  # fmt: skip
INDUSTRIAL_BPM = 120.0 / 0.8838  # two beats in the file's length

Sound = np.ndarray


def real(name: str) -> Sound:
    """A recording, `(frames, channels)` at `RATE`."""
    samples, rate = sf.read(DATA / f"{name}.flac", dtype="float64", always_2d=True)
    return np.asarray(soxr.resample(samples, rate, RATE))


def notes(
    pitches: list[float], length_s: float, *, partials: int, slope_db: float, decay_s: float | None = None
) -> Sound:
    """One note after another, harmonics falling by `slope_db` an octave, with short edges."""
    t = np.arange(round(length_s * RATE)) / RATE
    shape = np.minimum(1.0, t / 0.005) * np.minimum(1.0, (length_s - t) / 0.01)
    if decay_s is not None:
        shape = shape * np.exp(-t / decay_s)
    out = []
    for hz in pitches:
        harmonics = [k for k in range(1, partials + 1) if k * hz < 18_000]
        waves = (10 ** (slope_db * np.log2(k) / 20) * np.sin(2 * np.pi * k * hz * t + k * k) for k in harmonics)
        out.append(shape * sum(waves))
    return np.concatenate(out)


def air(seconds: float, *, low_hz: float, high_hz: float = 20_000.0) -> Sound:
    """Steady noise of RMS 1 between two frequencies, 2 dB an octave down."""
    frames = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(3).standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1 / RATE)
    inside = (hz >= low_hz) & (hz <= high_hz)
    spectrum[inside] *= 10 ** (-2 * np.log2(hz[inside] / 1000) / 20)
    spectrum[~inside] = 0
    noise = np.fft.irfft(spectrum, frames)
    return noise / np.sqrt(np.mean(noise**2))


@cache
def instrumental(parts: str, bpm: float, bars: int = 4) -> dict[str, Sound]:
    """Stems of an 'open' or a 'full' instrumental, 4/4."""
    beat, bar = 60 / bpm, 240 / bpm
    line = [55.0, 55.0, 65.4, 49.0, 55.0, 55.0, 73.4, 65.4]
    if parts == "open":
        bass = np.tile(0.35 * notes(line, beat, partials=40, slope_db=-11), bars // 2)
        pad = np.tile(0.07 * sum(notes([hz], bar, partials=60, slope_db=-8) for hz in (110.0, 164.8, 196.0)), bars)
        return {"bass": bass, "low-pad": pad}
    strings = np.tile(0.025 * sum(notes([hz], bar, partials=24, slope_db=-4) for hz in (440.0, 523.3, 1046.5)), bars)
    return {
        "bass": np.tile(0.35 * notes(line, beat, partials=40, slope_db=-9), bars // 2),
        "pad": np.tile(0.09 * sum(notes([hz], bar, partials=60, slope_db=-7) for hz in (110.0, 164.8, 220.0)), bars),
        "keys": np.tile(
            0.10 * sum(notes([hz] * 8, beat / 2, partials=16, slope_db=-6, decay_s=0.5)
                       for hz in (220.0, 261.6, 329.6, 392.0)), bars
        ),
        "plucks": np.tile(
            0.05 * notes([880.0, 1046.5, 1318.5, 1174.7] * 4, beat / 4, partials=14, slope_db=-4, decay_s=0.15), bars
        ),
        "lead": np.tile(0.05 * notes([659.3, 587.3], 2 * beat, partials=20, slope_db=-5), bars),
        "strings": strings + 0.012 * air(len(strings) / RATE, low_hz=2000)[: len(strings)],
    }  # fmt: skip


@cache
def ringing_loop(bpm: float, bars: int = 1) -> Sound:
    """A rich loop made of real sounds that ring: long kick and snare, toms, open hats in eighths, a soft crash."""
    out = np.zeros((round(bars * 240 / bpm * RATE), 2))
    grid = {"bd_zome": (0, 6, 8), "sn_zome": (4, 12), "drum_cymbal_open": range(0, 16, 2), "drum_tom_lo_hard": (7, 14),
            "drum_tom_hi_soft": (3, 11), "drum_cymbal_soft": (0, 8)}  # fmt: skip
    level = {"drum_cymbal_open": 0.35, "drum_cymbal_soft": 0.5, "drum_tom_lo_hard": 0.6, "drum_tom_hi_soft": 0.6}
    for name, steps in grid.items():
        hit = real(name) * level.get(name, 1.0)
        hit = hit if hit.shape[1] == 2 else np.repeat(hit, 2, axis=1)
        for bar in range(bars):
            for step in steps:
                at = round((16 * bar + step) * 15 / bpm * RATE)
                index = (at + np.arange(len(hit))) % len(out)  # what rings on is at the start of the next pass
                np.add.at(out, index, hit)
    return 0.8 * out / np.abs(out).max()


def write_beat(
    folder: Path,
    stems: Mapping[str, Sound],
    drums: Mapping[str, str | Sound],
    *,
    bpm: float,
    lines: tuple[str, ...] = LINES,
    more: str = "",
    lead_s: float = 0.0,
    gain: float = 1.0,
    stem_gain: float = 1.0,
    drum_lead_s: float = 0.0,
) -> Path:
    """Write a beat folder; drums are names of recordings, or sounds."""
    for name, sound in stems.items():
        _write(folder / f"stems/{name}.wav", stem_gain * sound, lead_s)
    for name, drum in drums.items():
        _write(folder / f"drums/{name}.wav", gain * (real(drum) if isinstance(drum, str) else drum), drum_lead_s)
    quoted = ", ".join(f'"{line}"' for line in lines)
    top = f'title = "{folder.name}"\ntempo = {bpm}\nfirst_downbeat = {lead_s}\n'
    (folder / "beat.toml").write_text(f"{top}[pattern]\nlines = [{quoted}]\n{more}", encoding="utf-8")
    return folder


def _write(path: Path, sound: Sound, lead_s: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = sound if sound.ndim == 2 else sound[:, None]
    silence = np.zeros((round(lead_s * RATE), columns.shape[1]))
    write_wav(path, np.concatenate([silence, columns]), RATE)


@dataclass(frozen=True)
class Ranked:
    """A beat as far as the approach."""

    analysis: Analysis
    memo: Memo
    ranking: Ranking
    approach: Approach

    def of(self, name: str) -> PlacedCandidate:
        """The placed candidate whose file is called so."""
        every = (*self.ranking.loops, *self.ranking.one_shots)
        return next(item for item in every if item.drum.name.rsplit("/", 1)[-1].split(".")[0] == name)

    def scores(self) -> dict[str, float]:
        """All scores of the table, the kit's among them."""
        every = (*self.ranking.loops, *self.ranking.one_shots)
        kit = {"kit": self.ranking.kit.score} if self.ranking.kit is not None else {}
        return {item.drum.name: item.score for item in every} | kit


def ranked(folder: Path, cache: Cache) -> Ranked:
    analysis, memo = stages.analyse(inputs.load(folder), cache, lambda _: None)
    ranking = stages.rank(analysis, memo)
    return Ranked(analysis, memo, ranking, approach_of(analysis.here, analysis.room, ranking, memo))
