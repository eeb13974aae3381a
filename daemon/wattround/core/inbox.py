"""The bounded queue between the threads that hear and the one that thinks."""

from __future__ import annotations

import threading
from collections import deque
from concurrent.futures import Future
from typing import Any, NamedTuple

from wattround.ingest.delivery import Arrival

MOST_MESSAGES = 50_000
MOST_BYTES = 32_000_000


class Request(NamedTuple):
    """Something another thread asks of the core; the answer or the refusal goes into `reply`."""

    what: str
    facts: dict[str, Any]
    reply: Future[Any]


class Inbox:
    """Arrivals and requests. Bounded: live messages beyond the bound are dropped and counted.

    Messages that the broker keeps for us are never dropped here: the broker sends no more of them than
    it was told to before they are acknowledged.
    """

    def __init__(self) -> None:
        self.arrivals: deque[Arrival] = deque()
        self.requests: deque[Request] = deque()
        self.dropped = 0
        self.wake = threading.Event()
        """Something is here."""
        self.asked = threading.Event()
        """Somebody waits for an answer."""
        self._bytes = 0

    def put(self, arrival: Arrival) -> None:
        """Hand over a message (network thread)."""
        size = len(arrival[1])
        if arrival[4] is None and (len(self.arrivals) >= MOST_MESSAGES or self._bytes > MOST_BYTES):
            self.dropped += 1
            return
        self._bytes += size
        self.arrivals.append(arrival)
        if not self.wake.is_set():
            self.wake.set()

    def drain(self, most: int) -> list[Arrival]:
        """Take up to `most` messages (core thread)."""
        arrivals = self.arrivals
        taken = []
        size = 0
        for _ in range(min(most, len(arrivals))):
            arrival = arrivals.popleft()
            size += len(arrival[1])
            taken.append(arrival)
        self._bytes -= size
        if arrivals:
            self.wake.set()
        return taken

    def ask(self, what: str, **facts: Any) -> Future[Any]:
        """Ask the core for something (any thread)."""
        reply: Future[Any] = Future()
        self.requests.append(Request(what, facts, reply))
        self.asked.set()
        self.wake.set()
        return reply
