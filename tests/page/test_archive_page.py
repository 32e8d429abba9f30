"""The archive page in a real browser, over file://.  Evidence: analytic, on an archive of known content."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import factory
import msgspec
import numpy as np
import pyloudnorm
import pytest
import soundfile
from msgspec.structs import replace

from dossier.archive import Archive
from dossier.archive.changes import changes
from dossier.archive.revisions import head_of, summarize
from dossier.archive.standing import stand
from dossier.errors import ArchiveError
from dossier.model.datafile import ProgramInfo
from dossier.model.index import ArchiveIndex, BeatSummary
from dossier.render.index import render_archive

TITLES = ("Lantern Market", "Night Depot", "Slow Ferry", "Paper Harbour", "Tin Roof")
Open = Callable[..., Any]


def fill_archive(root: Path, titles: tuple[str, ...]) -> None:
    archive = Archive(root)
    for place, title in enumerate(titles):
        slug = title.lower().replace(" ", "-")
        rights = {} if place % 2 else factory.RIGHTS
        one = factory.dossier(slug=slug, title=title, seed=place + 1, bars=2, mix_lufs=-16.0 + place % 7, rights=rights)
        archive.publish(one, f"<html><title>{title}</title></html>", {})
        if place % 5 == 1:
            archive.record(slug, factory.decision())
        if place % 5 == 2:
            answer = factory.response(one, {"drums": "to change"}, notes="The snare is too long.")
            archive.take_in(msgspec.json.encode(answer))
        if place % 5 == 0:
            two = factory.dossier(slug=slug, title=title, seed=place + 50, bars=2, gains={"kick": -2.0}, rights=rights)
            info = replace(two.revision, id="r002", made="2026-03-20T08:00:00Z", changes=changes(one, two))
            archive.publish(replace(two, revision=info), f"<html><title>{title} again</title></html>", {})
    archive.write_index(render_archive)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("site")
    fill_archive(root, TITLES)
    return root / "index.html"


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    beats = []
    for number in range(200):
        data = factory.dossier(slug=f"beat-{number:03d}", seed=number, bars=1, mix_lufs=-17.0 + number % 40 / 10)
        head = head_of(data)
        made = (factory.decision(id="d0001", revision="r001", identity=data.revision.identity),) * (number % 3 == 0)
        beats.append(BeatSummary(data.beat.slug, (summarize(head),) * 2, stand([head], made), made))
    page = tmp_path_factory.mktemp("site") / "index.html"
    page.write_text(render_archive(ArchiveIndex(1, ProgramInfo("dossier", "0.1.0"), tuple(beats))))
    return page


@pytest.fixture
def visit(browser: Any) -> Iterator[Open]:
    """Opens a page and, when the test is over, holds it to no request but the page itself and no message at all."""
    opened: list[tuple[Any, list[str], list[str], int]] = []

    def go(path: Path, *, hash: str = "", width: int = 1280, requests: int = 1, **options: Any) -> Any:
        tab = browser.new_context(viewport={"width": width, "height": 900}, **options).new_page()
        asked: list[str] = []
        messages: list[str] = []
        tab.on("request", lambda request: asked.append(request.url))
        tab.on("console", lambda message: messages.append(message.text))
        tab.on("pageerror", lambda error: messages.append(str(error)))
        tab.goto(path.as_uri() + hash)
        opened.append((tab, asked, messages, requests))
        return tab

    yield go
    for tab, asked, messages, requests in opened:
        tab.context.close()
        assert len({one for one in asked if not one.startswith("blob:")}) <= requests, asked
        assert all(url.startswith("file://") for url in asked)
        assert messages == []


def shown(tab: Any) -> list[str]:
    return tab.eval_on_selector_all(".entry:not([hidden]) h3", "found => found.map(each => each.textContent)")


def test_filter_by_text_state_and_rights(visit: Open, small: Path) -> None:
    tab = visit(small)
    assert shown(tab) == sorted(TITLES)
    tab.fill("#find", "night")
    assert shown(tab) == ["Night Depot"]
    assert tab.inner_text("#found") == "1 of 5 beats."
    tab.fill("#find", "KICK-LOW minor")
    assert len(shown(tab)) == 5
    tab.fill("#find", "no such thing")
    assert shown(tab) == []
    assert tab.is_visible("#none")
    tab.click("#reset-none")
    assert len(shown(tab)) == 5
    tab.select_option("#by-status", "agreed")
    assert shown(tab) == ["Night Depot"]
    tab.select_option("#by-status", "")
    tab.select_option("#by-rights", "settled")
    assert shown(tab) == ["Night Depot", "Paper Harbour"]
    tab.select_option("#by-rights", "open")
    assert shown(tab) == ["Lantern Market", "Slow Ferry", "Tin Roof"]
    tab.click("#reset")
    assert len(shown(tab)) == 5


def test_the_summary_leads_into_the_catalogue(visit: Open, small: Path) -> None:
    tab = visit(small)
    tab.click("[data-status='to change']:is(button)")
    assert shown(tab) == ["Slow Ferry"]
    tab.click(".waiting a:has-text('Night Depot'), .waiting a:has-text('Lantern Market')")
    assert len(shown(tab)) == 5, "a link to a beat that the filter hides shows all again"


def test_order(visit: Open, small: Path) -> None:
    tab = visit(small)

    def of(name: str) -> list[float]:
        return tab.eval_on_selector_all(
            ".entry", f"found => found.map(each => Number(each.getAttribute('data-by-{name}')))"
        )

    tab.select_option("#order", "tempo")
    assert of("tempo") == sorted(of("tempo"))
    tab.select_option("#order", "fill-down")
    assert of("fill") == sorted(of("fill"), reverse=True)
    tab.select_option("#order", "newest-down")
    assert shown(tab)[0] == "Lantern Market"
    tab.select_option("#order", "status")
    assert shown(tab)[-1] == "Night Depot"
    tab.select_option("#order", "title")
    assert shown(tab) == sorted(TITLES)


def test_a_beat_is_opened(visit: Open, small: Path, browser: Any) -> None:
    tab = browser.new_context().new_page()
    tab.goto(small.as_uri())
    tab.click(".entry h3 a:has-text('Night Depot')")
    assert tab.title() == "Night Depot"
    tab.context.close()


def rows(tab: Any, caption: str) -> list[list[str]]:
    return tab.evaluate(
        """name => {
            const found = [...document.querySelectorAll('#comparison table')].find(t => t.caption.textContent === name);
            const text = cell => cell.textContent.replace(/\\u00a0/g, ' ');
            return [...found.tBodies[0].rows].map(row => [...row.cells].map(text));
        }""",
        caption,
    )


def test_search_finds_every_file_and_says_when_there_is_none(visit: Open, small: Path) -> None:
    tab = visit(small)
    files = {entry.file for entry in factory.dossier(slug="night-depot", seed=2, bars=2).inputs}
    assert files
    for file in files:
        tab.fill("#find", file)
        assert "Night Depot" in shown(tab), file
    tab.fill("#find", "no-such-file.wav")
    assert "No beat matches" in tab.inner_text("#none")


def test_each_mix_plays_and_all_are_as_loud_as_the_quietest(visit: Open, tmp_path: Path) -> None:
    """A real FLAC beside the page plays over file://, under the page's policy."""
    archive, rate = Archive(tmp_path), 16000
    tone = 0.2 * np.sin(2 * np.pi * 220 * np.arange(60 * rate) / rate)
    sound = io.BytesIO()
    soundfile.write(sound, tone, rate, format="FLAC")
    for title, lufs in (("Night Depot", -14.0), ("Slow Ferry", -17.0)):
        slug = title.lower().replace(" ", "-")
        name = f"{slug}-rough-mix.flac"
        data = replace(factory.dossier(slug=slug, title=title, bars=2, mix_lufs=lufs), renders=(name,))
        archive.publish(data, "<html></html>", {name: sound.getvalue()})
    archive.write_index(render_archive)
    tab = visit(tmp_path / "index.html", requests=3)
    assert tab.locator("audio").count() == 2
    volumes = tab.eval_on_selector_all("audio", "found => found.map(each => each.volume)")
    assert volumes == pytest.approx([10 ** (-3 / 20), 1.0], abs=0.01)
    played = tab.eval_on_selector_all("audio", """async found => {
        for (const each of found) { await each.play(); }
        return found.map(each => [each.paused, each.duration > 59]); }""")
    assert played == [[True, True], [False, True]], "one at a time"


