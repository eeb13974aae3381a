"""Sums over a stretch of time: whole hours from the hour totals, its ends from minutes."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple


class Sums(NamedTuple):
    """Energy of one meter in microwatt-hours, and the time covered."""

    in_uwh: int
    out_uwh: int
    covered_ms: int


def place(minute: int, meter: int = 0) -> int:
    """Key of a minute's row: in order of time, then of the meter's number."""
    return (minute << 16) + meter


def sums(connection: sqlite3.Connection, house: str, from_minute: int, to_minute: int) -> dict[str, Sums]:
    """Sums of each meter in [from_minute, to_minute)."""
    found: dict[str, Sums] = {}
    for table, column, begin, end in _parts(connection, from_minute, to_minute):
        rows = connection.execute(
            f"SELECT name, sum(in_uwh), sum(out_uwh), sum(covered_ms) FROM {table}"
            f" JOIN meter ON meter.id = {table}.meter WHERE house = ? AND {column} >= ? AND {column} < ? GROUP BY name",
            (house, begin, end),
        )
        for name, *values in rows:
            into, out, covered = found.get(name, (0, 0, 0))
            found[name] = Sums(into + values[0], out + values[1], covered + values[2])
    return found


def hours(
    connection: sqlite3.Connection, house: str, from_hour: int, to_hour: int
) -> list[tuple[int, str, int, int, int]]:
    """Totals of whole hours since 1970 in [from_hour, to_hour): hour, meter, in, out, covered milliseconds."""
    return connection.execute(
        "SELECT hour, name, in_uwh, out_uwh, covered_ms FROM hour JOIN meter ON meter.id = hour.meter"
        " WHERE house = ? AND hour >= ? AND hour < ? ORDER BY hour, name",
        (house, from_hour, to_hour),
    ).fetchall()


def _parts(connection: sqlite3.Connection, from_minute: int, to_minute: int) -> list[tuple[str, str, int, int]]:
    """Tables to add up, with column and bounds; the newest totalled hour is the last that the totals may stand for."""
    newest = connection.execute("SELECT max(hour) FROM hour").fetchone()[0]
    first = -(-from_minute // 60)
    last = min(to_minute // 60, newest + 1) if newest is not None else first
    if first >= last:
        return [("minute", "place", place(from_minute), place(to_minute))]
    return [
        ("minute", "place", place(from_minute), place(first * 60)),
        ("hour", "hour", first, last),
        ("minute", "place", place(last * 60), place(to_minute)),
    ]
