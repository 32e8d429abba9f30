"""Translation: which parts suffer on a mono sum, a small speaker, at low level, in words made of their numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from dossier.decide.approach import percent
from dossier.model.findings import PartTranslation
from dossier.model.numbers import unsigned
from dossier.model.vocabulary import ZONE_LABELS


def sentences(
    parts: Sequence[PartTranslation], mono_zones: Mapping[str, float | None], policy: Mapping[str, float], *,
    part_zones: Mapping[str, Mapping[str, float | None]] = MappingProxyType({}),
) -> tuple[str, ...]:  # fmt: skip
    """What is a problem in mono, on a small speaker or at low level, and that mono is fine; empty without parts.

    `mono_zones`: loss of the mix in LU by zone, None where there is nothing to lose; `part_zones`: that of each part.
    """
    said = []
    least = policy["mono_loss_lu"]
    gone = [part.part for part in parts if part.mono_loss_lu is None]
    losing = [part for part in parts if part.mono_loss_lu is not None and part.mono_loss_lu >= least]
    measured = {zone: loss for zone, loss in mono_zones.items() if loss is not None}
    zone = max(measured, key=lambda name: measured[name], default=None)
    if gone:
        said.append(f"In mono {' and '.join(gone)} vanishes: one channel is the other inverted.")
    if losing:
        worst = max(losing, key=lambda part: part.mono_loss_lu or 0.0)
        where = _most_in(part_zones.get(worst.part, {}), policy["mono_zone_told_lu"])
        said.append(f"In mono {worst.part} loses {worst.mono_loss_lu:.1f} LU{where}; narrow it or check its channels.")
    if zone is not None and measured[zone] >= least:
        where = ZONE_LABELS.get(zone, zone)
        said.append(f"The mix loses {unsigned(measured[zone])} LU in mono in the {where}: look for a wide stem.")
    elif zone is not None and not gone and not losing:
        said.append("Fine in mono.")
    lost = [
        part for part in parts
        if part.small_speaker_share is not None and part.small_speaker_share < policy["lost_below"]
    ]  # fmt: skip
    small = f"{policy['small_speaker_hz']:.0f} Hz"
    if lost:
        names = " and ".join(f"{part.part} ({percent(part.small_speaker_share or 0.0)} left)" for part in lost)
        said.append(f"On a speaker that gives nothing below {small}, {names} all but vanishes: it needs a click or "
                    "overtones above that.")  # fmt: skip
    fading = [part for part in parts if part.quiet_share is not None and part.quiet_share < policy["gone_below"]]
    if fading:
        said.append(f"Played {policy['quiet_db']:.0f} dB lower, {' and '.join(one.part for one in fading)} is gone.")
    return tuple(said)


def _most_in(zones: Mapping[str, float | None], least_lu: float) -> str:
    """', most of it in the presence (4.1 LU)'; empty where no zone loses anything."""
    measured = {zone: loss for zone, loss in zones.items() if loss is not None and loss > least_lu}
    worst = max(measured, key=lambda zone: measured[zone], default=None)
    if worst is None:
        return ""
    return f", most of it in the {ZONE_LABELS.get(worst, worst)} ({unsigned(measured[worst])} LU)"
