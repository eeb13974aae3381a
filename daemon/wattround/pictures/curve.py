"""Watts from minute to minute: what a load drew, as a surface of ink, at a grain that shows every start."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from wattround.pictures.grain import MINUTE_MS, ticks
from wattround.pictures.ink import MOST, ROUND, SMALL, UNKNOWN, Anchor, Drawing, Point, watts_text
from wattround.pictures.mark import Mark, told, within
from wattround.pictures.mark import draw as draw_mark

WIDE, HIGH, LEFT, TOP, BELOW_HIGH = 600.0, 150.0, 44.0, 8.0, 20.0
BOTTOM = HIGH - BELOW_HIGH
MOST_TICKS = 9
SURFACE_INK, LINE_INK = 3, 2
LEAST_TOP_W = 4.0
Watts = Sequence[float | None]
"""One value a minute; None: not known."""


class Curve:
    """Draws minutes from `from_ms` on."""

    def __init__(self, from_ms: int, minutes: Watts, zone: ZoneInfo) -> None:
        self._from_ms, self._minutes, self._zone = from_ms, minutes, zone
        known = [each for each in minutes if each is not None]
        high, low = max([*known, LEAST_TOP_W]), min([*known, 0.0])
        self._step = step_w(high - low)
        self._top_w = self._step * -(-high // self._step)
        self._bottom_w = self._step * (low // self._step)
        self._per_w = (BOTTOM - TOP) / (self._top_w - self._bottom_w)
        self._per_minute = (WIDE - LEFT) / len(minutes)

    def _y(self, watts: float) -> float:
        return BOTTOM - (watts - self._bottom_w) * self._per_w

    def draw(self, name: str, label: str, marks: Sequence[Mark] = ()) -> str:
        """The picture, with what was changed about the load."""
        drawing = Drawing(WIDE, HIGH)
        for at in range(round((self._top_w - self._bottom_w) / self._step) + 1):
            watts = self._bottom_w + at * self._step
            y = self._y(watts)
            drawing.line([(LEFT, y), (WIDE, y)], ink=MOST if watts == 0 else LINE_INK)
            drawing.text(LEFT - 5, y + SMALL * 0.35, watts_text(watts), anchor="right")
        for heard, begin, end in self._runs():
            if heard:
                drawing.polygon(list(self._surface(begin, end)), ink=SURFACE_INK)
            else:
                drawing.boxes([(self._x(begin), TOP, self._x(end), BOTTOM)], UNKNOWN)
        to_ms = self._from_ms + len(self._minutes) * MINUTE_MS
        for mark in ticks(self._from_ms, to_ms, self._zone, MOST_TICKS):
            x = self._x((mark.at_ms - self._from_ms) / MINUTE_MS)
            drawing.line([(x, BOTTOM), (x, BOTTOM + 4)])
            anchor: Anchor = "right" if x > WIDE - 20 else "left" if x < LEFT + 12 else "center"
            drawing.text(x, BOTTOM + 5 + SMALL, mark.label, anchor=anchor)
        for each in self.within(marks):
            draw_mark(drawing, self._x((each.at_ms - self._from_ms) / MINUTE_MS), TOP, BOTTOM)
        return drawing.svg(name, f"{label}, minute by minute", self.says(marks))

    def within(self, marks: Sequence[Mark]) -> list[Mark]:
        """Those that lie in its time."""
        return within(marks, self._from_ms, self._from_ms + len(self._minutes) * MINUTE_MS)

    def _x(self, minute: float) -> float:
        return LEFT + minute * self._per_minute

    def _runs(self) -> Iterator[tuple[bool, int, int]]:
        """Minutes [begin, end) that are known, or not known."""
        begin = 0
        for heard, group in groupby(self._minutes, key=lambda each: each is not None):
            end = begin + sum(1 for _ in group)
            yield heard, begin, end
            begin = end

    def _surface(self, begin: int, end: int) -> Iterator[Point]:
        """Corners of a stepped surface, with one step for minutes that look the same."""
        yield self._x(begin), self._y(0)
        at = begin
        for y, group in groupby(round(self._y(each or 0.0), 1) for each in self._minutes[begin:end]):
            yield self._x(at), y
            at += sum(1 for _ in group)
            yield self._x(at), y
        yield self._x(end), self._y(0)

    def says(self, marks: Sequence[Mark] = ()) -> str:
        """What there is to see, in a sentence."""
        return self._says() + told(self.within(marks), self._zone)

    def _says(self) -> str:
        known = [(watts, at) for at, watts in enumerate(self._minutes) if watts is not None]
        if not known:
            return "nothing was heard of it"
        (most, most_at), (least, least_at) = max(known), min(known)
        mean = sum(watts for watts, _ in known) / len(known)
        gone = len(self._minutes) - len(known)
        missing = f"; {gone} minute{'s' if gone > 1 else ''} not heard" if gone else ""
        return (
            f"at most {watts_text(most)} at {self._clock(most_at)}, at least {watts_text(least)} at"
            f" {self._clock(least_at)}, {watts_text(mean)} in the mean{missing}"
        )

    def _clock(self, minute: int) -> str:
        at = datetime.fromtimestamp((self._from_ms + minute * MINUTE_MS) / 1000, UTC).astimezone(self._zone)
        return f"{at:%H:%M}"


def step_w(range_w: float) -> float:
    """A round quarter of an axis that has room for so many watts."""
    size = 1.0
    while size * 40 < range_w:
        size *= 10
    return next(each * size for each in (*ROUND, 10) if each * size * 4 >= range_w)
