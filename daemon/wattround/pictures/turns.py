"""A trial's days in their order: solid on, an outline off, hatched what was left out; paler what is still to come."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from wattround.pictures.grain import day_text
from wattround.pictures.ink import MOST, SMALL, UNKNOWN, Anchor, Box, Drawing
from wattround.pictures.mark import WEDGE

WIDE, HIGH, TOP, BOTTOM = 600.0, 42.0, 8.0, 24.0
MOST_TICKS = 9
STEPS = (1, 2, 7, 14, 28, 56)
"""Days between dates below the picture."""
GAP, LINE_WIDTH = 1.0, 0.8
DONE_INK, COMING_INK = MOST, 2


class Turn(NamedTuple):
    """A day: whether the change is on, and whether the day is left out as that was not done."""

    on: bool
    left_out: bool = False


class Turns:
    """Draws days from `first` on, of which `gone` are over; the next one is today where `running`."""

    def __init__(self, first: date, turns: Sequence[Turn], gone: int, *, running: bool) -> None:
        self._first, self._turns, self._gone, self._running = first, turns, gone, running
        self._per_day = WIDE / len(turns)

    def draw(self, name: str, title: str) -> str:
        """The picture."""
        drawing = Drawing(WIDE, HIGH)
        self._solid(drawing)
        self._outlines(drawing)
        drawing.boxes([self._box(at) for at, turn in enumerate(self._turns) if turn.left_out], UNKNOWN)
        if self._running:
            x = (self._gone + 0.5) * self._per_day
            drawing.polygon([(x - WEDGE, TOP - 2 * WEDGE), (x + WEDGE, TOP - 2 * WEDGE), (x, TOP - 1)], ink=MOST)
        every = next((step for step in STEPS if len(self._turns) / step <= MOST_TICKS), STEPS[-1])
        for at in range(0, len(self._turns), every):
            x = at * self._per_day
            drawing.line([(x, BOTTOM), (x, BOTTOM + 4)])
            anchor: Anchor = "right" if x > WIDE - 30 else "left"
            drawing.text(x, BOTTOM + 6 + SMALL, day_text(self._first + timedelta(days=at)), anchor=anchor)
        return drawing.svg(name, title, self.says)

    def _box(self, at: int) -> Box:
        gap = min(GAP, self._per_day / 4)
        return at * self._per_day, TOP, (at + 1) * self._per_day - gap, BOTTOM

    def _solid(self, drawing: Drawing) -> None:
        on = [at for at, turn in enumerate(self._turns) if turn.on and not turn.left_out]
        drawing.boxes([self._box(at) for at in on if at < self._gone + self._running], DONE_INK)
        drawing.boxes([self._box(at) for at in on if at >= self._gone + self._running], COMING_INK)

    def _outlines(self, drawing: Drawing) -> None:
        for at, turn in enumerate(self._turns):
            left, top, right, bottom = self._box(at)
            half = LINE_WIDTH / 2
            corners = [(left + half, top + half), (right - half, top + half), (right - half, bottom - half),
                       (left + half, bottom - half), (left + half, top + half)]  # fmt: skip
            if not turn.on or turn.left_out or at >= self._gone + self._running:
                drawing.line(corners, width=LINE_WIDTH)

    @property
    def says(self) -> str:
        """What there is to see, in a sentence."""
        count, on = len(self._turns), sum(turn.on for turn in self._turns)
        done = [turn for turn in self._turns[: self._gone] if not turn.left_out]
        on_done = sum(turn.on for turn in done)
        left_out = sum(turn.left_out for turn in self._turns)
        parts = [f"{count} days from {self._first}, {on} on and {count - on} off"]
        parts.append(
            f"{self._gone} are over, {on_done} on and {len(done) - on_done} off" if self._gone else "none is over"
        )
        parts += [f"{left_out} left out"] if left_out else []
        if self._running:
            parts.append(f"today is {'on' if self._turns[self._gone].on else 'off'}")
        return "; ".join(parts)
