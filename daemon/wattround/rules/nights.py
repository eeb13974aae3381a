"""The house's base load: the lowest hour of each quiet night, against the house's own weeks before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from statistics import median
from typing import NamedTuple

RECENT_NIGHTS = 3
TRAILING_NIGHTS = 28
FEWEST_TRAILING = 7
LONGEST_RECENT_DAYS = 7
NIGHT_HOURS = 6
"""A night is the local day's first six hours."""


class Night(NamedTuple):
    """Mean watts of the house, and of each meter, in the lowest hour of a night."""

    day: date
    house_w: float
    meters_w: Mapping[str, float]


def night_of(day: date, hours: Sequence[tuple[float, Mapping[str, float]]]) -> Night | None:
    """The base of one night from its whole hours (house's mean watts, each meter's); None without any.

    The mean over an hour, as IEC 62301 has energy over a period divided by time for power that is not steady:
    a compressor's cycles are in it with their share.
    """
    if not hours:
        return None
    house_w, meters_w = min(hours, key=lambda hour: hour[0])
    return Night(day, house_w, meters_w)


class Nights:
    """The nights of the last weeks."""

    def __init__(self) -> None:
        self._nights: dict[date, Night] = {}

    def put(self, night: Night) -> None:
        """Add a night; the oldest that nobody looks at any more are forgotten."""
        self._nights[night.day] = night
        for day in sorted(self._nights)[: -(RECENT_NIGHTS + TRAILING_NIGHTS)]:
            del self._nights[day]

    def forget_after(self, day: date) -> None:
        """The clock was set back: what lies after that day has not been yet."""
        self._nights = {at: night for at, night in self._nights.items() if at <= day}

    def _split(self) -> tuple[list[Night], list[Night]] | None:
        nights = [self._nights[day] for day in sorted(self._nights)]
        recent, trailing = nights[-RECENT_NIGHTS:], nights[:-RECENT_NIGHTS]
        whole = len(recent) == RECENT_NIGHTS and len(trailing) >= FEWEST_TRAILING
        if whole and (recent[-1].day - recent[0].day).days > LONGEST_RECENT_DAYS:
            return None  # too far apart to stand for now
        return (recent, trailing) if whole else None

    def base_w(self) -> float | None:
        """The base load now: the median of the last three nights."""
        split = self._split()
        return None if split is None else median(night.house_w for night in split[0])

    def creep_w(self) -> float | None:
        """By how much it lies above the median of up to four weeks before; None with too few nights."""
        split = self._split()
        if split is None:
            return None
        return median(night.house_w for night in split[0]) - median(night.house_w for night in split[1])

    def culprits(self) -> list[tuple[str, float]]:
        """Meters by how much more each takes in the lowest hour than before, most first; those that rose only."""
        split = self._split()
        if split is None:
            return []
        recent, trailing = split
        names = {name for night in recent for name in night.meters_w}
        rises = []
        for name in names:
            now = [night.meters_w[name] for night in recent if name in night.meters_w]
            before = [night.meters_w[name] for night in trailing if name in night.meters_w]
            if now and before:
                rises.append((name, median(now) - median(before)))
        return sorted((rise for rise in rises if rise[1] >= 1.0), key=lambda rise: (-rise[1], rise[0]))
