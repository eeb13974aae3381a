"""Pages read strictly, as a tree of elements: whatever a browser would mend is an error here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input", "base", "col", "embed", "source", "track", "wbr", "area"}
"""Elements without an end, as the HTML standard (13.1.2) lists them."""


@dataclass
class Element:
    """An element with its texts and elements, in order."""

    tag: str
    attributes: dict[str, str]
    inside: list[Element | str] = field(default_factory=list)

    def walk(self) -> Iterator[Element]:
        """Itself and all that is in it."""
        yield self
        for each in self.inside:
            if isinstance(each, Element):
                yield from each.walk()

    def all(self, tag: str, kind: str = "") -> list[Element]:
        """Elements of a tag, and of a class if one is given."""
        return [each for each in self.walk() if each.tag == tag and (not kind or kind in each.kinds)]

    def one(self, tag: str, kind: str = "") -> Element:
        found = self.all(tag, kind)
        assert len(found) == 1, (tag, kind, len(found))
        return found[0]

    def text_of(self, tag: str) -> str:
        """The text of the first element of a tag, or nothing."""
        return next((each.text for each in self.all(tag)), "")

    @property
    def kinds(self) -> list[str]:
        return self.attributes.get("class", "").split()

    @property
    def text(self) -> str:
        """What is read of it, with single spaces."""
        parts = [each if isinstance(each, str) else each.text for each in self.inside if not _is_picture(each)]
        return " ".join("".join(parts).split())

    def rows(self) -> list[list[str]]:
        """Of a table: the texts of its cells, row by row."""
        return [
            [cell.text.replace("\N{MINUS SIGN}", "-") for cell in row.inside if isinstance(cell, Element)]
            for row in self.all("tr")
        ]


def _is_picture(each: Element | str) -> bool:
    return isinstance(each, Element) and each.tag == "svg"


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("page", {})
        self._open = [self.root]
        self.doctype = ""

    def handle_decl(self, decl: str) -> None:
        self.doctype = decl

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> says something twice: {names}"
        made = Element(tag, {name: value or "" for name, value in attrs})
        self._open[-1].inside.append(made)
        if tag not in VOID:
            self._open.append(made)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        raise AssertionError(f"<{tag} {attrs}/>: a browser ignores that slash")

    def handle_endtag(self, tag: str) -> None:
        assert self._open[-1].tag == tag, f"</{tag}> where <{self._open[-1].tag}> is open"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        self._open[-1].inside.append(data)

    def finish(self) -> Element:
        self.close()
        assert len(self._open) == 1, f"<{self._open[-1].tag}> is never closed"
        return self.root


def read(text: str) -> Element:
    """The page's elements.

    Raises:
        AssertionError: if it is not well-formed.
    """
    reader = _Reader()
    reader.feed(text)
    found = reader.finish()
    assert reader.doctype.lower() == "doctype html"
    return found
