"""Billing periods: whole months from a day of the month on, in local time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date


class Period(NamedTuple):
    """What one invoice is for: from the begin of a local day to that of another."""

    from_ms: int
    to_ms: int
    begins: date
    ends: date
    """The first day after it."""


@dataclass(frozen=True, slots=True)
class Billing:
    """Periods of `months` months, begun on `first_day` of each; one of them begins in `first_month`."""

    first_day: int = 1
    months: int = 1
    first_month: int = 1

    def period(self, day: date, zone: ZoneInfo) -> Period:
        """The period that holds a local day."""
        number = day.year * 12 + day.month - 1 - (day.day < self.first_day)
        number -= (number - (self.first_month - 1)) % self.months
        begins, ends = self._begin(number), self._begin(number + self.months)
        return Period(instant_ms(begins, 0, zone), instant_ms(ends, 0, zone), begins, ends)

    def periods(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Period]:
        """Every period that has a part of [from_ms, to_ms), in order."""
        at_ms = from_ms
        while at_ms < to_ms:
            period = self.period(local_date(at_ms, zone), zone)
            yield period
            at_ms = period.to_ms

    def month_share(self, begins: date, ends: date) -> list[tuple[int, int]]:
        """What the days of [begins, ends) are of billing months: in each, days of how many."""
        found = []
        day = begins
        while day < ends:
            number = day.year * 12 + day.month - 1 - (day.day < self.first_day)
            first, after = self._begin(number), self._begin(number + 1)
            stop = min(ends, after)
            found.append(((stop - day) // timedelta(days=1), (after - first) // timedelta(days=1)))
            day = stop
        return found

    def _begin(self, number: int) -> date:
        return date(number // 12, number % 12 + 1, self.first_day)
