"""A headless Chromium that opens pages over file://, and pages written for it once a session."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "render"))

import sample_pages
from page_wait import unfold

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
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
