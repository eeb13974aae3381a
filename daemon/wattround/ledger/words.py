"""What was heard of people and signals, and imported, as it was written down."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable


def words(
    connection: sqlite3.Connection, house: str, names: Iterable[tuple[str, str]], from_ms: int, to_ms: int
) -> list[tuple[int, str, str, str]]:
    """What was heard of these (kind, name) in [from_ms, to_ms), in order of time: when, kind, name, what."""
    wanted = set(names)
    rows = connection.execute(
        "SELECT at_ms, kind, name, value FROM signal_word WHERE at_ms >= ? AND at_ms < ? AND house = ? ORDER BY at_ms",
        (from_ms, to_ms, house),
    ).fetchall()
    return [row for row in rows if (row[1], row[2]) in wanted]
