"""Translation: the chosen parts and the rough mix in mono, on a small speaker and at a low level."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dossier.decide import translation as decide_translation
from dossier.measure import hearing, in_beat, stereo
from dossier.memo import Memo
from dossier.model.checks import RoughMix
from dossier.model.choice import Balanced
from dossier.model.findings import PartTranslation, Translation
from dossier.model.measures import Array, Indices, StereoImage
from dossier.model.scene import Scene
from dossier.model.situation import Situation


def translation(
    here: Situation, balanced: Balanced, mixed: RoughMix, frames: Indices, memo: Memo
) -> Translation | None:
    """How the chosen drums travel; None without drums."""
    if not balanced.chosen:
        return None
    made_of = [(part.row.part, part.item.powers[frames], part.item.gains.db, part.item.part.samples)
               for part in balanced.chosen]  # fmt: skip
    found, images = memo("level", tuple[tuple[PartTranslation, ...], tuple[StereoImage, ...]],
                         lambda: _measured(here, balanced, frames), made_of, frames)  # fmt: skip
    zones = {zone: width.mono_loss_lu for zone, width in mixed.image.zones.items()}
    part_zones = {
        one.part: {zone: width.mono_loss_lu for zone, width in image.zones.items()}
        for one, image in zip(found, images, strict=True)
    }
    return Translation(
        parts=found, mono_zones={"whole": mixed.image.whole.mono_loss_lu, **zones},
        sentences=decide_translation.sentences(found, zones, here.policy, part_zones=part_zones),
    )  # fmt: skip


def _measured(
    here: Situation, balanced: Balanced, frames: Indices
) -> tuple[tuple[PartTranslation, ...], tuple[StereoImage, ...]]:
    policy = here.policy
    items = [part.item for part in balanced.chosen]
    rows = [part.row for part in balanced.chosen]
    powers = [item.powers[frames] for item in items]
    gains = [item.gains.db for item in items]
    on = here.scene.subset(frames)
    above = np.where(policy["small_speaker_hz"] <= hearing.FINE_HZ, 1.0, 0.0)
    normal = _heard(on, powers, gains)
    small = _heard(in_beat.played(on, on.powers * above, 0.0), [power * above for power in powers], gains)
    quiet = _heard(in_beat.played(on, on.powers, -policy["quiet_db"]), powers, gains)
    images = [stereo.measure(item.part.samples, here.music.rate_hz) for item in items]

    def left(there: tuple[float, float], usual: tuple[float, float]) -> float | None:
        """Share of what is usually heard; None for a part that is covered anyway."""
        heard, alone = usual
        return there[0] / heard if heard > policy["translation_least_heard"] * alone else None

    return tuple(
        PartTranslation(part=row.part, mono_loss_lu=image.whole.mono_loss_lu,
                        small_speaker_share=left(there, usual), quiet_share=left(softly, usual))
        for row, image, usual, there, softly in zip(rows, images, normal, small, quiet, strict=True)
    ), tuple(images)  # fmt: skip


def _heard(on: Scene, powers: Sequence[Array], gains: Sequence[float]) -> list[tuple[float, float]]:
    """Loudness of each part in everything else that plays, and alone, summed over the frames."""
    placed = [in_beat.place(on, power, gain_db=gain) for power, gain in zip(powers, gains, strict=True)]
    total = np.sum([item.excitation for item in placed], axis=0)
    alone = [float(item.alone.sum()) for item in placed]
    shares = [in_beat.audible_share(on, item, total - item.excitation) for item in placed]
    return [(share * own, own) for share, own in zip(shares, alone, strict=True)]
