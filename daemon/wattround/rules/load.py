"""What is known of one load in event time: its level, its watts, how long it ran today, when it started."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.level import Level
from wattround.rules.marks import midnight_ms

HOUR_MS = 3_600_000
MOST_STARTS = 2_000


class Drawn(NamedTuple):
    """A load's level and watts; None where they cannot be told."""

    level: Level | None
    watts: float | None


NOTHING_KNOWN = Drawn(None, None)


@dataclass(slots=True)
class LoadState:
    """A load as the rules see it. `day` is the local day that `ran_ms` counts."""

    zone: ZoneInfo
    level: Level | None = None
    watts: float | None = None
    active_ms: int = -1
    ran_ms: int = 0
    day_from_ms: int = 0
    day_to_ms: int = 0
    starts_ms: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_STARTS))

    def take(self, at_ms: int, drawn: Drawn) -> None:
        """Level or watts changed."""
        if drawn.level == "active" and self.level != "active":
            if self.level is not None:
                while self.starts_ms and self.starts_ms[0] <= at_ms - HOUR_MS:
                    self.starts_ms.popleft()
                self.starts_ms.append(at_ms)
            self.roll(at_ms)
            self.active_ms = at_ms
        elif drawn.level != "active" and self.level == "active":
            self.roll(at_ms)
            self.ran_ms += at_ms - self.active_ms
            self.active_ms = -1
        self.level, self.watts = drawn

    def roll(self, at_ms: int) -> None:
        """Begin a new local day if one has begun."""
        if self.day_from_ms <= at_ms < self.day_to_ms:
            return
        self.day_from_ms, self.day_to_ms = midnight_ms(at_ms, self.zone), midnight_ms(at_ms, self.zone, 1)
        self.ran_ms = 0
        if self.active_ms >= 0:
            self.active_ms = max(self.active_ms, min(self.day_from_ms, at_ms))

    def ran_today_ms(self, at_ms: int) -> int:
        """How long it has been active since local midnight, as far as that is known."""
        self.roll(at_ms)
        return self.ran_ms + (at_ms - self.active_ms if self.active_ms >= 0 else 0)

    def starts_since(self, since_ms: int) -> list[int]:
        """Instants after `since_ms` at which it became active."""
        return [start for start in self.starts_ms if start > since_ms]

    def forget_level(self) -> None:
        """After a restart nothing is known until it is heard again."""
        self.level = self.watts = None
        self.active_ms = -1

    def clock_was_set(self, by_ms: int) -> None:
        """What lasted goes on at another time of day."""
        if self.active_ms >= 0:
            self.active_ms += by_ms
        self.starts_ms = deque((start + by_ms for start in self.starts_ms), MOST_STARTS)

    def snapshot(self, at_ms: int) -> list[Any]:
        """Plain values; what lies further back than rules look is left out."""
        return [self.ran_today_ms(at_ms), self.day_from_ms, self.day_to_ms, self.starts_since(at_ms - HOUR_MS)]

    def restore(self, state: list[Any]) -> None:
        """Take up what was saved; its level is not known until it is heard."""
        self.ran_ms, self.day_from_ms, self.day_to_ms, starts = state
        self.starts_ms = deque(starts, MOST_STARTS)
