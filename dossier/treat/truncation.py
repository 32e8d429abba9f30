"""Truncation with a fade: a one-shot made shorter.

Conventions
    The length counts from the onset, the first sample within 40 dB of the sound's sample peak; silence before the
    onset stays.  The fade is a raised cosine that ends at zero on the last sample kept: level and slope are continuous
    at both its ends, so nothing clicks.  Files that end sooner are left as they are.
"""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Samples
from dossier.model.vocabulary import Kind, Role
from dossier.treat.envelope import linked
from dossier.treat.families import AmountLine, Family
from dossier.treat.samples import SILENCE, checked, like, sample_peak

ONSET_DB = -40.0


def truncate(samples: Samples, rate_hz: int, *, length_ms: float, fade_ms: float) -> Samples:
    """Keep the first `length_ms` (1 and up) from the onset, the last `fade_ms` of them faded out.

    `(frames, channels)` to `(onset + length, channels)`; the samples as they are where the file ends sooner.
    """
    work = checked(samples, rate_hz)
    peak = sample_peak(work)
    onset = int(np.argmax(linked(work) >= peak * 10.0 ** (ONSET_DB / 20.0))) if peak >= SILENCE else 0
    keep = onset + max(2, round(1e-3 * length_ms * rate_hz))
    if keep >= len(work):
        return like(work, samples)
    work = work[:keep]
    fade = min(keep, max(2, round(1e-3 * min(fade_ms, length_ms) * rate_hz)))
    work[-fade:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade))[:, None]
    return like(work, samples)


_LENGTHS_MS: dict[Role | None, tuple[float, ...]] = {
    "kick": (700.0, 450.0, 300.0, 220.0, 160.0, 110.0),
    "tom": (700.0, 450.0, 300.0, 220.0, 160.0),
    "snare": (400.0, 280.0, 200.0, 140.0, 90.0),
    "clap": (350.0, 250.0, 180.0, 120.0, 80.0),
    "rim": (150.0, 100.0, 70.0, 45.0),
    "closed-hat": (150.0, 100.0, 70.0, 50.0, 35.0),
    "open-hat": (600.0, 400.0, 280.0, 190.0, 130.0),
    "ride": (1500.0, 1000.0, 650.0, 420.0, 270.0),
    "crash": (2500.0, 1600.0, 1000.0, 650.0, 420.0),
    "shaker": (200.0, 140.0, 95.0, 65.0),
    "percussion": (400.0, 270.0, 180.0, 120.0, 80.0),
}


def _amount_lines(*, role: Role | None, kind: Kind, **_: object) -> tuple[AmountLine, ...]:
    if kind == "loop":
        return ()
    lengths = _LENGTHS_MS.get(role, _LENGTHS_MS["percussion"])
    return (tuple({"length_ms": length, "fade_ms": float(round(length / 4.0))} for length in lengths),)


def _words(*, length_ms: float, fade_ms: float) -> str:
    return f"truncate to {length_ms:.4g} ms with a {fade_ms:.3g} ms fade"


FAMILY = Family(
    name="truncation", directions=("leaner",), amount_lines=_amount_lines, apply=truncate, words=_words,
    sheet=(("length", "length_ms", "ms"), ("fade-out", "fade_ms", "ms")),
    suits_loops=False, nothing_to_do="is shorter than that already",
)  # fmt: skip
