"""Outdoor temperatures: what a person imports becomes words of the ledger, and words become days."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.model import Settings
from wattround.ledger.batch import SignalRow
from wattround.metering.localtime import instant_ms
from wattround.metering.outdoor import COLDEST_C, HOTTEST_C, celsius, daily, fahrenheit, heard_hours, imported

SPANS = ("hour", "day")
MOST_ROWS = 1000
MOST_MS = 1 << 43
DAY = timedelta(days=1)

Said = Callable[[Collection[tuple[str, str]], int, int], Sequence[tuple[int, str, str, str]]]
"""Words of these (kind, name) in a stretch of time: when, kind, name, what."""


def outdoor_words(rows: Any) -> list[SignalRow]:
    """Rows of an instant, "hour" or "day", and degrees Celsius.

    Raises:
        ValueError: for anything else: then none is taken.
    """
    if not isinstance(rows, list) or len(rows) > MOST_ROWS:
        raise ValueError(f"rows: expected a list of at most {MOST_ROWS}")
    return [_word(row) for row in rows]


def _word(row: Any) -> SignalRow:
    match row:
        case [int() as at_ms, str() as span, int() | float() as degrees_c] if (
            0 <= at_ms < MOST_MS and span in SPANS and COLDEST_C <= degrees_c <= HOTTEST_C
        ):
            return SignalRow(at_ms, "outdoor", span, f"{degrees_c:.2f}")
    raise ValueError('rows: expected each as [milliseconds, "hour" or "day", degrees Celsius]')


def temperatures(days: Sequence[date], settings: Settings, zone: ZoneInfo, said: Said) -> dict[date, float]:
    """Outdoor means of local days in degrees Celsius; what was heard goes before what was imported."""
    from_ms, to_ms = instant_ms(days[0] - DAY, 0, zone), instant_ms(days[-1] + 2 * DAY, 0, zone)
    words = said([("outdoor", "hour"), ("outdoor", "day")], from_ms, to_ms)
    hours, whole = imported(((at_ms, name, value) for at_ms, _, name, value in words), zone)
    if settings.house.outdoor_signal is not None:
        number = fahrenheit if settings.house.outdoor_unit == "F" else celsius
        heard = said([("signal", settings.house.outdoor_signal)], from_ms, to_ms)
        hours |= heard_hours([(at_ms, value) for at_ms, _, _, value in heard], number)
    return daily(hours, whole, days, zone)
