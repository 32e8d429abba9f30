"""What only a browser shows: requests, console, plots, keyboard, themes, phones, print, pages without scripts."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sample_data
import soundfile
from page_wait import reloaded, unfold, until
from tests_support import Demo

from dossier.render import format as fmt


@pytest.mark.parametrize("name", ["sample", "bare", "hostile"])
def test_no_request_and_not_a_word_on_the_console(open_either: Any, name: str) -> None:
    """Bar: zero requests beside the file itself, zero messages, no hostile name comes alive; the map is drawn."""
    page = open_either(name)
    unfold(page.tab)
    page.run("() => scrollTo(0, 4000)")
    page.tab.click("#theme")
    page.tab.wait_for_timeout(200)
    outside = [url for url in page.requests if not url.startswith(("data:", "blob:"))]
    assert [url for url in outside if not url.startswith("file://")] == []
    assert len(outside) <= 1
    asked = "performance.getEntriesByType('resource').filter((e) => !/^(data|blob):/.test(e.name)).length"
    assert page.run(f"() => {asked}") == 0
    assert page.messages == []
    assert page.run("() => document.querySelectorAll('#map-plot svg').length") > 0
    assert page.run("() => window.broken") is None
    assert page.run("() => document.querySelectorAll('main img').length") == 0
    assert page.run("() => document.title").startswith("Paper Harbour")


@pytest.mark.parametrize("newer", [0, 2])
def test_a_page_says_that_a_newer_revision_lies_beside_it_when_it_is_loaded_again(
    open_either: Any, pages: dict[str, Path], tmp_path: Path, newer: int
) -> None:
    data = sample_data.sample()
    slug, number = data.beat.slug, int(data.revision.id[1:])
    pages["moved"] = tmp_path / f"{slug}-{data.revision.id}.html"
    pages["moved"].write_bytes(pages["sample"].read_bytes())
    for later in range(number + 1, number + 1 + newer):
        folder = tmp_path / f"{slug}-r{later:03d}"
        folder.mkdir()
        soundfile.write(folder / f"{slug}-rough-mix.flac", np.zeros(8000), 8000)
    page = open_either("moved")
    page.tab.wait_for_timeout(200)
    assert page.tab.is_hidden("#newer"), "nothing is asked for before"
    reloaded(page.tab)
    if newer:
        newest = f"r{number + newer:03d}"
        until(page.tab, f"document.querySelector('#newer a')?.textContent === '{newest}'")
        assert page.run("() => document.querySelector('#newer a').getAttribute('href')") == f"{slug}-{newest}.html"
    else:
        page.tab.wait_for_timeout(300)
        assert page.tab.is_hidden("#newer")


def test_policy_stops_what_the_page_does_not_hold(open_page: Any) -> None:
    """The policy is in force: a foreign script, an inline handler and a request are all refused."""
    page = open_page("bare")
    page.run(
        """() => { const s = document.createElement('script'); s.textContent = 'window.broken = 1';
        document.body.append(s); const i = document.createElement('p'); i.setAttribute('onclick', 'window.broken = 2');
        document.body.append(i); i.click(); }"""
    )
    assert page.run("() => window.broken") is None
    assert page.run("() => fetch('data:,x').then(() => 'sent', () => 'refused')") == "refused"


def drawn(tab: Any) -> list[list[float]]:
    rows = tab.evaluate("() => document.getElementById('map-plot').data[0].z.map((row) => Array.from(row))")
    return [list(row) for row in rows]


@pytest.mark.parametrize("view", ["room", "with_drums", "overlap", "treatment_change", "instrumental"])
def test_map_shows_the_view_that_is_chosen(shared: Any, view: str) -> None:
    """Analytic: what plotly holds is the data file's map, to 1 %."""
    occupancy = sample_data.sample().occupancy
    shared.locator(f"input[name=map-view][value={view}]").check(force=True)
    until(shared, f"document.querySelector('.map-explain[data-view={view}]').hidden === false")
    shared.wait_for_timeout(60)
    instrumental = occupancy.instrumental
    wanted = [[max(0.0, 1 - v) for v in row] for row in instrumental] if view == "room" else getattr(occupancy, view)
    found = drawn(shared)
    assert np.abs(np.asarray(wanted) - np.asarray(found)).max() <= 0.0051
    assert shared.locator(".map-explain:visible").count() == 1


