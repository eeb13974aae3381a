"""How finely a stretch of time is drawn: its cells, by the local clock, and where its days, hours and months begin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date

MINUTE_MS, QUARTER_MS, HOUR_MS, DAY_MS = 60_000, 900_000, 3_600_000, 86_400_000
QUARTERS_UP_TO, HOURS_UP_TO, BLOCKS_UP_TO, DAYS_UP_TO = 2, 16, 62, 800
"""Days. So that a strip has some five hundred cells at most: more than that nobody can tell apart on paper."""
BLOCK_HOURS = 3
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""English like the rest of the page, whatever the locale."""


class Cell(NamedTuple):
    """A rectangle of a picture, and the times [from_ms, to_ms) that it stands for.

    Of a strip, left and right are milliseconds since its begin. Of a heat map, left and right count its columns, top
    and bottom the hours of the clock; an hour that the clock shows twice is two cells of half the height.
    """

    left: float
    right: float
    top: float
    bottom: float
    spans: tuple[tuple[int, int], ...]

    @property
    def length_ms(self) -> int:
        """How long the times are together."""
        begin, end = self.spans[0]
        return end - begin if len(self.spans) == 1 else sum(end - begin for begin, end in self.spans)


class Days(NamedTuple):
    """Local days from the one in which `from_ms` lies, and their begins; the last edge is the end of the last."""

    days: Sequence[date]
    edges: Sequence[int]

    @classmethod
    def of(cls, from_ms: int, to_ms: int, zone: ZoneInfo) -> Days:
        """The days that [from_ms, to_ms) touches."""
        first, last = local_date(from_ms, zone), local_date(to_ms - 1, zone)
        days = [first + timedelta(days=at) for at in range((last - first).days + 1)]
        return cls(days, [instant_ms(day, 0, zone) for day in (*days, last + timedelta(days=1))])


# -- strips ---------------------------------------------------------------------------------------


def grain_name(days: int) -> str:
    """What a cell of a strip of so many days is."""
    names = {QUARTERS_UP_TO: "a quarter of an hour", HOURS_UP_TO: "an hour", BLOCKS_UP_TO: f"{BLOCK_HOURS} hours"}
    names[DAYS_UP_TO] = "a day"
    return next((name for most, name in names.items() if days <= most), "a week")


def strip_cells(from_ms: int, to_ms: int, zone: ZoneInfo) -> list[Cell]:
    """The time from left to right, finer the shorter it is. A day that is longer or shorter has its own length."""
    days = Days.of(from_ms, to_ms, zone)
    edges = sorted({max(from_ms, min(to_ms, edge)) for edge in _edges(days)})
    return [Cell(begin - from_ms, end - from_ms, 0, 1, ((begin, end),)) for begin, end in pairwise(edges)]


def _edges(days: Days) -> Iterator[int]:
    count = len(days.days)
    if count > DAYS_UP_TO:
        yield from (*days.edges[::7], days.edges[-1])
    elif count > BLOCKS_UP_TO:
        yield from days.edges
    else:
        hours = 0.25 if count <= QUARTERS_UP_TO else 1 if count <= HOURS_UP_TO else BLOCK_HOURS
        for begin, end in pairwise(days.edges):
            yield from range(begin, end, round(hours * HOUR_MS))
        yield days.edges[-1]


# -- heat maps ------------------------------------------------------------------------------------


class Sheet(NamedTuple):
    """The cells of a heat map, hours downward; so many columns are days, weeks, or the minutes of an hour.

    `skipped`: hours that the clock left out, as (column, from, to).
    """

    cells: Sequence[Cell]
    columns: int
    of: str
    skipped: Sequence[tuple[int, float, float]]


