"""When the batch is written, what happens when it cannot be, and acknowledging what is on disk."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

import structlog

from wattround.core.house import HouseCore
from wattround.ingest.delivery import Ack
from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import MINUTE_MS

log = structlog.get_logger("ledger")

MOST_ROWS = 200_000
"""Rows kept in memory while the disk is full: some three days of 40 meters."""
MANY_ROWS = 5_000
RETRY_MS = 5_000
REPORT_MS = 60_000

Acknowledge = Callable[[Sequence[Ack]], None]


class Keeper:
    """Commits the house's batch: at checkpoints, when something is to be told, when the broker waits for us."""

    def __init__(self, house: HouseCore, writer: Writer, acknowledge: Acknowledge, most_acks: int, now_ms: int) -> None:
        self._house, self._writer, self._acknowledge = house, writer, acknowledge
        self.most_acks = most_acks
        self._last_ms = now_ms
        self._retry_ms = 0
        self._reported_ms = -REPORT_MS
        self.trouble = ""
        self.dropped_rows = 0

    def due(self, now_ms: int, *, minute_closed: bool) -> bool:
        """Whether a commit is due. At a closed minute it is taken early, so that one write serves both."""
        house = self._house
        if self.trouble:
            return now_ms >= self._retry_ms
        since = now_ms - self._last_ms
        checkpoint = house.settings.ledger.checkpoint
        return (
            house.batch.urgent
            or since >= checkpoint
            or since < 0
            or (minute_closed and since >= checkpoint // 2)
            or len(house.acks) >= self.most_acks
            or len(house.batch.rows) + len(house.batch.journal) >= MANY_ROWS
        )

    def commit(self, now_ms: int, extra: dict[str, object] | None = None) -> bool:
        """Write everything up to `now_ms`; on failure keep it in memory and say so."""
        house = self._house
        house.tick(now_ms)
        house.metering.follow_clock(now_ms)
        house.collect()  # the state below says that these minutes are closed: they go with it
        batch, acks = house.batch, house.acks
        batch.states.update({"house": house.snapshot(), **(extra or {})})
        try:
            if house.new_meters:
                self._writer.register(house.new_meters)
                house.new_meters = {}
            self._writer.commit(batch, now_ms, house.open_minute)
        except sqlite3.OperationalError as error:
            self._failed(error, now_ms)
            return False
        self._rebuild(batch)
        house.batch, house.acks = Batch(), []
        self._acknowledge(acks)
        self._last_ms = now_ms
        if self.trouble:
            log.info("ledger works again", rows=len(batch.rows), dropped=self.dropped_rows)
            self.trouble = ""
        house.begin_day(now_ms, self._today(now_ms))
        return True

    def _rebuild(self, batch: Batch) -> None:
        """Late readings may lie in a meter's open minute, which only metering holds."""
        for name, instants in batch.late.items():
            minute, hold_ms = self._house.open_minute(name)
            begin = minute * MINUTE_MS
            if max(instants) + hold_ms > begin:
                readings = self._writer.readings(name, begin - hold_ms, begin + MINUTE_MS)
                self._house.metering.rebuild_open(name, readings)

    def _today(self, now_ms: int) -> dict[str, tuple[int, int]]:
        midnight = self._house.midnight_ms(now_ms) // MINUTE_MS
        sums = self._writer.sums(midnight, now_ms // MINUTE_MS + 1)
        return {name: (total.in_uwh, total.out_uwh) for name, total in sums.items()}

    def clock_was_set(self, now_ms: int) -> None:
        """Waits are counted anew."""
        self._last_ms = now_ms
        self._retry_ms = 0
        self._reported_ms = now_ms - REPORT_MS

    def _failed(self, error: sqlite3.OperationalError, now_ms: int) -> None:
        # a damaged file is no OperationalError: it ends the daemon, and the next start sets the file aside
        self.trouble = str(error)
        self._retry_ms = now_ms + RETRY_MS
        rows = self._house.batch.rows
        if len(rows) > MOST_ROWS:
            self.dropped_rows += len(rows) - MOST_ROWS
            del rows[: len(rows) - MOST_ROWS]
        if now_ms >= self._reported_ms + REPORT_MS:
            self._reported_ms = now_ms
            log.error(
                "ledger cannot be written, measuring goes on in memory", trouble=self.trouble, rows=len(rows),
                dropped=self.dropped_rows, most=MOST_ROWS, advice="free some space, or make the disk writable",
            )  # fmt: skip