# Ties that binary numbers hold exactly, numbers just beside a tie, what rounds to zero, what crosses a step of tens.
NUMBERS = [0.25, 0.35, 0.75, 1.25, -2.25, 0.5, 1.5, 2.5, -0.5, 0.125, 0.375, 2.675, 1.005, -0.04, 0.0, -0.0, 0.049,
           12.05, 99.95, 99.5, 0.0995, 0.09949, 3.0, -16.0, 1e-9, 48000.0, 123456.789]  # fmt: skip


def test_script_and_text_word_a_number_alike(shared: Any) -> None:
    """Cross-check of format.js with format.py: halves to even, no sign on zero, an en dash where there is none."""
    cases = [(value, digits, sign) for value in [*NUMBERS, None] for digits in (0, 1, 2, 3) for sign in (False, True)]
    found = shared.evaluate("(cases) => cases.map((each) => format.number(...each))", cases)
    assert found == [fmt.number(value, digits, sign=sign) for value, digits, sign in cases]
    for name, said in {
        "plain(v, 2)": fmt.plain, "percent(v)": fmt.percent, "smallPercent(v)": fmt.small_percent,
        "unit(v, 1, 'dB', true)": lambda value: fmt.db(value, sign=True),
    }.items():  # fmt: skip
        found = shared.evaluate(f"(values) => values.map((v) => format.{name})", [*NUMBERS, None])
        assert found == [said(value) for value in [*NUMBERS, None]], name


def test_map_can_be_read_by_keyboard(shared: Any) -> None:
    """Analytic: the words of a cell are the numbers of the data file."""
    data = sample_data.sample()
    shared.locator("input[name=map-view][value=instrumental]").check(force=True)
    shared.locator("#map-frame").focus()
    for key in ("Home", "PageDown", "PageDown", "ArrowRight", "ArrowUp"):
        shared.keyboard.press(key)
    band, slot = len(data.occupancy.band_hz) // 2 + 1, 33
    said = shared.text_content("#map-readout")
    share = round(100 * round(data.occupancy.instrumental[band][slot], 2))
    assert said.startswith("Bar 3, beat 1, sixteenth 2 (intro), ")
    assert f"{share}\u00a0% of what finished mixes carry." in said
    assert shared.locator("#map-cursor").is_visible()


def test_section_narrows_the_map(shared: Any) -> None:
    shared.select_option("#map-part", label="hook, bar 13 on")
    until(shared, "document.getElementById('map-plot').layout.xaxis.range[0] === 13")
    assert shared.evaluate("() => document.getElementById('map-plot').layout.xaxis.range") == [13, 19]
    shared.select_option("#map-part", "")
    until(shared, "document.getElementById('map-plot').layout.xaxis.range[0] === 1")


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_map_can_be_saved(shared: Any, kind: str) -> None:
    with shared.expect_download() as saving:
        shared.click(f"[data-save-map={kind}]")
    content = Path(saving.value.path()).read_bytes()
    assert saving.value.suggested_filename == f"paper-harbour-r002-map.{kind}"
    assert content.startswith(b"\x89PNG" if kind == "png" else b"<svg")


def test_all_numbers_can_be_saved_as_json(shared: Any) -> None:
    """The saved document is the data file, its maps rounded to 1 %."""
    from dossier.render.pack import plain

    with shared.expect_download() as saving:
        shared.click("#save-json")
    saved = json.loads(Path(saving.value.path()).read_text(encoding="utf-8"))
    wanted = json.loads(json.dumps(plain(sample_data.sample())))
    maps = {name: (saved["occupancy"].pop(name), wanted["occupancy"].pop(name)) for name in (
        "instrumental", "with_drums", "overlap", "treatment_change")}  # fmt: skip
    assert saved == wanted
    for found, exact in maps.values():
        assert np.abs(np.asarray(found) - np.asarray(exact)).max() <= 0.0051


def test_tables_can_be_saved_as_csv(shared: Any) -> None:
    """Cross-check: Python's csv module reads the numbers of the level table back."""
    import csv
    import io

    rows = list(csv.reader(io.StringIO(shared.evaluate("() => page.tablesAsCsv()"))))
    start = next(i for i, row in enumerate(rows) if row and row[0].startswith("Peak, loudness and gain"))
    part = sample_data.sample().balance.parts[0]
    wanted = [part.sample_peak_dbfs, part.true_peak_dbtp, part.integrated_lufs]
    assert [float(text) for text in rows[start + 2][1:4]] == wanted
    assert any(row and row[0] == "drums/snare-wide.wav" for row in rows)


