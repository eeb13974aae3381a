"""Local days and their instants: right on days of 23 and of 25 hours. Pure: a zone's rules are data, not a clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo


def instant_ms(day: date, minutes: int, zone: ZoneInfo) -> int:
    """The instant of a local time of day; one that a clock change skips is taken as much later as it skips."""
    days, rest = divmod(minutes, 1440)
    shifted = day + timedelta(days=days)
    local = datetime(shifted.year, shifted.month, shifted.day, rest // 60, rest % 60, tzinfo=zone)
    return int(local.timestamp()) * 1000


def local_date(at_ms: int, zone: ZoneInfo) -> date:
    """The local calendar day of an instant."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date()


def midnight_ms(at_ms: int, zone: ZoneInfo, days_on: int = 0) -> int:
    """The begin of the local day that holds an instant, or of one so many days on."""
    return instant_ms(local_date(at_ms, zone) + timedelta(days=days_on), 0, zone)
