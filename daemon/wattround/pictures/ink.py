"""The look of every picture: one ink on paper, in so many darknesses, with hatching for what is not known.

Drawings are SVG elements for a page (see look.css.j2): what is black in them is the page's ink, text is text in the
page's own fonts. The same drawing gives the same characters, on every machine and at any time.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

LIGHT = {"paper": "#fbf8f1", "ink": "#1f1c17", "soft": "#575147", "rule": "#c9c2b3"}
DARK = {"paper": "#191714", "ink": "#ece6d8", "soft": "#b5ad9d", "rule": "#4d483f"}
INKS = (0.06, 0.2, 0.36, 0.52, 0.68, 0.84, 1.0)
"""Share of ink on paper, from nothing drawn to most; even steps, far enough apart to be told from each other."""
MOST = len(INKS) - 1
UNKNOWN, BELOW = -1, -2
"""Darknesses that are none: not heard, and less than nothing."""
HATCH_EVERY, HATCH_WIDTH = 5.0, 0.9
"""Points between lines, and how wide they are. Lines of our own: browsers print patterns as grey blurs."""
TEXT, SMALL = 11.0, 9.5
"""Sizes of type, in points."""
Box = tuple[float, float, float, float]
"""Left, top, right, bottom, in points from the drawing's upper left corner."""
Point = tuple[float, float]
Line = tuple[Point, ...]
"""Points that it goes through."""
Anchor = Literal["left", "center", "right"]
ANCHORS: Mapping[Anchor, str] = {"left": "start", "center": "middle", "right": "end"}


class Scale(NamedTuple):
    """From how many watts on each darkness is; below the first nothing is drawn."""

    edges_w: tuple[float, ...]

    def darkness(self, watts: float | None) -> int:
        """Which of `INKS` watts have, or UNKNOWN or BELOW."""
        if watts is None:
            return UNKNOWN
        return BELOW if watts <= -self.edges_w[0] else bisect_right(self.edges_w, watts)


SHARED = Scale((1, 5, 20, 100, 500, 2000))
"""The same for all loads, so that darkness can be compared: from standby to the largest, each some five times more."""
ROUND = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8)


def even_scale(most_w: float) -> Scale:
    """A scale in even round steps for one load that draws up to so much."""
    step = 1.0
    while step * 10 <= most_w / (MOST - 1):
        step *= 10
    step = max((each * step for each in ROUND if each * step <= most_w / (MOST - 1)), default=step)
    return Scale((min(1.0, step / 2), *(step * at for at in range(1, MOST))))


def watts_text(watts: float, *, kilo: bool = True) -> str:
    """Watts as people write them: 85 W, 1.2 kW; without `kilo`, 1230 W."""
    if kilo and abs(watts) >= 999.5:
        return f"{watts / 1000:.1f}".removesuffix(".0") + " kW"
    digits = 0 if abs(watts) >= 9.95 or abs(watts - round(watts)) < 0.05 else 1
    return f"{watts:.{digits}f}".replace("-0", "0" if abs(watts) < 0.05 else "-0") + " W"


def _aslant(box: Box) -> Iterator[Line]:
    """Lines from lower left to upper right that go on from one box to the next: x + y is a multiple of the distance."""
    x0, y0, x1, y1 = box
    for at in range(math.ceil((x0 + y0) / HATCH_EVERY), math.floor((x1 + y1) / HATCH_EVERY) + 1):
        both = at * HATCH_EVERY
        left, right = max(x0, both - y1), min(x1, both - y0)
        if right > left:
            yield (left, both - left), (right, both - right)


def _level(box: Box) -> Iterator[Line]:
    x0, y0, x1, y1 = box
    for at in range(math.ceil(2 * y0 / HATCH_EVERY), math.floor(2 * y1 / HATCH_EVERY) + 1):
        yield (x0, at * HATCH_EVERY / 2), (x1, at * HATCH_EVERY / 2)


HATCHES: Mapping[int, Callable[[Box], Iterator[Line]]] = {UNKNOWN: _aslant, BELOW: _level}


