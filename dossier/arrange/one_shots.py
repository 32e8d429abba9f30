"""One-shots on the grid: when each voice sounds, as sound and as energy a slot.

Conventions
    A voice is monophonic: its next hit ends the one before, as on a sampler pad; a closed hat also ends an open hat
    (common practice, no source).  Hits add as energies; their phases do not matter to the hearing measures.
    Amplitude of a hit is velocity squared (40*log10(velocity) dB, see `dossier.arrange.pattern`).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence

import numpy as np

from dossier.arrange.pattern import swung
from dossier.model.beat import Pattern, Section
from dossier.model.measures import Array, BandEnergies, Grid, Samples
from dossier.model.parts import Voice
from dossier.model.vocabulary import Role

CHOKE_FADE_S = 0.004
CHOKED_BY: Mapping[Role, tuple[Role, ...]] = {"open-hat": ("closed-hat",)}


def voices(
    grid: Grid, pattern: Pattern, section_patterns: Mapping[str, Pattern], sections: Sequence[Section]
) -> dict[Role, Voice]:
    """Play the patterns through the beat: one voice a role that is played.

    A section with a pattern of its own (`section_patterns`, by name) plays that from its first bar; everything else
    plays `pattern`, counted from the first downbeat.  Hits past the last slot are left out.
    """
    spans: list[tuple[float, float, Pattern]] = []
    bar_beats = grid.bar_beats
    total = grid.bars * bar_beats
    covered = 0.0
    for section in sorted(sections, key=lambda section: section.first_bar):
        own = section_patterns.get(section.name)
        begin, end = section.first_bar * bar_beats, (section.first_bar + section.bars) * bar_beats
        if own is None or begin >= total:
            continue
        if begin > covered:
            spans.append((covered, begin, pattern))
        spans.append((begin, min(end, total), own))
        covered = min(end, total)
    if covered < total:
        spans.append((covered, total, pattern))

    notes: dict[Role, list[tuple[float, float]]] = {}
    beat_s = 60.0 / grid.tempo_bpm
    for begin, end, played in spans:
        # The common pattern keeps its phase to the whole beat; a section's own starts with the section.
        origin = begin if played is not pattern else 0.0
        cycle = int((begin - origin) // played.length_beats)
        while origin + cycle * played.length_beats < end:
            for hit in played.hits:
                position = origin + cycle * played.length_beats + hit.beat
                if begin - 1e-9 <= position < end - 1e-9:
                    at = swung(position, grid.swing, pair=grid.swing_pair_beats) if played.swing_applies else position
                    notes.setdefault(hit.role, []).append((grid.first_downbeat_s + at * beat_s, hit.velocity**2))
            cycle += 1
    end_s = grid.first_downbeat_s + total * beat_s
    starts = {role: sorted(found) for role, found in notes.items()}
    told = "" if pattern.source == "assumed" else "written" if pattern.source == "beat.toml" else "played"
    if told == "played" and len({max(gain for _, gain in found) for found in starts.values()}) == 1:
        told = ""  # nobody set levels with them
    return {role: _voice(role, starts, end_s, told) for role in starts}


def _voice(role: Role, starts: Mapping[Role, list[tuple[float, float]]], end_s: float, velocities: str) -> Voice:
    cutters = sorted(
        {start for other in (role, *CHOKED_BY.get(role, ())) for start, _ in starts.get(other, [])} | {end_s}
    )
    own, gains = zip(*starts[role], strict=True)
    ends = (cutters[min(bisect_left(cutters, start + 1e-6), len(cutters) - 1)] for start in own)
    return Voice(role=role, starts_s=own, ends_s=tuple(map(max, own, ends)), gains=gains, velocities=velocities)


def add_samples(out: Samples, hit: Samples, rate_hz: int, voice: Voice, *, start_s: float = 0.0, rest: int = 0) -> None:
    """Add a voice that plays `hit` to `out`, in place; both `(frames, channels)`, `out` from `start_s` on.

    Where `out` is a piece of a longer sound, `rest` frames follow it.
    """
    frames = len(out)
    origin = round(start_s * rate_hz)
    fade = max(1, round(CHOKE_FADE_S * rate_hz))
    ramp = np.linspace(1.0, 0.0, fade)[:, None]
    # A voice is monophonic, so its hits end in the order in which they start.
    first = bisect_left(voice.ends_s, (origin - 1) / rate_hz)
    last = bisect_right(voice.starts_s, (origin + frames + 1) / rate_hz)
    for hit_s, end_s, gain in zip(
        voice.starts_s[first:last], voice.ends_s[first:last], voice.gains[first:last], strict=True
    ):
        start = round(hit_s * rate_hz) - origin
        stop = min(frames + rest, start + len(hit), round(end_s * rate_hz) - origin)
        begin, finish = max(0, start), min(frames, stop)
        if finish <= begin:
            continue
        piece = hit[begin - start : finish - start] * gain
        faded = stop - fade
        if stop - start < len(hit) and finish > faded:  # cut by the next hit, or by the end of the beat
            low = max(begin, faded)
            piece[low - begin :] *= ramp[low - faded : finish - faded]
        out[begin:finish] += piece


def lay_energies(hit: BandEnergies, voice: Voice, edges_s: Array) -> Array:
    """Mean power of the voice in every frame, linear, `(frames, fine bands)`, from the energies of one hit.

    `edges_s` are the `(frames + 1,)` edges of the frames.  Hits that fall alike into a frame (to the millisecond, with
    the same cut) share one profile, so that the cost does not grow with the length of the beat.
    """
    from scipy.sparse import csr_array

    frames = len(edges_s) - 1
    length = (len(hit.cumulative) - 1) * hit.step_s
    lag = max(0.0, length - hit.duration_s)  # the analysis reports energy a little late; a cut hit keeps what it played
    starts, ends, gains = map(np.asarray, (voice.starts_s, voice.ends_s, voice.gains))
    first = np.searchsorted(edges_s, starts + 1e-9, side="right") - 1
    inside = first < frames
    if not inside.any():
        return np.zeros((frames, hit.cumulative.shape[1]))
    starts, begin, gains = starts[inside], np.maximum(first[inside], 0), gains[inside]
    sounding = np.minimum(ends[inside] - starts + lag, length)
    until = np.maximum(np.searchsorted(edges_s, starts + sounding, side="left"), begin + 1)
    lead = np.round(edges_s[begin] - starts, 3)
    _, firsts, which = np.unique(lead + 1j * np.round(sounding, 3), return_index=True, return_inverse=True)

    def profile(at: int) -> Array:
        times = np.clip(lead[at] + edges_s[begin[at] : until[at] + 1] - edges_s[begin[at]], 0.0, sounding[at])
        return np.maximum(np.diff(cumulative_at(hit, times), axis=0), 0.0)

    profiles = [profile(at) for at in firsts.tolist()]
    lengths = np.array([len(one) for one in profiles])
    rows = np.minimum(lengths[which], frames - begin)  # of each hit
    step = np.arange(rows.sum()) - np.repeat(np.cumsum(rows) - rows, rows)
    place = np.repeat(begin, rows) + step, np.repeat((np.cumsum(lengths) - lengths)[which], rows) + step
    laid = csr_array((np.repeat(gains**2, rows), place), shape=(frames, int(lengths.sum())))
    return np.asarray(laid @ np.concatenate(profiles) / np.diff(edges_s)[:, None])


def cumulative_at(energies: BandEnergies, times_s: Array) -> Array:
    """Accumulated energy at the given times, `(times, fine bands)`, interpolated; held beyond both ends."""
    steps = len(energies.cumulative) - 1
    position = np.clip(np.asarray(times_s) / energies.step_s, 0.0, steps)
    lower = np.minimum(position.astype(int), max(steps - 1, 0))
    share = (position - lower)[:, None]
    upper = np.minimum(lower + 1, steps)
    return np.asarray(energies.cumulative[lower] * (1.0 - share) + energies.cumulative[upper] * share)
