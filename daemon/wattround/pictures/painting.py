"""Cells and their key: what strips and heat maps have in common."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from typing import NamedTuple

from wattround.pictures.grain import Cell
from wattround.pictures.ink import BELOW, UNKNOWN, Box, Drawing, Scale, watts_text
from wattround.pictures.seen import Seen

SWATCH = (24.0, 12.0)


def darknesses(seen: Iterable[Seen | None], scale: Scale) -> list[int]:
    """How dark each cell is, or which hatching it has."""
    return [scale.darkness(None if each is None else each.drawn_w) for each in seen]


def paint(drawing: Drawing, cells: Sequence[Cell], dark: Sequence[int], box_of: Callable[[Cell], Box]) -> None:
    """Fill the cells; neighbours that are equally dark become one rectangle."""
    by_ink: dict[int, list[Box]] = {}
    for cell, darkness in zip(cells, dark, strict=True):
        left, top, right, bottom = box_of(cell)
        boxes = by_ink.setdefault(darkness, [])
        x0, y0, x1, y1 = boxes[-1] if boxes else (-1.0, -1.0, -1.0, -1.0)
        if x0 == left and x1 == right and y1 == top:
            boxes[-1] = (x0, y0, x1, bottom)
        elif y0 == top and y1 == bottom and x1 == left:
            boxes[-1] = (x0, y0, right, y1)
        else:
            boxes.append((left, top, right, bottom))
    for darkness in sorted(by_ink):
        drawing.boxes(by_ink[darkness], darkness)


class Swatch(NamedTuple):
    """An entry of a key: a small drawing of a darkness, and what it stands for."""

    svg: str
    label: str


def key(name: str, scale: Scale, found: Collection[int]) -> list[Swatch]:
    """Which watts each darkness stands for, and what each hatching means that was found."""
    texts = [watts_text(each) for each in scale.edges_w]
    labels = dict(enumerate([f"under {texts[0]}", *(f"from {text}" for text in texts)]))
    labels |= {at: label for at, label in ((UNKNOWN, "not heard"), (BELOW, "below 0")) if at in found}
    return [Swatch(_swatch(f"{name}-{at}", darkness), label) for at, (darkness, label) in enumerate(labels.items())]


def _swatch(name: str, darkness: int) -> str:
    drawing = Drawing(*SWATCH)
    drawing.boxes([(0, 0, *SWATCH)], darkness)
    return drawing.svg(name, "", "")
