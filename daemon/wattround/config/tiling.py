"""Whether bands leave an hour to none of them, or to two: looked at for every kind of day there can be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from itertools import pairwise, product
from typing import NamedTuple

from wattround.config.kinds import WEEKDAYS, MonthDay
from wattround.config.tariff import Band

YEAR = 366
LEAP_YEAR_BEGINS = date(2024, 1, 1)
DAY_MINUTES = 1440
REACH_DAYS = 2
"""A window may begin late on one day ("29:00") and end a day later."""


class Clash(NamedTuple):
    """Minutes of a kind of day that belong to no band, or to these two; `seasonal`: only in a part of the year."""

    day: int
    weekday: int
    holiday: bool
    begins: int
    ends: int
    bands: tuple[int, ...]
    seasonal: bool


def clashes(bands: Sequence[Band], *, has_holidays: bool) -> list[Clash]:
    """Every stretch of every kind of day that has no band or more than one, in order of the year."""
    conditioned = [at for at, band in enumerate(bands) if not band.is_rest]
    has_rest = len(conditioned) < len(bands)
    cuts = sorted({0, DAY_MINUTES, *(edge % DAY_MINUTES for band in bands for edge in band.minutes)})
    flags = (False, True) if has_holidays else (False,)
    days = list(_kinds_of_day(bands))
    found = []
    for day, weekday, holidays in product(days, range(7), product(flags, repeat=REACH_DAYS + 1)):
        owned = [
            (at, begins - back * DAY_MINUTES, ends - back * DAY_MINUTES)
            for back in range(REACH_DAYS + 1)
            for at in conditioned
            for begins, ends in [bands[at].minutes]
            if ends > back * DAY_MINUTES and _is_of(bands[at], day - back, weekday - back, holiday=holidays[back])
        ]
        for begins, ends in pairwise(cuts):
            here = sorted({at for at, first, last in owned if first <= begins < last})
            if len(here) > 1 or not (here or has_rest):
                found.append(Clash(day, weekday, holidays[0], begins, ends, tuple(here[:2]), len(days) > 1))
    return _joined(found)


def _kinds_of_day(bands: Sequence[Band]) -> Iterator[int]:
    """Days of a leap year that differ, with the days before them, in the seasons that they are in."""
    seen = set()
    for day in range(YEAR):
        kind = tuple(_in_season(band, day - back) for band in bands for back in range(REACH_DAYS + 1))
        if kind not in seen:
            seen.add(kind)
            yield day


def _is_of(band: Band, day: int, weekday: int, *, holiday: bool) -> bool:
    if band.weekdays is not None and WEEKDAYS[weekday % 7] not in band.weekdays:
        return False
    return (band.holidays is None or band.holidays == holiday) and _in_season(band, day)


def _in_season(band: Band, day: int) -> bool:
    if band.season is None:
        return True
    moment = LEAP_YEAR_BEGINS + timedelta(days=day % YEAR)
    here: MonthDay = (moment.month, moment.day)
    first, last = band.season
    return first <= here <= last if first <= last else here >= first or here <= last


def _joined(found: list[Clash]) -> list[Clash]:
    """Stretches that follow each other made one; each once, whatever the days before, holiday or not."""
    joined: list[Clash] = []
    always = {clash for clash in found if not clash.holiday}
    for clash in dict.fromkeys(found):
        if clash.holiday and clash._replace(holiday=False) in always:
            continue
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.ends == clash.begins
            and last._replace(begins=0, ends=0) == clash._replace(begins=0, ends=0)
        ):
            joined[-1] = last._replace(ends=clash.ends)
        else:
            joined.append(clash)
    return joined
