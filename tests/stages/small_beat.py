"""One small beat, built once: a bass and a pad, two loops and five one-shots, written by code, seeded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tests_support import write_wav

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.model.datafile import DossierData

RATE = 44_100
TEMPO = 120.0
BARS = 4
MADE = "2026-01-02T03:04:05Z"


def write(path: Path, samples: np.ndarray, rate: int = RATE) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_wav(path, samples if samples.ndim == 2 else samples[:, None], rate)


def tone(hz: float, seconds: float, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return np.sin(2 * np.pi * hz * t)


def kick(length_s: float = 0.3, hz: float = 55.0) -> np.ndarray:
    t = np.arange(round(length_s * RATE)) / RATE
    sweep = hz * t + 2.0 * (1 - np.exp(-t / 0.02))
    return 0.9 * np.sin(2 * np.pi * sweep) * np.exp(-t / (length_s / 5))


def noise_hit(length_s: float, low_hz: float, seed: int) -> np.ndarray:
    n = round(length_s * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
    spectrum[np.fft.rfftfreq(n, 1 / RATE) < low_hz] = 0
    sound = np.fft.irfft(spectrum, n) * np.exp(-np.arange(n) / RATE / (length_s / 5))
    return 0.8 * sound / np.abs(sound).max()


def drum_loop(rich: bool) -> np.ndarray:
    """Two bars at 120 BPM: kick, snare, hats; the rich one rings between them."""
    out = np.zeros(round(4.0 * RATE))
    for step in range(32):
        at = round(step * 0.125 * RATE)
        hits = [noise_hit(0.06, 7000, step) * 0.4]
        if step % 8 == 0:
            hits.append(kick())
        if step % 8 == 4:
            hits.append(noise_hit(0.2, 500, 99))
        for hit in hits:
            end = min(len(out), at + len(hit))
            out[at:end] += hit[: end - at]
    if rich:
        out += 0.08 * np.random.default_rng(5).standard_normal(len(out))
    return 0.8 * out / np.abs(out).max()


def write_beat(folder: Path) -> None:
    """A small open beat, with a beat.toml."""
    seconds = BARS * 2.0
    bars = [55.0, 65.41, 49.0, 55.0]
    bass = np.concatenate([0.3 * tone(hz, 2.0) * np.minimum(1, np.arange(88_200)[::-1] / 2000) for hz in bars])
    pad = 0.08 * sum(tone(hz, seconds) for hz in (220.0, 261.63, 329.63))
    write(folder / "stems/bass.wav", bass)
    write(folder / "stems/pad.wav", np.stack([pad, 0.9 * pad], axis=1))
    write(folder / "drums/loop-rich_120bpm.wav", drum_loop(rich=True))
    write(folder / "drums/loop-lean_120bpm.wav", drum_loop(rich=False))
    write(folder / "drums/kick-long.wav", kick(0.6))
    write(folder / "drums/kick-short.wav", kick(0.15, 70.0))
    write(folder / "drums/snare.wav", noise_hit(0.25, 300, 1))
    write(folder / "drums/hat.wav", noise_hit(0.06, 7000, 2))
    write(folder / "drums/shaker.wav", noise_hit(0.1, 4000, 3))
    (folder / "beat.toml").write_text(
        """
title = "Paper Harbour"
artist = "Nobody Inparticular"
tempo = 120.0
key = "A minor"
first_downbeat = 0.0
[[stems]]
file = "stems/bass.wav"
origin = "played by the producer"
rights = "own"
[[stems]]
file = "stems/pad.wav"
rights = "pending"
[pattern]
steps_per_beat = 4
lines = ["kick |X-----x-X-------|", "snare |----X-------X---|", "closed-hat |x-x-x-x-x-x-x-x-|"]
[[sections]]
name = "verse"
bars = 2
[[sections]]
name = "hook"
bars = 2
""",
        encoding="utf-8",
    )


@dataclass(frozen=True)
class Small:
    """The small beat, where it was built, and what came of it."""

    folder: Path
    archive: Archive
    cache: Cache
    built: pipeline.Built
    data: DossierData
