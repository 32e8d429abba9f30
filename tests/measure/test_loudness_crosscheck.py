"""Cross-check of loudness and true peak against ffmpeg's `ebur128` filter, an independent implementation of R 128.

Tolerances: 0.1 LU for integrated and momentary loudness, 0.2 LU for the loudness range, 0.2 dB for true peak (and its
last printed digit, 0.001 of full scale).  The program is the one that the package imageio-ffmpeg carries, else one on
the path.  Sounds: made here, plus every recording in tests/data.  Each is padded to whole blocks of 100 ms, so that
both programs see the same blocks.

The filter takes its percentiles one rank lower than the example program of Tech 3342, and with fewer than ten windows
it takes none; where a short sound's level moves by much from one window to the next, the range may differ by that much,
up to 3 LU.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from ebu_signals import window_lufs

from dossier.measure import loudness

DATA = Path(__file__).parent.parent / "data"
RECORDINGS = sorted(p for p in DATA.rglob("*") if p.suffix in {".wav", ".flac", ".aiff", ".ogg"})
SECONDS = 8.0


def program() -> str | None:
    try:
        import imageio_ffmpeg

        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except (ImportError, RuntimeError):
        return shutil.which("ffmpeg")


FFMPEG = program()
pytestmark = pytest.mark.skipif(FFMPEG is None, reason="no ffmpeg: install imageio-ffmpeg or put ffmpeg on the path")


def scan(path: Path) -> dict[str, float]:
    """Run the filter; return its last reading of each value and the largest momentary loudness."""
    meter = "ebur128=peak=true:metadata=1,ametadata=mode=print:file=-"
    command = [str(FFMPEG), "-nostdin", "-loglevel", "error", "-i", str(path), "-af", meter, "-f", "null", "-"]
    text = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout
    values = {key: float(value) for key, value in re.findall(r"lavfi\.r128\.(\w+)=(\S+)", text)}
    peaks = [values[key] for key in values if key.startswith("true_peaks_ch")]
    momentary = [float(value) for value in re.findall(r"lavfi\.r128\.M=(\S+)", text)]
    return {"I": values["I"], "LRA": values["LRA"], "peak": max(peaks), "M": max(momentary[3:])}


def compare(samples: np.ndarray, rate_hz: int, folder: Path) -> None:
    hop = rate_hz // 10
    blocks = max(5, -(-len(samples) // hop)) + 1
    padded = np.zeros((blocks * hop, samples.shape[1]), np.float32)
    padded[: len(samples)] = samples
    path = folder / "sound.wav"
    soundfile.write(path, padded, rate_hz, subtype="FLOAT")
    theirs = scan(path)
    ours, energies = loudness.measure_with_blocks(padded, rate_hz)
    assert ours.true_peak_dbtp is not None
    amplitude = 10 ** (ours.true_peak_dbtp / 20)
    near = 10 ** (0.2 / 20)
    assert (theirs["peak"] - 0.0005) / near <= amplitude <= (theirs["peak"] + 0.0005) * near
    assert window_lufs(energies, 4).max() == pytest.approx(theirs["M"], abs=0.1)
    assert ours.max_momentary_lufs is not None
    assert ours.max_momentary_lufs >= theirs["M"] - 0.1
    if ours.integrated_lufs is None:
        assert theirs["I"] <= -70.0
    else:
        assert ours.integrated_lufs == pytest.approx(theirs["I"], abs=0.1)
    if ours.loudness_range_lu is not None and len(energies) >= 49:
        curve = window_lufs(energies, 30)
        step = float(np.abs(np.diff(np.maximum(curve, -70.0))).max())
        slack = min(step, 3.0) if len(curve) < 150 else 0.0
        assert ours.loudness_range_lu == pytest.approx(theirs["LRA"], abs=0.2 + slack)


# Sounds


def times(rate_hz: int, seconds: float = SECONDS) -> np.ndarray:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def pink(rng: np.random.Generator, rate_hz: int, channels: int = 2) -> np.ndarray:
    n = len(times(rate_hz))
    spectrum = np.fft.rfft(rng.standard_normal((n, channels)), axis=0)
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), 20.0))[:, None]
    x = np.fft.irfft(spectrum, n, axis=0)
    return 0.5 * x / np.abs(x).max()


def decays(rate_hz: int, period_s: float, decay_s: float, offset_s: float = 0.0) -> np.ndarray:
    t = times(rate_hz)
    since = (t - offset_s) % period_s
    return np.where(t >= offset_s, np.exp(-since / decay_s), 0.0)[:, None]


def kicks(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    since = times(rate_hz) % 0.5
    return 0.8 * (np.sin(2 * np.pi * (50 * since - 6 * np.exp(-since * 40))) * np.exp(-since / 0.12))[:, None] * [1, 1]


def hats(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    bright = np.diff(rng.standard_normal((len(times(rate_hz)) + 2, 2)), 2, axis=0)
    return 0.1 * bright * decays(rate_hz, 0.125, 0.02)


def snares(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    body = np.sin(2 * np.pi * 190 * times(rate_hz))[:, None]
    return (0.3 * rng.standard_normal((len(times(rate_hz)), 2)) + 0.4 * body) * decays(rate_hz, 1.0, 0.06, 0.5)


def chords(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    t = times(rate_hz)
    x = np.zeros((len(t), 2))
    for f in (110.0, 164.8, 220.0, 261.6, 329.6, 440.0, 659.3, 880.0, 1318.5):
        x += np.sin(2 * np.pi * f * t[:, None] + rng.uniform(0, 6.28, 2)) * rng.uniform(0.3, 1.0, 2)
    return 0.08 * x * (0.3 + 0.7 * decays(rate_hz, 2.0, 0.8))


def bass(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    t = times(rate_hz)
    phase = 2 * np.pi * np.cumsum(np.repeat([41.2, 55.0, 49.0, 36.7], len(t) // 4 + 1)[: len(t)]) / rate_hz
    return 0.4 * np.tanh(2 * np.sin(phase))[:, None] * [1, 1]


def mix(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    return kicks(rng, rate_hz) + hats(rng, rate_hz) + snares(rng, rate_hz) + chords(rng, rate_hz) + bass(rng, rate_hz)


def sweep(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    t = times(rate_hz)
    k = np.log(18_000 / 20) / SECONDS
    return 0.5 * np.sin(2 * np.pi * 20 * np.expm1(k * t) / k)[:, None] * [1, 1]


def arrangement(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    """20 s in five sections of different level."""
    music = np.tile(mix(rng, rate_hz), (3, 1))[: 20 * rate_hz]
    return music * np.repeat(10 ** (np.array([-18, -6, -12, 0, -20]) / 20), 4 * rate_hz)[:, None]


def wander(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    """Speech-like: pauses and levels over 30 dB."""
    levels = np.repeat(rng.uniform(-30, 0, 40), rate_hz * 2 // 10)[: len(times(rate_hz))]
    gate = np.repeat(rng.random(40) < 0.7, rate_hz * 2 // 10)[: len(times(rate_hz))]
    return pink(rng, rate_hz) * (10 ** (levels / 20) * gate)[:, None]


def one_shot(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    return kicks(rng, rate_hz)[: rate_hz // 4]


def drums(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    return kicks(rng, rate_hz) + hats(rng, rate_hz) + snares(rng, rate_hz)


def fade(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    return chords(rng, rate_hz) * (10 ** (np.linspace(0, -60, len(times(rate_hz))) / 20))[:, None]


def steps(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    level = 10 ** (np.repeat([-30, -18, -42, -12], len(times(rate_hz)) // 4) / 20)
    return np.sin(2 * np.pi * 1000 * times(rate_hz))[:, None] * level[:, None] * [1, 1]


Sound = Callable[[np.random.Generator, int], np.ndarray]
SOUNDS: dict[str, tuple[Sound, int]] = {
    "kicks": (kicks, 48_000),
    "hats": (hats, 48_000),
    "snares": (snares, 44_100),
    "chords": (chords, 48_000),
    "bass": (bass, 48_000),
    "drums": (drums, 44_100),
    "mix": (mix, 48_000),
    "mix at 44.1 kHz": (mix, 44_100),
    "mix at 96 kHz": (mix, 96_000),
    "mix at 32 kHz": (mix, 32_000),
    "clipped mix": (lambda g, r: np.clip(3 * mix(g, r), -0.98, 0.98), 48_000),
    "rounded mix": (lambda g, r: np.tanh(2 * mix(g, r)), 44_100),
    "mono mix": (lambda g, r: mix(g, r)[:, :1], 48_000),
    "one side": (lambda g, r: mix(g, r) * [1, 0], 48_000),
    "out of phase": (lambda g, r: bass(g, r) * [1, -1], 48_000),
    "quiet mix": (lambda g, r: 1e-3 * mix(g, r), 48_000),
    "under the gate": (lambda g, r: 1e-5 * mix(g, r), 48_000),
    "pink noise": (pink, 48_000),
    "pink noise, mono": (lambda g, r: pink(g, r, 1), 44_100),
    "white noise": (lambda g, r: g.uniform(-0.9, 0.9, (len(times(r)), 2)), 48_000),
    "sweep": (sweep, 48_000),
    "wandering level": (wander, 48_000),
    "arrangement": (arrangement, 44_100),
    "crescendo": (lambda g, r: arrangement(g, r) * np.linspace(0.05, 1, 20 * r)[:, None], 44_100),
    "fade": (fade, 48_000),
    "steps": (steps, 48_000),
    "offset": (lambda g, r: chords(g, r) + 0.2, 48_000),
    "one-shot": (one_shot, 44_100),
    "long pause": (lambda g, r: snares(g, r) * (times(r) > 5.4)[:, None], 48_000),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_crosscheck_made_sounds(name: str, tmp_path: Path) -> None:
    make, rate_hz = SOUNDS[name]
    compare(make(np.random.default_rng(len(name)), rate_hz), rate_hz, tmp_path)


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda p: p.name)
def test_crosscheck_recordings(path: Path, tmp_path: Path) -> None:
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    compare(samples[:, :2], rate_hz, tmp_path)