def test_theme_turns_and_the_map_with_it(open_page: Any) -> None:
    page = open_page("sample", color_scheme="dark")
    unfold(page.tab)
    scale = "document.getElementById('map-plot').data[0].colorscale[0][1]"
    colours = f"() => [getComputedStyle(document.body).backgroundColor, {scale}]"
    dark = page.run(colours)
    page.tab.click("#theme")
    until(page.tab, f"{scale} !== {json.dumps(dark[1])}")
    light = page.run(colours)
    assert dark[0] == "rgb(21, 23, 28)"
    assert light[0] == "rgb(251, 251, 248)"
    reloaded(page.tab)
    unfold(page.tab)
    assert page.run(colours) == light  # the choice is kept


def sizes(tab: Any) -> dict[str, float]:
    """What a reader meets before anything is unfolded."""
    text = tab.evaluate("() => document.body.innerText")
    tall = tab.evaluate(
        "() => [document.documentElement.scrollHeight, document.getElementById('first').getBoundingClientRect().bottom]"
    )
    return {"words": len(text.split()), "percentages": text.count("%"), "height": tall[0], "first": tall[1]}


def test_the_demo_is_heard_and_understood_in_a_minute(browser: Any, demo: Demo) -> None:
    """Bars: what is seen before anything is unfolded, on every page of the demo, wide and on a phone; print."""
    found = sorted(demo.archive.root.glob("*/*.html"))
    assert len(found) >= 3
    for path in found:
        assert path.stat().st_size <= 5_000_000
        for width, first in ((1280, 900), (360, 1400)):
            context = browser.new_context(viewport={"width": width, "height": 900})
            tab = context.new_page()
            tab.goto(path.as_uri())
            tab.wait_for_selector("html[data-ready=all]")
            seen = sizes(tab)
            assert seen["words"] <= 1500, (path.name, seen)
            assert seen["percentages"] <= 60, (path.name, seen)
            assert seen["first"] <= first, (path.name, width, seen)
            assert width < 1280 or seen["height"] <= 6000, (path.name, seen)
            assert "%" not in tab.text_content(".verdict")
            assert len(tab.text_content(".verdict").split()) <= 30
            assert tab.locator(".concerns li").count() <= 3
            if width == 1280 and tab.context.browser.browser_type.name == "chromium":
                assert len(re.findall(rb"/Type /Page\b", tab.pdf(prefer_css_page_size=True))) <= 3
            context.close()


def test_play_is_within_ten_tab_stops(open_either: Any) -> None:
    page = open_either("sample")
    stops = []
    for _ in range(10):
        page.tab.keyboard.press("Tab")
        stops.append(page.run("() => document.activeElement.id"))
    assert "play" in stops


def test_focus_is_never_under_the_strip(open_page: Any) -> None:
    """Every tab stop of the page lies above the strip that says what plays."""
    page = open_page("sample", width=360)
    page.tab.click("#play")
    until(page.tab, "page.sound.playing")
    page.run("() => scrollTo(0, document.body.scrollHeight)")
    until(page.tab, "!document.getElementById('playing').hidden")
    page.tab.focus("#recipe button")
    hidden = page.run(
        """() => [...document.querySelectorAll('main button, main summary, main a, main input')]
        .filter((each) => each.offsetParent).filter((each) => { each.focus();
        const strip = document.getElementById('playing'); return !strip.hidden && document.activeElement === each &&
        each.getBoundingClientRect().bottom > strip.getBoundingClientRect().top + 1; }).map((each) => each.outerHTML)"""
    )
    assert hidden == []
    page.tab.click("#stop")
    assert page.tab.is_hidden("#playing")


def test_twice_the_size_keeps_the_order(open_page: Any) -> None:
    """Zoom by 200 % on a screen of 1280 is a page of 640: the first screen reads in one column, in the same order."""
    page = open_page("sample", width=640, device_scale_factor=2)
    heads = "#listen, #full, #concerns, #answer-title, #recipe-title"
    place = "(e) => [e.id, e.getBoundingClientRect().top]"
    tops = page.run(f"() => [...document.querySelectorAll('{heads}')].map({place})")
    assert [name for name, _ in tops] == [each.strip("#") for each in heads.split(", ")]
    assert [top for _, top in tops] == sorted({top for _, top in tops})
    assert page.run("() => document.documentElement.scrollWidth") == 640
    over = page.run("() => [...document.querySelectorAll('#first *')].filter((e) => e.offsetParent && "
                    "e.getBoundingClientRect().right > 641).map((e) => e.outerHTML.slice(0, 90))")  # fmt: skip
    assert over == []


