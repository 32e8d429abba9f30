"""The level shared recompute in the page what the analysis computes in Python."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import sample_whatif
from page_wait import until

from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.model.page import WhatIfArrays
from dossier.model.scene import Scene
from dossier.render import what_if_data

SETTINGS = [
    {}, {"kick": 0.0}, {"kick": -12.0, "snare": 3.0}, {"closed-hat": -20.0}, {"snare": -14.5, "closed-hat": 2.0},
    {"kick": 6.0, "snare": 6.0, "closed-hat": 2.5}, {"kick": -15.0, "snare": -16.5, "closed-hat": -21.5},
    {"kick": 1.7}, {"snare": -0.3}, {"kick": -7.4, "snare": -2.2, "closed-hat": -5.9},
]  # fmt: skip


def expected(arrays: WhatIfArrays, gains: dict[str, float]) -> dict[str, Any]:
    """The analysis' own functions on the arrays as they were before they were packed for the page."""
    music, active = arrays.instrumental_excitation, arrays.active.astype(bool)
    scene = Scene(
        powers=np.zeros((len(music), len(hearing.FINE_HZ))), excitation=music,
        loudness=hearing.specific_loudness(music),
        reference=arrays.reference_sone, kept=np.zeros(music.shape[1]), active=active, zone_weights=arrays.zone_weights,
        k_weights=np.ones(len(hearing.FINE_HZ)), spl_offset_db=arrays.spl_offset_db,
    )  # fmt: skip
    set_to = {part.id: gains.get(part.id, part.gain_db) for part in arrays.parts}
    placed = {part.id: in_beat.place(scene, part.powers, gain_db=set_to[part.id]) for part in arrays.parts}
    drums = sum(drum.excitation for drum in placed.values())
    n = hearing.specific_loudness(music + drums)
    parts = {}
    for name, drum in placed.items():
        found = in_beat.measure(scene, drum, drums - drum.excitation)
        parts[name] = (found.audible_share, found.overlap)
    blocks = arrays.instrumental_block_energy + sum(
        part.block_energy * 10 ** (set_to[part.id] / 10) for part in arrays.parts
    )
    integrated = loudness.integrated_from_blocks(blocks)
    assert integrated is not None
    return {
        "fill": occ.fill(n, arrays.reference_sone, active=active),
        "zones": list(occ.zone_fills(n, arrays.reference_sone, active).values()),
        "loudness": integrated + arrays.mix_gain_db, "parts": parts,
    }  # fmt: skip


def test_page_agrees_with_the_analysis_within_one_per_cent_at_ten_settings(shared: Any) -> None:
    """Cross-check: JavaScript on packed arrays against Python on the arrays themselves."""
    arrays = sample_whatif.what_if()
    for gains in SETTINGS:
        wanted = expected(arrays, gains)
        every = {p.id: gains.get(p.id, p.gain_db) for p in arrays.parts}
        found = shared.evaluate("(gains) => page.whatIf(gains)", every)
        assert found["fill"] == pytest.approx(wanted["fill"], rel=0.01)
        assert found["zones"] == pytest.approx(wanted["zones"], rel=0.01)
        assert found["loudness"] == pytest.approx(wanted["loudness"], abs=0.05)
        for part in found["parts"]:
            share, overlap = wanted["parts"][part["id"]]
            assert part["share"] == pytest.approx(share, rel=0.01), (gains, part)
            assert part["overlap"] == pytest.approx(overlap, rel=0.01, abs=1e-5), (gains, part)


def test_moving_one_slider_gives_what_setting_all_gives(shared: Any) -> None:
    """Analytic: the shortcut that only redoes what moved must not differ from the whole computation."""
    shared.evaluate(
        """() => { const s = document.querySelector("tr[data-part='kick'] input"); s.value = "2.0";
        s.dispatchEvent(new Event("input", {bubbles: true})); }"""
    )
    until(shared, "page.whatIfGains().kick === 2")
    shown = shared.evaluate("() => [...document.querySelectorAll('#what-if td[data-show]')].map(c => c.textContent)")
    fill = shared.text_content("#what-if-fill")
    found = shared.evaluate("() => page.whatIf({})")
    rounded = [f"{100 * part['share']:.0f}\u00a0%" for part in found["parts"]]
    assert [text for i, text in enumerate(shown) if i % 3 == 1] == rounded
    assert fill == f"{100 * found['fill']:.1f}\u00a0%"
    assert shown[0] == "+2.0\u00a0dB"


def test_reset_brings_the_advised_gains_back(shared: Any) -> None:
    shared.click("#what-if-reset")
    until(shared, "page.whatIfGains().kick === -3")
    before = shared.evaluate("() => page.whatIfGains()")
    shared.locator("tr[data-part='snare'] input").fill("1.5")
    until(shared, "page.whatIfGains().snare === 1.5")
    shared.click("#what-if-reset")
    until(shared, "page.whatIfGains().snare === -4.5")
    assert shared.evaluate("() => page.whatIfGains()") == before


def test_gated_loudness_of_blocks(shared: Any) -> None:
    """Cross-check with the analysis' gate (BS.1770-5, equations 4 to 7), and silence has no loudness."""
    rng = np.random.default_rng(3)
    for scale in (1e-2, 1e-6, 1e-9):
        blocks = scale * rng.random(80) * np.where(np.arange(80) < 40, 1.0, 1e-3)
        wanted = loudness.integrated_from_blocks(blocks)
        found = shared.evaluate("(blocks) => page.integrated(blocks)", blocks.tolist())
        assert found == pytest.approx(wanted, abs=1e-6) if wanted is not None else found is None
    assert shared.evaluate("() => page.integrated([])") is None


def test_own_hits_are_those_of_the_analysis() -> None:
    """Regression: the page's share of the loudest slot is the analysis' own."""
    assert what_if_data.OWN_HIT_SHARE == in_beat.OWN_HIT_SHARE
