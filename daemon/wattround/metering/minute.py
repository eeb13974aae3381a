"""One row of the ledger: what one meter measured in one UTC minute."""

from __future__ import annotations

from typing import NamedTuple

MINUTE_MS = 60_000
WMS_PER_WH = 3_600_000.0
WMS_PER_UWH = 3.6
"""Watt-milliseconds in a microwatt-hour: 1 Wh = 3600 W s exactly (SI)."""

POWERED = 1
"""Origin flag: power readings, held."""
COUNTED = 2
"""Origin flag: a counter gave or settled the energy."""
ESTIMATED = 4
"""Origin flag: a counter's energy was spread over time in which nothing else was heard."""
AMENDED = 8
"""Origin flag: a late reading changed the minute after it was closed."""


class Minute(NamedTuple):
    """A closed minute. It replaces what the ledger has for the same meter and minute.

    Energy is in microwatt-hours, kept apart by direction; power is in milliwatts, None where only a
    counter was heard. `covered_ms` is at most 60,000.
    """

    meter: str
    minute: int
    in_uwh: int
    out_uwh: int
    covered_ms: int
    peak_milliw: int | None
    low_milliw: int | None
    origin: int


class Patch(NamedTuple):
    """What a counter, having the last word, adds to a minute that is closed already (may be negative)."""

    meter: str
    minute: int
    add_in_uwh: int
    add_out_uwh: int
    add_covered_ms: int
    origin: int


def uwh(wms: float) -> int:
    """Whole microwatt-hours of watt-milliseconds."""
    return round(wms / WMS_PER_UWH)
