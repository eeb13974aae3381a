"""Where somebody changed something: a wedge at the upper edge and a dashed line, and words for who sees neither."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.pictures.ink import MOST, Drawing

WEDGE = 3.0


class Mark(NamedTuple):
    """When it was, and what it is called."""

    at_ms: int
    name: str


def within(marks: Sequence[Mark], from_ms: int, to_ms: int) -> list[Mark]:
    """Those in [from_ms, to_ms), in order of time."""
    return sorted(each for each in marks if from_ms <= each.at_ms < to_ms)


def draw(drawing: Drawing, x: float, top: float, bottom: float) -> None:
    """The mark at x; its wedge ends at `top`, above which there must be room for it if it is to stand free."""
    edge = max(top - WEDGE, 0.0)
    drawing.polygon([(x - WEDGE, edge), (x + WEDGE, edge), (x, edge + WEDGE)], ink=MOST)
    drawing.line([(x, top), (x, bottom)], width=0.8, dashed=True)


def told(marks: Sequence[Mark], zone: ZoneInfo) -> str:
    """What the marks say, to be added to what the picture says."""
    return "".join(
        f"; changed on {datetime.fromtimestamp(each.at_ms / 1000, UTC).astimezone(zone):%Y-%m-%d}: {each.name}"
        for each in marks
    )
