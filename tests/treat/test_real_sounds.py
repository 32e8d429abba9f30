"""Treatments on real open sounds (tests/data; their origin stands beside them)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dossier import audio
from dossier.measure import loudness
from dossier.measure.true_peak import true_peak
from dossier.model.measures import Samples
from dossier.treat import FAMILIES
from dossier.treat.parallel import compress
from dossier.treat.saturation import saturate

DATA = Path(__file__).resolve().parents[1] / "data"
SOUNDS = sorted(DATA.glob("*.flac"))
SNARES = [path for path in SOUNDS if path.stem.startswith("sn_") or "snare" in path.stem]


def load(path: Path) -> tuple[Samples, int]:
    """At most 2 s, on two channels, as a drum file plays."""
    clip = audio.read(path, shown_as=path.name)
    return audio.to_stereo(clip.samples)[: 2 * clip.rate_hz].astype(np.float64), clip.rate_hz


def test_there_are_real_sounds() -> None:
    """Analytic: without them the tests below would say nothing."""
    assert len(SOUNDS) >= 5
    assert SNARES


@pytest.mark.parametrize("path", SNARES, ids=lambda path: path.stem)
@pytest.mark.parametrize("drive_db", [6.0, 12.0])
def test_a_saturated_snare_is_louder_at_the_same_peak(path: Path, drive_db: float) -> None:
    """Common practice, no source: at equal sample peak saturation raises integrated loudness and lowers crest factor.

    Integrated loudness as it plays: one hit every half second, so that it is defined (BS.1770-5 needs 400 ms).
    """
    sound, rate = load(path)
    treated = saturate(sound, rate, drive_db=drive_db)
    played = []
    for hit in (sound, treated):
        line = np.zeros((4 * rate, 2))
        for start in range(0, 4 * rate, rate // 2):
            piece = hit[: min(len(hit), rate // 2)]
            line[start : start + len(piece)] = piece
        played.append(loudness.measure(line, rate))
    before, after = played
    assert after.sample_peak_dbfs == pytest.approx(before.sample_peak_dbfs, abs=1e-6)
    assert after.integrated_lufs is not None
    assert before.integrated_lufs is not None
    assert after.integrated_lufs > before.integrated_lufs + 0.5
    assert after.crest_factor_db is not None
    assert before.crest_factor_db is not None
    assert after.crest_factor_db < before.crest_factor_db - 0.5


@pytest.mark.parametrize("path", SNARES, ids=lambda path: path.stem)
def test_parallel_compression_lowers_the_crest_at_the_same_true_peak(path: Path) -> None:
    """Common practice, no source."""
    sound, rate = load(path)
    treated = compress(sound, rate, threshold_db=-30.0, ratio=5.0, blend=0.5, attack_ms=1.0, look_ahead_ms=4.0)
    assert np.mean(treated**2) / true_peak(treated) ** 2 > np.mean(sound**2) / true_peak(sound) ** 2


@pytest.mark.parametrize("path", SOUNDS, ids=lambda path: path.stem)
def test_every_treatment_stands_every_sound(path: Path) -> None:
    """Analytic: finite, same channels, not silent."""
    sound, rate = load(path)
    for family in FAMILIES.values():
        for direction in family.directions:
            for line in family.amount_lines(
                role=None, rate_hz=rate, direction=direction, kind="one-shot", layers=("itself",)
            ):
                extra = {"layer": sound} if family.name == "layering" else {}
                out = family.apply(sound, rate, **extra, **line[-1])
                assert np.isfinite(out).all()
                assert out.shape[1] == 2
                assert np.any(out)
