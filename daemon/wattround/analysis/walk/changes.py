"""Where a series changes its level: the best cut into stretches of one level each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise
from math import log
from statistics import median
from typing import NamedTuple

from wattround.analysis.walk.readings import MAD_TO_SIGMA

LEAST_STRETCH = 2
"""Readings between two changes, so that a single stray one is none."""
CLEAR = 3.0
"""A change is so many times the noise of a reading."""


class Shift(NamedTuple):
    """The number of the first reading at the new level, and by how many watts that is above the one before."""

    at: int
    watts: float


def sigma_w(watts: Sequence[float]) -> float:
    """Standard deviation of a reading's noise: of the differences of neighbours, so that few changes do not matter.

    The median absolute deviation times 1.4826 (the MAD scale; Rousseeuw and Croux 1993, from memory), over sqrt(2).
    """
    steps = [after - before for before, after in pairwise(watts)]
    if not steps:
        return 0.0
    centre = median(steps)
    return MAD_TO_SIGMA * median(abs(step - centre) for step in steps) / 2**0.5


def shifts(watts: Sequence[float], sigma: float, least_w: float = 0.0) -> list[Shift]:
    """All clear changes of level, in order.

    The cut with the least squared error and a price for each change: PELT (Killick, Fearnhead, Eckley 2012, from
    memory), which is exact. The price is 3 sigma^2 log n, so that noise alone seldom makes one (a change has a place
    and a level: common practice, no source). Of what it finds, changes below 3 sigma or `least_w` are left out.
    """
    found = []
    edges = [0, *cuts(watts, max(3 * sigma * sigma * log(max(2, len(watts))), 1e-9)), len(watts)]
    for before, at, after in zip(edges[:-2], edges[1:-1], edges[2:], strict=True):
        by = median(watts[at:after]) - median(watts[before:at])
        if abs(by) >= max(CLEAR * sigma, least_w):
            found.append(Shift(at, by))
    return found


def cuts(watts: Sequence[float], price: float) -> list[int]:
    """Where the best cut lies: the sum of squares around each stretch's mean, and `price` for each change, is least."""
    count = len(watts)
    centre = median(watts) if count else 0.0
    one = [0.0, *accumulate(value - centre for value in watts)]
    two = [0.0, *accumulate((value - centre) ** 2 for value in watts)]

    def cost(first: int, last: int) -> float:
        total = one[last] - one[first]
        return two[last] - two[first] - total * total / (last - first)

    best, since = [-price], [0]
    best += [float("inf")] * count
    since += [0] * count
    candidates = [0]
    for last in range(LEAST_STRETCH, count + 1):
        tried = [(best[first] + cost(first, last), first) for first in candidates if last - first >= LEAST_STRETCH]
        least, since[last] = min(tried)
        best[last] = least + price
        # a beginning that is already worse than a change here can never be the best one later
        worse = {first for total, first in tried if total > best[last]}
        candidates = [first for first in candidates if first not in worse]
        candidates.append(last - LEAST_STRETCH + 1)
    found, at = [], count
    while at > 0 and since[at] > 0:
        at = since[at]
        found.append(at)
    return found[::-1]
