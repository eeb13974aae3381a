"""From one total to another: each step a bar that begins where the one before it has ended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import accumulate, pairwise
from typing import NamedTuple

from wattround.pictures.ink import MOST, Drawing

WIDE, HIGH = 160.0, 20.0
BAR_TOP, BAR_BOTTOM = 4.0, 16.0
MARGIN = 6.0
LESS_INK, MORE_INK = 2, MOST


class Bar(NamedTuple):
    """A step of a bridge: the sum before it and after it; both ends of the bridge are bars of no length."""

    begin: Decimal
    end: Decimal


def bars(then: Decimal, steps: Sequence[Decimal]) -> list[Bar]:
    """The total then, every step, the total now."""
    sums = list(accumulate(steps, initial=then))
    return [Bar(then, then), *(Bar(*each) for each in pairwise(sums)), Bar(sums[-1], sums[-1])]


def draw(name: str, found: Sequence[Bar], says: Sequence[str]) -> Iterator[str]:
    """A drawing for each bar, all on one axis; together, one below the other without a gap, they are the bridge.

    More is solid, less is light with an outline; the axis begins where the lowest sum is, not at nothing.
    """
    sums = [value for bar in found for value in bar]
    low, high = min(sums), max(sums)
    per = (WIDE - 2 * MARGIN) / float(high - low or 1)

    def x(value: Decimal) -> float:
        return MARGIN + float(value - low) * per

    for at, (bar, text) in enumerate(zip(found, says, strict=True)):
        drawing = Drawing(WIDE, HIGH)
        if at:
            drawing.line([(x(bar.begin), 0), (x(bar.begin), BAR_TOP)], ink=3)
        if at < len(found) - 1:
            drawing.line([(x(bar.end), BAR_BOTTOM), (x(bar.end), HIGH)], ink=3)
        left, right = sorted((x(bar.begin), x(bar.end)))
        if at in (0, len(found) - 1):
            drawing.boxes([(left - 1.5, BAR_TOP - 2, right + 1.5, BAR_BOTTOM + 2)], MORE_INK)
        elif bar.end >= bar.begin:
            drawing.boxes([(left - 0.3, BAR_TOP, right + 0.3, BAR_BOTTOM)], MORE_INK)
        else:
            drawing.boxes([(left - 0.3, BAR_TOP, right + 0.3, BAR_BOTTOM)], LESS_INK)
            outline = [(left, BAR_TOP), (right, BAR_TOP), (right, BAR_BOTTOM), (left, BAR_BOTTOM), (left, BAR_TOP)]
            drawing.line(outline, width=0.8)
        yield drawing.svg(f"{name}-{at}", text, "", stretched=True, crisp=True)
