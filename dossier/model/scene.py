"""The beat as the drums meet it: the instrumental's scene, a drum part placed in it, and what the part does there.

Excitations are linear powers in 38 auditory bands; specific loudness is in sone/Cam.  `dossier.measure.in_beat` makes
and measures all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from dossier.model.findings import DrumFigures, Fit
from dossier.model.measures import Array, Indices, Mask


class Scene(Struct, frozen=True, eq=False):
    """The instrumental as the drums meet it."""

    powers: Array  # (frames, fine), full-scale^2, instrumental as its stems are
    excitation: Array  # (frames, bands), linear, at the playing level
    loudness: Array  # (frames, bands), sone/Cam
    reference: Array  # (bands,), sone/Cam
    kept: Array  # (bands,), share of the reference that is kept free, for a voice
    active: Mask  # (frames,)
    zone_weights: Array  # (zones, bands)
    k_weights: Array  # (fine,), linear power
    spl_offset_db: float  # dB SPL of full-scale^2 power 1 of a part whose gain is 0 dB
    masking_db: float = 0.0  # by how much the masking constant is moved

    @property
    def reference_sum(self) -> float:
        return float(self.reference.sum() * max(1, int(self.active.sum())))

    def subset(self, frames: Indices) -> Scene:
        """The same scene on some of its frames (indices)."""
        by_frame = {name: getattr(self, name)[frames] for name in ("powers", "excitation", "loudness", "active")}
        return replace(self, **by_frame)


class PlacedPart(Struct, frozen=True, eq=False):
    """A drum part on the scene's slots at its gain."""

    powers: Array  # (frames, fine), at 0 dB gain
    gain_db: float
    excitation: Array  # (frames, bands)
    alone: Array  # (frames, bands), sone/Cam


class InBeat(Struct, frozen=True):
    """What one drum part (or a kit as one part) does in the beat."""

    fill: float  # with the part
    music_fill: float  # without
    room_filled: float
    spill: float
    overlap: float
    buried: float
    audible_share: float
    lift_lu: float | None
    heard_zones: Mapping[str, float]  # sone a zone

    @property
    def over(self) -> float:
        return self.spill

    @property
    def covered_music(self) -> float:
        return self.buried

    def told(self, kind: type[Fit] | type[DrumFigures]) -> dict[str, Any]:
        """The values that this kind of finding repeats."""
        return {name: getattr(self, name) for name in kind.__struct_fields__ if hasattr(self, name)}
