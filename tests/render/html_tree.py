"""A small tree of an HTML page, built with the standard library's parser and strict about what it is given."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "input", "br", "img", "link", "hr", "source", "wbr", "area", "base", "col", "embed", "track"}


@dataclass
class Node:
    name: str
    attributes: dict[str, str]
    children: list[Node | str] = field(default_factory=list)
    parent: Node | None = None

    @property
    def text(self) -> str:
        return "".join(child if isinstance(child, str) else child.text for child in self.children)

    @property
    def words(self) -> str:
        """Text with white space folded, as a reader sees it."""
        return " ".join(part for part in self.text.replace("\n", " ").split(" ") if part)

    def every(self, name: str | None = None, **attributes: str) -> list[Node]:
        """Descendants by element name and attribute values (`class_` matches one of the classes)."""
        found = []
        for child in self.children:
            if isinstance(child, Node):
                if (name is None or child.name == name) and all(child.has(k, v) for k, v in attributes.items()):
                    found.append(child)
                found += child.every(name, **attributes)
        return found

    def has(self, key: str, value: str) -> bool:
        if key == "class_":
            return value in self.attributes.get("class", "").split()
        return self.attributes.get(key.replace("_", "-")) == value

    def one(self, name: str | None = None, **attributes: str) -> Node:
        found = self.every(name, **attributes)
        assert len(found) == 1, f"{len(found)} elements for {name} {attributes}"
        return found[0]


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("#document", {})
        self.at = self.root

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute stands twice in <{tag}>: {names}"
        node = Node(tag, {name: value or "" for name, value in attrs}, parent=self.at)
        self.at.children.append(node)
        if tag not in VOID:
            self.at = node

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.at.name == tag, f"</{tag}> closes <{self.at.name}>"
        assert self.at.parent is not None
        self.at = self.at.parent

    def handle_data(self, data: str) -> None:
        self.at.children.append(data)


def parse(html: str) -> Node:
    """The tree of a page; every element must be closed in order."""
    builder = _Builder()
    builder.feed(html)
    builder.close()
    assert builder.at is builder.root, f"<{builder.at.name}> was never closed"
    return builder.root
