"""Loops on the grid: brought to the beat's tempo, cut to whole beats, repeated.

Conventions
    A loop is brought to the tempo by the gentlest means: as it is (the difference is inaudible), repitch (like a record
    played faster: tempo and pitch move together), or stretch (a phase vocoder keeps the pitch and smears attacks).
    Half and double time are tried, and the smallest change is taken.
    Pitch change of a repitch in semitones: 12*log2(ratio).
"""

from __future__ import annotations

from math import log2

import numpy as np

from dossier.lay.hits import cumulative_at
from dossier.model.findings import LoopFit
from dossier.model.measures import Array, BandEnergies, Grid, LoopMeasures, Samples

STRETCH_WINDOW_S = 0.02
SWING_HEARD = 0.04  # of an eighth; at 92 BPM 13 ms, about where two feels begin to rub (common practice, no source)


def fit_loop(
    loop: LoopMeasures,
    *,
    duration_s: float,
    tempo_bpm: float,
    swing: float = 0.5,
    bar_beats: float = 4.0,
    as_is_within: float,
    repitch_within: float,
    poor_beyond: float,
) -> LoopFit:
    """Decide how a loop is brought to `tempo_bpm`.

    Parameters
    ----------
    swing, bar_beats
        The beat's swing and the quarter notes in its bar; a loop that differs is said to.
    as_is_within, repitch_within, poor_beyond
        Relative tempo changes (0.002 is 0.2 %): up to the first nothing is done, up to the second the loop is
        repitched, above it stretched; beyond the third it is marked as a poor match.
    """
    if loop.tempo_bpm is None:
        beats = max(1.0, round(duration_s * tempo_bpm / 60.0))
        why = loop.reasons.get("tempo_bpm", "no steady tempo was found in it")
        return LoopFit(
            method="as it is", ratio=1.0, change_percent=0.0, semitones=0.0, source_tempo_bpm=None, beats=beats,
            downbeat_s=loop.downbeat_s, poor_match=True, note=f"{why}; it is laid from its start, tempo unchanged",
        )  # fmt: skip
    source = loop.tempo_bpm
    factor = min((1.0, 0.5, 2.0), key=lambda f: abs(log2(tempo_bpm * f / source)))
    ratio = tempo_bpm * factor / source
    change = ratio - 1.0
    beats = loop.beats if loop.beats is not None else duration_s * source / 60.0
    beats = max(1.0, round(beats / factor)) if factor != 1.0 else max(1.0, round(beats))
    time_note = {0.5: "played in half time", 1.0: "", 2.0: "played in double time"}[factor]
    if abs(change) <= as_is_within:
        method, semitones, cost = "as it is", 0.0, "fits as it is"
        ratio = 1.0
    elif abs(change) <= repitch_within:
        method, semitones = "repitch", 12.0 * log2(ratio)
        cost = f"repitched by {100 * change:+.1f} %, which moves its pitch by {semitones:+.2f} semitones"
    else:
        method, semitones = "stretch", 0.0
        cost = f"stretched by {100 * change:+.1f} %, which keeps its pitch and softens its attacks"
    poor = abs(change) > poor_beyond
    apart = abs(loop.swing - swing) if loop.swing is not None else 0.0
    feel = f"its swing is {100 * (loop.swing or 0.5):.0f} % against {100 * swing:.0f} % in the beat"
    bars = beats / bar_beats
    uneven = f"its {beats:.0f} quarter notes are not whole bars of this beat"
    far = f"more than {100 * poor_beyond:.0f} % away: a poor match"
    words = [cost, time_note, feel if apart >= SWING_HEARD else "",
             uneven if abs(bars - round(bars)) > 0.01 and abs(1.0 / bars - round(1.0 / bars)) > 0.01 else "",
             far if poor else ""]  # fmt: skip
    return LoopFit(
        method=method, ratio=ratio, change_percent=100.0 * change, semitones=semitones,
        source_tempo_bpm=source, beats=beats, downbeat_s=loop.downbeat_s, poor_match=poor,
        note="; ".join(word for word in words if word),
    )  # fmt: skip


