"""Windows between two edges of the household's day, in local time, across midnight and clock changes."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date, midnight_ms

__all__ = [
    "LONGEST_DAYS", "ByWeekday", "DayTime", "Edges", "Window", "instant_ms", "local_date", "midnight_ms",
    "period_begin", "period_end", "window_at",
]  # fmt: skip

LONGEST_DAYS = 8
"""A window may last from one edge to another a week later."""


class DayTime(Protocol):
    """An edge: a mark, a time of day, sunrise or sunset."""

    def instant_ms(self, day: date, zone: ZoneInfo) -> int | None:
        """When it is on a local day, which owns its evening; None on a day without it."""
        ...


@dataclass(frozen=True, slots=True)
class ByWeekday:
    """Minutes after midnight of each weekday (0 = Monday), None on a day without; 1440 and more is after midnight."""

    minutes: tuple[int | None, ...]

    def instant_ms(self, day: date, zone: ZoneInfo) -> int | None:
        """The instant on that day."""
        minutes = self.minutes[day.weekday()]
        return None if minutes is None else instant_ms(day, minutes, zone)


class Window(NamedTuple):
    """A stretch of time, begin included, end not."""

    from_ms: int
    to_ms: int


class Edges(NamedTuple):
    """What a window lies between; only on these weekdays (0 = Monday) of its begin, if any are named."""

    begins: DayTime
    ends: DayTime
    weekdays: frozenset[int] | None = None


def window_at(at_ms: int, edges: Edges, zone: ZoneInfo) -> Window | None:
    """The window that holds `at_ms`, else the next one; None if there is none within the coming days."""
    return next((window for window in _windows(local_date(at_ms, zone), edges, zone) if window.to_ms > at_ms), None)


@lru_cache(maxsize=64)  # a day's are asked for again and again
def _windows(today: date, edges: Edges, zone: ZoneInfo) -> list[Window]:
    first = today - timedelta(days=LONGEST_DAYS)
    starts = sorted(_instants(edges.begins, first, 2 * LONGEST_DAYS + 1, zone, edges.weekdays))
    stops = sorted(_instants(edges.ends, first, 3 * LONGEST_DAYS, zone, None))
    pairs = [(start, next((stop for stop in stops if stop > start), None)) for start in starts]
    return [Window(start, stop) for start, stop in pairs if stop is not None]


def _instants(edge: DayTime, first: date, days: int, zone: ZoneInfo, weekdays: Container[int] | None) -> Iterator[int]:
    for offset in range(days):
        day = first + timedelta(days=offset)
        if weekdays is None or day.weekday() in weekdays:
            found = edge.instant_ms(day, zone)
            if found is not None:
                yield found


def period_begin(at_ms: int, per: str, zone: ZoneInfo) -> int:
    """The begin of the local day, week (from Monday) or month that holds an instant."""
    day = local_date(at_ms, zone)
    if per == "week":
        day -= timedelta(days=day.weekday())
    elif per == "month":
        day = day.replace(day=1)
    return instant_ms(day, 0, zone)


def period_end(begin_ms: int, per: str, zone: ZoneInfo) -> int:
    """The end of the period that begins at `begin_ms`."""
    day = local_date(begin_ms, zone)
    if per == "month":
        following = (day.replace(day=28) + timedelta(days=4)).replace(day=1)
    else:
        following = day + timedelta(days=7 if per == "week" else 1)
    return instant_ms(following, 0, zone)
