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

import sample_data
import sample_whatif

from dossier.measure.hearing import page_constants, page_contours
from dossier.model.page import PageAssets
from dossier.render.page import render_dossier

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--mute-audio",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip
LONG_BARS = 69  # 1104 slots: three minutes at 92 BPM


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
    made = {
        "sample": (sample_data.sample(), sample_whatif.assets()),
        "long": (sample_data.sample(LONG_BARS), sample_whatif.assets(LONG_BARS)),
        "bare": (sample_data.bare(), PageAssets((), None)),
        "hostile": (sample_data.hostile(), sample_data.hostile_assets()),
    }
    out = {}
    for name, (data, assets) in made.items():
        out[name] = folder / f"{name}.html"
        html = render_dossier(data, assets, hearing_constants=page_constants(), contour_errors=page_contours())
        out[name].write_text(html, encoding="utf-8")
    return out


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
