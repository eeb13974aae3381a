"""Read the ledger on a connection of one's own; never writes, never checkpoints."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from wattround.ledger.opening import FILE
from wattround.ledger.totals import Sums, place, sums
from wattround.metering.minute import Minute
from wattround.metering.tree import Remainder, Tree, remainder


class NoLedger(Exception):  # noqa: N818 - reads as what it is
    """There is no ledger to read."""


class Reader:
    """A read-only look at one house's ledger."""

    def __init__(self, folder: Path, house: str) -> None:
        file = folder / FILE
        if not file.exists():
            raise NoLedger(f"{file}: no such file: has the daemon run with these settings?")
        self.house = house
        try:
            self._db = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
            self._db.execute("SELECT 1 FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            raise NoLedger(f"{file}: {error}: may this user read it?") from None

    def close(self) -> None:
        """Give up the connection."""
        self._db.close()

    def minutes(self, from_minute: int, to_minute: int, meter: str | None = None) -> Iterator[Minute]:
        """Rows of [from_minute, to_minute), of one meter or of all, in order of time."""
        rows = self._db.execute(
            "SELECT name, minute, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw, origin"
            " FROM minute JOIN meter ON meter.id = minute.meter"
            " WHERE place >= ?1 AND place < ?2 AND house = ?3 AND (?4 IS NULL OR name = ?4) ORDER BY place",
            (place(from_minute), place(to_minute), self.house, meter),
        )
        return (Minute(*row) for row in rows)

    def sums(self, from_minute: int, to_minute: int) -> dict[str, Sums]:
        """Energy of each meter in [from_minute, to_minute)."""
        return sums(self._db, self.house, from_minute, to_minute)

    def remainders(self, tree: Tree, parent: str, from_minute: int, to_minute: int) -> Iterator[Remainder]:
        """What `parent` measured beyond the meters within it, for every minute that all of them cover."""
        wanted = {parent, *tree.children[parent]}
        rows: dict[str, Minute] = {}
        at = -1
        for row in self.minutes(from_minute, to_minute):
            if row.meter not in wanted:
                continue
            if row.minute != at:
                yield from self._one(tree, parent, rows)
                rows, at = {}, row.minute
            rows[row.meter] = row
        yield from self._one(tree, parent, rows)

    @staticmethod
    def _one(tree: Tree, parent: str, rows: dict[str, Minute]) -> Iterator[Remainder]:
        found = remainder(tree, parent, rows)
        if found is not None:
            yield found
