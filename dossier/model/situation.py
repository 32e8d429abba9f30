"""What every drum of a beat is judged in: the music, the conditions, and the scene that both make."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from msgspec import Struct

from dossier.model.beat import Beat, Stem
from dossier.model.datafile import InputFile
from dossier.model.findings import DrumsHeard, Room
from dossier.model.measures import Array, Grid, Key, Loudness, Samples, StereoImage
from dossier.model.parts import Groove, SeenDrum
from dossier.model.scene import Scene
from dossier.model.usual import UsualLevels
from dossier.model.vocabulary import Intent, Role, Voice


class StemMeasures(Struct, frozen=True, eq=False):
    """What the beat needs to know of one stem without keeping its sound."""

    duration_s: float
    rate_hz: int  # of the file
    channels: int
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    low_energies: Array  # (steps of FRAME_S,), below 250 Hz
    low_share: float  # of its whole energy
    notes: tuple[str, ...]

    @property
    def low_energy(self) -> float:
        return float(self.low_energies.sum())


class MusicMeasures(Struct, frozen=True, eq=False):
    """What is measured of the instrumental, and kept."""

    loudness: Loudness
    blocks: Array  # (blocks,), K-weighted mean square of each 100 ms
    image: StereoImage
    grid: Grid
    key: Key
    powers: Array  # (frames, fine bands), full-scale^2
    drums: tuple[DrumsHeard, ...]


class Music(MusicMeasures, frozen=True, eq=False):
    """The instrumental: the sum of the stems at their gains, measured on its own."""

    sound: Callable[[], Samples]  # (frames, 2), read when it is first asked for
    frames: int
    rate_hz: int
    stems: tuple[tuple[Stem, StemMeasures], ...]
    sound_of: Callable[[Stem], Samples]  # a stem at the music's rate and its gain, (frames, 2), read-only
    integrated_lufs: float  # as in `loudness`, known to be measurable

    @property
    def samples(self) -> Samples:
        return self.sound()

    @property
    def sound_bytes(self) -> int:
        return 8 * self.frames  # two channels of single precision


class SectionIntent(Struct, frozen=True):
    """A section that has an intent of its own."""

    name: str
    intent: Intent
    first_bar: int  # 0-based
    bars: int
    music_lu: float  # the music there against the whole


class Conditions(Struct, frozen=True):
    """What the user asked for, or the defaults that stand in for it."""

    policy: Mapping[str, float]
    target_lufs: float
    listening_level_db_spl: float
    intent: Intent
    voice: Voice
    role_intents: Mapping[Role, Intent]
    usual: UsualLevels

    def intent_of(self, role: Role | None) -> Intent:
        return self.role_intents.get(role, self.intent) if role is not None else self.intent


class Situation(Struct, frozen=True, eq=False):
    """The music, how it is to be heard, and the scene that drums meet."""

    music: Music
    conditions: Conditions
    scene: Scene
    reference_powers: Array  # (fine bands,), full-scale^2 at the target loudness
    mix_over_music_lu: float  # how much louder than the music alone the mix is taken to be
    sections: tuple[SectionIntent, ...] = ()

    @property
    def grid(self) -> Grid:
        return self.music.grid

    @property
    def duration_s(self) -> float:
        """Length of the stems."""
        return self.music.frames / self.music.rate_hz

    @property
    def policy(self) -> Mapping[str, float]:
        return self.conditions.policy

    @property
    def playing_gain_db(self) -> float:
        """Gain that brings the instrumental to its level in the mix."""
        return self.conditions.target_lufs - self.mix_over_music_lu - self.music.integrated_lufs


class Analysis(Struct, frozen=True, eq=False):
    """A beat, measured."""

    beat: Beat
    here: Situation
    room: Room
    groove: Groove
    drums: tuple[SeenDrum, ...]
    inputs: tuple[InputFile, ...]
    warnings: tuple[str, ...]
