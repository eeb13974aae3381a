"""The one write connection. Only the core thread holds it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from wattround.ledger.batch import Batch, Message, Waiting
from wattround.ledger.book import Book, put
from wattround.ledger.computed import ComputedRows
from wattround.ledger.energies import Energies
from wattround.ledger.lines import Lines
from wattround.ledger.opening import open_for_writing
from wattround.ledger.state import packed, saved_state
from wattround.ledger.totals import Sums, hours, place, sums
from wattround.ledger.words import words
from wattround.metering.formula import Formula
from wattround.metering.late import Stamped, amended_span, minute_of
from wattround.metering.minute import MINUTE_MS, Minute, Patch

HOUR_MS = 60 * MINUTE_MS
RECHECK_MINUTES = 3 * 1440
MOST_PRUNED_MINUTES = 3 * 1440
"""Minutes that one upkeep may delete: a clock that is wrong by years must not empty the ledger."""
UPSERT_MINUTE = """
    INSERT INTO minute_row VALUES (?, ?, ?, 60000 - ?, ?, ?, ?)
    ON CONFLICT (place) DO UPDATE SET
        in_uwh = excluded.in_uwh, out_uwh = excluded.out_uwh, uncovered_ms = excluded.uncovered_ms,
        peak_milliw = excluded.peak_milliw, low_milliw = excluded.low_milliw, origin = excluded.origin
"""
ADD_PATCH = """
    INSERT INTO minute_row VALUES (?1, max(0, ?2), max(0, ?3), max(0, 60000 - ?4), NULL, NULL, ?5)
    ON CONFLICT (place) DO UPDATE SET
        in_uwh = max(0, in_uwh + ?2), out_uwh = max(0, out_uwh + ?3),
        uncovered_ms = max(0, uncovered_ms - ?4), origin = origin | ?5
"""
TOTAL_HOUR = """
    INSERT OR REPLACE INTO hour
    SELECT ?1, meter, sum(in_uwh), sum(out_uwh), sum(covered_ms),
           sum(CASE WHEN origin & 4 THEN in_uwh + out_uwh ELSE 0 END), max(peak_milliw), min(low_milliw)
    FROM minute WHERE place >= (?1 * 60) << 16 AND place < (?1 * 60 + 60) << 16 GROUP BY meter
"""

OpenMinute = Callable[[str], tuple[int, int]]
"""A meter's open minute and its hold in milliseconds."""


