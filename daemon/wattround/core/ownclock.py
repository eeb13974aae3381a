"""Our own clock in doubt: how far stamps may be ahead of it, and readings that wait until it has been set."""

from __future__ import annotations

import structlog

from wattround.ingest.delivery import Arrival
from wattround.ingest.feed import Router
from wattround.metering.clockset import LONGEST_OUTAGE_MS

log = structlog.get_logger("house")

CLOCK_IS_SET_MS = 1_704_067_200_000  # 2024-01-01


def set_meanwhile_ms(saved_ms: int, now_ms: int) -> int:
    """By how much the clock was set between what was saved and a start: ahead, or back (negative).

    One that is not set yet after a start tells nothing: what was saved says more than it does.
    """
    if now_ms < CLOCK_IS_SET_MS:
        return 0
    return now_ms - saved_ms if saved_ms < CLOCK_IS_SET_MS else min(0, now_ms - saved_ms)


class OwnClock:
    """What its settings in the past say of its worth."""

    def __init__(self) -> None:
        self.known_ms = 0
        """By how much it has been further than it is now."""
        self._outage_ms = 0
        self._waiting: list[Arrival] = []

    @property
    def behind_ms(self) -> int:
        """By how much it may be behind: a stamp that is ahead by so much may be right."""
        return self.known_ms + self._outage_ms

    def was_set(self, by_ms: int) -> None:
        """It was set, ahead (positive) or back."""
        self.known_ms = max(0, self.known_ms - by_ms)
        if by_ms > 0:
            self._outage_ms = 0

    def begin(self, known_ms: int, step_ms: int) -> None:
        """After a start: what was saved of it, and by how much it was set since (negative: back).

        If back, it may be that of a box without a battery, which goes on where it was last seen.
        """
        self.known_ms = known_ms - min(0, step_ms)
        self._outage_ms = LONGEST_OUTAGE_MS if step_ms < 0 else 0

    def holds_back(self, arrival: Arrival, at_ms: int, router: Router) -> bool:
        """Whether a message has to wait: while the clock is not set yet, no stamp can be judged.

        It is not acknowledged meanwhile. So the broker keeps it, and hands over no more than it may before the first
        is acknowledged; after a new connection it comes again, and what was held of an older one is dropped.
        """
        topic, _, _, _, ack = arrival
        if at_ms >= CLOCK_IS_SET_MS or ack is None or not any(feed.stamped for feed in router.exact.get(topic, ())):
            return False
        if not self._waiting:
            log.warning("the clock is not set: readings that carry their own time wait, not acknowledged")
        elif (first := self._waiting[0][4]) is not None and first.generation != ack.generation:
            self._waiting.clear()
        self._waiting.append(arrival)
        return True

    def release(self, now_ms: int) -> list[Arrival]:
        """What has waited, once the clock is set."""
        if now_ms < CLOCK_IS_SET_MS:
            return []
        waiting, self._waiting = self._waiting, []
        return waiting
