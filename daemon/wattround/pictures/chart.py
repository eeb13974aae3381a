"""Figures against figures: dots, lines and bands over two axes, in ink."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from wattround.pictures.curve import step_w
from wattround.pictures.ink import MOST, SMALL, Anchor, Drawing, Point

WIDE, HIGH, LEFT, TOP, BELOW_HIGH, RIGHT = 600.0, 240.0, 52.0, 10.0, 36.0, 8.0
BOTTOM = HIGH - BELOW_HIGH
BAND_INK, GRID_INK = 2, 2
DOT = 2.4


class Mark(NamedTuple):
    """A place on an axis, and what it says."""

    at: float
    label: str


class Axis(NamedTuple):
    """From where to where it goes, its marks, and its name."""

    low: float
    high: float
    marks: Sequence[Mark]
    name: str


def even_axis(values: Sequence[float], name: str, *, from_zero: bool = False) -> Axis:
    """An axis with round marks that holds all values."""
    low, high = min([*values, 0.0] if from_zero else values), max([*values, 0.0] if from_zero else values)
    step = step_w(max(high - low, 1e-9) * 1e6) / 1e6  # its steps are round from 1 on
    first, last = int(low // step), int(-(-high // step))
    digits = max(0, -_exponent(step))
    marks = [Mark(at * step, f"{at * step:.{digits}f}") for at in range(first, max(last, first + 1) + 1)]
    return Axis(marks[0].at, marks[-1].at, marks, name)


def _exponent(step: float) -> int:
    """Decimal places before the first digit: 0 for 1 to 9, -1 for 0.1 to 0.9."""
    found = 0
    while step < 0.999:
        step, found = step * 10, found - 1
    return found - (0 if abs(step - round(step)) < 1e-6 else 1)


class Chart:
    """A drawing with two axes; what is drawn first lies below."""

    def __init__(self, across: Axis, up: Axis) -> None:
        self._across, self._up = across, up
        self.drawing = Drawing(WIDE, HIGH)
        self._grid()

    def at(self, x: float, y: float) -> Point:
        """Where a pair of figures lies."""
        across, up = self._across, self._up
        share_x = (x - across.low) / ((across.high - across.low) or 1)
        share_y = (y - up.low) / ((up.high - up.low) or 1)
        return LEFT + share_x * (WIDE - LEFT - RIGHT), BOTTOM - share_y * (BOTTOM - TOP)

    def _grid(self) -> None:
        for mark in self._up.marks:
            _, y = self.at(self._across.low, mark.at)
            self.drawing.line([(LEFT, y), (WIDE - RIGHT, y)], ink=MOST if mark.at == 0 else GRID_INK)
            self.drawing.text(LEFT - 5, y + SMALL * 0.35, mark.label, anchor="right")
        for mark in self._across.marks:
            x, _ = self.at(mark.at, self._up.low)
            self.drawing.line([(x, BOTTOM), (x, BOTTOM + 4)])
            anchor: Anchor = "right" if x > WIDE - 24 else "left" if x < LEFT + 8 else "center"
            self.drawing.text(x, BOTTOM + 5 + SMALL, mark.label, anchor=anchor)
        self.drawing.text(WIDE - RIGHT, HIGH - 4, self._across.name, anchor="right")
        self.drawing.text(LEFT, HIGH - 4, f"upwards: {self._up.name}")

    def dots(self, xs: Sequence[float], ys: Sequence[float], *, hollow: bool) -> None:
        """A dot for each pair."""
        points = [self.at(x, y) for x, y in zip(xs, ys, strict=True)]
        self.drawing.circles(points, DOT, hollow=hollow)

    def line(self, xs: Sequence[float], ys: Sequence[float], *, dashed: bool = False) -> None:
        """A line through all pairs."""
        self.drawing.line([self.at(x, y) for x, y in zip(xs, ys, strict=True)], width=1.4, dashed=dashed)

    def band(self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float]) -> None:
        """What lies between two lines."""
        up = [self.at(x, y) for x, y in zip(xs, highs, strict=True)]
        back = [self.at(x, y) for x, y in zip(xs, lows, strict=True)]
        self.drawing.polygon([*up, *reversed(back)], ink=BAND_INK)

    def upright(self, x: float, label: str) -> None:
        """A line from bottom to top, such as when something was changed."""
        foot, head = self.at(x, self._up.low), self.at(x, self._up.high)
        self.drawing.line([foot, head], dashed=True)
        self.drawing.text(head[0] + 4, head[1] + SMALL, label)
