"""The desk at which the weekly letter is written, when the core says that one is due.

What writes it is brought in only then: the rest of the week a house is spared it. Whatever fails, measuring goes on.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from traceback import extract_tb, format_list
from typing import Any

import structlog

from wattround.config.model import Settings
from wattround.core.letters import LATE_MS, Due

log = structlog.get_logger("letter")

LOOK_S = 0.5
ASK_EVERY_S = 600.0
"""The scheduler knocks at the hour; this is for clocks that were set, and for a letter that could not be written."""

Ask = Callable[..., Future[Any]]


class Desk:
    """Asks whether a letter is due: at once, at each knock, and every ten minutes; gets on while SQLite does."""

    def __init__(self, settings: Callable[[], Settings], ask: Ask) -> None:
        self._settings, self._ask = settings, ask
        self._knocked = threading.Event()
        self._told = ""
        self.beat_s = time.monotonic()

    def knock(self) -> None:
        """It may be time (any thread)."""
        self._knocked.set()

    def run(self, stop: threading.Event) -> None:
        """Write letters until told to stop."""
        next_s = time.monotonic()
        while not stop.is_set():
            self.beat_s = time.monotonic()
            if self._knocked.wait(LOOK_S) or time.monotonic() >= next_s:
                self._knocked.clear()
                next_s = time.monotonic() + ASK_EVERY_S
                self._try(stop)

    def _try(self, stop: threading.Event) -> None:
        try:
            due = self._answer(self._ask("letter-due"), stop)
            if due is not None:
                self._write(due[0], due[1], stop)
        except Exception as error:  # noqa: BLE001 - no letter must end the daemon
            if not stop.is_set():
                self._tell(error)

    def _write(self, due: Due, now_ms: int, stop: threading.Event) -> None:
        from wattround.analysis.letter.writing import written  # noqa: PLC0415 - once a week

        late = due.due_ms if now_ms - due.due_ms > LATE_MS else None

        def is_over() -> bool:
            self.beat_s = time.monotonic()
            return stop.is_set()

        letter = written(self._settings(), due.week, now_ms, due_ms=late, is_over=is_over)
        channels = self._answer(self._ask("letter", letter=letter._asdict(), scheduled=True), stop)
        if channels:
            log.info("the letter is on its way", week=due.week, channels=channels)
        self._told = ""

    def _answer(self, reply: Future[Any], stop: threading.Event) -> Any:
        """What the core says; None if the daemon stops meanwhile."""
        while not stop.is_set():
            self.beat_s = time.monotonic()
            with suppress(TimeoutError):
                return reply.result(timeout=LOOK_S)
        return None

    def _tell(self, error: Exception) -> None:
        from wattround.analysis.letter.writing import CANNOT_BE_WRITTEN  # noqa: PLC0415

        where = (
            "" if isinstance(error, CANNOT_BE_WRITTEN) else "".join(format_list(extract_tb(error.__traceback__)[-3:]))
        )
        trouble = f"{type(error).__name__} at {where}" if where else str(error)
        if trouble != self._told:
            log.error("no letter for now, it will be tried again", trouble=trouble)
            self._told = trouble
