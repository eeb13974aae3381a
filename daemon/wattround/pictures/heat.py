"""The hours of the clock by day: when a load draws, at a glance."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.pictures.grain import Cell, Days, Sheet, day_ticks
from wattround.pictures.ink import MOST, SMALL, Box, Drawing, Scale, even_scale, watts_text
from wattround.pictures.mark import Mark, within
from wattround.pictures.mark import draw as draw_mark
from wattround.pictures.painting import Swatch, darknesses, key, paint
from wattround.pictures.seen import Seen, mean_w

WIDE, LEFT, TOP, ROW = 600.0, 34.0, 4.0, 8.0
BOTTOM = TOP + 24 * ROW
HIGH = BOTTOM + 20
MOST_TICKS = 10
WMS_PER_KWH = 3.6e9
NARROWEST_CRISP = 1.5


class HourOfDay(NamedTuple):
    """What the picture shows of one hour of the clock: energy, mean, highest cell and when that was."""

    hour: int
    kwh: float
    mean_w: float | None
    most_w: float | None
    when: str


class Heat:
    """Draws heat maps of one sheet of cells."""

    def __init__(self, sheet: Sheet, from_ms: int, to_ms: int, zone: ZoneInfo) -> None:
        self._sheet, self._span, self._zone = sheet, (from_ms, to_ms), zone
        self._column = (WIDE - LEFT) / sheet.columns
        self._days = Days.of(from_ms, to_ms, zone)

    def draw(
        self, name: str, label: str, seen: Sequence[Seen | None], says: str, marks: Sequence[Mark] = ()
    ) -> str:  # fmt: skip
        """The heat map of one load, in even steps up to its highest cell, with what was changed about it."""
        drawing = Drawing(WIDE, HIGH)
        paint(drawing, self._sheet.cells, darknesses(seen, self._scale(seen)), self._box)
        for column, top, bottom in self._sheet.skipped:
            y = TOP + (top + bottom) / 2 * ROW
            drawing.line([(LEFT + column * self._column, y), (LEFT + (column + 1) * self._column, y)])
        self._frame(drawing)
        for mark in self.within(marks):
            self._mark(drawing, mark)
        title = f"{label}, hours of the day by {self._sheet.of}"
        return drawing.svg(name, title, says, crisp=self._column >= NARROWEST_CRISP)

    def within(self, marks: Sequence[Mark]) -> list[Mark]:
        """Those that lie in its time."""
        return within(marks, *self._span)

    def _mark(self, drawing: Drawing, mark: Mark) -> None:
        """In its column; where a column is a minute of every hour, at its hour instead."""
        if self._sheet.of == "minute":
            local = datetime.fromtimestamp(mark.at_ms / 1000, UTC).astimezone(self._zone)
            draw_mark(drawing, LEFT + local.minute * self._column, TOP + local.hour * ROW, TOP + (local.hour + 1) * ROW)
            return
        day = bisect_right(self._days.edges, mark.at_ms) - 1
        column = day / 7 if self._sheet.of == "week" else day + 0.5
        draw_mark(drawing, LEFT + column * self._column, TOP, BOTTOM)

    def key(self, name: str, seen: Sequence[Seen | None]) -> list[Swatch]:
        """Which watts each darkness of one picture stands for."""
        scale = self._scale(seen)
        return key(name, scale, darknesses(seen, scale))

    def hours(self, seen: Sequence[Seen | None]) -> list[HourOfDay]:
        """The picture's table, by hour of the clock."""
        by_hour: dict[int, list[tuple[Seen, Cell]]] = {hour: [] for hour in range(24)}
        for each, cell in zip(seen, self._sheet.cells, strict=True):
            if each is not None:
                by_hour[int(cell.top)].append((each, cell))
        return [self._hour(hour, mine) for hour, mine in by_hour.items()]

    def _hour(self, hour: int, mine: Sequence[tuple[Seen, Cell]]) -> HourOfDay:
        energy = sum(each.watts * each.covered_ms for each, _ in mine) / WMS_PER_KWH
        drawn = [(each.drawn_w, cell) for each, cell in mine if each.drawn_w is not None]
        if not drawn:
            return HourOfDay(hour, energy, mean_w(each for each, _ in mine), None, "")
        most, when = max(drawn, key=lambda each: each[0])
        return HourOfDay(hour, energy, mean_w(each for each, _ in mine), most, self._when(when.spans[0][0]))

    @staticmethod
    def _scale(seen: Sequence[Seen | None]) -> Scale:
        return even_scale(max((each.drawn_w or 0.0 for each in seen if each), default=0.0))

    def _box(self, cell: Cell) -> Box:
        column = self._column
        return LEFT + cell.left * column, TOP + cell.top * ROW, LEFT + cell.right * column, TOP + cell.bottom * ROW

    def _frame(self, drawing: Drawing) -> None:
        drawing.line([(LEFT, TOP), (WIDE, TOP), (WIDE, BOTTOM), (LEFT, BOTTOM), (LEFT, TOP)], ink=MOST - 2)
        for hour in range(0, 25, 6):
            y = TOP + hour * ROW
            drawing.line([(LEFT - 4, y), (LEFT, y)])
            drawing.text(LEFT - 7, y + (SMALL * 0.75 if hour == 0 else SMALL * 0.35), f"{hour}:00", anchor="right")
        for x, label in self._marks():
            drawing.line([(x, BOTTOM), (x, BOTTOM + 4)])
            drawing.text(x, BOTTOM + 5 + SMALL, label, anchor="right" if x > WIDE - 20 else "center")

    def _marks(self) -> Iterator[tuple[float, str]]:
        """Where a mark stands at the axis, and what it says."""
        if self._sheet.of == "minute":
            yield from ((LEFT + minute * self._column, f":{minute:02}") for minute in range(0, 60, 10))
            return
        together = 7 if self._sheet.of == "week" else 1
        begins = {edge: at / together for at, edge in enumerate(self._days.edges)}
        inside = 0.5 if together == 1 and len(self._days.days) <= 2 * MOST_TICKS else 0
        for mark in day_ticks(self._days, MOST_TICKS):
            yield LEFT + (begins[mark.at_ms] + inside) * self._column, mark.label

    @staticmethod
    def says(hours: Sequence[HourOfDay], seen: Sequence[Seen | None]) -> str:
        """What there is to see, in a sentence."""
        by_hour = [hour for hour in hours if hour.mean_w is not None]
        if not by_hour:
            return "nothing was heard of it"
        top = max(by_hour, key=lambda hour: hour.mean_w or 0.0)
        low = min(by_hour, key=lambda hour: hour.mean_w or 0.0)
        most = max(by_hour, key=lambda hour: hour.most_w or 0.0)
        silent = sum(1 for each in seen if each is None or each.drawn_w is None)
        missing = f"; of {silent} of {len(seen)} cells too little was heard" if silent else ""
        mean, least, highest = (watts_text(each or 0.0) for each in (top.mean_w, low.mean_w, most.most_w))
        return (
            f"most between {_hour(top)}, {mean} in the mean; least between {_hour(low)}, {least};"
            f" the most in one cell is {highest}, {most.when}{missing}"
        )

    def _when(self, at_ms: int) -> str:
        local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone)
        if self._sheet.of == "minute":
            return f"{local:%H:%M}"
        if self._sheet.of == "week":
            return f"week of {local:%Y-%m-%d}"
        return f"{local:%Y-%m-%d}"


def _hour(of: HourOfDay) -> str:
    return f"{of.hour}:00 and {of.hour + 1}:00"
