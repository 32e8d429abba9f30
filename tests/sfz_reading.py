"""A small reader of SFZ 1 that shares nothing with the writer: headers and opcodes (the format as remembered: MEM)."""

from __future__ import annotations

import re


def regions(text: str) -> list[dict[str, str]]:
    """The opcodes of every region, those of its group before it."""
    found: list[dict[str, str]] = []
    group: dict[str, str] = {}
    current: dict[str, str] = {}
    for line in text.splitlines():
        for token in re.finditer(r"<(\w+)>|(\w+)=(.*?)(?=\s+\w+=|\s*<|\s*$)", line.split("//")[0]):
            if token[1] == "group":
                current = group = {}
            elif token[1] == "region":
                current = dict(group)
                found.append(current)
            elif token[1] is None:
                current[token[2]] = token[3]
            else:
                raise ValueError(f"unknown header <{token[1]}>")
    return found
