"""Odd sounds through every measure that takes a file as it comes: a finite number or None with a reason, no warning.

Evidence: regression throughout (warnings are errors here), except where a docstring says otherwise.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from dossier.errors import MeasureError
from dossier.measure import grid, hits, loops, pitch
from dossier.model.measures import Array

RATE = 48_000
RATES = (4000, 8000, RATE, 192_000)
HIT_FIELDS = (
    "attack_s", "decay_20_s", "decay_60_s", "effective_length_s", "centroid_hz", "rolloff_hz", "tonality",
    "transient_to_sustain_db",
)  # fmt: skip


@cache
def oddities() -> dict[str, Array]:
    rng = np.random.default_rng(0)
    t = np.arange(2 * RATE) / RATE
    noise = rng.standard_normal((2 * RATE, 2))
    sounds = {
        "empty": np.zeros((0, 2)),
        "one sample": np.ones((1, 2)),
        "two samples": np.array([[1.0, -1.0], [0.5, 0.2]]),
        "ten samples": noise[:10, :1],
        "shorter than a frame": noise[:100],
        "one-dimensional": noise[:, 0],
        "silence": np.zeros((RATE, 2)),
        "half silent": np.concatenate([np.zeros((RATE, 2)), noise]),
        "DC": np.full((2 * RATE, 2), 0.5),
        "step": np.repeat([[0.0], [1.0]], RATE, axis=0),
        "impulse": np.eye(1, 2 * RATE, 100).T,
        "last sample": np.eye(1, 2 * RATE, 2 * RATE - 1).T,
        "roll": np.tile(np.eye(1, RATE // 25).T, (40, 2)),
        "square": np.sign(np.sin(2 * np.pi * 55 * t))[:, None],
        "slow square, opposite sides": np.sign(np.sin(2 * np.pi * 2 * t))[:, None] * np.array([0.5, -0.5]),
        "infrasound": np.sin(2 * np.pi * 4 * t)[:, None],
        "Nyquist": np.tile([[1.0], [-1.0]], (RATE, 1)),
        "sides that cancel": noise[:, :1] * np.array([1.0, -1.0]),
        "clipped": np.clip(10 * noise, -1, 1),
        "denormals": np.full((RATE, 2), 1e-310),
        "denormals in single precision": (noise * 1e-42).astype(np.float32),
        "very quiet": 1e-7 * noise,
        "very loud": 1e30 * noise,
        "single precision": noise.astype(np.float32),
    }
    for sound in sounds.values():
        sound.setflags(write=False)  # a measure that wrote to its input would raise
    return sounds


@pytest.mark.parametrize("name", list(oddities()))
def test_hits(name: str) -> None:
    for rate in RATES[1:]:
        found = hits.measure(oddities()[name], rate)
        for field in HIT_FIELDS:
            value = getattr(found, field)
            assert np.isfinite(value) if value is not None else found.reasons[field]
        assert np.isfinite(list(found.zone_shares.values())).all()
        assert found.role is not None or found.reasons["role"]
        assert found.onset_s >= 0.0


@pytest.mark.parametrize("name", list(oddities()))
def test_loops(name: str) -> None:
    for rate in (8000, 192_000):
        for tempo_bpm in (None, 90.0):
            found = loops.measure(oddities()[name], rate, tempo_bpm=tempo_bpm)
            for field in ("tempo_bpm", "beats", "swing", "continuity"):
                value = getattr(found, field)
                assert (value is None) == (field in found.reasons)
                assert value is None or np.isfinite(value)
            assert found.downbeat_s >= 0.0
            assert found.continuity is None or 0.0 <= found.continuity <= 1.0
            assert bool(found.hits) != ("hits" in found.reasons)


@pytest.mark.parametrize("name", list(oddities()))
def test_grid(name: str) -> None:
    for rate in (RATE, 192_000):
        for stated in (None, 90.0):
            found = grid.estimate(oddities()[name], rate, tempo_bpm=stated)
            assert np.isfinite((found.tempo_bpm, found.first_downbeat_s, found.swing, found.tempo_confidence)).all()
            assert found.bars >= 0
            assert found.first_downbeat_s >= 0.0


@pytest.mark.parametrize("name", list(oddities()))
def test_key_and_pitch(name: str) -> None:
    for rate in (4000, 192_000):
        key, note = pitch.key(oddities()[name], rate), pitch.pitch(oddities()[name], rate)
        assert 0.0 <= key.confidence <= 1.0
        assert 0.0 <= note.confidence <= 1.0
        assert (key.name is None) == bool(key.reason)
        assert (note.hz is None) == bool(note.reason)
        assert (note.hz is None) == (note.note is None) == (note.cents is None)
        assert note.hz is None or pitch.LOWEST_HZ <= note.hz <= pitch.HIGHEST_HZ


def test_what_is_known_of_them() -> None:
    """Analytic: silence has no bars; a square wave has its pitch, within 2 cents."""
    assert grid.estimate(oddities()["silence"], RATE).bars == 0
    found = pitch.pitch(oddities()["square"], RATE).hz
    assert found is not None
    assert abs(1200.0 * np.log2(found / 55.0)) < 2.0


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_samples_must_be_finite_and_two_dimensional(value: float) -> None:
    bad = np.zeros((2 * RATE, 1))
    bad[5] = value
    for function in (hits.measure, loops.measure, grid.estimate, pitch.key, pitch.pitch):
        with pytest.raises(MeasureError, match="finite"):
            function(bad, RATE)
        with pytest.raises(MeasureError, match="frames, channels"):
            function(np.zeros((4, 2, 2)), RATE)
