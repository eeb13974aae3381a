"""Tariffs for tests, and a plain minute-by-minute account of them to compare with."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from wattround.money.bands import Band, Bands
from wattround.money.billing import Billing
from wattround.money.invoice import Used
from wattround.money.price import Flat
from wattround.money.schedule import Schedule, Tariff

BERLIN = ZoneInfo("Europe/Berlin")
UTC_ZONE = ZoneInfo("UTC")
MINUTE = 60_000
HOUR = 3_600_000
DAY = 86_400_000
KWH = 1_000_000_000
WEEK = frozenset(range(5))
D = Decimal
DAYS = {(day.month, day.day): at for at in range(366) for day in [date(2024, 1, 1) + timedelta(days=at)]}
"""Days of the year in order; a leap year has every one."""


def ms(text, zone=BERLIN):
    """The instant of a local time such as "2026-03-29 01:30"."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * 1000


def flat(price, **tariff):
    return schedule(Tariff("", None, Flat(D(price)), **tariff))


def schedule(*tariffs, zone=BERLIN, billing=None):
    return Schedule(tariffs, zone, "EUR", billing or Billing())


def banded(*bands, holidays=(), **tariff):
    return Tariff("", None, Bands(bands, frozenset(map(date.fromisoformat, holidays))), **tariff)


def band(name, price, window=None, **when):
    """A band between clock times such as "22:00-06:00", which may go across midnight."""
    if window is not None:
        begins, ends = (int(edge[:2]) * 60 + int(edge[3:]) for edge in window.split("-"))
        when |= {"begins": begins, "ends": ends if ends > begins else ends + 1440}
    return Band(name, D(price), **when)


def uses(of, from_ms, to_ms, import_at, export_at=lambda _at_ms: 0):
    """What is bought and given back in every span, when each minute has an amount of its own (microwatt-hours)."""
    for span in of.spans(from_ms, to_ms):
        minutes = range(span.from_ms, span.to_ms, MINUTE)
        yield Used(span, sum(map(import_at, minutes)), sum(map(export_at, minutes)))


def local(at_ms, zone=BERLIN):
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)


def on_wall(bands, at_ms, zone=BERLIN, holidays=frozenset()):
    """The band that the clock on the wall says, worked out as a person would: by looking at each day that may own it."""
    shown = local(at_ms, zone)
    for band in bands:
        for back in (0, 1, 2):
            day = shown.date() - timedelta(days=back)
            minute = shown.hour * 60 + shown.minute + 1440 * back
            whole = (band.begins, band.ends, band.weekdays, band.season, band.holidays) == (0, 1440, None, None, None)
            if whole or not band.begins <= minute < band.ends:
                continue
            if band.weekdays is not None and day.weekday() not in band.weekdays:
                continue
            if band.holidays is not None and (day in holidays) != band.holidays:
                continue
            if band.season is not None:
                first, last, here = (DAYS[each] for each in (*band.season, (day.month, day.day)))
                if not (first <= here <= last if first <= last else not last < here < first):
                    continue
            return band
    return next((each for each in bands if each.is_rest), None)
