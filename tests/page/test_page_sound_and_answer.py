"""The player and the answer that a reader saves."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sample_data
from msgspec.structs import replace
from page_wait import reloaded, unfold, until

from dossier.archive.decisions import read_pasted, read_response
from dossier.archive.revisions import head_of
from dossier.measure import loudness
from dossier.model.datafile import Response

PREVIEWS = {preview.id: preview for preview in sample_data.previews()}


def linear(db: float) -> float:
    return float(10 ** (db / 20))


def heard(tab: Any) -> dict[str, float]:
    return dict(tab.evaluate("() => page.sound.heard()"))


def pasted(text: str, answer: Response) -> Response:
    """What the archive reads from an answer's text, under the id of the same answer's file."""
    found = read_pasted(text.encode(), answer.made, lambda _: [head_of(sample_data.sample())])
    assert found is not None
    return replace(found, id=answer.id)


def choose(tab: Any, which: str) -> dict[str, float]:
    """Turn a listening switch; what sounds then."""
    if tab.evaluate("() => !page.sound.playing"):
        tab.click("#play")
    tab.locator(f"input[name=hear][value={which}]").check(force=True)
    until(tab, f"page.sound.playing && page.listening().which === '{which}'")
    tab.wait_for_timeout(150)
    return heard(tab)


def lufs(gains: dict[str, float]) -> float:
    """Of a mixture of the sample's sounds, from the sounds themselves."""
    at = {preview.id: sound for preview, sound in zip(sample_data.previews(), sample_data.sounds(), strict=True)}
    found = loudness.integrated(sum(gain * at[name] for name, gain in gains.items()), sample_data.RATE)
    assert found is not None
    return found


@pytest.fixture
def tab(either: Any) -> Iterator[Any]:
    """The shared page, playing the advised mix at true levels; stopped afterwards."""
    either.evaluate("() => { document.getElementById('matched').checked = false; "
                    "document.getElementById('matched').dispatchEvent(new Event('change')); }")  # fmt: skip
    choose(either, "treated")
    yield either
    either.evaluate("() => page.sound.stop()")


def test_decoded_layers_have_the_length_that_was_encoded(tab: Any) -> None:
    """Analytic: no layer starts late by an encoder's padding, so that all stay in sync."""
    choose(tab, "untreated")
    choose(tab, "other")
    decoded = "page.data.sounds.filter((s) => s.decoded)"
    first = "Math.max(...s.decoded.getChannelData(0).subarray(0, 220).map(Math.abs))"  # 5 ms: each begins with a hit
    found = tab.evaluate(f"() => {decoded}.map((s) => [s.id, s.decoded.duration, {first}])")
    assert {name for name, *_ in found} >= {"instrumental", "kick", "snare", "closed-hat", "untreated:kick"}
    seconds = sample_data.previews()[0].duration_s
    for _, length, begins in found:
        assert length == pytest.approx(seconds, abs=1e-4)
        assert begins > 0.05


def test_the_playhead_moves_until_it_is_stopped(shared: Any) -> None:
    tab = shared
    choose(tab, "treated")
    until(tab, "page.sound.position() > 0.1")
    assert tab.text_content("#play") == "Pause"
    assert tab.locator("#map-playhead").is_visible()
    tab.click("#play")
    stopped = tab.evaluate("() => page.sound.position()")
    tab.wait_for_timeout(120)
    assert tab.evaluate("() => page.sound.position()") == stopped


def test_switches_change_what_sounds_and_never_stop_it(tab: Any) -> None:
    """Analytic: gains are those of the previews, in decibels."""
    wanted = {name: linear(PREVIEWS[name].gain_db) for name in ("instrumental", "kick", "snare", "closed-hat")}
    assert choose(tab, "treated") == pytest.approx(wanted)
    tab.evaluate("() => document.querySelector(\"input[name=hear][value=treated]\").dispatchEvent(new Event('change'))")
    tab.wait_for_timeout(120)
    assert tab.evaluate("() => page.sound.playing"), "the same choice again changes nothing"
    assert choose(tab, "music") == {"instrumental": 1.0}
    before = {"untreated:kick" if name == "kick" else name: gain for name, gain in wanted.items()}
    assert choose(tab, "untreated") == pytest.approx(before)
    other = PREVIEWS["candidate:loops/dust_90bpm.wav"]
    assert choose(tab, "other") == pytest.approx({"instrumental": 1.0, other.id: linear(other.gain_db)})


def test_states_are_as_loud_as_one_another(tab: Any) -> None:
    """Cross-check: what the page plays, measured by BS.1770 on the sounds themselves, within 0.1 LU."""
    tab.check("#matched")
    music = lufs({"instrumental": 1.0})
    for blend in ("0", "6", "-9"):
        tab.locator("#blend").fill(blend)
        for which in ("music", "treated", "untreated", "other"):
            gains = choose(tab, which)
            assert lufs(gains) == pytest.approx(music, abs=0.1), (which, blend)
    tab.locator("#blend").fill("0")
    gains, treated = choose(tab, "untreated"), choose(tab, "treated")
    made = lufs({"untreated:kick": gains["untreated:kick"] / gains["instrumental"]})
    assert made == pytest.approx(lufs({"kick": treated["kick"] / treated["instrumental"]}), abs=0.1)
    tab.uncheck("#matched")
    tab.locator("#blend").fill("6")
    assert choose(tab, "treated")["kick"] == pytest.approx(linear(PREVIEWS["kick"].gain_db + 6))
    tab.locator("#blend").fill("0")


