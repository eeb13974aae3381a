"""Read the ledger on a connection of one's own; never writes, never checkpoints."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path
from typing import Any

from wattround.ledger.batch import EpisodeRow
from wattround.ledger.book import Book
from wattround.ledger.energies import Energies
from wattround.ledger.grid import Reach, Stretch, grid
from wattround.ledger.mail import Mail, SentLetter, letter_html, letters, mail
from wattround.ledger.opening import FILE
from wattround.ledger.rests import rest
from wattround.ledger.schema import STEPS
from wattround.ledger.spread import Measured, Spread, spreads, walk
from wattround.ledger.state import saved_state
from wattround.ledger.totals import Sums, place, sums
from wattround.metering.minute import Minute
from wattround.metering.tree import Remainder, Rest, Tree, remainder, signed

STEPS_BETWEEN_LOOKS = 100_000
"""Of SQLite's own machine: some milliseconds."""


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
            self._db.execute("PRAGMA cache_size = -1024")  # as the writer's: the daemon's page reads by this, too
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.Error as error:
            raise NoLedger(f"{file}: {error}: may this user read it?") from None
        if version != len(STEPS):
            self._db.close()
            older = version < len(STEPS)
            advice = "start its daemon once, it brings the ledger up to date" if older else "use the newer one"
            raise NoLedger(f"{file}: written by {'an older' if older else 'a newer'} wattround: {advice}")
        self.energies = Energies(self._db, house)
        self.book = Book(self._db, house)

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

    def meters(self) -> dict[str, tuple[int, str]]:
        """Number and role of every meter that the ledger knows, by name."""
        rows = self._db.execute("SELECT name, id, role FROM meter WHERE house = ? ORDER BY name", (self.house,))
        return {name: (number, role) for name, number, role in rows}

    def span(self) -> tuple[int, int] | None:
        """The first minute that has a row, and the one after the last; None while there are no rows."""
        # one by one: SQLite finds each at an end of the table, and would scan all of it for both
        first = self._db.execute("SELECT min(place) FROM minute_row").fetchone()[0]
        last = self._db.execute("SELECT max(place) FROM minute_row").fetchone()[0]
        return None if first is None else (first >> 16, (last >> 16) + 1)

    def spreads(self, names: Collection[str], from_minute: int, to_minute: int, every: int = 1) -> dict[str, Spread]:
        """Histograms of the watts of these meters in [from_minute, to_minute), of every so many hours one."""
        return spreads(self._db, self._numbered(names), from_minute, to_minute, every)

    def cells(self, names: Collection[str], stretches: Iterable[Stretch], reach: Reach) -> dict[str, dict[int, Sums]]:
        """Energy of these meters in each of many numbered stretches of minutes."""
        return grid(self._db, self._numbered(names), stretches, reach)

    def walk(self, names: Collection[str], from_minute: int, to_minute: int) -> Iterator[tuple[str, Measured]]:
        """Measured minutes of these meters in [from_minute, to_minute), in order of time."""
        numbered = self._numbered(names)
        return ((numbered[row[0]], row) for row in walk(self._db, numbered, from_minute, to_minute))

    def _numbered(self, names: Collection[str]) -> dict[int, str]:
        return {number: name for name, (number, _) in self.meters().items() if name in names}

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

    def rest(self, tree: Tree, parent: str, from_minute: int, to_minute: int) -> Rest | None:
        """Their sum: net energy over so many minutes. None where one of the meters has never been measured."""
        ids = {name: number for name, (number, _) in self.meters().items()}
        signs = signed(tree, parent)
        if not signs.keys() <= ids.keys():
            return None
        return rest(self._db, {ids[name]: sign for name, sign in signs.items()}, from_minute, to_minute)

    @staticmethod
    def _one(tree: Tree, parent: str, rows: dict[str, Minute]) -> Iterator[Remainder]:
        found = remainder(tree, parent, rows)
        if found is not None:
            yield found

    def episodes(self, from_ms: int, to_ms: int) -> list[EpisodeRow]:
        """Episodes that were open at some time in [from_ms, to_ms), in the order in which they began."""
        rows = self._db.execute(
            "SELECT rule, load, began_ms, raised_ms, settled_ms, waste_uwh, cost, reason, unpriced_uwh FROM episode"
            " WHERE house = ?1 AND began_ms < ?2 AND coalesce(settled_ms, ?2) >= ?3 ORDER BY began_ms, rule, load",
            (self.house, to_ms, from_ms),
        )
        return [EpisodeRow(*row) for row in rows]

    def mail(self) -> list[Mail]:
        """What became of each channel's messages."""
        return mail(self._db, self.house)

    def letters(self) -> list[SentLetter]:
        """Weekly letters that were made, the latest first."""
        return letters(self._db, self.house)

    def letter_html(self, week: str) -> str | None:
        """A week's letter as the page that was sent; None: there is none."""
        return letter_html(self._db, self.house, week)

    def interrupt(self) -> None:
        """End what another thread is looking at; it gets an error."""
        self._db.interrupt()

    def end_when(self, is_over: Callable[[], bool]) -> None:
        """End what is looked at as soon as this is so, with an sqlite3.OperationalError."""
        self._db.set_progress_handler(is_over, STEPS_BETWEEN_LOOKS)

    def state(self, kind: str) -> tuple[int, Any] | None:
        """When a state was saved, and its value."""
        return saved_state(self._db, self.house, kind)