def sheet(from_ms: int, to_ms: int, zone: ZoneInfo, *, minutes: bool) -> Sheet:
    """Hours by days; beyond 800 days by weeks. Of a single day, `minutes`: hours by minutes."""
    days = Days.of(from_ms, to_ms, zone)
    if len(days.days) == 1 and minutes:
        cells = [cell for begin, end in pairwise(days.edges) for cell in _minutes(begin, min(end, to_ms), zone)]
        return Sheet(cells, 60, "minute", [])
    together = 7 if len(days.days) > DAYS_UP_TO else 1
    spans: dict[tuple[int, float, float], list[tuple[int, int]]] = {}
    skipped: list[tuple[int, float, float]] = []
    for at, (begin, end) in enumerate(pairwise(days.edges)):
        column = at // together
        hours = list(_hours(begin, end, zone))
        for top, bottom, first, last in hours:
            # plain comparisons: a year has nine thousand of them
            since, until = first if first > from_ms else from_ms, last if last < to_ms else to_ms  # noqa: FURB136
            if since < until:
                edges = (top, bottom) if together == 1 else (int(top), int(top) + 1)
                spans.setdefault((column, *edges), []).append((since, until))
        if together == 1:
            skipped += [(column, hour, hour + 1.0) for hour in {*range(24)} - {int(each[0]) for each in hours}]
    cells = [Cell(column, column + 1, top, bottom, tuple(of)) for (column, top, bottom), of in sorted(spans.items())]
    columns = -(-len(days.days) // together)
    return Sheet(cells, columns, "day" if together == 1 else "week", sorted(skipped))


def _hours(begin: int, end: int, zone: ZoneInfo) -> Iterator[tuple[float, float, int, int]]:
    """The hours that a local day's clock shows: where they lie on it (0 to 24), and when."""
    if end - begin == DAY_MS and _clock(begin, zone) == (0, 0):
        yield from ((hour, hour + 1, begin + hour * HOUR_MS, begin + (hour + 1) * HOUR_MS) for hour in range(24))
        return
    runs: dict[tuple[int, int], list[int]] = {}
    for at_ms in range(begin, end, QUARTER_MS):
        runs.setdefault((_clock(at_ms, zone)[0], _offset(at_ms, zone)), []).append(at_ms)
    shown = sorted(runs.items(), key=lambda run: run[1])
    for (hour, _), times in shown:
        mine = [of for (each, _), of in shown if each == hour]
        turn = mine.index(times)
        yield hour + turn / len(mine), hour + (turn + 1) / len(mine), times[0], min(end, times[-1] + QUARTER_MS)


def _minutes(begin: int, end: int, zone: ZoneInfo) -> Iterator[Cell]:
    for top, bottom, first, last in _hours(begin, _whole_day(begin, zone), zone):
        for at_ms in range(first, min(last, end), MINUTE_MS):
            minute = _clock(at_ms, zone)[1]
            yield Cell(minute, minute + 1, top, bottom, ((at_ms, at_ms + MINUTE_MS),))


def _whole_day(begin: int, zone: ZoneInfo) -> int:
    return instant_ms(local_date(begin, zone) + timedelta(days=1), 0, zone)


def _clock(at_ms: int, zone: ZoneInfo) -> tuple[int, int]:
    local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return local.hour, local.minute


def _offset(at_ms: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds())


# -- what stands at an axis -----------------------------------------------------------------------


class Tick(NamedTuple):
    """A mark at an axis of time, milliseconds since 1970, and what it says."""

    at_ms: int
    label: str


def ticks(from_ms: int, to_ms: int, zone: ZoneInfo, most: int) -> list[Tick]:
    """Hours of one or two days, else what `day_ticks` has; no more than about `most`."""
    days = Days.of(from_ms, to_ms, zone)
    if len(days.days) <= QUARTERS_UP_TO:
        return list(_hour_ticks(days, from_ms, to_ms, zone, most))
    return day_ticks(days, most)


def day_ticks(days: Days, most: int) -> list[Tick]:
    """Days of some weeks, months of a year, else years, each at its begin; no more than about `most`."""
    by_day = [Tick(edge, day_text(day)) for day, edge in zip(days.days, days.edges, strict=False)]
    if len(days.days) <= BLOCKS_UP_TO:
        every = next(step for step in (1, 2, 4, 7, 14, 28) if len(by_day) / step <= most)
        return by_day[::every]
    for every in (1, 2, 3, 6, 12, 24, 60, 120):
        chosen = [
            Tick(edge, str(day.year) if day.month == 1 else MONTHS[day.month - 1])
            for day, edge in zip(days.days, days.edges, strict=False)
            if day.day == 1 and (day.year * 12 + day.month - 1) % every == 0
        ]
        if len(chosen) <= most:
            return chosen
    return by_day[:1]


def _hour_ticks(days: Days, from_ms: int, to_ms: int, zone: ZoneInfo, most: int) -> Iterable[Tick]:
    every = next(step for step in (3, 6, 12, 24) if (to_ms - from_ms) / HOUR_MS / step <= most)
    for day, edge in zip(days.days, days.edges, strict=False):
        for hour in range(0, 24, every):
            at_ms = instant_ms(day, hour * 60, zone)
            label = day_text(day) if hour == 0 and len(days.days) > 1 else f"{hour}:00"
            if from_ms <= at_ms <= to_ms:
                yield Tick(edge if hour == 0 else at_ms, label)


def day_text(day: date) -> str:
    """A day at an axis: 01 Oct."""
    return f"{day.day:02} {MONTHS[day.month - 1]}"
