"""Sunrise and sunset at a place, by the astral library (NOAA's equations)."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

SunEvent = Literal["sunrise", "sunset"]


class BySun:
    """An edge so many milliseconds after sunrise or sunset; none on a day on which the sun does not rise or set."""

    def __init__(self, event: SunEvent, later_ms: int, latitude: float, longitude: float) -> None:
        self._event, self._later_ms = event, later_ms
        self._place = (latitude, longitude)

    def instant_ms(self, day: date, zone: ZoneInfo) -> int | None:
        """The instant on that local day."""
        found = sun_ms(self._event, *self._place, day, zone)
        return None if found is None else found + self._later_ms


@lru_cache(4096)
def sun_ms(event: SunEvent, latitude: float, longitude: float, day: date, zone: ZoneInfo) -> int | None:
    """When the sun rises or sets on a local day, in whole seconds; None if it does not.

    Args:
        event: which.
        latitude: degrees, north positive.
        longitude: degrees, east positive.
        day: the local calendar day.
        zone: whose calendar.
    """
    from astral import Observer, sun  # noqa: PLC0415 - only in houses with a rule that asks for it

    try:
        moment = getattr(sun, event)(Observer(latitude, longitude), date=day, tzinfo=zone)
    except ValueError:  # polar day or night
        return None
    return int(moment.timestamp()) * 1000
