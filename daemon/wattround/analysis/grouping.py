"""Groups of watts in a histogram: an optimal split into some, then those joined again that are not truly apart."""

from __future__ import annotations

import math
from itertools import accumulate, pairwise
from typing import NamedTuple

from wattround.analysis.histogram import STEP, Histogram, position
from wattround.ledger.spread import BINS

MOST_GROUPS = 5
LEAST_MS = 10 * 60_000
"""A group that holds less time than this is a chance."""
LEAST_FACTOR = 2.5
"""Between the middles of two groups. (Meters of whole watts make combs of 1, 2, 3 W: no groups.)"""
LEAST_D = 4.0
"""Ashman's D between two groups. An even spread that is cut in half has 3.46."""
SHALLOWEST = 0.3
"""Between two groups the histogram falls at least to this share of the lower one's peak."""
MOST_NEAR = 0.2
"""Time near the threshold between two groups, as a share of the smaller one's: more of it, and there is none."""
NEAR = 1.25
"""Watts within this factor of a threshold are near it."""
EDGE = 0.02
"""A group ends where all but this share of its time lies within."""
QUIET_W = 1.0
"""Nothing that draws less is in use, so "nothing" reaches up to here if the next group leaves room."""
_BIN_VARIANCE = STEP**2 / 12


class Group(NamedTuple):
    """Bins [first, last) of a histogram."""

    first: int
    last: int


def groups(histogram: Histogram) -> list[Group]:
    """Groups of watts that are truly apart, lowest first; one where none are, none for an empty histogram."""
    found = optimal_groups(histogram, MOST_GROUPS)
    found = _without_chances(histogram, found)
    while len(found) > 1:
        scores = [_closeness(histogram, low, high) for low, high in pairwise(found)]
        worst = max(range(len(scores)), key=lambda index: scores[index])
        if scores[worst] <= 1.0:
            break
        found = _joined(found, worst)
    return found


def optimal_groups(histogram: Histogram, most: int) -> list[Group]:
    """The split of log watts into at most so many groups with the least variance within them, weighted by time.

    Fisher, "On grouping for maximum homogeneity" (1958), by dynamic programming; the same criterion as Otsu's
    threshold (1979), which has the most variance between two classes. (Both from memory.)
    """
    bins = [number for number in range(BINS) if histogram.time[number] > 0]
    if not bins:
        return []
    cuts = _fisher([position(number) for number in bins], [histogram.time[number] for number in bins], most)
    starts = [0, *(bins[cut] for cut in cuts)]
    return [Group(*both) for both in pairwise([*starts, BINS])]


def _fisher(places: list[float], weights: list[float], most: int) -> list[int]:
    """Indexes at which the second and later groups begin."""
    count = len(places)
    w, wx, wxx = (
        [0.0, *accumulate(weight * place**power for place, weight in zip(places, weights, strict=True))]
        for power in (0, 1, 2)
    )

    def within(first: int, last: int) -> float:
        weight, moment = w[last] - w[first], wx[last] - wx[first]
        return max(0.0, wxx[last] - wxx[first] - moment * moment / weight)

    best = [0.0, *(within(0, last) for last in range(1, count + 1))]
    splits: list[list[int]] = []
    for number in range(2, min(most, count) + 1):
        costs, at = [0.0] * (count + 1), [0] * (count + 1)
        for last in range(number, count + 1):
            costs[last], at[last] = min((best[cut] + within(cut, last), cut) for cut in range(number - 1, last))
        best = costs
        splits.append(at)
    cuts: list[int] = []
    last = count
    for at in reversed(splits):
        last = at[last]
        cuts.append(last)
    return cuts[::-1]


def ashman_d(histogram: Histogram, low: Group, high: Group) -> float:
    """How far apart two groups of log watts are, in units of their widths.

    Ashman, Bird and Zepf (1994), from memory: sqrt(2) |mean1 - mean2| / sqrt(variance1 + variance2). Above 2 a mixture
    of two is clearly separated; groups that were cut apart start higher, see `LEAST_D`.
    """
    (mean_low, var_low), (mean_high, var_high) = _moments(histogram, low), _moments(histogram, high)
    return math.sqrt(2) * (mean_high - mean_low) / math.sqrt(var_low + var_high)


def _moments(histogram: Histogram, group: Group) -> tuple[float, float]:
    """Mean and variance of log watts; no group is narrower than a bin."""
    numbers = range(*group)
    total = histogram.time_ms(*group)
    mean = sum(histogram.time[number] * position(number) for number in numbers) / total
    variance = sum(histogram.time[number] * (position(number) - mean) ** 2 for number in numbers) / total
    return mean, variance + _BIN_VARIANCE


def valley(histogram: Histogram, low: Group, high: Group) -> float:
    """The emptiest place between the peaks of two groups, as a share of the lower peak; 1 if there is no dip."""
    heights = histogram.smoothed()
    # where the most time was itself: a smoothed peak may be its neighbour's slope
    peaks = [max(range(*group), key=lambda number: histogram.time[number]) for group in (low, high)]
    lesser = min(heights[peak] for peak in peaks)
    return min(heights[peaks[0] : peaks[1] + 1]) / lesser if lesser > 0 else 1.0


def gap_w(histogram: Histogram, low: Group, high: Group) -> tuple[float, float]:
    """Watts where the lower group ends and where the upper one begins."""
    ends, begins = histogram.range_w(EDGE, *low)[1], histogram.range_w(EDGE, *high)[0]
    return max(ends, min(QUIET_W, begins / 4)), begins


def threshold_w(histogram: Histogram, low: Group, high: Group) -> float:
    """Half way, in log watts, between where one group ends and the next begins."""
    return math.sqrt(math.prod(gap_w(histogram, low, high)))


def near_share(histogram: Histogram, low: Group, high: Group) -> float:
    """Time near the threshold between two groups, by the time in the smaller one."""
    smaller = min(histogram.time_ms(*low), histogram.time_ms(*high))
    return histogram.near_ms(threshold_w(histogram, low, high), NEAR) / smaller


def _closeness(histogram: Histogram, low: Group, high: Group) -> float:
    """Above 1 if two groups are not truly apart; the larger, the less so."""
    factor = math.exp(_moments(histogram, high)[0] - _moments(histogram, low)[0])
    return max(
        valley(histogram, low, high) / SHALLOWEST,
        LEAST_D / ashman_d(histogram, low, high),
        LEAST_FACTOR / factor,
        near_share(histogram, low, high) / MOST_NEAR,
    )


def _without_chances(histogram: Histogram, found: list[Group]) -> list[Group]:
    """Groups of too little time go to the neighbour whose middle is nearer."""
    while len(found) > 1:
        times = [histogram.time_ms(*group) for group in found]
        least = min(range(len(found)), key=lambda index: times[index])
        if times[least] >= LEAST_MS:
            break
        middles = [_moments(histogram, group)[0] for group in found]
        below = middles[least] - middles[least - 1] if least > 0 else math.inf
        above = middles[least + 1] - middles[least] if least + 1 < len(found) else math.inf
        found = _joined(found, least - 1 if below <= above else least)
    return found


def _joined(found: list[Group], index: int) -> list[Group]:
    """Two neighbours become one."""
    low, high = found[index], found[index + 1]
    return [*found[:index], Group(low.first, high.last), *found[index + 2 :]]
