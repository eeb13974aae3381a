"""The house from second to second: the core is asked once, however many pages are open."""

from __future__ import annotations

import asyncio
import json
import time
import zlib
from collections.abc import AsyncIterator, Callable
from concurrent.futures import Future
from typing import Any
from zoneinfo import ZoneInfo

from wattround.page.figures import is_quiet, live_cells, local

EVERY_S = 1.0
FRESH_S = 0.8
PATIENCE_S = 5.0
MOST_LISTENERS = 64
MOST_BEHIND = 10
"""Seconds of news that wait for a slow listener; beyond, it is left to connect again."""
QUARTER_MS = 900_000
RETRY_MS = 3000

Ask = Callable[..., Future[Any]]


class CoreBusy(Exception):  # noqa: N818 - reads as what it is
    """The core did not answer in time."""


class TooMany(Exception):  # noqa: N818 - reads as what it is
    """As many pages listen as may."""


class Pulse:
    """Asks the core, and tells all who listen what has changed. Lives in the page's event loop."""

    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._facts: dict[str, Any] = {}
        self._at_s = -1e9
        self._asking: asyncio.Future[Any] | None = None
        self._listeners: set[asyncio.Queue[bytes | None]] = set()
        self._beating: asyncio.Task[None] | None = None
        self._told: dict[str, list[str]] = {}

    async def core(self, what: str, **facts: Any) -> Any:
        """Ask the core for something.

        Raises:
            CoreBusy: if it does not answer in time.
            ValueError: with its words, if it refuses.
        """
        try:
            return await asyncio.wait_for(asyncio.wrap_future(self._ask(what, **facts)), PATIENCE_S)
        except TimeoutError:
            raise CoreBusy from None

    async def facts(self, fresh_s: float = FRESH_S) -> dict[str, Any]:
        """The house as it stood less than a second ago.

        Raises:
            CoreBusy: if the core does not answer in time.
        """
        if time.monotonic() - self._at_s < fresh_s:
            return self._facts
        if self._asking is None or self._asking.done():
            self._asking = asyncio.ensure_future(self._renew())
        await asyncio.shield(self._asking)
        return self._facts

    async def _renew(self) -> None:
        self._facts = await self.core("now")
        self._at_s = time.monotonic()

    # -- who listens ----------------------------------------------------------------------------

    async def listen(self) -> AsyncIterator[bytes]:
        """Server-sent events: everything at first, then what has changed (HTML standard, 9.2).

        Raises:
            TooMany: if as many listen as may.
            CoreBusy: if the core does not answer in time.
        """
        if len(self._listeners) >= MOST_LISTENERS:
            raise TooMany
        facts = await self.facts()
        queue: asyncio.Queue[bytes | None] = asyncio.Queue(MOST_BEHIND)
        self._listeners.add(queue)
        if self._beating is None or self._beating.done():
            self._told = rows_of(facts)
            self._beating = asyncio.create_task(self._beat())
        return self._events(queue, _event(facts, rows_of(facts)))

    async def _events(self, queue: asyncio.Queue[bytes | None], first: bytes) -> AsyncIterator[bytes]:
        try:
            yield b"retry: %d\n\n" % RETRY_MS + first
            while (event := await queue.get()) is not None:
                yield event
        finally:
            self._listeners.discard(queue)

    async def _beat(self) -> None:
        """Tell them, as long as anybody listens."""
        while self._listeners:
            await asyncio.sleep(EVERY_S)
            try:
                facts = await self.facts(fresh_s=EVERY_S / 2)
            except CoreBusy:
                continue  # they see for themselves that nothing comes
            rows = rows_of(facts)
            event = _event(facts, {name: cells for name, cells in rows.items() if self._told.get(name) != cells})
            self._told = rows
            for queue in list(self._listeners):
                self._tell(queue, event)

    def _tell(self, queue: asyncio.Queue[bytes | None], event: bytes | None) -> None:
        if queue.full():
            while not queue.empty():
                queue.get_nowait()
            event = None
        queue.put_nowait(event)

    def close(self) -> None:
        """Send everybody away."""
        for queue in list(self._listeners):
            self._tell(queue, None)


def rows_of(facts: dict[str, Any]) -> dict[str, list[str]]:
    """What changes, of each meter."""
    return {meter["name"]: live_cells(meter) for meter in facts["meters"]}


def mark_of(facts: dict[str, Any]) -> str:
    """Differs when more than figures has changed: meters, what is open, hushed or quiet, a quarter of an hour."""
    parts = [
        [[meter["name"], is_quiet(meter)] for meter in facts["meters"]],
        sorted([each["rule"], each["load"], each["hushed"]] for each in facts["episodes"]),
        facts["now_ms"] // QUARTER_MS, facts["occupancy"],
    ]  # fmt: skip
    return f"{zlib.crc32(json.dumps(parts).encode()):08x}"


def _event(facts: dict[str, Any], rows: dict[str, list[str]]) -> bytes:
    at = local(facts["now_ms"], ZoneInfo(facts["time_zone"]))
    data = json.dumps({"at": f"{at:%H:%M:%S}", "mark": mark_of(facts), "rows": rows}, separators=(",", ":"))
    return f"data: {data}\n\n".encode()
