"""A table of outdoor temperatures as a person has it (CSV, RFC 4180 or with semicolons), to hours and days."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms
from wattround.metering.outdoor import COLDEST_C, HOTTEST_C, HOUR_MS

TIMES = ("time", "timestamp", "datetime", "date_time", "date", "day")
EMPTY = ("", "na", "n/a", "nan", "null", "none", "-", "m")
MOST_TROUBLES = 5
NOON = 12 * 60


class WrongSheet(ValueError):  # noqa: N818 - reads as what it is
    """The file cannot be taken; the text has one line for each trouble."""


class Shape(NamedTuple):
    """How a file is to be read; empty names are found by themselves."""

    time: str = ""
    column: str = ""
    unit: str = "C"


class Sheet(NamedTuple):
    """What it has: instant, "hour" or "day", degrees Celsius; how many cells were empty."""

    rows: Sequence[tuple[int, str, float]]
    empty: int
    column: str


def read(text: str, zone: ZoneInfo, shape: Shape, now_ms: int) -> Sheet:
    """Hourly means, or daily ones where a time is only a day.

    Raises:
        WrongSheet: if a line cannot be read: then none is.
    """
    lines = csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=_delimiter(text), strict=True)
    try:
        head = [cell.strip() for cell in next(lines, [])]
        at, column = _columns(head, shape)
        found, troubles, empty = _cells(lines, at, column, zone, shape.unit, now_ms)
    except csv.Error as error:
        raise WrongSheet(
            f"line {lines.line_num}: {error}; expected a table of comma- or semicolon-separated cells"
        ) from None
    if troubles:
        more = f"\nand {len(troubles) - MOST_TROUBLES} more" if len(troubles) > MOST_TROUBLES else ""
        raise WrongSheet("\n".join(troubles[:MOST_TROUBLES]) + more)
    if not found:
        raise WrongSheet("no temperature in it: expected lines such as 2026-03-01T07:00,4.5 below a line of names")
    return Sheet(list(_means(found)), empty, head[column])


def _delimiter(text: str) -> str:
    first = text.split("\n", 1)[0]
    return max(",;\t", key=first.count)


def _columns(head: Sequence[str], shape: Shape) -> tuple[int, int]:
    lowered = [name.lower() for name in head]
    for key, wanted in (("--time", shape.time), ("--column", shape.column)):
        if wanted and wanted.lower() not in lowered:
            raise WrongSheet(f'{key}: found "{wanted}"; expected one of its columns: {", ".join(head)}')
    if len(head) < 2:
        raise WrongSheet("line 1: expected names of at least two columns, such as time,temperature")
    times = [shape.time.lower()] if shape.time else [name for name in TIMES if name in lowered]
    at = lowered.index(times[0]) if times else 0
    if shape.column:
        return at, lowered.index(shape.column.lower())
    warm = [index for index, name in enumerate(lowered) if index != at and ("temp" in name or "°c" in name)]
    if not warm and len(head) == 2:
        warm = [1 - at]
    if len(warm) != 1:
        raise WrongSheet(f"which column is the outdoor temperature? expected --column with one of {', '.join(head)}")
    return at, warm[0]


Cell = tuple[int, str, float]


def _cells(
    lines: Iterable[Sequence[str]], at: int, column: int, zone: ZoneInfo, unit: str, now_ms: int
) -> tuple[list[Cell], list[str], int]:
    found: list[Cell] = []
    troubles: list[str] = []
    empty = 0
    for number, cells in enumerate(lines, 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) <= max(at, column):
            troubles.append(f"line {number}: found {len(cells)} cells; expected at least {max(at, column) + 1}")
        elif cells[column].strip().lower() in EMPTY:
            empty += 1
        else:
            try:
                found.append((*_time(cells[at].strip(), zone, now_ms), _degrees(cells[column].strip(), unit)))
            except ValueError as trouble:
                troubles.append(f"line {number}: {trouble}")
    return found, troubles, empty


def _time(cell: str, zone: ZoneInfo, now_ms: int) -> tuple[int, str]:
    try:
        if cell.isdecimal():
            at_ms, span = int(cell) * (1 if len(cell) > 11 else 1000), "hour"
        elif len(cell) == len("2026-03-01"):
            at_ms, span = instant_ms(date.fromisoformat(cell), NOON, zone), "day"
        else:
            at = datetime.fromisoformat(cell)
            at_ms, span = round((at if at.tzinfo else at.replace(tzinfo=zone)).timestamp() * 1000), "hour"
    except ValueError:
        raise ValueError(f'found "{cell}"; expected a time such as 2026-03-01T07:00 or a day') from None
    if not 0 <= at_ms <= now_ms + (12 * HOUR_MS if span == "day" else 0):
        raise ValueError(f'found "{cell}"; expected a time since 1970 that has passed')
    return at_ms, span


def _degrees(cell: str, unit: str) -> float:
    try:
        degrees = float(cell.replace(",", "."))
    except ValueError:
        raise ValueError(f'found "{cell}"; expected degrees such as 4.5') from None
    degrees = (degrees - 32) / 1.8 if unit == "F" else degrees
    if not (math.isfinite(degrees) and COLDEST_C <= degrees <= HOTTEST_C):
        raise ValueError(f'found "{cell}" °{unit}; expected weather: {COLDEST_C:.0f} to {HOTTEST_C:.0f} °C (--unit F?)')
    return degrees


def _means(cells: Iterable[Cell]) -> Iterator[Cell]:
    """Of each hour, and of each day, the mean of what is said of it."""
    sums: dict[tuple[int, str], list[float]] = {}
    for at_ms, span, degrees in cells:
        begin_ms = at_ms - at_ms % HOUR_MS
        sums.setdefault((begin_ms if span == "hour" else at_ms, span), []).append(degrees)
    for (at_ms, span), degrees_c in sorted(sums.items()):
        yield at_ms, span, sum(degrees_c) / len(degrees_c)
