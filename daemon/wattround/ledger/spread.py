"""How long loads drew how many watts: histograms of whole months, added up inside SQLite.

The scale is logarithmic, `BINS_PER_DECADE` bins to a factor of ten; bin 0 holds everything below `FLOOR_W`.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from wattround.ledger.totals import place

FLOOR_W = 0.3
"""Below this a meter's own noise is larger than what it measures: one bin, "nothing"."""
BINS_PER_DECADE = 24
BINS = 1 + 6 * BINS_PER_DECADE
"""Up to 300 kW; what lies above is in the last."""
_PER_E = BINS_PER_DECADE / math.log(10)
_HIGHEST_MW = int(FLOOR_W * 1000 * 10**5.99)

# A minute in which the watts moved is two: so long at its lowest, so long at its peak, with the minute's energy.
# (Of all distributions with this mean and these ends that one has the largest variance: Bhatia and Davis 2000, from
# memory.) So a load that is switched in mid-minute, or cycles every few seconds, draws no bridge between its levels.
_BINS = """
    WITH RECURSIVE hour (begin) AS (
        SELECT :from_minute UNION ALL SELECT begin + 60 * :every FROM hour WHERE begin + 60 * :every < :to_minute
    ), measured AS (
        SELECT place & 65535 AS meter, in_uwh, out_uwh, 60000 - uncovered_ms AS covered, peak_milliw AS peak,
               max(0, low_milliw) AS low
        FROM hour CROSS JOIN minute_row
        WHERE place >= begin << 16 AND place < min(begin + 60, :to_minute) << 16
          AND place & 65535 IN (SELECT value FROM json_each(:meters)) AND uncovered_ms < 60000 AND origin & 4 = 0
    ), split AS (
        SELECT *, peak > 1.5 * low + 3000 AS moved FROM measured
    )
    SELECT meter << 20
           | CASE WHEN moved THEN {low} << 10 | {peak} ELSE {mean} * 1025 END AS key,
           sum(covered), sum(in_uwh), sum(out_uwh), sum(coalesce(low, 0) * covered),
           sum(CASE WHEN NOT moved OR moved IS NULL THEN covered
                    ELSE min(covered, max(0, (in_uwh * 3600 - low * covered) / (peak - low))) END)
    FROM split GROUP BY key
"""


def _bin_sql(milliw: str) -> str:
    """SQL for the bin of an amount of milliwatts."""
    lowest = FLOOR_W * 1000
    return f"CAST(max(0, ln(min(max({milliw}, 1), {_HIGHEST_MW}) / {lowest!r}) * {_PER_E!r} + 1) AS INTEGER)"


BINS_SQL = _BINS.format(low=_bin_sql("low"), peak=_bin_sql("peak"), mean=_bin_sql("in_uwh * 3600 / covered"))


def bin_of(watts: float) -> int:
    """The bin that holds so many watts."""
    if watts < FLOOR_W:
        return 0
    return min(BINS - 1, int(math.log(watts / FLOOR_W) * _PER_E + 1))


def edge_w(number: int) -> float:
    """Watts at which a bin begins."""
    return 0.0 if number <= 0 else FLOOR_W * math.exp((number - 1) / _PER_E)


@dataclass(slots=True)
class Spread:
    """Of one load: milliseconds and microwatt-hours in each bin, and the energy that came out of it."""

    covered_ms: list[float] = field(default_factory=lambda: [0.0] * BINS)
    in_uwh: list[float] = field(default_factory=lambda: [0.0] * BINS)
    out_uwh: int = 0

    def add(self, number: int, covered_ms: float, in_uwh: float) -> None:
        """So long and so much in a bin."""
        self.covered_ms[number] += covered_ms
        self.in_uwh[number] += in_uwh


def spreads(
    connection: sqlite3.Connection, meters: Mapping[int, str], from_minute: int, to_minute: int, every: int
) -> dict[str, Spread]:
    """Histograms of `meters` (number to name) over [from_minute, to_minute).

    Of every so many hours only one is read, and counts for all. Energy that a counter spread over a gap is left out:
    nothing is known of the watts there.
    """
    _ensure_ln(connection)
    found: dict[str, Spread] = {}
    numbers = json.dumps(list(meters))
    values = {"from_minute": from_minute, "to_minute": to_minute, "every": every, "meters": numbers}
    for key, *sums in connection.execute(BINS_SQL, values):
        spread = found.setdefault(meters[key >> 20], Spread())
        _add(spread, key >> 10 & 1023, key & 1023, *(every * total for total in sums))
    return found


def _add(
    spread: Spread, low: int, high: int, covered: int, in_uwh: int, out_uwh: int, low_mwms: int, high_ms: int
) -> None:
    """Minutes of one row of the sums: those that moved are so long in one bin and so long in the other."""
    low_ms = covered - high_ms
    low_uwh = min(in_uwh, low_mwms / 3600 * low_ms / covered)
    spread.out_uwh += out_uwh
    spread.add(low, low_ms, low_uwh)
    spread.add(high, high_ms, in_uwh - low_uwh)


def _ensure_ln(connection: sqlite3.Connection) -> None:
    """SQLite may be built without mathematics."""
    try:
        connection.execute("SELECT ln(1.0)")
    except sqlite3.OperationalError:
        connection.create_function("ln", 1, math.log, deterministic=True)


Measured = tuple[int, int, int, int, int | None, int | None]
"""Meter's number, minute, energy (uWh), covered time (ms), peak and low (mW, None where only a counter was heard).

A plain tuple: there may be a million.
"""


def walk(
    connection: sqlite3.Connection, meters: Mapping[int, str], from_minute: int, to_minute: int
) -> Iterator[Measured]:
    """Measured minutes of `meters` in [from_minute, to_minute), in order of time; not those that were estimated."""
    return connection.execute(
        "SELECT place & 65535, place >> 16, in_uwh, 60000 - uncovered_ms, peak_milliw, low_milliw FROM minute_row"
        " WHERE place >= ? AND place < ? AND place & 65535 IN (SELECT value FROM json_each(?))"
        " AND uncovered_ms < 60000 AND origin & 4 = 0 ORDER BY place",
        (place(from_minute), place(to_minute), json.dumps(list(meters))),
    )
