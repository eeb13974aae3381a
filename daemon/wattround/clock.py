"""Where time comes from, for the edges; the pure rooms get it as an argument.

All instants are whole milliseconds since 1970-01-01 UTC, so covered time adds up exactly.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol

JUMP_MS = 1_000
"""A wall clock that moves this much against the monotonic one was set, it did not drift."""


class Clock(Protocol):
    """The two clocks of one machine, in milliseconds."""

    def wall_ms(self) -> int:
        """Time since the epoch; may be set forwards or backwards at any moment."""
        ...

    def mono_ms(self) -> int:
        """Time since some fixed start; never goes backwards."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def wall_ms(self) -> int:
        """Milliseconds since the epoch."""
        return time.time_ns() // 1_000_000

    def mono_ms(self) -> int:
        """Milliseconds of the monotonic clock."""
        return time.monotonic_ns() // 1_000_000


@dataclass(frozen=True)
class ScaledClock:
    """A clock that starts at a chosen instant and runs `factor` times as fast (demo, benchmarks)."""

    start_ms: int
    factor: float
    zero_ns: int

    def wall_ms(self) -> int:
        """Milliseconds since the epoch, on the scaled clock."""
        return self.start_ms + self.mono_ms()

    def mono_ms(self) -> int:
        """Scaled milliseconds since the clock was started."""
        return int((time.monotonic_ns() - self.zero_ns) * self.factor) // 1_000_000


@dataclass(frozen=True)
class Jump:
    """The wall clock was set: at an instant (`mono_ms`, when it was last seen to be right), from what to what.

    It may have been set a little later. What arrived after that instant is told by the new setting, all before it by
    the old one: so nothing lies in both, and nothing in neither.
    """

    mono_ms: int
    expected_ms: int
    now_ms: int

    def before(self, mono_ms: int) -> int:
        """Event time of an arrival before that instant."""
        return mono_ms - self.mono_ms + self.expected_ms


class Timekeeper:
    """Event time: follows the wall clock, but never goes backwards unless the clock was set.

    Arrivals are stamped with the monotonic clock; `at` maps them, so a wall clock that is set between
    two messages of one batch does not stretch or fold the time between them.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        mono, wall = self._look()
        self._offset_ms = wall - mono
        self._seen_ms = mono
        self._last_ms = 0

    def _look(self) -> tuple[int, int]:
        """Both clocks at one moment, monotonic and wall: a pause between would look like a clock that was set."""
        while True:
            before, wall, after = self.clock.mono_ms(), self.clock.wall_ms(), self.clock.mono_ms()
            if after - before < JUMP_MS // 2:
                return before, wall

    def sample(self) -> tuple[int, Jump | None]:
        """Return now in event time, and the jump if the wall clock was set since the last call."""
        mono, wall = self._look()
        seen, self._seen_ms = self._seen_ms, mono
        offset, self._offset_ms = self._offset_ms, wall - mono
        if abs(self._offset_ms - offset) >= JUMP_MS:
            self._last_ms = wall
            return wall, Jump(seen, seen + offset, seen + self._offset_ms)
        self._last_ms = max(self._last_ms, wall)
        return self._last_ms, None

    def now(self) -> int:
        """Now in event time, without looking whether the wall clock was set: that is for `sample` to tell."""
        return max(self._last_ms, self.at(self.clock.mono_ms()))

    def at(self, mono_ms: int) -> int:
        """Event time of an arrival stamped with the monotonic clock."""
        return mono_ms + self._offset_ms
