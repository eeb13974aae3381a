"""Windows between two marks of the household's day, in local time, across midnight and clock changes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

LONGEST_DAYS = 8
"""A window may last from one mark to another a week later."""


class MarkTimes(Protocol):
    """Minutes after midnight at which a mark stands, by weekday (0 = Monday); 1440 and more is after midnight."""

    def minutes(self, weekday: int) -> int | None:
        """None on a day without this mark."""
        ...


class Window(NamedTuple):
    """A stretch of time, begin included, end not."""

    from_ms: int
    to_ms: int


def instant_ms(day: date, minutes: int, zone: ZoneInfo) -> int:
    """The instant of a local time of day; one that a clock change skips is taken as much later as it skips."""
    days, rest = divmod(minutes, 1440)
    shifted = day + timedelta(days=days)
    local = datetime(shifted.year, shifted.month, shifted.day, rest // 60, rest % 60, tzinfo=zone)
    return int(local.timestamp()) * 1000


def local_date(at_ms: int, zone: ZoneInfo) -> date:
    """The local calendar day of an instant."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date()


def midnight_ms(at_ms: int, zone: ZoneInfo) -> int:
    """The begin of the local day that holds an instant."""
    return instant_ms(local_date(at_ms, zone), 0, zone)


def window_at(at_ms: int, begins: MarkTimes, ends: MarkTimes, zone: ZoneInfo) -> Window | None:
    """The window that holds `at_ms`, else the next one; None if there is none within the coming days."""
    today = local_date(at_ms, zone)
    starts = sorted(_instants(begins, today - timedelta(days=LONGEST_DAYS), 2 * LONGEST_DAYS + 1, zone))
    stops = sorted(_instants(ends, today - timedelta(days=LONGEST_DAYS), 3 * LONGEST_DAYS, zone))
    for start in starts:
        stop = next((stop for stop in stops if stop > start), None)
        if stop is not None and stop > at_ms:
            return Window(start, stop)
    return None


def _instants(mark: MarkTimes, first: date, days: int, zone: ZoneInfo) -> Iterator[int]:
    for offset in range(days):
        day = first + timedelta(days=offset)
        minutes = mark.minutes(day.weekday())
        if minutes is not None:
            yield instant_ms(day, minutes, zone)
