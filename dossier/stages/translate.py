"""Translate: the chosen parts and the rough mix in mono, on a small speaker and at a low level."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import translation as decide_translation
from dossier.measure import hearing, in_beat, stereo
from dossier.model.findings import PartTranslation, Translation
from dossier.model.measures import Array, Indices
from dossier.model.scene import Scene
from dossier.stages.analyse import Analysis
from dossier.stages.mix import Mixed
from dossier.stages.settle import Settled

LEAST_HEARD = 0.01  # of its loudness alone: a part that is covered anyway has nothing to lose elsewhere


def measure(analysis: Analysis, settled: Settled, mixed: Mixed, slots: Indices) -> Translation | None:
    """How the chosen drums travel; None without drums."""
    if not settled.chosen:
        return None
    parts, rows = zip(*settled.chosen, strict=True)
    policy = analysis.policy
    powers = [part.powers[slots] for part in parts]
    gains = [row.gain_db for row in rows]
    on = analysis.scene.subset(slots)
    normal = _heard(on, powers, gains)
    lowest = policy["small_speaker_hz"]
    above = np.where(lowest <= hearing.FINE_HZ, 1.0, 0.0)
    small = _heard(_again(on, on.powers * above, 0.0), [power * above for power in powers], gains)
    quiet = _heard(_again(on, on.powers, -policy["quiet_db"]), powers, gains)
    images = [stereo.measure(part.play.samples, analysis.rate_hz) for part in parts]
    found = tuple(
        PartTranslation(
            part=row.part, mono_loss_lu=images[index].whole.mono_loss_lu,
            small_speaker_share=small[index].heard / normal[index].heard if normal[index].is_heard else None,
            quiet_share=quiet[index].heard / normal[index].heard if normal[index].is_heard else None,
        )
        for index, row in enumerate(rows)
    )  # fmt: skip
    image = mixed.image
    zones = {zone: width.mono_loss_lu for zone, width in image.zones.items()}
    return Translation(
        parts=found, mono_zones={"whole": image.whole.mono_loss_lu, **zones},
        sentences=decide_translation.sentences(
            found, zones, policy,
            part_zones={
                row.part: {zone: width.mono_loss_lu for zone, width in own.zones.items()}
                for row, own in zip(rows, images, strict=True)
            },
        ),
    )  # fmt: skip


def _again(on: Scene, powers: Array, level_db: float) -> Scene:
    """The scene with other powers, played at another level."""
    offset = on.spl_offset_db + level_db
    excitation = hearing.excitation(powers, spl_offset_db=offset)
    return replace(on, powers=powers, excitation=excitation, loudness=hearing.specific_loudness(excitation),
                   spl_offset_db=offset)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Heard:
    """Loudness of one part in everything else that plays, and alone, summed over the slots."""

    heard: float
    alone: float

    @property
    def is_heard(self) -> bool:
        return self.heard > LEAST_HEARD * self.alone


def _heard(on: Scene, powers: list[Array], gains: list[float]) -> list[_Heard]:
    placed = [in_beat.place(on, power, gain_db=gain) for power, gain in zip(powers, gains, strict=True)]
    total = np.sum([item.excitation for item in placed], axis=0)
    alone = [float(item.alone.sum()) for item in placed]
    return [
        _Heard(in_beat.audible_share(on, item, total - item.excitation) * own, own)
        for item, own in zip(placed, alone, strict=True)
    ]
