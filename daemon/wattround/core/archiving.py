"""The archive's cursor: what comes next, what has arrived."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from wattround.config.model import Settings
from wattround.ledger.batch import ArchiveRow, Batch
from wattround.ledger.writer import Writer
from wattround.metering.counter import SETTLE_MS
from wattround.metering.minute import MINUTE_MS

BATCH_ROWS = 2_000
LAG_MS = 2 * MINUTE_MS
"""A minute is left alone for so long before it is shipped: late readings have mostly come by then."""


def lag_ms(settings: Settings) -> int:
    """How old a minute must be. Where counters settle power, what they amend should not have been shipped."""
    both = any(meter.power is not None and meter.counter is not None for meter in settings.meters)
    return LAG_MS + (SETTLE_MS if both else 0)


def last_minute(settings: Settings, now_ms: int) -> int:
    """The newest minute that is old enough."""
    return (now_ms - lag_ms(settings)) // MINUTE_MS - 1


class Parcel(NamedTuple):
    """Rows on their way; `in_order` if they follow those behind the cursor, else they are amended ones.

    `after` is where they follow on (minute, meter number), `refills` how often the cursor had been set back by then.
    """

    rows: list[ArchiveRow]
    in_order: bool
    after: tuple[int, int] = (-1, 0)
    refills: int = 0

    @property
    def more(self) -> bool:
        """Whether others are likely to follow on it at once."""
        return self.in_order and len(self.rows) == BATCH_ROWS

    @property
    def end(self) -> tuple[int, int]:
        """Its last row's minute and meter number."""
        return self.rows[-1].minute, self.rows[-1].meter_id


class ArchiveCursor:
    """How far the archive has got. Rows go out in order; the cursor moves when the database has answered."""

    def __init__(self, saved: Mapping[str, Any] | None) -> None:
        self.done: tuple[int, int] = (saved["minute"], saved["meter"]) if saved else (-1, 0)
        self._refills = 0
        self.mark = saved.get("mark", self.done[0]) if saved else -1
        """The newest minute that was ever handed out: the archive may have it, whether or not it has answered."""
        self.shipped_rows = 0
        self.trouble = ""
        self.trouble_ms = 0
        self.answered_ms = 0

    def hand_out(
        self, writer: Writer, batch: Batch, settings: Settings, now_ms: int, following: Parcel | None = None
    ) -> Parcel:
        """The next rows to ship: amended ones first, then those behind the cursor.

        With `following`, those behind a parcel that is still on its way; none, if other rows come first.
        """
        newest = settings.archive is not None and settings.archive.amended == "newest"
        amended = writer.lines.amended_rows(1 if following else BATCH_ROWS, newest_wins=newest)
        if following and (amended or following.refills != self._refills):
            return Parcel([], in_order=True)
        if amended:
            return Parcel(amended, in_order=False)
        after = following.end if following else self.done
        rows = writer.lines.next_rows(after, last_minute(settings, now_ms), BATCH_ROWS, newest_wins=newest)
        if rows:
            # from here on a change to one of these rows must be shipped again
            self.mark = writer.ship_mark = max(writer.ship_mark, rows[-1].minute)
            batch.states["archive"] = self.saved()
        return Parcel(rows, in_order=True, after=after, refills=self._refills)

    def arrived(self, parcel: Parcel, batch: Batch, now_ms: int) -> None:
        """The database has taken these rows: record it with the next commit."""
        batch.reshipped += [(row.minute, row.meter_id, row.revision) for row in parcel.rows if row.revision]
        # a refill may have set the cursor back meanwhile: then these rows go again
        if parcel.in_order and parcel.rows and (parcel.after, parcel.refills) == (self.done, self._refills):
            self.done = parcel.end
        self.shipped_rows += len(parcel.rows)
        self.answered_ms, self.trouble = now_ms, ""
        batch.states["archive"] = self.saved()

    def saved(self) -> dict[str, int]:
        """As a plain value."""
        return {"minute": self.done[0], "meter": self.done[1], "mark": self.mark}

    def refill(self, from_minute: int, batch: Batch) -> None:
        """Ship everything from a minute on again."""
        self.done = min(self.done, (from_minute - 1, 65_535))
        self._refills += 1
        batch.states["archive"] = self.saved()

    def status(self, writer: Writer, settings: Settings, now_ms: int) -> dict[str, Any]:
        """For a person who asks."""
        fresh, amended = writer.lines.behind(self.done)
        return {
            "cursor_minute": self.done[0] if self.done[0] >= 0 else None,
            "rows_waiting": fresh,
            "amended_waiting": amended,
            "rows_shipped_since_start": self.shipped_rows,
            "lag_s": lag_ms(settings) // 1000,
            "last_answer_ms": self.answered_ms or None,
            "trouble": self.trouble or None,
            "trouble_since_ms": self.trouble_ms or None,
            "now_ms": now_ms,
        }
