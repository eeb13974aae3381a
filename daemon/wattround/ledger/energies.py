"""What prices are worked out from: single meters' minutes and hours, and the words of signals."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from wattround.ledger.totals import Sums, place, sums

MINUTE, HOUR = 1, 60


class Energy(NamedTuple):
    """One meter's energy in microwatt-hours from a minute on, and the time covered."""

    minute: int
    in_uwh: int
    out_uwh: int
    covered_ms: int


class Energies:
    """Looks into one house's ledger, on anybody's connection. Every query is short and fetched whole."""

    def __init__(self, connection: sqlite3.Connection, house: str) -> None:
        self._db, self._house = connection, house

    def of_meter(self, name: str, from_minute: int, to_minute: int, every: int) -> list[Energy]:
        """Energies of a meter in [from_minute, to_minute) by the minute or (`every` = HOUR) by the whole hour."""
        found = self._db.execute("SELECT id FROM meter WHERE house = ? AND name = ?", (self._house, name)).fetchone()
        if found is None:
            return []
        # each row by its key: to pass over those of all other meters would take longer
        if every == HOUR:
            rows = self._db.execute(
                "WITH RECURSIVE wanted (at) AS (SELECT ?1 UNION ALL SELECT at + 1 FROM wanted WHERE at + 1 < ?2)"
                " SELECT hour * 60, in_uwh, out_uwh, covered_ms FROM wanted CROSS JOIN main.hour ON hour = at"
                " WHERE meter = ?3",
                (from_minute // HOUR, -(-to_minute // HOUR), found[0]),
            )
        else:
            rows = self._db.execute(
                "WITH RECURSIVE wanted (at) AS"
                " (SELECT ?1 UNION ALL SELECT at + 65536 FROM wanted WHERE at + 65536 < ?2)"
                " SELECT place >> 16, in_uwh, out_uwh, 60000 - uncovered_ms"
                " FROM wanted CROSS JOIN minute_row ON place = at",
                (place(from_minute, found[0]), place(to_minute)),
            )
        return [Energy(*row) for row in rows.fetchall()]

    def sums(self, from_minute: int, to_minute: int) -> dict[str, Sums]:
        """Energy of each meter in [from_minute, to_minute)."""
        return sums(self._db, self._house, from_minute, to_minute)

    def said(self, signal: str, from_ms: int, to_ms: int) -> list[tuple[int, str]]:
        """What a signal said in [from_ms, to_ms), in order of time."""
        return self._db.execute(
            "SELECT at_ms, value FROM signal_word WHERE at_ms >= ? AND at_ms < ? AND house = ? AND kind = 'signal'"
            " AND name = ? ORDER BY at_ms",
            (from_ms, to_ms, self._house, signal),
        ).fetchall()
