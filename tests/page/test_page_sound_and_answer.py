"""The player and the answer that a reader saves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import sample_data
from page_wait import until

from dossier.archive.decisions import read_response


def state(shared: Any) -> dict[str, Any]:
    return dict(shared.evaluate("() => page.playerState()"))


def test_decoded_layers_have_the_length_that_was_encoded(shared: Any) -> None:
    """Analytic: no layer starts late by an encoder's padding, so that all stay in sync."""
    shared.click("#play")
    until(shared, "page.playerState().playing")
    seconds = sample_data.previews()[0].duration_s
    leads = {name: (length, lead) for name, length, lead in state(shared)["leads"]}
    assert set(leads) >= {"instrumental", "kick", "snare", "closed-hat", "untreated:kick"}
    for length, lead in leads.values():
        assert length - lead == pytest.approx(seconds, abs=0.002)
    until(shared, "page.playerState().position > 0.1")
    assert shared.text_content("#play") == "Pause"
    assert shared.locator("#map-playhead").is_visible()
    shared.click("#play")
    stopped = state(shared)
    assert not stopped["playing"]
    shared.wait_for_timeout(120)
    assert state(shared)["position"] == stopped["position"]


def test_treated_and_untreated_swap_at_once_and_at_matched_loudness(shared: Any) -> None:
    """Analytic: gains are those of the previews, in decibels."""
    previews = {p.id: p for p in sample_data.previews()}
    shared.click("[data-ab=kick][data-side=treated]")
    until(shared, "page.playerState().playing")
    gains = state(shared)["gains"]
    assert gains["kick"] == pytest.approx(10 ** (previews["kick"].gain_db / 20))
    assert gains["untreated:kick"] == 0
    shared.click("[data-ab=kick][data-side=untreated]")
    gains = state(shared)["gains"]
    assert gains["kick"] == 0
    assert gains["untreated:kick"] == pytest.approx(10 ** (previews["untreated:kick"].gain_db / 20))
    assert gains["snare"] == pytest.approx(10 ** (previews["snare"].gain_db / 20))
    shared.focus("#play")
    shared.keyboard.press("m")
    other = previews["untreated:kick"]
    wanted = 10 ** ((other.gain_db + other.matched_gain_db) / 20)
    assert state(shared)["gains"]["untreated:kick"] == pytest.approx(wanted)
    shared.keyboard.press("m")
    assert "untreated" in shared.text_content("#player-what")
    shared.keyboard.press("t")
    assert state(shared)["treated"] is True
    assert state(shared)["gains"]["untreated:kick"] == 0
    shared.click("#play")


def test_candidates_play_in_the_beat_and_alone(shared: Any) -> None:
    button = "[data-play='candidate:drums/kick-long.wav']"
    shared.click(f"{button}[data-in=beat]")
    until(shared, "page.playerState().playing && page.playerState().gains['candidate:drums/kick-long.wav'] > 0")
    gains = state(shared)["gains"]
    assert gains["kick"] == 0  # it stands in for the kick
    assert gains["instrumental"] == 1
    assert gains["snare"] > 0
    shared.click(f"{button}[data-in=alone]")
    gains = state(shared)["gains"]
    assert [name for name, gain in gains.items() if gain > 0] == ["candidate:drums/kick-long.wav"]
    assert shared.locator(f"{button}[data-in=alone]").get_attribute("aria-pressed") == "true"
    shared.click(f"{button}[data-in=alone]")
    assert not state(shared)["playing"]
    shared.evaluate("() => { document.getElementById('player-more').open = true; }")
    shared.click("#whole-mix")
    assert state(shared)["only"] is None
    shared.evaluate("() => { document.getElementById('player-more').open = false; }")


def test_map_moves_the_player_and_says_where_it_cannot(shared: Any) -> None:
    data, previews = sample_data.sample(), sample_data.previews()
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    shared.evaluate("() => page.seekBar(11.5)")
    wanted = (11.5 - 1) * bar_s + data.occupancy.first_slot_s - previews[0].start_s
    assert state(shared)["position"] == pytest.approx(wanted, abs=1e-6)
    assert shared.text_content("#player-time") == "bar 11, beat 3"
    shared.evaluate("() => page.seekBar(2)")
    assert "bars 9 to 12; bar 2 lies outside" in shared.text_content("#player-status")
    assert state(shared)["position"] == pytest.approx(wanted, abs=1e-6)
    shared.locator("#map-plot").scroll_into_view_if_needed()
    box = shared.locator("#map-plot").bounding_box()
    margin = shared.evaluate("() => page.data.figures.map.layout.margin")
    inner = box["width"] - margin["l"] - margin["r"]
    across = inner * (10.0 - 1 + 0.02) / data.beat.bars
    shared.mouse.click(box["x"] + margin["l"] + across, box["y"] + box["height"] / 2)
    until(shared, "document.getElementById('player-time').textContent.startsWith('bar 10')")
    assert shared.text_content("#map-readout").startswith("Bar 10, beat 1, sixteenth 1")


