"""Waiting for a page that forbids `eval`, which the browser driver's own wait needs."""

from __future__ import annotations

from typing import Any


def until(tab: Any, condition: str, *, seconds: float = 15.0) -> None:
    """Ask again and again until a JavaScript expression is true."""
    for _ in range(int(seconds / 0.025)):
        if tab.evaluate(f"() => Boolean({condition})"):
            return
        tab.wait_for_timeout(25)
    raise AssertionError(f"never true: {condition}")


def unfold(tab: Any) -> None:
    """Open every fold, and wait until the map and the level sliders have started."""
    tab.evaluate("() => document.querySelectorAll('main details').forEach((fold) => { fold.open = true; })")
    for fold in ("map", "levels"):
        tab.wait_for_selector(f"#{fold}[data-ready]", timeout=30_000)


def reloaded(tab: Any) -> None:
    """The page again, once the browser has handed what the page keeps to its main process."""
    tab.wait_for_timeout(500)
    tab.reload()
    tab.wait_for_selector("html[data-ready=all]")
