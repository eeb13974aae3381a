"""When energy is cheapest by a tariff with bands: the hours of the day to which use would best move."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from wattround.metering.localtime import local_date
from wattround.metering.minute import MINUTE_MS
from wattround.money.bands import DAY_MINUTES, Bands
from wattround.money.schedule import Schedule

LOOK_DAYS = 7
SLOT_MINUTES = 5


class Cheapest(NamedTuple):
    """A window of the day, in minutes after midnight; it may go across midnight."""

    begins: int
    ends: int

    @property
    def words(self) -> str:
        """As it is written: "22:00-06:00"."""
        begins, ends = self.begins, self.ends % DAY_MINUTES
        return f"{begins // 60:02}:{begins % 60:02}-{ends // 60:02}:{ends % 60:02}"


def cheapest(schedule: Schedule, to_ms: int) -> Cheapest | None:
    """The longest window of the day with the lowest mean import price of the week before `to_ms`.

    None for a tariff without bands, or with the same price all day.
    """
    tariff = schedule.tariff_on(local_date(to_ms - 1, schedule.zone))
    if tariff is None or not isinstance(tariff.energy, Bands):
        return None
    number = DAY_MINUTES // SLOT_MINUTES
    sums = [Decimal(0)] * number
    week_ms = LOOK_DAYS * DAY_MINUTES * MINUTE_MS
    day = local_date(to_ms - week_ms - 1, schedule.zone)
    for on in range(LOOK_DAYS):
        of_day = day.fromordinal(day.toordinal() + on)
        for slot in range(number):
            sums[slot] += tariff.energy.rate(of_day, slot * SLOT_MINUTES).per_kwh or Decimal(0)
    lowest = min(sums)
    if lowest == max(sums):
        return None
    begin, length = _longest([each == lowest for each in sums])
    return Cheapest(begin * SLOT_MINUTES, (begin + length) * SLOT_MINUTES)


def _longest(flags: Sequence[bool]) -> tuple[int, int]:
    """Begin and length of the longest run of a circle of flags, of which some are not set."""
    number = len(flags)
    starts = [at for at in range(number) if flags[at] and not flags[at - 1]]

    def length(begin: int) -> int:
        return next(on for on in range(number) if not flags[(begin + on) % number])

    best = max(starts, key=lambda begin: (length(begin), -begin))
    return best, length(best)