class Drawing:
    """A sheet of so many points; positions count from its upper left corner."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._marks: list[ET.Element] = []

    def _mark(self, tag: str, **attributes: str) -> ET.Element:
        mark = ET.Element(tag, {key.replace("_", "-"): value for key, value in attributes.items()})
        self._marks.append(mark)
        return mark

    def boxes(self, boxes: Sequence[Box], darkness: int) -> None:
        """Fill rectangles with an ink of `INKS`, or hatch them: UNKNOWN aslant, BELOW level."""
        if darkness in HATCHES:
            lines = [line for box in boxes for line in HATCHES[darkness](box)]
            if lines:
                self._mark("path", d="".join(map(_path, lines)), **_stroke(HATCH_WIDTH))
        elif boxes:
            self._mark("path", d="".join(map(_rectangle, boxes)), **_opacity("fill", darkness))

    def line(self, points: Sequence[Point], *, width: float = 0.6, ink: int = MOST, dashed: bool = False) -> None:
        """A thin line through all points, of an ink of `INKS`."""
        dashes = {"stroke_dasharray": f"{_short(4 * width)} {_short(3 * width)}"} if dashed else {}
        self._mark("path", d=_path(points), **_stroke(width), **_opacity("stroke", ink), **dashes)

    def polygon(self, corners: Sequence[Point], *, ink: int) -> None:
        """Fill what lies within these corners, such as a band between two lines, with an ink of `INKS`."""
        self._mark("path", d=f"{_path(corners)}z", **_opacity("fill", ink))

    def circles(self, centres: Iterable[Point], radius: float, *, ink: int = MOST, hollow: bool = False) -> None:
        """Dots around these centres, of an ink of `INKS`; hollow: only their outlines."""
        inks = {**_stroke(0.8), **_opacity("stroke", ink)} if hollow else _opacity("fill", ink)
        for x, y in centres:
            self._mark("circle", cx=_short(x), cy=_short(y), r=_short(radius), **inks)

    def text(self, x: float, y: float, text: str, *, size: float = SMALL, anchor: Anchor = "left") -> None:
        """A line of text that stands on y. No name of a load belongs here: a page breaks and escapes those itself."""
        where = {} if anchor == "left" else {"text_anchor": ANCHORS[anchor]}
        self._mark("text", x=_short(x), y=_short(y), font_size=_short(size), **where).text = plain(text)

    def svg(self, name: str, title: str, says: str, *, stretched: bool = False, crisp: bool = False) -> str:
        """The drawing as an element of a page. `says`: what there is to see, for those who do not see it.

        Without a title it is an ornament beside a text that says the same.

        `name`: a word of letters, digits and hyphens that no other drawing of the page has. `stretched`: as wide and
        high as the page wants it, whatever that does to its shape. `crisp`: edges lie on the screen's dots, so that no
        seam shows between boxes that touch; not for boxes narrower than a dot, which could be lost by it.
        """
        root = ET.Element("svg", {
            "class": "pic crisp" if crisp else "pic",
            "viewBox": f"0 0 {_short(self.width)} {_short(self.height)}",
        })  # fmt: skip
        if stretched:
            root.set("preserveAspectRatio", "none")
        _speak(root, name, title, says)
        root.extend(self._marks)
        return ET.tostring(root, encoding="unicode", short_empty_elements=False)


def plain(text: str) -> str:
    """Text without characters that no page may hold, such as a bell."""
    return "".join(each if each.isprintable() else "\N{REPLACEMENT CHARACTER}" for each in text)


def _speak(root: ET.Element, name: str, title: str, says: str) -> None:
    if not title:
        root.set("aria-hidden", "true")
        return
    root.set("role", "img")
    spoken = [("title", f"{name}-title", title), *([("desc", f"{name}-says", says)] if says else [])]
    root.set("aria-labelledby", " ".join(key for _, key, _ in spoken))
    for tag, key, text in spoken:
        ET.SubElement(root, tag, {"id": key}).text = plain(text)


# -- how marks are written ------------------------------------------------------------------------


def _stroke(width: float) -> dict[str, str]:
    return {"fill": "none", "stroke": "currentColor", "stroke_width": _short(width)}


def _opacity(of: Literal["fill", "stroke"], ink: int) -> dict[str, str]:
    return {} if INKS[ink] == 1 else {f"{of}_opacity": _short(INKS[ink])}


def _path(points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{_short(x)} {_short(y)}" for x, y in points)


def _rectangle(box: Box) -> str:
    left, top, right, bottom = box
    wide, high = right - left, bottom - top
    return f"M{_short(left)} {_short(top)}h{_short(wide)}v{_short(high)}h{_short(-wide)}z"


@lru_cache(1024)
def _short(number: float) -> str:
    """Two decimals are enough for every eye.

    Edges of cells come again and again, and few of them; a curve's points hardly do: to keep those would take 1.5 MB.
    """
    text = f"{number:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
