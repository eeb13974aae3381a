"""A CSV file of prices: a heading with `time` and `price_per_kwh`, then a line for each price, in order of time."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal, InvalidOperation
from pathlib import Path

MOST_BYTES = 50_000_000
COLUMNS = ("time", "price_per_kwh")
MOST = Decimal(1_000_000)
_NUMBER = re.compile(r"[+-]?\d{1,7}(\.\d{1,9})?")


class BadPrices(Exception):  # noqa: N818 - the file is wrong, not the program
    """A file of prices that cannot be used: in which line, what stands there, what would be right."""

    def __init__(self, line: int, found: str, expected: str) -> None:
        super().__init__(
            f"line {line}: found {found}; expected {expected}" if line else f"{found}; expected {expected}"
        )
        self.line, self.found, self.expected = line, found, expected


def read_prices(file: Path) -> list[tuple[int, Decimal]]:
    """Times in milliseconds UTC and prices, in order.

    Raises:
        BadPrices: for a file that cannot be read, or a line that is not as it should be; the first one.
    """
    try:
        if file.stat().st_size > MOST_BYTES:
            raise BadPrices(0, f"{file.stat().st_size} bytes", f"at most {MOST_BYTES}")
        with file.open(encoding="utf-8-sig", newline="") as lines:
            return list(prices_of(csv.reader(lines, strict=True)))
    except OSError as error:
        raise BadPrices(0, error.strerror or str(error), "a file that can be read") from None
    except UnicodeDecodeError:
        raise BadPrices(0, "bytes that are no text", "text in UTF-8") from None


def prices_of(rows: Iterator[list[str]]) -> Iterator[tuple[int, Decimal]]:
    """The same of rows of cells, the heading first.

    Raises:
        BadPrices: as above.
    """
    line, newest, places = 0, -1, (0, 0)
    try:
        for line, row in enumerate(rows, 1):
            if line == 1:
                places = _heading(row)
                continue
            if not row or row == [""]:
                continue
            if len(row) <= max(places):
                raise BadPrices(line, f"{len(row)} columns", "as many as in the heading")
            at_ms = _time(line, row[places[0]].strip())
            if at_ms <= newest:
                raise BadPrices(line, f'the time "{row[places[0]].strip()}"', "a later time than in the line before")
            newest = at_ms
            yield at_ms, _price(line, row[places[1]].strip())
    except csv.Error as error:
        raise BadPrices(line + 1, str(error), "comma-separated values") from None
    if newest < 0:
        raise BadPrices(line + 1, "no prices", "a line for each price")


def _heading(row: list[str]) -> tuple[int, int]:
    names = [name.strip() for name in row]
    if any(names.count(name) != 1 for name in COLUMNS):
        raise BadPrices(1, f'"{",".join(names)[:60]}"', f'a heading with the columns "{",".join(COLUMNS)}"')
    return names.index(COLUMNS[0]), names.index(COLUMNS[1])


def _time(line: int, text: str) -> int:
    wanted = 'a time with its offset from UTC such as "2026-03-01T13:00:00+01:00"'
    try:
        moment = datetime.fromisoformat(text)
        at_ms = int(moment.timestamp() * 1000) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        at_ms = None
    if at_ms is None or at_ms < 0:
        raise BadPrices(line, f'"{text[:40]}"', wanted)
    return at_ms


def _price(line: int, text: str) -> Decimal:
    try:
        price = Decimal(text) if _NUMBER.fullmatch(text) else None
    except InvalidOperation:
        price = None
    if price is None or abs(price) > MOST:
        raise BadPrices(line, f'"{text[:40]}"', 'a price per kWh such as "0.2931", up to 9 decimals')
    return price
