"""The base load over time: the house's lowest hour of each night."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import median
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms
from wattround.pictures.curve import step_w
from wattround.pictures.grain import Days, day_ticks
from wattround.pictures.ink import MOST, SMALL, UNKNOWN, Box, Drawing, watts_text

WIDE, HIGH, LEFT, TOP, BELOW_HIGH = 600.0, 140.0, 44.0, 8.0, 20.0
BOTTOM = HIGH - BELOW_HIGH
BAR = 0.7
"""Share of a night's width that its bar has; all of it, where nights are narrow."""
MOST_TICKS = 10
NARROWEST_CRISP = 3
FEWEST = 2
"""Nights: one alone makes no picture."""
BAR_INK, LINE_INK = 3, 2


class NightBase(NamedTuple):
    """A night, and the mean watts of its lowest hour; None where no hour of it is known."""

    day: date
    watts: float | None


def draw(name: str, found: Sequence[NightBase], before_w: float | None, zone: ZoneInfo) -> str:
    """A bar for each night, their median as a line, and the median of the time before as a broken one."""
    drawing = Drawing(WIDE, HIGH)
    known = [each.watts for each in found if each.watts is not None]
    middle_w = median(known) if known else None
    step = step_w(max([*known, before_w or 0.0, 1.0]))
    top_w = step * 4
    per_w, column = (BOTTOM - TOP) / top_w, (WIDE - LEFT) / len(found)

    bar = BAR if column >= NARROWEST_CRISP else 1.0

    def box(at: int, watts: float) -> Box:
        x = LEFT + (at + (1 - bar) / 2) * column
        return x, BOTTOM - watts * per_w, x + bar * column, BOTTOM

    for at in range(5):
        y = BOTTOM - at * step * per_w
        drawing.line([(LEFT, y), (WIDE, y)], ink=LINE_INK if at else MOST)
        drawing.text(LEFT - 5, y + SMALL * 0.35, watts_text(at * step), anchor="right")
    drawing.boxes([box(at, each.watts) for at, each in enumerate(found) if each.watts is not None], BAR_INK)
    drawing.boxes([box(at, top_w) for at, each in enumerate(found) if each.watts is None], UNKNOWN)
    for watts, dashed in ((middle_w, False), (before_w, True)):
        if watts is not None:
            y = BOTTOM - watts * per_w
            drawing.line([(LEFT, y), (WIDE, y)], width=1.4, dashed=dashed)
    first_ms, last_ms = (instant_ms(found[at].day, 0, zone) for at in (0, -1))
    _dates(drawing, Days.of(first_ms, last_ms + 1, zone), column)
    return drawing.svg(name, "Base load by night", says(found, before_w), crisp=True)


def _dates(drawing: Drawing, days: Days, column: float) -> None:
    for mark in day_ticks(days, MOST_TICKS):
        x = LEFT + (days.edges.index(mark.at_ms) + 0.5) * column
        drawing.line([(x, BOTTOM), (x, BOTTOM + 4)])
        drawing.text(x, BOTTOM + 5 + SMALL, mark.label, anchor="right" if x > WIDE - 20 else "center")


def says(found: Sequence[NightBase], before_w: float | None) -> str:
    """What there is to see, in a sentence."""
    known = [each for each in found if each.watts is not None]
    if not known:
        return "no night is known"
    low, high = (pick(known, key=lambda each: each.watts or 0.0) for pick in (min, max))
    before = f"; before: {watts_text(before_w)}" if before_w is not None else ""
    gone = len(found) - len(known)
    missing = f"; {gone} night{'s' if gone > 1 else ''} not known" if gone else ""
    middle = watts_text(median(each.watts or 0.0 for each in known))
    return (
        f"median {middle} of {len(known)} nights, from {watts_text(low.watts or 0.0)} ({low.day})"
        f" to {watts_text(high.watts or 0.0)} ({high.day}){before}{missing}"
    )
