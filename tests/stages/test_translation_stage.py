"""Translation through its stage: planted losses in mono, on a small speaker, at low level."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_beat import noise_hit, tone
from stage_beat import RATE, Staged, noise, staged, time_of, write_beat

from dossier.measure import loudness, stereo
from dossier.model.findings import PartTranslation, Translation
from dossier.stages.mix import rough_mix
from dossier.stages.translation import translation


def low_kick() -> np.ndarray:
    """Nothing but 50 Hz, faded in and out so that no click stands above it."""
    t = time_of(0.3)
    return 0.8 * np.sin(2 * np.pi * 50.0 * t) * np.sin(np.pi * t / 0.3) ** 2


def turned_over(sound: np.ndarray) -> np.ndarray:
    return np.stack([sound, -sound], axis=1)


DRUMS = {"kick": low_kick(), "snare": noise_hit(0.2, 400.0, 1), "hat": turned_over(noise_hit(0.05, 7000.0, 2))}


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("travel")
    wide = noise(8.0, low_hz=2000.0, high_hz=4000.0, seed=2)
    wide[:, 1] = -wide[:, 0]
    folder = write_beat(
        root / "travel", stems={"low": 0.02 * tone(196.0, 8.0), "pad": 0.05 * tone(440.0, 8.0), "wide": 0.05 * wide},
        drums=DRUMS,
    )  # fmt: skip
    return staged(folder, root / "cache")


@pytest.fixture(scope="module")
def travels(beat: Staged) -> Translation:
    return translated(beat)


def translated(beat: Staged) -> Translation:
    """How the kit travels."""
    balanced = beat.balanced()
    mixed = rough_mix(beat.here, beat.analysis.room, balanced, beat.memo)
    found = translation(beat.here, balanced, mixed, beat.ranking.frames, beat.memo)
    assert found is not None
    return found


def part(travels: Translation, name: str) -> PartTranslation:
    return next(item for item in travels.parts if item.part == name)


def test_a_part_that_cancels_in_mono_vanishes_there(travels: Translation) -> None:
    """Analytic: L = -R sums to silence; a mono file loses nothing."""
    assert part(travels, "closed hat").mono_loss_lu is None
    assert part(travels, "snare").mono_loss_lu == pytest.approx(0.0, abs=0.01)
    assert any("closed hat vanishes" in text for text in travels.sentences)


def test_the_mixs_loss_is_told_by_zone(travels: Translation) -> None:
    """Analytic: the stem that is turned over lies in the high mid; nothing is lost in the bass."""
    assert travels.mono_zones["bass"] == pytest.approx(0.0, abs=0.05)
    assert travels.mono_zones["high_mid"] is not None
    assert travels.mono_zones["high_mid"] > 3.0
    assert travels.mono_zones["whole"] is not None
    assert travels.mono_zones["whole"] < travels.mono_zones["high_mid"]


def test_a_kick_of_nothing_but_lows_is_lost_on_a_small_speaker(travels: Translation) -> None:
    """Analytic: 50 Hz lies wholly below 150 Hz, noise from 400 Hz wholly above."""
    assert part(travels, "kick").small_speaker_share == pytest.approx(0.0, abs=0.1)
    assert part(travels, "snare").small_speaker_share == pytest.approx(1.0, abs=0.1)
    assert any("kick (" in text and "all but vanishes" in text for text in travels.sentences)


def test_played_softly_everything_is_softer(travels: Translation) -> None:
    """Analytic: shares below 1, smaller for lows."""
    shares = {item.part: item.quiet_share for item in travels.parts}
    assert all(share is not None and 0.0 <= share < 1.0 for share in shares.values())
    # Loudness doubles with 10 dB (ISO 532-1: above 40 phon), so 15 dB less leave about a third; lows lose more.
    assert shares["snare"] == pytest.approx(2.0**-1.5, abs=0.15)
    assert shares["kick"] is not None
    assert shares["snare"] is not None
    assert shares["kick"] < shares["snare"]


def test_a_kick_that_the_bass_covers_anyway_has_nothing_to_lose(tmp_path: Path) -> None:
    """Analytic: a loud tone half an octave above a pure 50 Hz leaves nothing of it: no share of nothing is told."""
    folder = write_beat(tmp_path / "covered", drums=DRUMS,
                        stems={"bass": 0.2 * tone(82.0, 8.0), "pad": 0.05 * tone(440.0, 8.0)})  # fmt: skip
    found = translated(staged(folder, tmp_path / "cache"))
    assert part(found, "kick").small_speaker_share is None
    assert part(found, "kick").quiet_share is None
    assert not any("kick" in text for text in found.sentences)


def test_no_drums_no_translation(beat: Staged) -> None:
    """Analytic: nothing to speak of."""
    balanced = beat.balanced(())
    mixed = rough_mix(beat.here, beat.analysis.room, balanced, beat.memo)
    assert translation(beat.here, balanced, mixed, beat.ranking.frames, beat.memo) is None


@pytest.mark.parametrize(
    ("left", "right", "loss"), [(1.0, 1.0, 0.0), (1.0, 0.0, 3.01), (0.5, 0.5, 0.0), (np.sqrt(0.5), np.sqrt(0.5), 0.0)]
)
def test_mono_sums_of_panned_sounds(left: float, right: float, loss: float) -> None:
    """Analytic: a sound in the middle keeps its level in mono, one on one side loses 3.01 LU, whatever the pan law."""
    sound = noise_hit(0.5, 300.0, 3)
    panned = np.stack([left * sound, right * sound], axis=1)
    assert stereo.measure(panned, RATE).whole.mono_loss_lu == pytest.approx(loss, abs=0.01)


def test_the_rough_mix_is_kept_by_its_figures_and_its_sound_made_again(beat: Staged) -> None:
    """Regression: what a later build writes is what was measured, to the sample."""
    balanced = beat.balanced()
    first, second = (rough_mix(beat.here, beat.analysis.room, balanced, beat.memo) for _ in range(2))
    assert (first.mix, first.image) == (second.mix, second.image)
    sound = first.sound()
    np.testing.assert_array_equal(second.sound(), sound)
    assert stereo.measure(sound, RATE) == first.image
    assert loudness.measure(sound, RATE).integrated_lufs == first.mix.integrated_lufs