def test_two_revisions_are_compared_blind_by_their_rough_mixes(visit: Open, tmp_path: Path) -> None:
    """Cross-check: pyloudnorm on both files at the volumes that they play at, within 0.1 LU."""
    archive, rate, sounds = Archive(tmp_path), 16000, {}
    meter, noise = pyloudnorm.Meter(rate), np.random.default_rng(7).normal(0.0, 0.05, (2, 60 * rate))
    noise[0, : 20 * rate] *= 4.0  # before the hook: the whole file's loudness tells nothing about the hook's
    name = "night-depot-rough-mix.flac"
    for revision, sound in zip(("r001", "r002"), (noise[0], 2.5 * noise[1]), strict=True):
        made = io.BytesIO()
        soundfile.write(made, sound, rate, format="FLAC")
        sounds[revision] = soundfile.read(io.BytesIO(made.getvalue()))[0]
        data = factory.dossier(slug="night-depot", bars=16, revision=revision, seed=int(revision[1:]))
        one = summarize(head_of(data))
        start, end = (round(second * rate) for second in (one.hook_s, one.hook_s + one.hook_length_s))
        assert 0 < start < end <= len(sound)
        sounds[revision] = sounds[revision][start:end]
        lufs = [(s.name, float(meter.integrated_loudness(sounds[revision]))) for s in data.instrumental.sections]
        mix = replace(data.balance.mix, sections=tuple(lufs))
        data = replace(data, renders=(name,), balance=replace(data.balance, mix=mix))
        archive.publish(data, "<html></html>", {name: made.getvalue()})
    archive.publish(factory.dossier(slug="slow-ferry", bars=2), "<html></html>", {})
    archive.write_index(render_archive)
    tab = visit(tmp_path / "index.html", hash="#compare=night-depot:r001,slow-ferry:r001", requests=6)
    assert tab.is_hidden("#blind-open"), "two revisions of one beat, with both sounds"
    tab.select_option("#right", "night-depot:r002")
    assert "switched by their volumes" in tab.inner_text("#blind-how")
    tab.click("#blind-open")
    tab.select_option("#blind-planned", "4")
    tab.click("#blind-start")
    state = """() => Object.fromEntries(Object.entries(page.sound.players()).map(
        ([id, each]) => [id, [each.volume, each.currentTime, each.paused]]))"""
    in_sync = """() => { const [one, other] = Object.values(page.sound.players());
        return !one.paused && !other.paused && Math.abs(one.currentTime - other.currentTime) < 0.03; }"""
    for _ in range(4):
        under, loudness = {}, {}
        for letter in "AB":
            tab.click(f"#blind [data-letter={letter}]")
            tab.wait_for_function(in_sync)
            found = tab.evaluate(state)
            ((side, volume),) = [(key, each[0]) for key, each in found.items() if each[0]]
            under[side], loudness[side] = letter, meter.integrated_loudness(volume * sounds[side])
            assert "r00" not in tab.inner_text("#blind-round")
        assert set(under) == set(sounds)
        assert loudness["r001"] == pytest.approx(loudness["r002"], abs=0.1)
        tab.click(f"#blind [data-said={under['r002']}]")
    told = "You preferred r002 to r001 in 4 of 4; a coin would do this in 13 of 100."
    assert tab.text_content("#blind-told") == told
    assert all(each[2] for each in tab.evaluate(state).values()), "silent at the end"
    happy = factory.response(data)
    archive.take_in(msgspec.json.encode(happy))
    tab.fill("#blind-name", happy["name"])
    with tab.expect_download() as saving:
        tab.click("#blind-save")
    raw = Path(saving.value.path()).read_bytes()
    archive.take_in(raw)
    assert archive.standing("night-depot").status == "agreed", "rounds alone take nobody's answer back"
    (one,) = archive.heard("night-depot")
    assert (one.by, one.revision, one.sides, one.counts) == (happy["name"], "r002", ("r002", "r001"), (4, 0))
    assert archive.agreement() is None
    archive.write_index(render_archive)
    assert "preferred r002 to r001 in 4 of 4" in (tmp_path / "index.html").read_text().replace("\u00a0", " ")
    forged = json.loads(raw)
    forged["blind"][0]["sounds"]["r001"] = "0" * 64
    with pytest.raises(ArchiveError, match="its sounds are not those"):
        archive.take_in(json.dumps(forged | {"id": "another"}).encode())