class Writer:
    """Writes batches, each in one transaction. Raises sqlite3.Error when it cannot; nothing is lost then."""

    def __init__(self, folder: Path, house: str, now_ms: int) -> None:
        self.house = house
        self._db, self._lock, self.set_aside = open_for_writing(folder, now_ms)
        self.energies = Energies(self._db, house)
        self.book = Book(self._db, house)
        self.lines = Lines(self._db, house)
        self._ids: dict[str, int] = {}
        self._newest_hour = 0
        self._dirty: set[int] = set()
        self._computed = ComputedRows()
        self.ship_mark = -1
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        self._learn_ids()
        self._newest_hour = self._db.execute("SELECT max(hour) FROM hour").fetchone()[0] or 0
        # totals of hours that were not over at the last commit; all up to the newest one are right with each commit
        since = self._newest_hour * 60 - RECHECK_MINUTES
        hours = self._db.execute("SELECT DISTINCT minute / 60 FROM minute WHERE place >= ?", (place(max(0, since)),))
        self._dirty = {row[0] for row in hours}

    def _learn_ids(self) -> None:
        rows = self._db.execute("SELECT name, id FROM meter WHERE house = ?", (self.house,))
        self._ids.update(rows.fetchall())

    def close(self) -> None:
        """Give up the connection and the lock."""
        self._db.close()
        self._lock.close()

    def register(self, roles: Mapping[str, str]) -> None:
        """Make sure that every meter has a number, and its present role."""
        with self._transaction():
            for name, role in roles.items():
                self._db.execute(
                    "INSERT INTO meter (house, name, role) VALUES (?, ?, ?)"
                    " ON CONFLICT (house, name) DO UPDATE SET role = excluded.role WHERE role <> excluded.role",
                    (self.house, name, role),
                )
            self._learn_ids()
        self._computed.renumber(self._ids)
        self.lines.renamed()

    def compute(self, formulas: Iterable[Formula]) -> None:
        """Keep minutes of these computed meters, which are registered like others, from now on."""
        self._computed.configure(formulas, self._ids)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise

    # -- one commit -------------------------------------------------------------------------------

    def commit(self, batch: Batch, now_ms: int, open_minute: OpenMinute) -> None:
        """Write a batch, whole.

        Raises:
            sqlite3.Error: if it could not be written (disk full, for one); the batch can be tried again.
        """
        dirty: set[int] = set()
        self._computed.stale.clear()
        with self._transaction():
            # by their place: behind one another they fill the last page; others would split those that are full
            for row in sorted(batch.rows, key=lambda row: (row.minute, self._ids[row.meter])):
                self._put(row, dirty)
            self._db.executemany(
                "INSERT INTO reading VALUES (?, ?, ?) ON CONFLICT (at_ms, meter) DO UPDATE SET"
                " watts = CASE WHEN watts IS NULL OR excluded.watts > watts THEN excluded.watts ELSE watts END",
                [(at_ms, self._ids[meter], watts) for (meter, at_ms), watts in batch.journal.items()],
            )
            for name, instants in batch.late.items():
                self._amend(name, instants, open_minute(name), dirty)
            for computed in self._computed.rows(self._db, self._computed.stale):
                self._correct(computed, dirty)
            self._tell(batch)
            self._save(batch, now_ms)
            dirty |= self._dirty
            running = now_ms // HOUR_MS
            # every hour up to the newest totalled one must be right: readers take totals for whole hours
            totalled = {hour for hour in dirty if hour != running or hour <= self._newest_hour}
            self._db.executemany(TOTAL_HOUR, [(hour,) for hour in totalled])
        self._newest_hour = max(self._newest_hour, *totalled, 0)
        self._dirty = dirty - (totalled - {running})

    def _put(self, row: Minute | Patch, dirty: set[int]) -> None:
        meter = self._ids[row.meter]
        if isinstance(row, Minute):
            self._db.execute(UPSERT_MINUTE, (place(row.minute, meter), *row[2:]))
        else:
            self._db.execute(ADD_PATCH, (place(row.minute, meter), *row[2:]))
        self._touched(row.minute, meter, dirty)

    def _touched(self, minute: int, meter: int, dirty: set[int]) -> None:
        dirty.add(minute // 60)
        self._computed.touched(minute, meter)
        if minute <= self.ship_mark:
            self._db.execute(
                # a new revision even if the last one has not been shipped: it may be on its way just now
                "INSERT INTO reship VALUES (?, ?, 1, 1) ON CONFLICT DO UPDATE SET revision = revision + 1, pending = 1",
                (minute, meter),
            )
        else:  # shipped once as amended, then the clock was set back: the same revision may not say two things
            self._db.execute(
                "UPDATE reship SET revision = revision + 1, pending = 1 WHERE minute = ? AND meter = ?", (minute, meter)
            )

    def _amend(self, name: str, instants: set[int], opened: tuple[int, int], dirty: set[int]) -> None:
        """Recompute the closed minutes that late readings touch."""
        open_at, hold_ms = opened
        meter = self._ids[name]
        minutes: set[int] = set()
        for at_ms in instants:
            following = self._db.execute(
                "SELECT min(at_ms) FROM reading WHERE meter = ? AND at_ms > ?", (meter, at_ms)
            ).fetchone()[0]
            minutes.update(amended_span(at_ms, following if following is not None else at_ms + hold_ms, hold_ms))
        for minute in sorted(minutes):
            if minute < open_at:
                readings = self.readings(name, minute * MINUTE_MS - hold_ms, (minute + 1) * MINUTE_MS)
                self._correct(minute_of(name, minute, readings, hold_ms), dirty)

    def _correct(self, row: Minute, dirty: set[int]) -> None:
        """Put a row that may be there already, and may have been shipped so."""
        meter = self._ids[row.meter]
        if not self._stands(row, meter):
            self._db.execute(UPSERT_MINUTE, (place(row.minute, meter), *row[2:]))
            self._touched(row.minute, meter, dirty)

    def _stands(self, row: Minute, meter: int) -> bool:
        """Whether the ledger has this row already, but for how it came about."""
        known = self._db.execute(
            "SELECT in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw FROM minute WHERE place = ?",
            (place(row.minute, meter),),
        ).fetchone()
        return bool(known == row[2:7])

    def _tell(self, batch: Batch) -> None:
        for episode in batch.episodes:
            self._db.execute(
                "INSERT INTO episode (house, rule, load, began_ms, raised_ms, settled_ms, waste_uwh, cost, reason,"
                " unpriced_uwh) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (house, rule, load, began_ms) DO UPDATE SET"
                " settled_ms = excluded.settled_ms, waste_uwh = excluded.waste_uwh,"
                " cost = excluded.cost, reason = excluded.reason, unpriced_uwh = excluded.unpriced_uwh",
                (self.house, *episode),
            )
        self._db.executemany(
            "INSERT INTO outbox (house, channel, created_ms, title, body, facts, ref) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(self.house, *message) for message in batch.messages],
        )
        self._db.executemany(
            "INSERT OR REPLACE INTO signal_word VALUES (?, ?, ?, ?, ?)",
            [(word.at_ms, self.house, word.kind, word.name, word.value) for word in batch.signals],
        )
        self._db.executemany(
            "UPDATE outbox SET attempts = attempts + 1, sent_ms = CASE WHEN ?2 THEN ?3 END,"
            " given_up_ms = CASE WHEN ?4 THEN ?3 END, trouble = ?5 WHERE id = ?1",
            [(done.id, done.sent, done.at_ms, done.given_up, done.trouble or None) for done in batch.deliveries],
        )
        put(self._db, self.house, batch.entries)

    def _save(self, batch: Batch, now_ms: int) -> None:
        for kind, value in batch.states.items():
            if value is None:
                self._db.execute("DELETE FROM state WHERE house = ? AND kind = ?", (self.house, kind))
                continue
            self._db.execute(
                "INSERT INTO state (house, kind, saved_ms, body) VALUES (?, ?, ?, ?) ON CONFLICT (house, kind)"
                " DO UPDATE SET saved_ms = excluded.saved_ms, body = excluded.body",
                (self.house, kind, now_ms, packed(value)),
            )
        self._db.executemany(
            "UPDATE reship SET pending = 0 WHERE minute = ? AND meter = ? AND revision = ?", batch.reshipped
        )

    # -- what the core reads ----------------------------------------------------------------------

    def readings(self, name: str, from_ms: int, to_ms: int) -> list[Stamped]:
        """Kept stamped readings of a meter in [from_ms, to_ms), in order; none of a meter not registered yet."""
        rows = self._db.execute(
            "SELECT at_ms, watts FROM reading WHERE meter = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms",
            (self._ids.get(name, -1), from_ms, to_ms),
        )
        return [Stamped(*row) for row in rows]

    def state(self, kind: str) -> tuple[int, Any] | None:
        """When a state was saved, and its value."""
        return saved_state(self._db, self.house, kind)

    def occupied(self, from_minute: int, to_minute: int) -> dict[str, set[int]]:
        """Minutes of [from_minute, to_minute) for which rows exist, by meter."""
        names = {number: name for name, number in self._ids.items()}
        found: dict[str, set[int]] = {}
        for minute, meter in self._db.execute(
            "SELECT minute, meter FROM minute WHERE place >= ? AND place < ?", (place(from_minute), place(to_minute))
        ):
            if meter in names:
                found.setdefault(names[meter], set()).add(minute)
        return found

    def sums(self, from_minute: int, to_minute: int) -> dict[str, Sums]:
        """Energy of each meter in [from_minute, to_minute)."""
        return sums(self._db, self.house, from_minute, to_minute)

    def words(self, names: Iterable[tuple[str, str]], from_ms: int, to_ms: int) -> list[tuple[int, str, str, str]]:
        """What was heard of these (kind, name) in [from_ms, to_ms): when, kind, name, what."""
        return words(self._db, self.house, names, from_ms, to_ms)

    def hours(self, from_hour: int, to_hour: int) -> list[tuple[int, str, int, int, int]]:
        """Totals of [from_hour, to_hour): hour, meter, in, out, covered milliseconds."""
        return hours(self._db, self.house, from_hour, to_hour)

    def waiting(self, after_id: int) -> list[Waiting]:
        """Messages not sent yet, oldest first."""
        rows = self._db.execute(
            "SELECT id, channel, created_ms, title, body, facts, ref, attempts FROM outbox"
            " WHERE sent_ms IS NULL AND given_up_ms IS NULL AND id > ? AND house = ? ORDER BY id",
            (after_id, self.house),
        )
        return [Waiting(row[0], Message(*row[1:7]), row[7]) for row in rows]

    # -- upkeep -----------------------------------------------------------------------------------

    def recompute(self, name: str, from_hour: int, to_hour: int) -> None:
        """Make a computed meter's minutes of [from_hour, to_hour) anew, after its formula has changed."""
        meter = self._ids[name]
        span = (place(from_hour * 60), place(to_hour * 60))
        with self._transaction():
            rows = list(self._computed.span(self._db, name, from_hour * 60, to_hour * 60))
            mine = "place >= ? AND place < ? AND place & 65535 = ?"
            self._db.execute(f"DELETE FROM minute_row WHERE {mine}", (*span, meter))
            self._db.executemany(UPSERT_MINUTE, [(place(row.minute, meter), *row[2:]) for row in rows])
            self._db.execute("DELETE FROM hour WHERE hour >= ? AND hour < ? AND meter = ?", (from_hour, to_hour, meter))
            totalled = [hour for hour in range(from_hour, to_hour) if hour <= self._newest_hour]
            self._db.executemany(TOTAL_HOUR, [(hour,) for hour in totalled])
        self._dirty |= {row.minute // 60 for row in rows if row.minute // 60 > self._newest_hour}

    def first_hour(self) -> int | None:
        """The first hour of which all minutes are kept that there ever were."""
        oldest = self._oldest_minute()
        if oldest is None:
            return None
        hour = oldest // 60
        pruned = self._db.execute(
            "SELECT 1 FROM hour WHERE hour = ?1 AND covered_ms > (SELECT coalesce(sum(covered_ms), 0) FROM minute"
            " WHERE place >= (?1 * 60) << 16 AND place < (?1 * 60 + 60) << 16 AND minute.meter = hour.meter)",
            (hour,),
        )
        return hour if pruned.fetchone() is None else hour + 1

    def _oldest_minute(self) -> int | None:
        found = self._db.execute("SELECT min(place) >> 16 FROM minute_row").fetchone()[0]
        return None if found is None else int(found)

    def prune(self, readings_before_ms: int, minutes_before: int) -> int:
        """Delete what is older than it is kept; hours, episodes and unsent messages stay. Returns rows deleted."""
        oldest = self._oldest_minute()
        if oldest is not None:
            minutes_before = min(minutes_before, oldest + MOST_PRUNED_MINUTES)
        with self._transaction():
            gone = self._db.execute("DELETE FROM reading WHERE at_ms < ?", (readings_before_ms,)).rowcount
            gone += self._db.execute("DELETE FROM minute_row WHERE place < ?", (place(minutes_before),)).rowcount
            gone += self._db.execute(
                # outdoor temperatures that were imported stay as hours do
                "DELETE FROM signal_word WHERE at_ms < ? AND kind <> 'outdoor'",
                (minutes_before * MINUTE_MS,),
            ).rowcount
            gone += self._db.execute("DELETE FROM reship WHERE minute < ?", (minutes_before,)).rowcount
            gone += self._db.execute(
                "DELETE FROM outbox WHERE coalesce(sent_ms, given_up_ms) < ?", (minutes_before * MINUTE_MS,)
            ).rowcount
        return gone
