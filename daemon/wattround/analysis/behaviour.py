"""How a load moves between its levels, minute after minute: does it cycle by itself, does it hold any power it likes.

A histogram cannot tell a compressor from a television: both have two clear levels. Their minutes in order can.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from wattround.analysis.histogram import spread_factor
from wattround.ledger.spread import Measured, bin_of
from wattround.metering.minute import WMS_PER_UWH

SLOT_MINUTES = 240
SLOTS = 6
"""Stretches of a day. Nobody switches a load in each of them, day and night, day after day."""
LEAST_COVERED = 0.8
"""A stretch counts if so much of it was measured."""
LEAST_STRETCHES = 2
"""Days on which each stretch must have been measured."""
LEAST_DAYS = 4
"""Days with any measured minute that are enough where some stretch is never measured."""
CYCLING_STRETCHES = 0.5
"""Share of the days on which a load that cycles by itself starts in a stretch, for each of the stretches."""
CYCLING_STARTS = 4.0
"""Starts a day that a load that cycles by itself has at least."""
STEADY = 0.1
"""A load holds its power if a minute differs by no more than this share from the one before."""
LEAST_HELD = 0.3
"""Share of its active minutes in which a load must have held some power, for the powers it held to say anything."""
STABLE = 0.05
STABLE_MINUTES = 5
"""IEC 62301 as restated by the US DOE (FEMP): stable power varies under 5 % from its mean over 5 minutes, and is
read; any other is energy by time. Power that is stable in half of such stretches counts as stable."""


class Limits(NamedTuple):
    """Watts: standby from and to, active from, and where active ends."""

    standby_from_w: float
    active_w: float
    release_w: float


class StandbyPower(NamedTuple):
    """Power in standby by IEC 62301: the mean of its stable stretches, or energy by time."""

    watts: float
    stable: bool


@dataclass(slots=True)
class Walk:
    """One load's minutes, taken in order of time."""

    limits: Limits
    active: bool | None = None
    last_minute: int = -2
    last_w: float = 0.0
    starts: dict[int, int] = field(default_factory=dict)
    covered: dict[int, int] = field(default_factory=dict)
    active_minutes: int = 0
    held: dict[int, float] = field(default_factory=dict)
    window: list[tuple[float, float, float]] = field(default_factory=list)
    windows: int = 0
    stable_w: list[float] = field(default_factory=list)
    standby_uwh: int = 0
    standby_ms: int = 0

    def take(self, minute: int, in_uwh: int, covered_ms: int, peak_milliw: int | None, low_milliw: int | None) -> None:
        """The next minute."""
        watts = in_uwh * WMS_PER_UWH / covered_ms
        slot = minute // SLOT_MINUTES
        self.covered[slot] = self.covered.get(slot, 0) + 1
        follows = minute == self.last_minute + 1
        if not follows:
            self.active = None
            self.window.clear()
        was = self.active
        self.active = watts >= (self.limits.release_w if was else self.limits.active_w)
        if self.active:
            self._take_active(slot, watts, was)
        elif watts >= self.limits.standby_from_w:
            self.standby_uwh += in_uwh
            self.standby_ms += covered_ms
            self._take_standby(watts, peak_milliw, low_milliw)
        else:
            self.window.clear()
        self.last_minute, self.last_w = minute, watts

    def _take_active(self, slot: int, watts: float, was: bool | None) -> None:
        self.window.clear()
        self.active_minutes += 1
        if was is False:
            self.starts[slot] = self.starts.get(slot, 0) + 1
        elif was and abs(watts - self.last_w) <= STEADY * self.last_w:
            number = bin_of(watts)
            self.held[number] = self.held.get(number, 0.0) + 1

    def _take_standby(self, watts: float, peak_milliw: int | None, low_milliw: int | None) -> None:
        known = peak_milliw is not None and low_milliw is not None
        low, peak = (low_milliw / 1000, peak_milliw / 1000) if known else (watts, watts)  # type: ignore[operator]
        self.window.append((watts, low, peak))
        if len(self.window) == STABLE_MINUTES:
            mean = sum(each[0] for each in self.window) / STABLE_MINUTES
            self.windows += 1
            lowest, highest = min(each[1] for each in self.window), max(each[2] for each in self.window)
            if lowest > mean * (1 - STABLE) and highest < mean * (1 + STABLE):
                self.stable_w.append(mean)
            self.window.clear()

    @property
    def starts_a_day(self) -> float:
        """How often it became active in a day of measured time."""
        minutes = sum(self.covered.values())
        return sum(self.starts.values()) * 1440 / minutes if minutes else 0.0

    def _stretches(self) -> tuple[list[int], list[int]]:
        """For each stretch of the day: on how many days it was measured, and on how many the load started in it."""
        days, hits = [0] * SLOTS, [0] * SLOTS
        for slot, minutes in self.covered.items():
            if minutes >= LEAST_COVERED * SLOT_MINUTES:
                days[slot % SLOTS] += 1
                hits[slot % SLOTS] += slot in self.starts
        return days, hits

    @property
    def tells(self) -> bool:
        """Whether enough was measured to see it cycle; a plug that is itself cut off at night never shows a night."""
        return (
            min(self._stretches()[0]) >= LEAST_STRETCHES or len({slot // SLOTS for slot in self.covered}) >= LEAST_DAYS
        )

    @property
    def cycles(self) -> bool:
        """Whether it becomes active by itself: often, and in every stretch of the day on most days."""
        days, hits = self._stretches()
        if min(days) < LEAST_STRETCHES or self.starts_a_day < CYCLING_STARTS:
            return False
        return all(hit >= CYCLING_STRETCHES * day for hit, day in zip(hits, days, strict=True))

    @property
    def held_factor(self) -> float:
        """How widely the powers lie that it holds while active, as a factor; 1 if it hardly ever holds any."""
        if sum(self.held.values()) < LEAST_HELD * self.active_minutes:
            return 1.0
        return spread_factor(self.held)

    @property
    def standby(self) -> StandbyPower | None:
        """Its power in standby; None if it was not seen there."""
        if not self.standby_ms:
            return None
        if 2 * len(self.stable_w) >= max(1, self.windows):
            return StandbyPower(sum(self.stable_w) / len(self.stable_w), stable=True)
        return StandbyPower(self.standby_uwh * WMS_PER_UWH / self.standby_ms, stable=False)


def behaviours(rows: Iterable[tuple[str, Measured]], limits: Mapping[str, Limits]) -> dict[str, Walk]:
    """Walks of the loads in `limits` through their minutes, which come in order of time."""
    walks = {name: Walk(limit) for name, limit in limits.items()}
    for name, (_, minute, in_uwh, covered_ms, peak, low) in rows:
        walks[name].take(minute, in_uwh, covered_ms, peak, low)
    return walks