def test_two_beats_side_by_side(visit: Open, small: Path) -> None:
    tab = visit(small)
    tab.click("[data-compare='night-depot']")
    assert "Night Depot, r001 is on the left" in tab.inner_text("#strip")
    assert tab.inner_html("#comparison") == ""
    tab.click("[data-compare='slow-ferry']")
    left, right = (factory.dossier(slug=slug, seed=seed, bars=2).instrumental
                   for slug, seed in (("night-depot", 2), ("slow-ferry", 3)))  # fmt: skip
    short = {row[0]: row[1:] for row in rows(tab, "In short")}
    assert short["Fill"][:2] == [f"{round(100 * left.fill)} %", f"{round(100 * right.fill)} %"]
    assert short["Rough mix"] == ["−15.0 LUFS", "−14.0 LUFS", "+1.0 LU"]
    zones = rows(tab, "Zones")
    assert [row[0] for row in zones] == ["sub", "bass", "low mid", "mid", "high mid", "presence", "brilliance"]
    for row, (mine, other) in zip(zones, zip(left.zones.values(), right.zones.values(), strict=True), strict=True):
        assert row[2:4] == [f"{mine * 100:.0f} %", f"{other * 100:.0f} %"]
    assert [row[0] for row in rows(tab, "Sections")] == ["verse", "hook"]
    assert rows(tab, "Levels: gain to set")[0] == ["kick", "−4.2 dB", "−4.2 dB", "0.0 dB"]
    assert "How they differ" in tab.inner_text("#comparison")
    drums = tab.inner_text(".drum-sides").split()
    assert drums[:6] == ["The", "same", "sound", "in", "both", "none"], "files of one name in two beats are two sounds"
    assert tab.evaluate("document.activeElement.id") == "compare-title"
    assert tab.evaluate("location.hash") == "#compare=night-depot:r001,slow-ferry:r001"


