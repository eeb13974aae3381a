"""The book: what people enter, by kind and number. Looks into it on anybody's connection; only the writer puts rows."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from wattround.ledger.batch import EntryRow


class Book:
    """One house's entries."""

    def __init__(self, connection: sqlite3.Connection, house: str) -> None:
        self._db, self._house = connection, house

    def rows(self, kind: str) -> list[EntryRow]:
        """Entries of a kind that stand, by their numbers."""
        rows = self._db.execute(
            "SELECT kind, number, at_ms, body FROM entry WHERE house = ? AND kind = ? AND body IS NOT NULL"
            " ORDER BY number",
            (self._house, kind),
        )
        return [EntryRow(*row) for row in rows.fetchall()]

    def newest(self, kind: str) -> int:
        """The highest number that was ever given in a kind; 0 before the first."""
        row = self._db.execute(
            "SELECT max(number) FROM entry WHERE house = ? AND kind = ?", (self._house, kind)
        ).fetchone()
        return int(row[0] or 0)


def put(connection: sqlite3.Connection, house: str, rows: Iterable[EntryRow]) -> None:
    """Write entries as they stand now, within the writer's transaction."""
    connection.executemany(
        "INSERT INTO entry VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (house, kind, number) DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body",
        [(house, *row) for row in rows],
    )
