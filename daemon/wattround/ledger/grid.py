"""Sums over many short stretches of time at once: what the cells of a picture are made of."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from wattround.ledger.totals import Sums

MOST_ROWS = 8192
"""Rows that one query may sort: a day of forty meters at once would take 5 MB for a moment, and leave holes behind."""
Stretch = tuple[int, int, int]
"""Number of a cell, and the minutes [begin, end) that belong to it."""
# json_each hands over all stretches in one query; CROSS JOIN has it go through them one by one, each by the table's key
HOURS = (
    "SELECT json_extract(value, '$[0]'), h.meter, sum(in_uwh), sum(out_uwh), sum(covered_ms)"
    " FROM json_each(?) CROSS JOIN main.hour AS h"
    " WHERE h.hour >= json_extract(value, '$[1]') AND h.hour < json_extract(value, '$[2]') AND h.meter IN ({meters})"
    " GROUP BY 1, 2"
)
MINUTES = (
    "SELECT json_extract(value, '$[0]'), place & 65535, sum(in_uwh), sum(out_uwh), sum(60000 - uncovered_ms)"
    " FROM json_each(?) CROSS JOIN minute_row"
    " WHERE place >= json_extract(value, '$[1]') * 65536 AND place < json_extract(value, '$[2]') * 65536"
    " AND place & 65535 IN ({meters}) GROUP BY 1, 2"
)


class Reach(NamedTuple):
    """From which hour on minutes are looked at, and the last hour that is totalled; see `tally.Kept`."""

    minutes_from_hour: int
    newest_hour: int


def grid(
    connection: sqlite3.Connection, numbered: Mapping[int, str], stretches: Iterable[Stretch], reach: Reach
) -> dict[str, dict[int, Sums]]:
    """Sums of each meter in each cell that it has rows of. A cell may have several stretches.

    Whole hours are taken from the hour totals, their ends from minutes. Before `reach.minutes_from_hour` an hour counts
    for the cell in which it begins.
    """
    hours: list[Stretch] = []
    minutes: list[Stretch] = []
    for cell, *edges in stretches:
        begin, end = (-(-edge // 60) * 60 if edge < reach.minutes_from_hour * 60 else edge for edge in edges)
        first, last = -(-begin // 60), min(end // 60, reach.newest_hour + 1)
        if first < last:
            hours.append((cell, first, last))
            minutes += [(cell, begin, first * 60), (cell, last * 60, end)]
        else:
            minutes.append((cell, begin, end))
    found: dict[str, dict[int, Sums]] = {name: {} for name in numbered.values()}
    meters = ", ".join(map(str, numbered)) or "NULL"
    most = MOST_ROWS // max(1, len(numbered)) or 1
    for query, wanted in ((HOURS, hours), (MINUTES, minutes)):
        for parcel in parcels(wanted, most):
            rows = connection.execute(query.format(meters=meters), (json.dumps(parcel),)).fetchall()
            for cell, number, *values in rows:
                of = found[numbered[number]]
                before = of.get(cell, Sums(0, 0, 0))
                of[cell] = Sums(*map(sum, zip(before, values, strict=True)))
    return found


def parcels(stretches: Iterable[Stretch], most: int) -> Iterator[list[Stretch]]:
    """The same stretches, cut where needed, in parcels of at most so many hours or minutes."""
    parcel: list[Stretch] = []
    room = most
    for cell, begin, end in stretches:
        at = begin
        while at < end:
            until = min(end, at + room)
            parcel.append((cell, at, until))
            room -= until - at
            at = until
            if not room:
                yield parcel
                parcel, room = [], most
    if parcel:
        yield parcel