@pytest.mark.parametrize("name", ["sample", "hostile"])
def test_a_phone_needs_no_sideways_scrolling(open_page: Any, name: str) -> None:
    page = open_page(name, width=360, has_touch=True)
    assert page.run("() => document.documentElement.scrollWidth") == 360
    small = page.run(
        """() => [...document.querySelectorAll('main p, main li, main td, main dd')].filter((e) => e.offsetParent &&
        parseFloat(getComputedStyle(e).fontSize) < 12).length"""
    )
    assert small == 0
    labels = page.run(
        """() => { document.querySelectorAll('main details').forEach((fold) => { fold.open = true; });
        return [...document.querySelectorAll('main svg[viewBox] text')].filter((e) => e.getClientRects().length)
        .map((e) => parseFloat(getComputedStyle(e).fontSize) * e.getScreenCTM().a); }"""
    )
    assert min(labels) >= 9, "labels of drawings are at least 9 px tall"


def test_without_scripts_the_argument_stands(open_page: Any) -> None:
    """As a mail preview shows it: verdict, recipe, one player, the answer as text."""
    page = open_page("sample", java_script_enabled=False, wait=False)
    body = page.tab.locator("body").inner_text()
    for words in (sample_data.sample().approach.verdict, "The recipe", "\u22123.0\u00a0dB", "r002: happy"):
        assert words in body
    assert page.tab.locator("audio").is_visible()
    assert page.tab.locator("audio").count() == 1
    for hidden in ("#play", "#map-controls", "#theme", "#map-frame", "[data-play] >> nth=0", "#answer", "#playing"):
        assert not page.tab.locator(hidden).is_visible()
    page.tab.click("#map summary >> nth=0")
    assert page.tab.locator("#map svg.map-drawing").is_visible()
    assert page.messages == []


def test_without_decompression_the_drawings_stay(browser: Any, pages: dict[str, Path]) -> None:
    context = browser.new_context()
    tab, messages = context.new_page(), []
    tab.on("pageerror", lambda error: messages.append(str(error)))
    tab.add_init_script("delete window.DecompressionStream")
    tab.goto(pages["sample"].as_uri())
    tab.wait_for_selector("html[data-ready=all]")
    unfold(tab)
    assert messages == []
    assert tab.locator("#map svg.map-drawing").is_visible()
    assert "hold the same figures" in tab.text_content("#map-readout")
    assert "cannot be tried" in tab.text_content("#what-if")
    context.close()


def test_print_is_short_unless_the_annex_is_asked_for(open_page: Any) -> None:
    page = open_page("sample")
    page.run(
        """() => { window.print = () => {
        window.printed = document.querySelectorAll('main details:not([open])').length; }; }"""
    )
    page.tab.emulate_media(media="print")
    for hidden in ("#listen-controls", "#map-frame", "#answer", "#annex"):
        assert not page.tab.locator(hidden).is_visible()
    assert page.tab.locator("main details[open]").count() <= 1
    page.tab.emulate_media(media="screen")
    page.tab.click("#annex")
    assert page.run("() => window.printed") == 0
    page.run("() => dispatchEvent(new Event('afterprint'))")
    assert page.tab.locator("main details[open]").count() <= 1


@pytest.mark.parametrize(
    ("name", "width", "scheme"), [("sample", 1280, "light"), ("sample", 360, "dark"), ("bare", 1280, "dark")]
)
def test_no_accessibility_violations(open_page: Any, name: str, width: int, scheme: str) -> None:
    """Cross-check: axe-core, WCAG 2.2 A and AA and its best practices, everything unfolded."""
    rules = pytest.importorskip("axe_playwright_python.base", reason="axe-core is not installed")
    page = open_page(name, width=width, color_scheme=scheme)
    unfold(page.tab)
    page.run(Path(rules.__file__).with_name("axe.min.js").read_text(encoding="utf-8"))
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    options = {"resultTypes": ["violations"], "runOnly": {"type": "tag", "values": tags}}
    found = page.run("(options) => axe.run(document, options)", options)
    assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]] == []
    assert len(found["passes"]) > 30
