"""The plan's search with the real ear: a drum on a grid over two bars of music, measured as the program measures it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from masking_beat import RATE, snare

from dossier.arrange import one_shots
from dossier.arrange import pattern as patterns
from dossier.decide.plan import search
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.model.findings import DrumFigures
from dossier.model.measures import Grid, Samples
from dossier.treat import FAMILIES, true_peak

GRID = Grid(
    tempo_bpm=92.0, tempo_source="beat.toml", tempo_confidence=1.0, first_downbeat_s=0.0, downbeat_source="beat.toml",
    downbeat_confidence=1.0, swing=0.5, swing_source="default", swing_confidence=1.0, meter=(4, 4), bars=1,
)  # fmt: skip
LEVEL, TARGET = 75.0, -16.0


def music(*, full: bool) -> Samples:
    """One bar: a bass and a low pad, or noise over the whole range on top of them; tilted as music is."""
    frames = round(GRID.bars * GRID.bar_s * RATE)
    rng = np.random.default_rng(11)
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum = np.fft.rfft(rng.standard_normal((frames, 2)), axis=0)
    high = 12_000.0 if full else 900.0
    spectrum *= (((hz > 40.0) & (hz < high)) / np.maximum(hz, 40.0) ** (0.7 if full else 0.5))[:, None]
    sound = np.fft.irfft(spectrum, frames, axis=0)
    return 0.1 * sound / np.sqrt(np.mean(sound**2))


def ear(*, full: bool, gain_db: float) -> Callable[[Samples], DrumFigures]:
    """The program's own measures for a snare on two and four."""
    sound = music(full=full)
    powers = hearing.slot_powers(hearing.band_energies(sound, RATE), GRID.slot_edges_s())
    integrated = loudness.measure(sound, RATE).integrated_lufs
    assert integrated is not None
    on = in_beat.scene(
        powers, reference=occ.reference_loudness(target_lufs=TARGET, listening_level=LEVEL),
        active=occ.active_slots(powers), k_weights=10.0 ** (loudness.k_weight_db(hearing.FINE_HZ) / 10.0),
        spl_offset_db=LEVEL - TARGET + TARGET - 3.0 - integrated,
    )  # fmt: skip
    voice = one_shots.voices(GRID, patterns.plain_voice("snare", (4, 4)), {}, ())["snare"]

    def figures(drum: Samples) -> DrumFigures:
        energies = hearing.band_energies(drum, RATE)
        found = in_beat.measure(on, in_beat.place(on, one_shots.lay_energies(energies, voice, GRID.slot_edges_s()),
                                                gain_db=gain_db))  # fmt: skip
        return DrumFigures(
            sample_peak_dbfs=None, true_peak_dbtp=20.0 * np.log10(true_peak(drum, RATE)) + gain_db,
            integrated_lufs=None, crest_factor_db=None, effective_length_s=None, fill=found.fill,
            room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
            audible_share=found.audible_share,
        )  # fmt: skip

    return figures


@pytest.mark.parametrize(("direction", "full", "gain_db"), [("fuller", False, 0.0), ("leaner", True, 6.0)])
def test_a_plan_found_by_ear(direction: str, full: bool, gain_db: float) -> None:
    """Analytic: the plan meets its goal in the program's own measures, and measures the same again."""
    drum, figures = snare(level=0.9), ear(full=full, gain_db=gain_db)
    result = search(
        drum, RATE, candidate="drums/snare.wav", role="snare", direction=direction, families=FAMILIES, measure=figures,
        true_peak=true_peak, most_evaluations=48,
    )  # fmt: skip
    plan = result.plan
    assert plan.helped, plan.reason
    assert plan.after == figures(result.samples)
    assert plan.evaluations <= 48
    if direction == "fuller":
        assert plan.after.room_filled >= 1.25 * plan.before.room_filled
        assert plan.after.fill > plan.before.fill
        assert plan.after.audible_share >= plan.before.audible_share - 0.01
    else:
        assert plan.after.overlap <= 0.75 * plan.before.overlap
        assert plan.after.audible_share >= 0.9 * plan.before.audible_share
