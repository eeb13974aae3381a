"""The broker heard from a terminal, between key presses: readings come in, lines of the keyboard go out."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from wattround.analysis.walk.house import House
from wattround.clock import Clock
from wattround.config.model import Settings
from wattround.ingest.feed import Feed
from wattround.ingest.hearing import Hearing
from wattround.ingest.visit import CannotVisit, Visit

AGAIN_S = 2.0
LISTEN_S = 60.0
MOST_LINE = 500


class Gone(Exception):  # noqa: N818 - reads as what it is
    """The keyboard is gone: the terminal was closed, or there is no more input."""


class Keys:
    """Lines from the keyboard, as they come."""

    def __init__(self, handle: int = 0) -> None:
        self._handle = handle
        self._text = b""
        self._is_open = True

    def line(self) -> str | None:
        """The next line, without its end; None if none was entered yet.

        Raises:
            Gone: if none will ever come.
        """
        while self._is_open and b"\n" not in self._text and select.select([self._handle], [], [], 0)[0]:
            found = os.read(self._handle, 4096)
            self._is_open = bool(found)
            self._text += found
        if b"\n" not in self._text:
            if not self._is_open:
                raise Gone
            return None
        line, _, self._text = self._text.partition(b"\n")
        return line.decode(errors="replace").strip()[:MOST_LINE]


class Ears:
    """One connection to the broker beside the daemon's, made anew when it is lost.

    `house` has what was heard. Times are of a clock that nobody sets, begun at the wall's.
    """

    def __init__(self, settings: Settings, say: Callable[[str], None], clock: Clock) -> None:
        self._settings, self._say = settings, say
        self._hearing = Hearing(settings, self._take)
        self.house = House(self._hearing.router.meters)
        self._visit: Visit | None = None
        self._wanted = self._hearing.subscriptions()
        self._clock = clock
        self._begun_ms = clock.wall_ms() - clock.mono_ms()

    def now_ms(self) -> int:
        """The time."""
        return self._begun_ms + self._clock.mono_ms()

    def open(self) -> list[str]:
        """Connect; the topics that may not be read.

        Raises:
            CannotVisit: if the broker is not reached, or refuses us.
            MissingSecret: if its password cannot be read.
        """
        self._visit = Visit(self._settings)
        self._visit.listen(self._wanted, 1.0, self._hear, lambda: False)
        return list(self._visit.refused)

    def close(self) -> None:
        """Leave."""
        if self._visit is not None:
            self._visit.close()
            self._visit = None

    def listen(self, done: Callable[[], bool]) -> None:
        """Hear what comes until it is enough, which is said once; a broker that goes away is waited for."""
        is_over = False

        def is_enough() -> bool:
            nonlocal is_over
            is_over = is_over or done()
            return is_over

        while not is_enough():
            try:
                if self._visit is None:
                    self.open()
                    self._say("The broker is back.")
                else:
                    self._visit.listen({}, LISTEN_S, self._hear, is_enough)
            except CannotVisit:
                if self._visit is not None:
                    self._say("The broker is gone. What was measured is kept; waiting for it.")
                self._visit = None
                until_s = time.monotonic() + AGAIN_S
                while time.monotonic() < until_s and not is_enough():
                    time.sleep(0.05)

    def _hear(self, topic: str, payload: bytes, retained: bool) -> None:
        self._hearing.take(topic, payload, self.now_ms(), retained=retained)

    def _take(self, feed: Feed, values: list[tuple[float, int | None]], at_ms: int, retained: bool) -> None:
        if feed.name not in self.house.meters:
            pattern = self._hearing.names.get(feed.name)
            self.house.add_meter(feed.name, next(each for each in self._settings.meters if each.name == pattern))
        if retained:
            self.house.take_retained(feed.name)
            return
        newest_ms = values[-1][1]
        for watts, stamp_ms in values:
            # whose clock is right nobody knows: of stamps only the distances count
            before_ms = 0 if stamp_ms is None or newest_ms is None else max(0, newest_ms - stamp_ms)
            self.house.take(feed.name, watts, at_ms - before_ms)


@contextmanager
def ears(settings: Settings, say: Callable[[str], None], clock: Clock) -> Iterator[Ears]:
    """Ears that are closed in the end."""
    made = Ears(settings, say, clock)
    try:
        yield made
    finally:
        made.close()