def test_every_candidate_with_a_sound_plays(tab: Any) -> None:
    button = "[data-play='candidate:drums/kick-long.wav']"
    tab.click(button)
    until(tab, "page.sound.heard()['candidate:drums/kick-long.wav'] > 0")
    gains = heard(tab)
    assert "kick" not in gains  # it stands in for the kick
    assert gains["snare"] > 0
    assert tab.locator(button).get_attribute("aria-pressed") == "true"
    assert "Pause" in tab.text_content(button)
    tab.click(button)
    assert not tab.evaluate("() => page.sound.playing")
    tab.click("#recipe [data-play='part:snare']")
    until(tab, "page.sound.playing")
    tab.wait_for_timeout(120)
    assert set(heard(tab)) == {"instrumental", "snare"}


def test_map_moves_the_player_and_says_where_it_cannot(shared: Any) -> None:
    data, previews = sample_data.sample(), sample_data.previews()
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    assert shared.evaluate("() => page.seekBar(11.5)") == ""
    wanted = (11.5 - 1) * bar_s + data.occupancy.first_slot_s - previews[0].start_s
    assert shared.evaluate("() => page.sound.position()") == pytest.approx(wanted, abs=1e-6)
    assert shared.text_content("#time") == "bar 11.3"
    assert "bars 9 to 12" in shared.evaluate("() => page.seekBar(2)")
    assert shared.evaluate("() => page.sound.position()") == pytest.approx(wanted, abs=1e-6)
    shared.locator("#map-plot").scroll_into_view_if_needed()
    box = shared.locator("#map-plot").bounding_box()
    margin = shared.evaluate("() => page.data.figure.layout.margin")
    inner = box["width"] - margin["l"] - margin["r"]
    across = inner * (10.0 - 1 + 0.02) / data.beat.bars
    shared.mouse.click(box["x"] + margin["l"] + across, box["y"] + box["height"] / 2)
    until(shared, "document.getElementById('time').textContent.startsWith('bar 10')")
    assert shared.text_content("#map-readout").startswith("Bar 10, beat 1, sixteenth 1")


def test_moved_level_is_heard_and_said(tab: Any) -> None:
    tab.locator("tr[data-part=snare] input").fill("-10.5")
    until(tab, "page.whatIfGains().snare === -10.5")
    tab.wait_for_timeout(120)
    assert heard(tab)["snare"] == pytest.approx(linear(PREVIEWS["snare"].gain_db - 6.0), rel=1e-6)
    assert "levels that you set" in tab.text_content("#says")
    tab.click("#what-if-reset")
    until(tab, "!document.getElementById('says').textContent.includes('levels that you set')")


def test_player_starts_quiet_and_never_louder_than_it_was_left(open_either: Any) -> None:
    page = open_either("sample")
    assert page.run("() => page.listening().volume") == -8
    assert "Start quiet" in page.tab.text_content("#says")
    page.tab.locator("#volume").fill("-20")
    reloaded(page.tab)
    assert page.run("() => page.listening().volume") == -20


def test_an_answer_takes_three_taps(open_either: Any) -> None:
    """Happy, copy: the text names the revision; the file is what the archive's own reader takes."""
    page, data = open_either("sample", width=360, has_touch=True), sample_data.sample()
    page.tab.tap("#answer label")
    page.tab.tap("#copy-answer")
    text = page.tab.input_value("#answer-text")
    assert text.startswith("Paper Harbour, r002: happy\n")
    assert f"[dossier paper-harbour r002 {data.revision.identity[:12]}]" in text
    with page.tab.expect_download() as saving:
        page.tab.tap("#answer [type=submit]")
    answer = read_response(Path(saving.value.path()).read_bytes())
    assert pasted(text, answer) == answer
    assert {m.proposal: m.mark for m in answer.marks} == {p.id: "agreed" for p in data.proposals if p.kind != "rights"}


def test_answer_is_saved_in_the_format_that_the_archive_reads(open_either: Any) -> None:
    """Cross-check: the archive's own reader takes the file, and a draft outlives a reload."""
    page, data = open_either("sample"), sample_data.sample()
    tab = page.tab
    unfold(tab)
    tab.locator("input[name=overall][value='to change']").check(force=True)
    tab.fill("[name=notes]", "Thanks!\nSecond line.")
    tab.fill("[name=name]", "Ona")
    tab.locator("fieldset[data-proposal=approach] input[value=agreed]").check()
    plan = tab.locator("fieldset[data-proposal='plan:drums/kick-felt.wav']")
    plan.locator("input[type=text]").fill("Let it ring a little; \u00fcber 250 ms \u2028 </script>")
    tab.check("#answer-gains")
    tab.locator("tr[data-part=kick] input").fill("-1.2")
    until(tab, "page.whatIfGains().kick === -1.2")
    with tab.expect_download() as saving:
        tab.click("#answer [type=submit]")
    assert saving.value.suggested_filename == "paper-harbour-r002-response.json"
    raw = Path(saving.value.path()).read_bytes()
    assert pasted(tab.evaluate("() => page.answerText()"), read_response(raw)) == read_response(raw)
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
        "blind",
    }  # fmt: skip
    reloaded(tab)
    assert tab.input_value("[name=name]") == "Ona"
    assert tab.locator("fieldset[data-proposal=approach] input[value=agreed]").is_checked()
    assert tab.evaluate("() => page.response().id") == answer.id  # saved again, it replaces the earlier answer
    tab.click("#forget")
    reloaded(tab)
    assert tab.input_value("[name=name]") == ""


def test_hostile_proposals_come_back_to_the_character(open_either: Any) -> None:
    page = open_either("hostile")
    page.run(
        """() => document.querySelectorAll('fieldset[data-proposal] input[value=agreed]')
        .forEach((r) => { r.checked = true; })"""
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
