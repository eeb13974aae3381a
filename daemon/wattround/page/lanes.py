"""Threads that look at the ledger for the page: each with one job at a time, on a connection of its own."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from wattround.config.model import Settings
from wattround.ledger.tally import Tally

T = TypeVar("T")
Job = Callable[[Tally], T]

MOST_WAITING = 8
KEEP_S = 1.0
MOST_KEPT = 6


class Busy(Exception):  # noqa: N818 - reads as what it is
    """Too much is being asked for already."""


class Lane:
    """One thread. Who asks for what somebody else has just asked for gets the same answer, while it is fresh."""

    def __init__(self, name: str, settings: Callable[[], Settings]) -> None:
        self._settings = settings
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=name)
        self._answers: OrderedDict[Hashable, tuple[float, Future[Any]]] = OrderedDict()
        self._looking: Tally | None = None

    async def ask(self, key: Hashable, job: Job[T], keep_s: float = KEEP_S) -> T:
        """Have a job done, or take the answer of the last one with this key, if that is no older.

        Raises:
            Busy: if too many wait already.
            NoLedger, sqlite3.Error: if the ledger cannot be read; and what the job raises.
        """
        found = self.begin(key, job, keep_s)
        return await asyncio.shield(asyncio.wrap_future(found))  # others may wait for the same

    def begin(self, key: Hashable, job: Job[T], keep_s: float = KEEP_S) -> Future[T]:
        """Have a job done; its answer comes later.

        Raises:
            Busy: if too many wait already.
        """
        now_s = time.monotonic()
        at_s, known = self._answers.get(key, (0.0, None))
        if known is not None and (not known.done() or (now_s - at_s < keep_s and known.exception() is None)):
            return known
        if sum(not answer.done() for _, answer in self._answers.values()) >= MOST_WAITING:
            raise Busy
        found = self._thread.submit(self._do, job)
        self._answers.pop(key, None)
        self._answers[key] = now_s, found
        while len(self._answers) > MOST_KEPT + MOST_WAITING or (
            len(self._answers) > MOST_KEPT and next(iter(self._answers.values()))[1].done()
        ):
            self._answers.popitem(last=False)
        return found

    def _do(self, job: Job[T]) -> T:
        settings = self._settings()
        tally = Tally(Path(settings.ledger.folder), settings.house.id)
        self._looking = tally
        try:
            return job(tally)
        finally:
            self._looking = None
            tally.close()

    def close(self) -> None:
        """Begin nothing more, and end what goes on."""
        self._thread.shutdown(wait=False, cancel_futures=True)
        looking = self._looking
        if looking is not None:
            with suppress(sqlite3.ProgrammingError):  # it has just ended by itself
                looking.interrupt()
