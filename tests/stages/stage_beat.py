"""Beats made of arrays, taken through single stages: quicker than a build where one stage is asked about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from tests_support import write_wav

from dossier import audio, inputs, stages
from dossier.cache import Cache
from dossier.memo import Memo
from dossier.model.choice import Balanced, Choice
from dossier.model.findings import Approach
from dossier.model.measures import Samples
from dossier.model.parts import PlacedCandidate, Ranking
from dossier.model.scene import Scene
from dossier.model.situation import Analysis, Situation
from dossier.model.vocabulary import ApproachKind, Direction, Intent

DATA = Path(__file__).resolve().parents[1] / "data"
RATE = 44_100
TEMPO = 120.0
HEAD = 'title = "Stage Beat"\ntempo = 120.0\nfirst_downbeat = 0.0\nkey = "A minor"\n'
PATTERN = """
[pattern]
steps_per_beat = 4
lines = ["kick |X-----x-X-------|", "snare |----X-------X---|", "closed-hat |x-x-x-x-x-x-x-x-|"]
"""


class Staged(Struct, frozen=True):
    """A beat that was analysed and ranked."""

    analysis: Analysis
    memo: Memo
    ranking: Ranking

    @property
    def here(self) -> Situation:
        return self.analysis.here

    @property
    def on(self) -> Scene:
        """The scene of the slots on which candidates are compared."""
        return self.here.scene.subset(self.ranking.frames)

    def placed(self, name: str) -> PlacedCandidate:
        every = (*self.ranking.one_shots, *self.ranking.loops)
        return next(item for item in every if name in item.drum.name)

    def told(self, intent: Intent | None = None, **policy: float) -> Staged:
        """The same beat under another intent and other settings; nothing is measured or ranked again."""
        conditions = self.here.conditions
        changed = replace(conditions, intent=intent or conditions.intent, policy={**conditions.policy, **policy})
        return self.under(replace(self.here, conditions=changed))

    def under(self, here: Situation) -> Staged:
        changed = replace(self.analysis, here=here)
        return replace(self, analysis=changed, memo=self.memo.within(here.scene.excitation, here.scene.kept))

    def balanced(self, chosen: Sequence[PlacedCandidate] | None = None) -> Balanced:
        """The balance of the kit, untreated, or of other parts at the gains that they have."""
        parts = self.ranking.kit_parts if chosen is None else tuple(chosen)
        choice = Choice(approach=approach("one-shots", "as it is"), untreated=self.ranking, plans=(),
                        ranking=self.ranking, chosen=parts, others=())  # fmt: skip
        return stages.balance(self.analysis, choice, self.memo)


class InStages(Struct, frozen=True):
    """What the stages of a build made of a beat."""

    analysis: Analysis
    choice: Choice
    balanced: Balanced


def approach(kind: ApproachKind, direction: Direction) -> Approach:
    return Approach(kind=kind, direction=direction, reasons=(), verdict="")


def real(name: str, *, seconds: float = 60.0) -> tuple[Samples, int]:
    """A real open sound of tests/data on two channels, and its rate."""
    clip = audio.read(DATA / f"{name}.flac", shown_as=name)
    return audio.to_stereo(clip.samples)[: round(seconds * clip.rate_hz)].astype(np.float64), clip.rate_hz


def write(path: Path, samples: Samples, rate: int = RATE) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_wav(path, samples if samples.ndim == 2 else samples[:, None], rate)


def write_beat(
    folder: Path,
    *,
    stems: Mapping[str, Samples],
    drums: Mapping[str, Samples | tuple[Samples, int]],
    toml: str = "",
    pattern: str = PATTERN,
    head: str = HEAD,
) -> Path:
    """A beat folder; `toml` goes between the head and the pattern (plain keys first)."""
    for name, samples in stems.items():
        write(folder / f"stems/{name}.wav", samples)
    for name, given in drums.items():
        samples, rate = given if isinstance(given, tuple) else (given, RATE)
        write(folder / f"drums/{name}.wav", samples, rate)
    (folder / "beat.toml").write_text(f"{head}{toml}{pattern}", encoding="utf-8")
    return folder


def staged(folder: Path, cache: Path) -> Staged:
    analysis, memo = stages.analyse(inputs.load(folder), Cache(cache), lambda _: None)
    return Staged(analysis, memo, stages.rank(analysis, memo))


def time_of(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE)) / RATE


def noise(seconds: float, *, low_hz: float, high_hz: float, seed: int, tilt: float = 0.5) -> Samples:
    """Steady noise between two frequencies, falling with `tilt` (power of frequency), rms 0.1, two channels."""
    frames = round(seconds * RATE)
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((frames, 2)), axis=0)
    spectrum *= (((hz > low_hz) & (hz < high_hz)) / np.maximum(hz, low_hz) ** tilt)[:, None]
    sound = np.fft.irfft(spectrum, frames, axis=0)
    return 0.1 * sound / np.sqrt(np.mean(sound**2))


def repeated(sound: Samples, seconds: float) -> Samples:
    """A sound over and over, `(frames, 2)` of a length."""
    frames = round(seconds * RATE)
    return np.tile(sound, (-(-frames // len(sound)), 1))[:frames]


def full_music(seconds: float = 8.0) -> dict[str, Samples]:
    """A real choir and bass notes in a wall of noise that leaves little room."""
    choir, _ = real("ambi_choir")
    bass, _ = real("bass_voxy_hit_c")
    return {
        "choir": 0.5 * repeated(choir, seconds),
        "bass": 0.5 * repeated(np.vstack([bass, np.zeros((RATE // 2 - len(bass), 2))]), seconds)
        if len(bass) < RATE // 2 else 0.5 * repeated(bass[: RATE // 2], seconds),
        "wall": 2.0 * noise(seconds, low_hz=40.0, high_hz=14_000.0, seed=3, tilt=0.6),
    }  # fmt: skip
