"""The local days that a report is about, as people name them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date

NAMES = ("today", "yesterday", "week", "month", "last-month", "year", "last7", "last30")
DAY = timedelta(days=1)
EARLIEST, LATEST = date(1970, 1, 1), date(2999, 12, 31)
"""Ledgers count from 1970; within these, as many days before any days are days, too."""


class WrongPeriod(Exception):  # noqa: N818 - a person asked for what there is not
    """Days that make no period, or of which nothing is known."""


class Days(NamedTuple):
    """Whole local days, both ends included."""

    first: date
    last: date

    @property
    def number(self) -> int:
        """How many."""
        return (self.last - self.first).days + 1


def named(name: str, today: date) -> Days:
    """The days of a named period; those that begin it may lie before the ledger, those that end it ahead.

    Raises:
        WrongPeriod: if there is no such name.
    """
    month = today.replace(day=1)
    found = {
        "today": Days(today, today),
        "yesterday": Days(today - DAY, today - DAY),
        "week": Days(today - today.weekday() * DAY, today + (6 - today.weekday()) * DAY),
        "month": Days(month, _next_month(month) - DAY),
        "last-month": Days((month - DAY).replace(day=1), month - DAY),
        "year": Days(date(today.year, 1, 1), date(today.year, 12, 31)),
        "last7": Days(today - 7 * DAY, today - DAY),
        "last30": Days(today - 30 * DAY, today - DAY),
    }
    if name not in found:
        raise WrongPeriod(f'--period: found "{name}"; expected one of {", ".join(NAMES)}')
    return found[name]


def chosen(period: str, first: date | None, last: date | None, today: date) -> Days:
    """The days that were asked for: --period, or --from and --to; this month, where nothing was said.

    Raises:
        WrongPeriod: for both at once, a first day after the last, or days that no ledger can have.
    """
    if first is None and last is None:
        return named(period or "month", today)
    if period:
        raise WrongPeriod("--period: expected either this or --from and --to")
    if first is None:
        raise WrongPeriod("--to: expected --from beside it")
    last = last or max(first, today)
    if first > last:
        raise WrongPeriod(f"--from: found {first}, after --to {last}; expected a day before it")
    _within("--from", first)
    _within("--to", last)
    return Days(first, last)


def _within(option: str, day: date) -> None:
    if not EARLIEST <= day <= LATEST:
        raise WrongPeriod(f"{option}: found {day}; expected a day between {EARLIEST} and {LATEST}")


def against(words: str, days: Days) -> Days:
    """The days to compare with: "previous", or DAY..DAY.

    Before a calendar month or year comes the one before it, before anything else as many days.

    Raises:
        WrongPeriod: for anything else.
    """
    if words == "previous":
        if days.first.day == 1 and days.last == _next_month(days.first) - DAY:
            return Days((days.first - DAY).replace(day=1), days.first - DAY)
        if days == Days(date(days.first.year, 1, 1), date(days.first.year, 12, 31)):
            return Days(
                days.first.replace(year=days.first.year - days.last.year + days.first.year - 1), days.first - DAY
            )
        return Days(days.first - days.number * DAY, days.first - DAY)
    begins, _, ends = words.partition("..")
    try:
        found = Days(date.fromisoformat(begins), date.fromisoformat(ends))
    except ValueError:
        raise WrongPeriod(
            f'--against: found "{words}"; expected previous, or days such as 2026-02-01..2026-02-28'
        ) from None
    if found.first > found.last:
        raise WrongPeriod(f"--against: found {found.first} after {found.last}; expected the earlier day first")
    _within("--against", found.first)
    _within("--against", found.last)
    return found


def clipped(days: Days, begin_ms: int, end_ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """From the begin of the first day that a ledger has some of, to the end of the last one, or of the ledger.

    Raises:
        WrongPeriod: if the ledger, which reaches from `begin_ms` to `end_ms`, has nothing of these days.
    """
    first = max(days.first, local_date(begin_ms, zone))
    from_ms = instant_ms(first, 0, zone)
    to_ms = min(end_ms, instant_ms(days.last + DAY, 0, zone))
    if from_ms >= to_ms:
        has = f"{local_date(begin_ms, zone)} to {local_date(end_ms - 1, zone)}"
        asked = f"{days.first} to {days.last}" if days.number > 1 else f"{days.first}"
        raise WrongPeriod(f"nothing is kept of {asked}; the ledger has {has}")
    return from_ms, to_ms


def _next_month(first: date) -> date:
    return date(first.year + first.month // 12, first.month % 12 + 1, 1)
