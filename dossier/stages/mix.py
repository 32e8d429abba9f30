"""Mix: the chosen parts and the instrumental as one sound, at the target loudness under the ceiling."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from dossier.measure import loudness, stereo, true_peak
from dossier.model.findings import Balance, Mix
from dossier.model.measures import Samples, StereoImage
from dossier.stages.analyse import Analysis
from dossier.stages.settle import Settled
from dossier.treat.limiter import limit

MISSED_LU = 0.1  # loudness that a limiter cost; less is not made up
SHORT_LU = 0.2  # from here on the mix is said to miss its target


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """What is measured of the rough mix, as it is kept."""

    mix: Mix
    image: StereoImage


@dataclass(frozen=True, slots=True, eq=False)
class Mixed:
    """The rough mix's figures, and its sound: made again where the figures were kept and the sound is asked for."""

    mix: Mix
    image: StereoImage
    sound: Callable[[], Samples]


def rough_mix(analysis: Analysis, settled: Settled) -> Mixed:
    """The rough mix at the target loudness under the ceiling, and its figures measured from what is rendered."""
    sounds = {part.id: part.play.samples for part, _ in settled.chosen}
    gains_db = [row.gain_db for _, row in settled.chosen]
    made: list[Samples] = []

    def measured() -> Figures:
        samples, figures = _mixed(analysis, settled)
        made.append(samples)
        return figures

    kept = analysis.keep("mix", Figures, measured, sounds, gains_db)
    return Mixed(mix=kept.mix, image=kept.image, sound=lambda: made[0] if made else _mixed(analysis, settled)[0])


def _mixed(analysis: Analysis, settled: Settled) -> tuple[Samples, Figures]:
    with ThreadPoolExecutor(2) as beside:
        return _mixed_beside(analysis, settled, beside)


def _mixed_beside(analysis: Analysis, settled: Settled, beside: Executor) -> tuple[Samples, Figures]:
    rate = analysis.rate_hz
    grid_end = analysis.grid.first_downbeat_s + analysis.grid.slots * analysis.grid.slot_s
    frames = max(len(analysis.instrumental), round(grid_end * rate))
    mix: Samples = np.empty((frames, 2), dtype=np.float32)

    def lay() -> None:
        mix[: len(analysis.instrumental)] = analysis.instrumental
        mix[len(analysis.instrumental) :] = 0.0
        for part, row in settled.chosen:
            part.play.add_to(mix, gain_db=row.gain_db)

    def limited() -> float:
        """Turn the mix to its level and limit it where it lies; the most that was taken in dB."""
        np.multiply(mix, np.float32(10.0 ** (gain / 20.0)), out=mix)
        return limit(mix, rate, ceiling_dbtp=ceiling, peak_envelope=true_peak.peak_envelope, in_place=True)[1]

    lay()
    raw = loudness.measure(mix, rate, beside=beside)
    ceiling, most = analysis.policy["ceiling_dbtp"], analysis.policy["limiter_most_db"]
    gain = analysis.target_lufs - raw.integrated_lufs if raw.integrated_lufs is not None else 0.0
    if raw.true_peak_dbtp is not None:
        gain = min(gain, ceiling + most - raw.true_peak_dbtp)
    taken = limited()
    image = beside.submit(stereo.measure, mix, rate)
    final, blocks = loudness.measure_with_blocks(mix, rate, beside=beside)
    if taken and raw.true_peak_dbtp is not None and gain < ceiling + most - raw.true_peak_dbtp:
        # The limiter costs a little loudness; make it up once, as far as the limiter may go.
        after = final.integrated_lufs
        if after is not None and after < analysis.target_lufs - MISSED_LU:
            more = min(analysis.target_lufs - after, ceiling + most - raw.true_peak_dbtp - gain)
            gain += more
            image.result()
            lay()
            taken = limited()
            image = beside.submit(stereo.measure, mix, rate)
            final, blocks = loudness.measure_with_blocks(mix, rate, beside=beside)
    short = final.integrated_lufs is not None and final.integrated_lufs < analysis.target_lufs - SHORT_LU
    sections = []
    for section in analysis.room.sections:
        begin = analysis.grid.first_downbeat_s + (section.first_bar - 1) * analysis.grid.bar_s
        end = begin + section.bars * analysis.grid.bar_s
        there = blocks[max(0, round(begin / loudness.BLOCK_S)) : round(end / loudness.BLOCK_S)]
        sections.append((section.name, loudness.integrated_from_blocks(there)))
    return mix, Figures(image=image.result(), mix=Mix(
        integrated_lufs=final.integrated_lufs, true_peak_dbtp=final.true_peak_dbtp,
        headroom_db=ceiling - final.true_peak_dbtp if final.true_peak_dbtp is not None else None,
        loudness_range_lu=final.loudness_range_lu, gain_db=gain, limiter_db=taken, limited=short,
        sections=tuple(sections),
    ))  # fmt: skip


def balance(analysis: Analysis, settled: Settled, mix: Mix) -> Balance:
    """The level balance of a dossier: the parts at their gains, and the mix that they make."""
    return Balance(
        parts=settled.rows, mix=mix, equal_peaks=settled.equal_peaks, advice=_advice(mix, analysis),
        sections=settled.sections,
    )  # fmt: skip


def _advice(mix: Mix, analysis: Analysis) -> tuple[str, ...]:
    if mix.integrated_lufs is None or mix.true_peak_dbtp is None:
        return ("The rough mix is too short or too soft to be measured.",)
    words = (
        f"The rough mix reads {mix.integrated_lufs:.1f} LUFS and {mix.true_peak_dbtp:.1f} dBTP "
        f"with {mix.gain_db:+.1f} dB on everything"
    )
    if mix.limiter_db > 0:
        words += f" and a limiter that takes at most {mix.limiter_db:.1f} dB"
    if mix.limited:
        return (
            f"{words}; the target of {analysis.target_lufs:.1f} LUFS under a ceiling of "
            f"{analysis.policy['ceiling_dbtp']:.0f} dBTP would ask more of the limiter, so it was stopped there.",
        )
    return (f"{words}, which leaves {mix.headroom_db:.1f} dB to {analysis.policy['ceiling_dbtp']:.0f} dBTP.",)
