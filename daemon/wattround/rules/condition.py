"""Conditions: each answers true, false or unknown (None) at an instant, and says when time alone may change it.

A new kind of condition is a class with these two methods and a line in `core.rulebook` that makes it from settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol
from zoneinfo import ZoneInfo

from wattround.metering.level import Level
from wattround.rules.load import LoadState
from wattround.rules.marks import Edges, Window, local_date, midnight_ms, window_at
from wattround.rules.occupancy import Presence
from wattround.rules.signals import FOREVER_MS, Claim, Signals

Subject = Literal["level", "occupancy", "time", "signal", "usage", "base-load", "heard", "tree", "trouble", "saving"]
Reason = Literal[
    "level", "occupancy", "time", "signal", "usage", "base-load", "heard", "tree", "trouble", "saving",
    "level-unknown", "occupancy-unknown", "signal-unknown", "base-load-unknown", "heard-unknown", "tree-unknown",
    "saving-unknown",
    "rule-changed",
]  # fmt: skip


class Condition(Protocol):
    """One piece of a rule."""

    @property
    def subject(self) -> Subject:
        """What it is about: why an episode ends when it no longer holds."""
        ...

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:
        """Whether it holds at `at_ms`; None when that cannot be told. `holding`: the rule has held until now."""
        ...

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """The next instant after `at_ms` at which the answer may change by time alone."""
        ...


@dataclass(frozen=True, slots=True)
class AtLevel:
    """The load is at one of these levels."""

    wanted: frozenset[Level]
    subject: Subject = "level"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002 - one protocol
        """None while the load's level is unknown."""
        return None if load.level is None else load.level in self.wanted

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Levels change by readings."""
        return FOREVER_MS


@dataclass(frozen=True, slots=True)
class Draws:
    """The load draws at least `above_w`, or less than `below_w`; while the rule holds, `release_w` is the bound."""

    above_w: float | None
    below_w: float | None
    release_w: float
    subject: Subject = "level"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None while the load's watts are unknown."""
        if load.watts is None:
            return None
        if self.above_w is not None:
            return load.watts >= (self.release_w if holding else self.above_w)
        return load.watts < (self.release_w if holding else self.below_w or 0.0)

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Watts change by readings."""
        return FOREVER_MS


@dataclass(frozen=True, slots=True)
class HouseIs:
    """The house is empty, or occupied."""

    wanted: Literal["empty", "occupied"]
    presence: Presence
    subject: Subject = "occupancy"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None while occupancy is unknown."""
        occupancy = self.presence.occupancy(at_ms)
        return None if occupancy == "unknown" else occupancy == self.wanted

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """When the oldest word goes stale."""
        return self.presence.next_change_ms(at_ms)


@dataclass(frozen=True, slots=True)
class SignalSays:
    """A signal says something, and has for long enough."""

    claim: Claim
    signals: Signals
    subject: Subject = "signal"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None while nothing believable is known of it."""
        return self.signals.truth(self.claim, at_ms)

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """When it has lasted, or goes stale."""
        return self.signals.next_change_ms(self.claim, at_ms)


class Between:
    """The time lies between two edges of the day, or outside of them."""

    subject: Subject = "time"

    def __init__(self, edges: Edges, zone: ZoneInfo, *, outside: bool = False) -> None:
        self._edges, self._zone, self._outside = edges, zone, outside
        self._window: Window | None = None
        self._known_from_ms = FOREVER_MS
        self._known_to_ms = 0

    def _at(self, at_ms: int) -> Window | None:
        if not self._known_from_ms <= at_ms < self._known_to_ms:
            self._window = window_at(at_ms, self._edges, self._zone)
            self._known_from_ms = at_ms
            # without a window in the coming days the question is put again on the next
            self._known_to_ms = self._window.to_ms if self._window else midnight_ms(at_ms, self._zone, 1)
        return self._window

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """Never unknown."""
        window = self._at(at_ms)
        return (window is not None and window.from_ms <= at_ms < window.to_ms) != self._outside

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """The window's begin or end."""
        window = self._at(at_ms)
        if window is None:
            return self._known_to_ms
        return window.from_ms if at_ms < window.from_ms else window.to_ms


@dataclass(frozen=True, slots=True)
class OnDays:
    """The local day is one of these (0 = Monday)."""

    weekdays: frozenset[int]
    zone: ZoneInfo
    subject: Subject = "time"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """Never unknown."""
        return local_date(at_ms, self.zone).weekday() in self.weekdays

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Midnight."""
        return midnight_ms(at_ms, self.zone, 1)
