"""Outdoor temperature as the ledger has it: hours from what was heard or imported, days from hours.

Rules of CalTRACK methods 2.0: a day's temperature is the mean of its hours; gaps of up to 6 hours between two known
hours are bridged in a straight line (2.2.4.1); a day with more than half of its hours missing has none (2.2.2.1).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date

HOUR_MS = 3_600_000
COLDEST_C, HOTTEST_C = -90.0, 65.0
"""Colder and hotter than any weather."""
LONGEST_GAP_HOURS = 6
HELD_MS = HOUR_MS
"""How long a value that was heard stands for what comes: the daemon writes down four an hour that say the same."""
LEAST_HEARD_MS = HOUR_MS // 2

Word = tuple[int, str]
"""An instant and what was said."""


def heard_hours(
    words: Sequence[Word], number: Callable[[str], float | None], held_ms: int = HELD_MS
) -> dict[int, float]:
    """Mean of each hour since 1970 that was heard for at least half of it; words in order of time, as numbers."""
    sums: dict[int, list[float]] = {}
    for index, (begin_ms, said) in enumerate(words):
        value = number(said)
        if value is None:
            continue
        until_ms = min([begin_ms + held_ms, *(following for following, _ in words[index + 1 : index + 2])])
        at_ms = begin_ms
        while at_ms < until_ms:
            end_ms = min(until_ms, (at_ms // HOUR_MS + 1) * HOUR_MS)
            held = sums.setdefault(at_ms // HOUR_MS, [0.0, 0.0])
            held[0] += value * (end_ms - at_ms)
            held[1] += end_ms - at_ms
            at_ms = end_ms
    return {hour: total / heard_ms for hour, (total, heard_ms) in sums.items() if heard_ms >= LEAST_HEARD_MS}


def celsius(said: str) -> float | None:
    """Degrees Celsius, None for what is no weather."""
    try:
        found = float(said)
    except ValueError:
        return None
    return found if COLDEST_C <= found <= HOTTEST_C else None


def fahrenheit(said: str) -> float | None:
    """Degrees Celsius of degrees Fahrenheit, None for what is no weather."""
    try:
        return celsius(str((float(said) - 32) / 1.8))
    except ValueError:
        return None


def bridged(hours: Mapping[int, float]) -> dict[int, float]:
    """The same with short gaps filled in a straight line."""
    found = dict(hours)
    known = sorted(hours)
    for before, after in pairwise(known):
        if 1 < after - before <= LONGEST_GAP_HOURS + 1:
            for hour in range(before + 1, after):
                share = (hour - before) / (after - before)
                found[hour] = hours[before] + share * (hours[after] - hours[before])
    return found


def daily(
    hours: Mapping[int, float], days: Mapping[date, float], wanted: Iterable[date], zone: ZoneInfo
) -> dict[date, float]:
    """Mean degrees Celsius of each local day: of its hours, else as it was imported; days without are left out."""
    filled = bridged(hours)
    found = {}
    for day in wanted:
        first = instant_ms(day, 0, zone) // HOUR_MS
        stop = instant_ms(day + timedelta(days=1), 0, zone) // HOUR_MS
        known = [filled[hour] for hour in range(first, stop) if hour in filled]
        if 2 * len(known) >= stop - first:
            found[day] = sum(known) / len(known)
        elif day in days:
            found[day] = days[day]
    return found


def imported(words: Iterable[tuple[int, str, str]], zone: ZoneInfo) -> tuple[dict[int, float], dict[date, float]]:
    """What was imported (instant, "hour" or "day", degrees Celsius), by hour and by day."""
    hours: dict[int, float] = {}
    days: dict[date, float] = {}
    for at_ms, span, said in words:
        if span == "hour":
            hours[at_ms // HOUR_MS] = float(said)
        else:
            days[local_date(at_ms, zone)] = float(said)
    return hours, days
