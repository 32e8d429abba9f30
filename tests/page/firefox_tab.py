"""A Firefox tab behind as much of the Chromium driver's tab as the tests use, so that they are written once."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

SET = """(e, v) => { e.value = v; for (const kind of ['input', 'change'])
    e.dispatchEvent(new Event(kind, { bubbles: true })); }"""
SHOWN = "(e) => Boolean(e && e.getClientRects().length && getComputedStyle(e).visibility !== 'hidden')"
SECONDS = 30.0


class FirefoxTab:
    """Selectors are CSS; the first match is meant."""

    def __init__(self, driver: Any, downloads: Path) -> None:
        self.driver, self.downloads, self.messages = driver, downloads, []
        driver.script.add_console_message_handler(lambda entry: self.messages.append(entry.text))
        driver.script.add_javascript_error_handler(lambda entry: self.messages.append(entry.text))
        self.keyboard = SimpleNamespace(press=self._press)

    def evaluate(self, script: str, argument: Any = None) -> Any:
        return self.driver.execute_script(f"return ({script})(arguments[0])", argument)

    def goto(self, address: str) -> None:
        self.driver.get(address)

    def reload(self) -> None:
        self.driver.refresh()

    def wait_for_timeout(self, ms: float) -> None:
        time.sleep(ms / 1000)

    def wait_for_selector(self, selector: str, *, timeout: float = 1000 * SECONDS) -> None:
        end = time.monotonic() + timeout / 1000
        while not self._find(selector):
            assert time.monotonic() < end, f"never there: {selector}"
            time.sleep(0.025)

    def _find(self, selector: str) -> list[Any]:
        return list(self.driver.find_elements("css selector", selector))

    def _one(self, selector: str) -> Any:
        self.wait_for_selector(selector)
        return self._find(selector)[0]

    def _on(self, selector: str, script: str, argument: Any = None) -> Any:
        element = self._one(selector)
        return self.driver.execute_script(f"return ({script})(arguments[0], arguments[1])", element, argument)

    def _press(self, key: str) -> None:
        from selenium.webdriver import ActionChains, Keys

        named = {"ArrowLeft": "ARROW_LEFT", "ArrowRight": "ARROW_RIGHT", "ArrowUp": "ARROW_UP", "PageDown": "PAGE_DOWN"}
        code = key if len(key) == 1 else getattr(Keys, named.get(key, key.upper()))
        ActionChains(self.driver).send_keys(code).perform()

    def click(self, selector: str) -> None:
        """As soon as it can be clicked: what is drawn above it when it comes near moves it away for a moment."""
        from selenium.common.exceptions import ElementClickInterceptedException, ElementNotInteractableException

        end = time.monotonic() + SECONDS
        while True:
            self._on(selector, "(e) => e.scrollIntoView({ block: 'center', behavior: 'instant' })")
            try:
                return self._one(selector).click()
            except (ElementClickInterceptedException, ElementNotInteractableException):
                if time.monotonic() > end:
                    raise
                time.sleep(0.1)

    tap = click

    def check(self, selector: str, *, force: bool = False) -> None:
        """With `force` also one that only its label shows."""
        self._on(selector, "(e) => { if (!e.checked) e.click(); }")

    def uncheck(self, selector: str) -> None:
        self._on(selector, "(e) => { if (e.checked) e.click(); }")

    def fill(self, selector: str, value: str) -> None:
        self._on(selector, SET, value)

    def select_option(self, selector: str, value: str) -> None:
        self._on(selector, SET, value)

    def focus(self, selector: str) -> None:
        self._on(selector, "(e) => e.focus()")

    def text_content(self, selector: str) -> str:
        return str(self._on(selector, "(e) => e.textContent"))

    def inner_text(self, selector: str) -> str:
        return str(self._on(selector, "(e) => e.innerText"))

    def input_value(self, selector: str) -> str:
        return str(self._on(selector, "(e) => e.value"))

    def is_disabled(self, selector: str) -> bool:
        return bool(self._on(selector, "(e) => e.disabled"))

    def is_visible(self, selector: str) -> bool:
        return bool(self.driver.execute_script(f"return ({SHOWN})(document.querySelector(arguments[0]))", selector))

    def is_hidden(self, selector: str) -> bool:
        return not self.is_visible(selector)

    def locator(self, selector: str) -> SimpleNamespace:
        return SimpleNamespace(
            check=lambda force=False: self.check(selector), fill=lambda value: self.fill(selector, value),
            focus=lambda: self.focus(selector), is_visible=lambda: self.is_visible(selector),
            is_hidden=lambda: self.is_hidden(selector), count=lambda: len(self._find(selector)),
            is_checked=lambda: bool(self._on(selector, "(e) => e.checked")),
            get_attribute=lambda name: self._on(selector, "(e, name) => e.getAttribute(name)", name),
            locator=lambda inner: self.locator(f"{selector} {inner}"),
        )  # fmt: skip

    @contextmanager
    def expect_download(self) -> Iterator[SimpleNamespace]:
        for old in self.downloads.iterdir():
            old.unlink()
        found = SimpleNamespace()
        yield found
        end, saved = time.monotonic() + SECONDS, None
        while saved is None:
            assert time.monotonic() < end, "nothing was saved"
            time.sleep(0.025)
            there = list(self.downloads.iterdir())
            if len(there) == 1 and there[0].suffix != ".part" and there[0].stat().st_size:
                saved = there[0]
        found.value = SimpleNamespace(path=lambda: str(saved), suggested_filename=saved.name)
