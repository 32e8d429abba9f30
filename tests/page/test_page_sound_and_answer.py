"""The player and the answer that a reader saves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import sample_data
from page_wait import until

from dossier.archive.decisions import read_response


@pytest.fixture(scope="module")
def tab(browser: Any, pages: dict[str, Path]) -> Any:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(pages["sample"].as_uri())
    page.wait_for_selector("html[data-ready=all]", timeout=30_000)
    yield page
    context.close()


def state(tab: Any) -> dict[str, Any]:
    return dict(tab.evaluate("() => page.playerState()"))


def test_decoded_layers_have_the_length_that_was_encoded(tab: Any) -> None:
    """Analytic: no layer starts late by an encoder's padding, so that all stay in sync."""
    tab.click("#play")
    until(tab, "page.playerState().playing")
    seconds = sample_data.previews()[0].duration_s
    leads = {name: (length, lead) for name, length, lead in state(tab)["leads"]}
    assert set(leads) >= {"instrumental", "kick", "snare", "closed-hat", "untreated:kick"}
    for length, lead in leads.values():
        assert length - lead == pytest.approx(seconds, abs=0.002)
    until(tab, "page.playerState().position > 0.1")
    assert tab.text_content("#play") == "Pause"
    assert tab.locator("#map-playhead").is_visible()
    tab.click("#play")
    stopped = state(tab)
    assert not stopped["playing"]
    tab.wait_for_timeout(120)
    assert state(tab)["position"] == stopped["position"]


def test_treated_and_untreated_swap_at_once_and_at_matched_loudness(tab: Any) -> None:
    """Analytic: gains are those of the previews, in decibels."""
    previews = {p.id: p for p in sample_data.previews()}
    tab.click("[data-ab=kick][data-side=treated]")
    until(tab, "page.playerState().playing")
    gains = state(tab)["gains"]
    assert gains["kick"] == pytest.approx(10 ** (previews["kick"].gain_db / 20))
    assert gains["untreated:kick"] == 0
    tab.click("[data-ab=kick][data-side=untreated]")
    gains = state(tab)["gains"]
    assert gains["kick"] == 0
    assert gains["untreated:kick"] == pytest.approx(10 ** (previews["untreated:kick"].gain_db / 20))
    assert gains["snare"] == pytest.approx(10 ** (previews["snare"].gain_db / 20))
    tab.focus("#play")
    tab.keyboard.press("m")
    other = previews["untreated:kick"]
    assert state(tab)["gains"]["untreated:kick"] == pytest.approx(10 ** ((other.gain_db + other.matched_gain_db) / 20))
    tab.keyboard.press("m")
    assert "untreated" in tab.text_content("#player-what")
    tab.keyboard.press("t")
    assert state(tab)["treated"] is True
    assert state(tab)["gains"]["untreated:kick"] == 0
    tab.click("#play")


def test_candidates_play_in_the_beat_and_alone(tab: Any) -> None:
    button = "[data-play='candidate:drums/kick-long.wav']"
    tab.click(f"{button}[data-in=beat]")
    until(tab, "page.playerState().playing && page.playerState().gains['candidate:drums/kick-long.wav'] > 0")
    gains = state(tab)["gains"]
    assert gains["kick"] == 0  # it stands in for the kick
    assert gains["instrumental"] == 1
    assert gains["snare"] > 0
    tab.click(f"{button}[data-in=alone]")
    gains = state(tab)["gains"]
    assert [name for name, gain in gains.items() if gain > 0] == ["candidate:drums/kick-long.wav"]
    assert tab.locator(f"{button}[data-in=alone]").get_attribute("aria-pressed") == "true"
    tab.click(f"{button}[data-in=alone]")
    assert not state(tab)["playing"]
    tab.evaluate("() => { document.getElementById('player-more').open = true; }")
    tab.click("#whole-mix")
    assert state(tab)["only"] is None
    tab.evaluate("() => { document.getElementById('player-more').open = false; }")


def test_map_moves_the_player_and_says_where_it_cannot(tab: Any) -> None:
    data, previews = sample_data.sample(), sample_data.previews()
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    tab.evaluate("() => page.seekBar(11.5)")
    wanted = (11.5 - 1) * bar_s + data.occupancy.first_slot_s - previews[0].start_s
    assert state(tab)["position"] == pytest.approx(wanted, abs=1e-6)
    assert tab.text_content("#player-time") == "bar 11, beat 3"
    tab.evaluate("() => page.seekBar(2)")
    assert "bars 9 to 12; bar 2 lies outside" in tab.text_content("#player-status")
    assert state(tab)["position"] == pytest.approx(wanted, abs=1e-6)
    box = tab.locator("#map-plot").bounding_box()
    tab.locator("#map-plot").scroll_into_view_if_needed()
    box = tab.locator("#map-plot").bounding_box()
    margin = tab.evaluate("() => page.data.figures.map.layout.margin")
    inner = box["width"] - margin["l"] - margin["r"]
    tab.mouse.click(box["x"] + margin["l"] + inner * (10.0 - 1 + 0.02) / data.beat.bars, box["y"] + box["height"] / 2)
    until(tab, "document.getElementById('player-time').textContent.startsWith('bar 10')")
    assert tab.text_content("#map-readout").startswith("Bar 10, beat 1, sixteenth 1")


def test_moved_level_is_heard(tab: Any) -> None:
    tab.locator("tr[data-part=snare] input").fill("-10.5")
    until(tab, "page.whatIfGains().snare === -10.5")
    tab.click("#play")
    until(tab, "page.playerState().playing")
    wanted = sample_data.previews()[2].gain_db - 6.0
    assert state(tab)["gains"]["snare"] == pytest.approx(10 ** (wanted / 20), rel=1e-6)
    tab.click("#play")
    tab.click("#what-if-reset")


def test_player_starts_quiet(tab: Any) -> None:
    assert float(tab.locator("#volume").get_attribute("value")) == -18
    assert "moderate" in tab.text_content("#player")


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
