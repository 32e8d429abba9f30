"""Numbers in words, where a sign matters: what rounds to nothing has none."""

from __future__ import annotations


def signed(value: float, digits: int = 1) -> str:
    """`+1.5`, `-0.2`, `0.0`."""
    text = f"{value:+.{digits}f}"
    return text if text.strip("+-0.") else text[1:]


def unsigned(value: float, digits: int = 1) -> str:
    """`1.5`, `-0.2`, `0.0`."""
    return signed(value, digits).removeprefix("+")


def percentage(share: float) -> str:
    """'4.2' for 0.042; two decimals below one per cent."""
    return f"{100.0 * share:.2f}" if abs(share) < 0.01 else f"{100.0 * share:.1f}"
