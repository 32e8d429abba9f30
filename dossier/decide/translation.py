"""Translation: which parts suffer on a mono sum, a small speaker, at low level, in words made of their numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dossier.decide.approach import LABELS, percent
from dossier.model.findings import PartTranslation


def sentences(
    parts: Sequence[PartTranslation], mono_zones: Mapping[str, float | None], policy: Mapping[str, float]
) -> tuple[str, ...]:
    """What to know about mono, a small speaker and quiet listening."""
    said = []
    least = policy["mono_loss_lu"]
    gone = [part.part for part in parts if part.mono_loss_lu is None]
    losing = [part for part in parts if part.mono_loss_lu is not None and part.mono_loss_lu >= least]
    measured = {zone: loss for zone, loss in mono_zones.items() if loss is not None}
    zone = max(measured, key=lambda name: measured[name], default=None)
    if gone:
        said.append(f"In mono {' and '.join(gone)} vanishes: one channel is the other turned over.")
    if losing:
        worst = max(losing, key=lambda part: part.mono_loss_lu or 0.0)
        said.append(f"In mono {worst.part} loses {worst.mono_loss_lu:.1f} LU; narrow it or check its channels.")
    if zone is not None and measured[zone] >= least:
        where = LABELS.get(zone, zone)
        said.append(f"The mix loses {measured[zone]:.1f} LU in mono in the {where}: look for a wide stem.")
    elif zone is not None and not gone and not losing:
        said.append(f"The mono sum holds: no part loses {least:.1f} LU, and the mix loses most in the "
                    f"{LABELS.get(zone, zone)} ({measured[zone]:.1f} LU).")  # fmt: skip
    lost = [
        part for part in parts
        if part.small_speaker_share is not None and part.small_speaker_share < policy["lost_below"]
    ]  # fmt: skip
    small = f"{policy['small_speaker_hz']:.0f} Hz"
    if lost:
        names = " and ".join(f"{part.part} ({percent(part.small_speaker_share or 0.0)} left)" for part in lost)
        said.append(f"On a speaker that gives nothing below {small}, {names} all but vanishes: it needs a click or "
                    "overtones above that.")  # fmt: skip
    elif parts:
        said.append(f"On a speaker that gives nothing below {small}, every part is still heard.")
    quiet = [part for part in parts if part.quiet_share is not None]
    if quiet:
        first = min(quiet, key=lambda part: (part.quiet_share or 0.0, part.part))
        fades = f"{first.part} fades first: " if len(quiet) > 1 else f"of {first.part} "
        said.append(f"Played {policy['quiet_db']:.0f} dB lower, {fades}{percent(first.quiet_share or 0.0)} of its "
                    "loudness in the mix is left.")  # fmt: skip
    return tuple(said)
