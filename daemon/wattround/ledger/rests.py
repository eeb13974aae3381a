"""Remainders of the tree over a stretch of time: by whole hours where those will do, else by their minutes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping

from wattround.ledger.totals import place
from wattround.metering.tree import Rest

HOUR_MS = 3_600_000


def rest(db: sqlite3.Connection, signs: Mapping[int, int], from_minute: int, to_minute: int) -> Rest:
    """The signed net energy of meters (by number, +1 or -1) over the minutes that all of them cover.

    An hour that all of them cover counts by its totals; of one that each covers in part, the minutes are looked at.
    """
    first, last = -(-from_minute // 60), to_minute // 60
    if first >= last:
        return _add(Rest(0, 0), *_minutes(db, signs, from_minute, to_minute))
    net, minutes, partly = 0, 0, []
    for hour, total, whole in _hours(db, signs, first, last):
        if whole:
            net, minutes = net + total, minutes + 60
        else:
            partly.append(hour)
    newest = db.execute("SELECT max(hour) FROM hour").fetchone()[0]
    tail = min(last, max(first, (newest if newest is not None else -1) + 1))
    found = Rest(net, minutes)
    for begin, end in [
        (from_minute, first * 60),
        *((hour * 60, hour * 60 + 60) for hour in partly),
        (tail * 60, to_minute),
    ]:
        found = _add(found, *_minutes(db, signs, begin, end))
    return found


def _add(to: Rest, net_uwh: int, minutes: int) -> Rest:
    return Rest(to.net_uwh + net_uwh, to.minutes + minutes)


def _sql(signs: Mapping[int, int]) -> tuple[str, str]:
    """The signed sum of a group of rows, and which meters' rows those are; both made of numbers only."""
    minus = ", ".join(str(int(number)) for number, sign in signs.items() if sign < 0) or "NULL"
    mine = ", ".join(str(int(number)) for number in signs)
    return f"sum(CASE WHEN meter IN ({minus}) THEN out_uwh - in_uwh ELSE in_uwh - out_uwh END)", f"meter IN ({mine})"


def _hours(db: sqlite3.Connection, signs: Mapping[int, int], first: int, last: int) -> Iterator[tuple[int, int, int]]:
    """Hours for which all have totals: hour, signed sum, whether all are whole."""
    total, mine = _sql(signs)
    return db.execute(
        f"SELECT hour, {total}, min(covered_ms) >= {HOUR_MS} FROM hour WHERE hour >= ? AND hour < ? AND {mine}"
        f" GROUP BY hour HAVING count(*) = {len(signs)}",
        (first, last),
    )


def _minutes(db: sqlite3.Connection, signs: Mapping[int, int], begin: int, end: int) -> tuple[int, int]:
    if begin >= end:
        return 0, 0
    total, mine = _sql(signs)
    found: tuple[int, int] = db.execute(
        f"SELECT coalesce(sum(net), 0), count(*) FROM (SELECT {total} AS net FROM minute"
        f" WHERE place >= ? AND place < ? AND {mine} AND covered_ms >= 60000"
        f" GROUP BY minute HAVING count(*) = {len(signs)})",
        (place(begin), place(end)),
    ).fetchone()
    return found