def test_moved_level_is_heard(shared: Any) -> None:
    shared.locator("tr[data-part=snare] input").fill("-10.5")
    until(shared, "page.whatIfGains().snare === -10.5")
    shared.click("#play")
    until(shared, "page.playerState().playing")
    wanted = sample_data.previews()[2].gain_db - 6.0
    assert state(shared)["gains"]["snare"] == pytest.approx(10 ** (wanted / 20), rel=1e-6)
    shared.click("#play")
    shared.click("#what-if-reset")


def test_player_starts_quiet(shared: Any) -> None:
    assert float(shared.locator("#volume").get_attribute("value")) == -18
    assert "moderate" in shared.text_content("#player")


def test_answer_is_saved_in_the_format_that_the_archive_reads(open_page: Any) -> None:
    """Cross-check: the archive's own reader takes the file, and a draft outlives a reload."""
    page, data = open_page("sample"), sample_data.sample()
    tab = page.tab
    tab.click("#response button[type=submit]")
    assert "nothing to save" in tab.text_content("#response-status")
    tab.locator("fieldset[data-proposal=approach] input[value=agreed]").check()
    plan = tab.locator("fieldset[data-proposal='plan:drums/kick-felt.wav']")
    plan.locator("input[type=text]").fill("Let it ring a little; \u00fcber 250 ms \u2028 </script>")
    tab.fill("[name=notes]", "Thanks!\nSecond line.")
    tab.click("#response button[type=submit]")
    assert "note without a mark" in tab.text_content("#response-status")
    plan.locator("input[value='to change']").check()
    tab.click("#response button[type=submit]")
    assert "your name" in tab.text_content("#response-status")
    tab.fill("[name=name]", "Ona")
    tab.check("[name=gains]")
    tab.locator("tr[data-part=kick] input").fill("-1.2")
    until(tab, "page.whatIfGains().kick === -1.2")
    with tab.expect_download() as saving:
        tab.click("#response button[type=submit]")
    assert saving.value.suggested_filename == "paper-harbour-r002-response.json"
    raw = Path(saving.value.path()).read_bytes()
    answer = read_response(raw)
    assert (answer.beat, answer.revision, answer.identity) == (data.beat.slug, data.revision.id, data.revision.identity)
    assert answer.name == "Ona"
    assert answer.notes == "Thanks!\nSecond line."
    assert {m.proposal: m.mark for m in answer.marks} == {"approach": "agreed", "plan:drums/kick-felt.wav": "to change"}
    assert answer.gains_db == {"kick": -1.2, "snare": -4.5, "closed-hat": -9.5}
    assert len(answer.id) == 24
    assert answer.made.endswith("Z")
    assert set(json.loads(raw)) == {
        "format", "format_version", "id", "beat", "revision", "identity", "name", "made", "marks", "notes", "gains_db",
    }  # fmt: skip
    tab.reload()
    tab.wait_for_selector("html[data-ready=all]")
    assert tab.input_value("[name=name]") == "Ona"
    assert tab.locator("fieldset[data-proposal=approach] input[value=agreed]").is_checked()
    assert tab.evaluate("() => page.response().id") == answer.id  # saved again, it replaces the earlier answer
    tab.click("#response-forget")
    tab.reload()
    tab.wait_for_selector("html[data-ready=all]")
    assert tab.input_value("[name=name]") == ""


def test_hostile_proposals_come_back_to_the_character(open_page: Any) -> None:
    page = open_page("hostile")
    page.run(
        """() => { document.querySelectorAll('fieldset[data-proposal] input[value=agreed]')
        .forEach((r) => { r.checked = true; });
        document.querySelector('[name=name]').value = 'x'; }"""
    )
    marks = page.run("() => page.response().marks.map((m) => m.proposal)")
    assert marks == [p.id for p in sample_data.hostile().proposals]
    assert page.run("() => window.broken") is None


def test_closed_storage_does_no_harm(browser: Any, pages: dict[str, Path]) -> None:
    context = browser.new_context()
    tab, messages = context.new_page(), []
    tab.on("pageerror", lambda error: messages.append(str(error)))
    tab.add_init_script(
        "Object.defineProperty(window, 'localStorage', {"
        " get() { throw new DOMException('closed', 'SecurityError'); } })"
    )
    tab.goto(pages["bare"].as_uri())
    tab.wait_for_selector("html[data-ready=all]")
    tab.click("#theme")
    assert tab.evaluate("() => document.documentElement.dataset.theme") in {"dark", "light"}
    assert messages == []
    context.close()
