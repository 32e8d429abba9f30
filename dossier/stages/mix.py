"""Mix: the chosen parts and the instrumental as one sound, at the target loudness under the ceiling."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dossier.arrange.parts import LaidParts, add_part
from dossier.measure import loudness, stereo, true_peak
from dossier.memo import Memo
from dossier.model.checks import RoughMix
from dossier.model.choice import Balanced, BalancedPart
from dossier.model.findings import Mix, Room
from dossier.model.measures import Samples, StereoImage
from dossier.model.situation import Situation
from dossier.treat.limiter import limit


def rough_mix(here: Situation, room: Room, balanced: Balanced, memo: Memo) -> RoughMix:
    """The rough mix at the target loudness under the ceiling, and its figures measured from what is rendered."""
    sounds = [(part.id, part.item.gains.db, part.item.part.moves, part.item.part.samples) for part in balanced.chosen]
    made: list[Samples] = []

    def measured() -> tuple[Mix, StereoImage]:
        samples, mix, image = _mixed(here, room, balanced)
        made.append(samples)
        return mix, image

    mix, image = memo("mix", tuple[Mix, StereoImage], measured, sounds)
    return RoughMix(mix, image, sound=lambda: made[0] if made else _mixed(here, room, balanced)[0])


def all_drums(parts: Sequence[BalancedPart], *, frames: int, rate_hz: int, by_db: float = 0.0) -> LaidParts:
    """All chosen parts at their gains to set, turned as a whole."""
    playing = [(part.item.part, part.item.gains.to_set_db + by_db) for part in parts]
    return LaidParts.at_gains(playing, frames=frames, rate_hz=rate_hz)


def drums_file_gain(here: Situation, balanced: Balanced, memo: Memo) -> float:
    """What the file of all drums is lowered by, so that it stays under the policy's sample peak: 0 or less, dB."""
    sounds = [(part.id, part.item.gains, part.item.part.samples) for part in balanced.chosen]

    def measured() -> float:
        frames = here.music.frames
        return all_drums(balanced.chosen, frames=frames, rate_hz=here.music.rate_hz).peak()

    peak = memo("mix", float, measured, sounds)
    lower_db = here.policy["drums_file_dbfs"] - 20.0 * float(np.log10(max(peak, 1e-9)))
    return float(min(0.0, np.floor(10.0 * lower_db) / 10.0)) + 0.0


def _mixed(here: Situation, room: Room, balanced: Balanced) -> tuple[Samples, Mix, StereoImage]:
    music, grid, policy, target = here.music, here.grid, here.policy, here.conditions.target_lufs
    rate = music.rate_hz
    frames = max(music.frames, round((grid.first_downbeat_s + grid.slots * grid.slot_s) * rate))
    mix: Samples = np.empty((frames, 2), dtype=np.float32)

    def lay() -> None:
        mix[: music.frames] = music.samples * np.float32(10.0 ** (balanced.music_gain_db / 20.0))
        mix[music.frames :] = 0.0
        for part in balanced.chosen:
            add_part(mix, part.item.part, gain_db=part.item.gains.to_set_db)

    def limited(gain_db: float) -> float:
        """Turn the mix to its level and limit it where it lies; the most that was taken in dB."""
        np.multiply(mix, np.float32(10.0 ** (gain_db / 20.0)), out=mix)
        return limit(mix, rate, ceiling_dbtp=ceiling, peak_envelope=true_peak.peak_envelope, in_place=True)[1]

    lay()
    raw = loudness.measure(mix, rate)
    ceiling, most = policy["ceiling_dbtp"], policy["limiter_most_db"]
    room_db = ceiling + most - raw.true_peak_dbtp if raw.true_peak_dbtp is not None else np.inf
    gain = min(target - raw.integrated_lufs if raw.integrated_lufs is not None else 0.0, room_db)
    taken = limited(gain)
    final, blocks = loudness.measure_with_blocks(mix, rate)
    after = final.integrated_lufs
    if taken and gain < room_db < np.inf and after is not None and after < target - policy["mix_missed_lu"]:
        # The limiter costs a little loudness; make it up once, as far as the limiter may go.
        gain += min(target - after, room_db - gain)
        lay()
        taken = limited(gain)
        final, blocks = loudness.measure_with_blocks(mix, rate)
    short = final.integrated_lufs is not None and final.integrated_lufs < target - policy["mix_short_lu"]
    sections = []
    for section in room.sections:
        begin = grid.first_downbeat_s + (section.first_bar - 1) * grid.bar_s
        end = begin + section.bars * grid.bar_s
        there = blocks[max(0, round(begin / loudness.BLOCK_S)) : round(end / loudness.BLOCK_S)]
        sections.append((section.name, loudness.integrated_from_blocks(there)))
    figures = Mix(
        integrated_lufs=final.integrated_lufs, true_peak_dbtp=final.true_peak_dbtp, sections=tuple(sections),
        headroom_db=ceiling - final.true_peak_dbtp if final.true_peak_dbtp is not None else None,
        loudness_range_lu=final.loudness_range_lu, gain_db=float(gain), limiter_db=taken, limited=short,
    )  # fmt: skip
    return mix, figures, stereo.measure(mix, rate)
