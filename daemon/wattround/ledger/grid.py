"""Sums over many short stretches of time at once: what the cells of a picture are made of."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from wattround.ledger.totals import Sums

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
    for query, wanted in ((HOURS, hours), (MINUTES, [each for each in minutes if each[1] < each[2]])):
        for cell, number, *values in connection.execute(query.format(meters=meters), (json.dumps(wanted),)).fetchall():
            of = found[numbered[number]]
            before = of.get(cell, Sums(0, 0, 0))
            of[cell] = Sums(*map(sum, zip(before, values, strict=True)))
    return found