def test_two_revisions_side_by_side(visit: Open, small: Path) -> None:
    tab = visit(small)
    tab.select_option("#left", "lantern-market:r001")
    tab.select_option("#right", "lantern-market:r002")
    said = tab.inner_text("#comparison")
    assert "What changed from r001 to r002" in said
    assert "r002: Gain of kick: −2.0 dB (was −4.2 dB)." in said
    assert rows(tab, "Levels: gain to set")[0] == ["kick", "−4.2 dB", "−2.0 dB", "+2.2 dB"]
    assert "kick-low.wav" in tab.inner_text(".drum-sides > div:first-child")
    tab.click("#swap")
    assert rows(tab, "Levels: gain to set")[0] == ["kick", "−2.0 dB", "−4.2 dB", "+2.2 dB"], "newer less older"
    assert "What changed from r001 to r002" in tab.inner_text("#comparison"), "time runs one way"
    tab.click("#clear-compare")
    assert tab.inner_html("#comparison") == ""
    assert tab.evaluate("location.hash") == ""


def test_a_comparison_has_an_address(visit: Open, small: Path) -> None:
    tab = visit(small, hash="#compare=tin-roof:r001,paper-harbour:r001")
    assert "Paper Harbour is" in tab.inner_text("#comparison")
    lost = visit(small, hash="#compare=gone:r001,paper-harbour:r001")
    assert lost.inner_html("#comparison") == ""


