"""Drum parts as sound: laid on the beat's grid, one at a time or several as one."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.arrange import loops, one_shots
from dossier.model.channels import as_mono
from dossier.model.measures import Array, Samples
from dossier.model.parts import DrumPart

PIECE = 1 << 17  # frames that are looked at together


def add_part(out: Samples, part: DrumPart, *, start_s: float = 0.0, gain_db: float = 0.0, rest: int = 0) -> None:
    """Add a part at a gain, which moves as the part says, to a sound, `(frames, 2)`, that begins at `start_s`.

    Where `out` is a piece of a longer sound, `rest` samples follow it.
    """
    if part.moves:
        moved = np.zeros_like(out)
        add_part(moved, replace(part, moves=()), start_s=start_s, gain_db=gain_db, rest=rest)
        moves_db = gain_over_time(part, start_s + np.arange(len(out)) / part.rate_hz)
        out += moved * (10.0 ** (moves_db / 20.0))[:, None].astype(out.dtype)
        return
    sound = part.samples * 10.0 ** (gain_db / 20.0) if gain_db else part.samples
    if part.voice is not None:
        one_shots.add_samples(out, sound, part.rate_hz, part.voice, start_s=start_s, rest=rest)
    else:
        loops.add_cycle(out, sound, part.rate_hz, part.grid, start_s=start_s)


def gain_over_time(part: DrumPart, times_s: Array) -> Array:
    """What a part's gain moves by at some times, dB."""
    if not part.moves:
        return np.zeros(len(times_s))
    at_s, by_db = zip(*part.moves, strict=True)
    return np.asarray(np.interp(times_s, at_s, by_db))


def laid(part: DrumPart, *, length_s: float, start_s: float = 0.0) -> Samples:
    """The part as sound, `length_s` from `start_s` on (0: the start of the stems), `(frames, 2)`, at 0 dB gain."""
    out = np.zeros((round(length_s * part.rate_hz), part.samples.shape[1]))
    add_part(out, part, start_s=start_s)
    return out


class LaidParts(Struct, frozen=True, eq=False):
    """Parts as one sound, `(frames, channels)`, from the start of the stems on, made slice by slice as it is looked at.

    One channel holds what both would.  A sound in the length of a beat takes long to make mostly for the memory it
    needs.
    """

    parts: tuple[DrumPart, ...]
    frames: int
    rate_hz: int
    start: int = 0  # the first frame, counted from the start of the stems
    rest: int = 0  # frames that follow: what sounds into them is not faded at the end

    @staticmethod
    def at_gains(
        playing: Iterable[tuple[DrumPart, float]], *, frames: int, rate_hz: int, start: int = 0, rest: int = 0
    ) -> LaidParts:
        """Of parts and their gains in dB."""
        parts = [part.with_samples(as_mono(part.samples * 10.0 ** (gain_db / 20.0))) for part, gain_db in playing]
        return LaidParts(parts=tuple(parts), frames=frames, rate_hz=rate_hz, start=start, rest=rest)

    @property
    def shape(self) -> tuple[int, int]:
        return self.frames, max((part.samples.shape[1] for part in self.parts), default=1)

    @property
    def dtype(self) -> np.dtype[np.float32]:
        return np.dtype(np.float32)

    def __len__(self) -> int:
        return self.frames

    def __getitem__(self, frames: slice) -> Samples:
        first, last, _ = frames.indices(self.frames)
        out = np.zeros((max(0, last - first), self.shape[1]), dtype=self.dtype)
        for part in self.parts:
            add_part(out, part, start_s=(self.start + first) / self.rate_hz, rest=self.frames - last + self.rest)
        return out

    def peak(self) -> float:
        """The highest sample, either way; 0 of silence."""
        pieces = (self[first : first + PIECE] for first in range(0, self.frames, PIECE))
        return max((float(max(piece.max(), -piece.min())) for piece in pieces), default=0.0)
