"""Saved states: plain values, packed."""

from __future__ import annotations

import json
import sqlite3
import zlib
from typing import Any

STEP, FIRST = 512, 416
"""Bytes. Some steps after the first, a row still fits into one of the ledger's pages of 2,048 bytes, with its head."""


def packed(value: Any) -> bytes:
    """A value as it is stored: filled up to whole steps after the first with zeros that unpacking passes over.

    A row that is as long as before is written where it is. Another length gives pages back and takes new ones, each
    minute twice as many as the state itself has.
    """
    body = zlib.compress(json.dumps(value, separators=(",", ":")).encode(), 9)
    return body + bytes((FIRST - len(body)) % STEP) if len(body) > FIRST else body


def saved_state(connection: sqlite3.Connection, house: str, kind: str) -> tuple[int, Any] | None:
    """When a state was saved, and its value."""
    row = connection.execute("SELECT saved_ms, body FROM state WHERE house = ? AND kind = ?", (house, kind)).fetchone()
    return None if row is None else (row[0], json.loads(zlib.decompress(row[1])))
