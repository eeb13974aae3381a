"""Computed meters whose formula is new: their past is made anew, a day at a turn, the newest first."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

import structlog

from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.formula import Formula

log = structlog.get_logger("ledger")

DAY_HOURS = 24
HOUR_MS = 3_600_000
RETRY_MS = 60_000
STATE = "computed"


class Recomputing:
    """What is still to be done is saved with each commit; a day may be done twice."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        saved = writer.state(STATE)
        self._stated: dict[str, str] = dict(saved[1]["stated"]) if saved else {}
        self._left: dict[str, int] = dict(saved[1]["left"]) if saved else {}  # up to which hour
        self._retry_ms = 0

    def configure(self, formulas: Mapping[str, Formula], batch: Batch, now_ms: int) -> None:
        """Take up formulas; whatever differs from those that the past was computed with is to be done."""
        self._writer.compute(formulas.values())
        stated = {name: repr(sorted(formula.terms)) for name, formula in formulas.items()}
        self._left = {name: hour for name, hour in self._left.items() if name in stated}
        for name, text in stated.items():
            if self._stated.get(name) != text:
                self._left[name] = now_ms // HOUR_MS + 1
        if stated != self._stated or self._left:
            self._stated = stated
            self._save(batch)

    def _save(self, batch: Batch) -> None:
        batch.states[STATE] = {"stated": self._stated, "left": dict(self._left)}

    def go_on(self, batch: Batch, now_ms: int) -> None:
        """Do a day of one meter, if there is any left."""
        if not self._left or 0 <= now_ms - self._retry_ms < RETRY_MS:
            return
        name, to_hour = max(self._left.items(), key=lambda item: item[1])
        first = self._writer.first_hour()
        if first is None:
            first = to_hour
        from_hour = max(first, to_hour - DAY_HOURS)
        try:
            if from_hour < to_hour:
                self._writer.recompute(name, from_hour, to_hour)
        except sqlite3.OperationalError as error:  # a full disk: measuring goes on, this can wait
            self._retry_ms = now_ms
            log.warning("the past of a computed meter cannot be written yet", meter=name, trouble=str(error))
            return
        if from_hour > first:
            self._left[name] = from_hour
        else:
            del self._left[name]
            log.info("the past of a computed meter is there", meter=name)
        self._save(batch)
