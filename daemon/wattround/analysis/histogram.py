"""A load's histogram: how long it drew how many watts, on a logarithmic scale."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate

from wattround.ledger.spread import BINS, BINS_PER_DECADE, FLOOR_W, Spread, edge_w

STEP = math.log(10) / BINS_PER_DECADE
"""Width of a bin in the natural logarithm of watts."""


def position(number: int) -> float:
    """The middle of a bin, in the natural logarithm of watts; "nothing" lies at the floor."""
    return math.log(FLOOR_W) + (max(number, 0.5) - 0.5) * STEP


@dataclass(frozen=True)
class Histogram:
    """Milliseconds and microwatt-hours by bin. Ranges of bins are [first, last)."""

    time: tuple[float, ...]
    energy: tuple[float, ...]

    @classmethod
    def of(cls, spread: Spread) -> Histogram:
        """What the ledger has added up."""
        return cls(tuple(spread.covered_ms), tuple(spread.in_uwh))

    def time_ms(self, first: int = 0, last: int = BINS) -> float:
        """Time in a range of bins."""
        return sum(self.time[first:last])

    def energy_uwh(self, first: int = 0, last: int = BINS) -> float:
        """Energy in a range of bins."""
        return sum(self.energy[first:last])

    def mean_w(self, first: int = 0, last: int = BINS) -> float:
        """Energy by time in a range of bins; 0 if no time was spent there."""
        time_ms = self.time_ms(first, last)
        return 3.6 * self.energy_uwh(first, last) / time_ms if time_ms else 0.0

    def quantile_bin(self, share: float, first: int = 0, last: int = BINS) -> int:
        """The bin below whose end lies this share of the time in a range of bins."""
        wanted = share * self.time_ms(first, last)
        for number, total in zip(range(first, last), accumulate(self.time[first:last]), strict=True):
            if total >= wanted and total > 0:
                return number
        return max(first, last - 1)

    def range_w(self, outside: float, first: int = 0, last: int = BINS) -> tuple[float, float]:
        """Watts between which a range of bins spends its time but for this share at either end."""
        low = self.quantile_bin(outside, first, last)
        high = self.quantile_bin(1 - outside, first, last)
        return edge_w(low), edge_w(high + 1)

    def near_ms(self, watts: float, factor: float) -> float:
        """Time within a factor of so many watts; a bin that is cut counts in part."""
        low, high = math.log(watts / factor), math.log(watts * factor)
        total = 0.0
        for number in range(1, BINS):
            begin = math.log(edge_w(number))
            within = min(high, begin + STEP) - max(low, begin)
            total += self.time[number] * max(0.0, within) / STEP
        return total

    def smoothed(self) -> list[float]:
        """The time by bin, each shared with the two bins on either side (binomial weights 1 4 6 4 1)."""
        padded = [0.0, 0.0, *self.time, 0.0, 0.0]
        return [
            (padded[i] + 4 * padded[i + 1] + 6 * padded[i + 2] + 4 * padded[i + 3] + padded[i + 4]) / 16
            for i in range(len(self.time))
        ]


def spread_factor(weights: dict[int, float]) -> float:
    """How widely weights lie over the bins: the factor that an even spread as wide would cover.

    The exponential of the entropy is the number of bins that count (Hill 1973, from memory); a load with a few fixed
    powers, however far apart, has a small one. 1 for nothing or a single bin.
    """
    total = sum(weights.values())
    if total <= 0:
        return 1.0
    entropy = -sum(weight / total * math.log(weight / total) for weight in weights.values() if weight > 0)
    return math.exp((math.exp(entropy) - 1) * STEP)