def cycle_samples(samples: Samples, rate_hz: int, fit: LoopFit, *, tempo_bpm: float) -> Samples:
    """One pass of the fitted loop, exactly `fit.beats` long at `tempo_bpm`, starting on its downbeat.

    What lies before the downbeat (a pickup) is played at the end of the pass, where it leads into the next one, as far
    as there is room for it; a pass that is too short is filled with silence.
    """
    body = samples[round(fit.downbeat_s * rate_hz) :]
    pickup = samples[: round(fit.downbeat_s * rate_hz)]
    if fit.method == "repitch":
        body, pickup = _repitch(body, fit.ratio), _repitch(pickup, fit.ratio)
    elif fit.method == "stretch":
        body, pickup = _stretch(body, rate_hz, fit.ratio), _stretch(pickup, rate_hz, fit.ratio)
    frames = round(fit.beats * 60.0 / tempo_bpm * rate_hz)
    cycle = np.zeros((frames, samples.shape[1]))
    cut = min(frames, len(body))
    cycle[:cut] = body[:cut]
    fade = min(cut, max(1, rate_hz // 400))
    if len(body) > frames:  # ends by a cut: a short fade instead of a click
        cycle[cut - fade : cut] *= np.linspace(1.0, 0.0, fade)[:, None]
    elif len(pickup) and cut < frames:
        room = min(frames - cut, len(pickup))
        cycle[frames - room :] = pickup[-room:]
    return cycle


def _repitch(samples: Samples, ratio: float) -> Samples:
    import soxr

    if len(samples) < 2:
        return np.asarray(samples, dtype=np.float64)
    return np.asarray(soxr.resample(np.asarray(samples, dtype=np.float64), ratio, 1.0, quality="HQ"))


def _stretch(samples: Samples, rate_hz: int, ratio: float) -> Samples:
    import librosa

    if len(samples) < 2:
        return np.asarray(samples, dtype=np.float64)
    # About 20 ms: long enough for a drum's tone, short enough to keep its attack in place.
    window = 2 ** round(log2(max(64.0, min(STRETCH_WINDOW_S * rate_hz, len(samples) / 4))))
    stretched = librosa.effects.time_stretch(
        np.ascontiguousarray(samples.T, dtype=np.float64), rate=ratio, n_fft=window, hop_length=window // 4
    )
    return np.asarray(stretched.T)


def lay_cycle(cycle: Samples, rate_hz: int, grid: Grid, *, length_s: float, start_s: float = 0.0) -> Samples:
    """The loop as sound, `length_s` from `start_s` on; it plays from the first downbeat to the last slot."""
    frames = round(length_s * rate_hz)
    out = np.zeros((frames, cycle.shape[1]))
    downbeat = round(grid.first_downbeat_s * rate_hz) - round(start_s * rate_hz)
    stop = min(frames, round((grid.first_downbeat_s + grid.slots * grid.slot_s - start_s) * rate_hz))
    start = max(0, downbeat)
    if stop <= start:
        return out
    inside = (start - downbeat) % len(cycle)
    passes = -(-(stop - start + inside) // len(cycle))
    out[start:stop] = np.tile(cycle, (passes, 1))[inside : inside + stop - start]
    return out


def lay_cycle_energies(cycle: BandEnergies, grid: Grid) -> Array:
    """Mean power of the repeated loop in every slot, `(slots, fine bands)`, from the energies of one pass."""
    edges = grid.slot_s * np.arange(grid.slots + 1)
    passes, inside = np.divmod(edges + 1e-9, cycle.duration_s)
    total = cycle.cumulative[-1]
    accumulated = passes[:, None] * total[None, :] + cumulative_at(cycle, np.maximum(inside - 1e-9, 0.0))
    return np.asarray(np.maximum(np.diff(accumulated, axis=0), 0.0) / grid.slot_s)