def test_without_scripts_everything_is_there(visit: Open, small: Path) -> None:
    tab = visit(small, java_script_enabled=False)
    assert tab.locator(".entry").count() == 5
    assert tab.locator(".needs-js:visible").count() == 0
    assert tab.locator(".entry h3 a").first.get_attribute("href") == "lantern-market/lantern-market-r002.html"


@pytest.mark.parametrize("hash", ["", "#compare=lantern-market:r001,lantern-market:r002"])
def test_a_narrow_screen_scrolls_one_way_only(visit: Open, small: Path, hash: str) -> None:
    tab = visit(small, hash=hash, width=360)
    assert tab.evaluate("document.documentElement.scrollWidth") == 360
    small_targets = tab.eval_on_selector_all(
        "button, select, input",
        "found => found.filter(e => e.offsetHeight && e.offsetHeight < 24).map(e => e.outerHTML)",
    )
    assert small_targets == [], "WCAG 2.2, 2.5.8: targets of at least 24 px"


def test_the_theme_can_be_turned(visit: Open, small: Path) -> None:
    tab = visit(small, color_scheme="light")
    paper = "getComputedStyle(document.body).backgroundColor"
    light = tab.evaluate(paper)
    assert tab.get_attribute("#theme", "aria-pressed") == "false"
    tab.click("#theme")
    assert tab.evaluate(paper) != light
    assert tab.get_attribute("#theme", "aria-pressed") == "true"
    dark = visit(small, color_scheme="dark")
    assert dark.evaluate(paper) == tab.evaluate(paper), "by preference as by hand"


def test_it_works_by_keyboard(visit: Open, small: Path) -> None:
    tab = visit(small)
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Skip to the catalogue"
    tab.keyboard.press("Enter")
    tab.focus("[data-compare='night-depot']")
    tab.keyboard.press("Enter")
    assert tab.get_attribute("[data-compare='night-depot']", "aria-pressed") == "true"
    tab.keyboard.press("Enter")
    assert tab.get_attribute("[data-compare='night-depot']", "aria-pressed") == "false"
    tab.focus(".entry summary")
    tab.keyboard.press("Enter")
    assert tab.locator(".entry details[open]").count() == 1


def test_print_unfolds_and_leaves_the_controls_out(visit: Open, small: Path) -> None:
    tab = visit(small)
    tab.emulate_media(media="print")
    assert tab.locator("button:visible, select:visible, input:visible").count() == 0
    assert tab.locator(".entry .history li:visible").count() > 0
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_two_hundred_beats_stay_usable(visit: Open, large: Path) -> None:
    assert large.stat().st_size < 1_500_000
    tab = visit(large)
    assert len(shown(tab)) == 200
    tab.fill("#find", "beat-17")
    assert len(shown(tab)) == 10
    tab.fill("#find", "")
    tab.select_option("#order", "loudness-down")
    loud = tab.eval_on_selector_all(".entry", "found => found.map(each => each.getAttribute('data-by-loudness'))")
    assert loud == sorted(loud, reverse=True)
    assert tab.locator(".waiting > ul > li").count() == 10, "the summary shows the first five of each"
    spent = tab.evaluate(
        """() => {
            const start = performance.now(), find = document.getElementById('find');
            for (const text of ['b', 'be', 'beat', 'beat 1', '']) {
                find.value = text;
                find.dispatchEvent(new Event('input'));
                document.body.offsetHeight;
            }
            return performance.now() - start;
        }"""
    )
    assert spent < 5000, "five keystrokes, with a wide margin for a busy machine"
