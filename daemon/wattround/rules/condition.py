"""Conditions: each answers true, false or unknown (None) at an instant, and says when time alone may change it.

A new kind of condition is a class with these two methods and a line in `core.wiring` that makes it from settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol
from zoneinfo import ZoneInfo

from wattround.metering.level import Level
from wattround.rules.marks import MarkTimes, Window, window_at
from wattround.rules.occupancy import FOREVER_MS, Presence

Reason = Literal["level", "occupancy", "time", "level-unknown", "occupancy-unknown", "rule-changed"]


class Condition(Protocol):
    """One piece of a rule."""

    @property
    def reason(self) -> Reason:
        """What it is about: why an episode ends when it no longer holds."""
        ...

    def truth(self, at_ms: int, level: Level | None) -> bool | None:
        """Whether it holds at `at_ms` for a load at `level`; None when that cannot be told."""
        ...

    def next_change_ms(self, at_ms: int) -> int:
        """The next instant after `at_ms` at which the answer may change by time alone."""
        ...


@dataclass(frozen=True, slots=True)
class AtLevel:
    """The load is at this level."""

    wanted: Level
    reason: Reason = "level"

    def truth(self, at_ms: int, level: Level | None) -> bool | None:  # noqa: ARG002 - one protocol
        """None while the load's level is unknown."""
        return None if level is None else level == self.wanted

    def next_change_ms(self, at_ms: int) -> int:  # noqa: ARG002
        """Levels change by readings."""
        return FOREVER_MS


@dataclass(frozen=True, slots=True)
class HouseIs:
    """The house is empty, or occupied."""

    wanted: Literal["empty", "occupied"]
    presence: Presence
    reason: Reason = "occupancy"

    def truth(self, at_ms: int, level: Level | None) -> bool | None:  # noqa: ARG002
        """None while occupancy is unknown."""
        occupancy = self.presence.occupancy(at_ms)
        return None if occupancy == "unknown" else occupancy == self.wanted

    def next_change_ms(self, at_ms: int) -> int:
        """When the oldest word goes stale."""
        return self.presence.next_change_ms(at_ms)


class Between:
    """The time of day lies between two marks."""

    reason: Reason = "time"

    def __init__(self, begins: MarkTimes, ends: MarkTimes, zone: ZoneInfo) -> None:
        self._begins, self._ends, self._zone = begins, ends, zone
        self._window: Window | None = None
        self._known_from_ms = FOREVER_MS

    def _at(self, at_ms: int) -> Window | None:
        stale = self._window is None or at_ms >= self._window.to_ms
        if at_ms < self._known_from_ms or stale:
            self._window = window_at(at_ms, self._begins, self._ends, self._zone)
            self._known_from_ms = at_ms
        return self._window

    def truth(self, at_ms: int, level: Level | None) -> bool | None:  # noqa: ARG002
        """Never unknown."""
        window = self._at(at_ms)
        return window is not None and window.from_ms <= at_ms < window.to_ms

    def next_change_ms(self, at_ms: int) -> int:
        """The window's begin or end."""
        window = self._at(at_ms)
        if window is None:
            return FOREVER_MS
        return window.from_ms if at_ms < window.from_ms else window.to_ms
