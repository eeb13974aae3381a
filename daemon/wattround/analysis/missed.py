"""What a meter may have missed while it was not heard: a range, never a guess."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

HOUR_MS = 3_600_000
ENOUGH_HOURS = 24
"""Hours that must be known before anything is said of those that are not."""
ENOUGH_ALIKE = 3
"""Hours of one clock hour that must be known before it is judged by them alone."""


class HourOf(NamedTuple):
    """A whole hour of a meter: the hour that the clock shows, energy one way in microwatt-hours, time covered."""

    clock: int
    uwh: int
    covered_ms: int


class Missed(NamedTuple):
    """Energy that may have been missed: nothing at the least (a power cut), and so much likely and at most."""

    likely_uwh: int
    most_uwh: int

    def plus(self, other: Missed) -> Missed:
        """Both together."""
        return Missed(self.likely_uwh + other.likely_uwh, self.most_uwh + other.most_uwh)


def missed(hours: Iterable[HourOf], missing_ms: int) -> Missed | None:
    """What may be missing of `missing_ms` that were not covered; None if too few hours are known.

    Time missing of one of these hours may have had, at most, the mean power of the highest hour that the clock showed
    the same (of those covered at least by half), and likely that of all of them. The rest of `missing_ms` is of
    hours that are not there, and is judged by all.
    """
    if not missing_ms:
        return Missed(0, 0)
    held = list(hours)
    rates: dict[int, list[float]] = {}
    for hour in held:
        if 2 * hour.covered_ms >= HOUR_MS:
            rates.setdefault(hour.clock, []).append(hour.uwh / hour.covered_ms)
    known = [rate for alike in rates.values() for rate in alike]
    if len(known) < ENOUGH_HOURS:
        return None
    likely = most = 0.0
    left_ms = missing_ms
    for hour in held:
        gap_ms = min(max(0, HOUR_MS - hour.covered_ms), left_ms)
        if gap_ms:
            alike = rates.get(hour.clock, [])
            of = alike if len(alike) >= ENOUGH_ALIKE else known
            likely += gap_ms * sum(of) / len(of)
            most += gap_ms * max(of)
            left_ms -= gap_ms
    likely += left_ms * sum(known) / len(known)
    most += left_ms * max(known)
    return Missed(round(likely), round(most))
