"""Saved states: plain values, packed."""

from __future__ import annotations

import json
import sqlite3
import zlib
from typing import Any


def packed(value: Any) -> bytes:
    """A value as it is stored."""
    return zlib.compress(json.dumps(value, separators=(",", ":")).encode(), 6)


def saved_state(connection: sqlite3.Connection, house: str, kind: str) -> tuple[int, Any] | None:
    """When a state was saved, and its value."""
    row = connection.execute("SELECT saved_ms, body FROM state WHERE house = ? AND kind = ?", (house, kind)).fetchone()
    return None if row is None else (row[0], json.loads(zlib.decompress(row[1])))
