"""Readings of one meter while somebody goes round: held from one to the next, and how often they come."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import pairwise
from math import isclose
from statistics import median
from typing import NamedTuple

MOST_KEPT = 4000
LATEST_GAPS = 60
ENOUGH_GAPS = 2
EARLY = 0.5
"""A reading that comes before so much of the usual time has passed did not come by the clock."""
OFTEN_EARLY = 0.05
JITTER_MS = 300
"""By as much a network may hold up a message (common practice, no source)."""
FREE_DIGITS = 4
"""Values with so many decimals were multiplied after they were rounded."""
MAD_TO_SIGMA = 1.482602
"""1 / Phi^-1(3/4): makes the median absolute deviation of normal noise its standard deviation."""


class Rhythm(NamedTuple):
    """How often a meter is heard, in milliseconds; `at_changes`: also, or only, when what it measures changes."""

    every_ms: int
    at_changes: bool


class Reading(NamedTuple):
    """Watts from an instant on."""

    at_ms: int
    watts: float


class Readings:
    """The latest of one meter, in order of time. `hold_ms`: the longest that one stands."""

    def __init__(self, hold_ms: int) -> None:
        self.hold_ms = hold_ms
        self._times: list[int] = []
        self._watts: list[float] = []
        self._rhythm: Rhythm | None = None
        self._judged = 0
        self.taken = 0

    def add(self, at_ms: int, watts: float) -> None:
        """Take one; of two at the same instant the later one stands."""
        if self._times and at_ms <= self._times[-1]:
            at_ms = self._times[-1]
            self._times.pop()
            self._watts.pop()
        self._times.append(at_ms)
        self._watts.append(watts)
        self.taken += 1
        if len(self._times) > MOST_KEPT:
            del self._times[: MOST_KEPT // 4], self._watts[: MOST_KEPT // 4]

    def __len__(self) -> int:
        return len(self._times)

    @property
    def last(self) -> Reading | None:
        """The newest."""
        return Reading(self._times[-1], self._watts[-1]) if self._times else None

    def now_w(self, now_ms: int) -> float | None:
        """Watts that still stand; None if nothing was heard for too long."""
        return self._watts[-1] if self._times and now_ms - self._times[-1] <= self.hold_ms else None

    def between(self, from_ms: int, to_ms: int) -> list[Reading]:
        """Those that came in [from_ms, to_ms]."""
        first, last = bisect_left(self._times, from_ms), bisect_right(self._times, to_ms)
        return [Reading(*each) for each in zip(self._times[first:last], self._watts[first:last], strict=True)]

    def first_from(self, from_ms: int) -> int | None:
        """When the first one came at or after an instant."""
        at = bisect_left(self._times, from_ms)
        return self._times[at] if at < len(self._times) else None

    def held(self, from_ms: int, to_ms: int) -> list[Reading]:
        """The same with what stood at `from_ms` before them: watts from an instant on, the first at `from_ms`."""
        at = bisect_right(self._times, from_ms) - 1
        found = self.between(from_ms + 1, to_ms)
        if at >= 0 and from_ms - self._times[at] <= self.hold_ms:
            found.insert(0, Reading(from_ms, self._watts[at]))
        return found

    def rhythm(self) -> Rhythm | None:
        """How often it is heard; None before the third reading."""
        if self._judged == self.taken:
            return self._rhythm
        self._judged, self._rhythm = self.taken, self._found_rhythm()
        return self._rhythm

    def _found_rhythm(self) -> Rhythm | None:
        gaps = [after - before for before, after in pairwise(self._times[-LATEST_GAPS - 1 :])]
        if len(gaps) < ENOUGH_GAPS:
            return None
        usual = median(gaps)
        early = sum(gap < EARLY * usual - JITTER_MS for gap in gaps)
        spread = median(abs(gap - usual) for gap in gaps)
        return Rhythm(round(usual), early > max(1, OFTEN_EARLY * len(gaps)) or spread > usual / 3 + JITTER_MS)

    def resolution_w(self) -> float:
        """The smallest difference it shows: the last digit of its values, or the least of their differences."""
        values = sorted(set(self._watts[-MOST_KEPT // 4 :]))
        digits = max((_decimals(value) for value in values), default=0)
        if digits < FREE_DIGITS:
            return float(10.0**-digits)
        steps = [after - before for before, after in pairwise(values) if after - before > 1e-6]
        return min(steps, default=0.0)


def _decimals(value: float) -> int:
    digits = (each for each in range(FREE_DIGITS) if isclose(value, round(value, each), abs_tol=1e-6))
    return next(digits, FREE_DIGITS)


def middle(held: Sequence[Reading], to_ms: int) -> float:
    """The median of held watts, weighted by the time that each stood; the last stands until `to_ms`."""
    ends = [each.at_ms for each in held[1:]] + [to_ms]
    pieces = sorted((each.watts, end - each.at_ms) for each, end in zip(held, ends, strict=True))
    half = sum(span for _, span in pieces) / 2
    passed = 0.0
    for at, (watts, span) in enumerate(pieces):
        passed += span
        if isclose(passed, half) and at + 1 < len(pieces):
            return (watts + pieces[at + 1][0]) / 2
        if passed > half:
            return watts
    return pieces[-1][0]
