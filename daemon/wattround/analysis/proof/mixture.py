"""Mixtures of Student-t distributions: what is known of a figure when neither model nor autocorrelation are certain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtr

from wattround.analysis.proof.data import Floats

NEGLIGIBLE = 1e-4
"""Weights below this are left out; the rest is made to add up to 1 again."""

POWER = 0.8


@dataclass(frozen=True)
class Mixture:
    """Components of shape (k,): where, how wide, how likely; all with the same degrees of freedom."""

    centre: Floats
    width: Floats
    weight: Floats
    df: float

    @classmethod
    def of(cls, centre: Floats, width: Floats, weight: Floats, df: float) -> Mixture:
        """Any shapes that match; negligible components are left out."""
        centre, width, weight = (np.broadcast_to(each, weight.shape).ravel() for each in (centre, width, weight))
        kept = weight > NEGLIGIBLE * weight.max()
        return cls(centre[kept], width[kept], weight[kept] / weight[kept].sum(), df)

    @property
    def mean(self) -> float:
        """The estimate."""
        return float(self.weight @ self.centre)

    @property
    def standard_error(self) -> float:
        """Root of the variance, where there is one (more than 2 degrees of freedom)."""
        inside = self.weight @ (self.width**2) * self.df / (self.df - 2) if self.df > 2 else np.inf
        return float(np.sqrt(inside + self.weight @ (self.centre - self.mean) ** 2))

    def below(self, x: float) -> float:
        """Probability of less than x."""
        return float(self.weight @ stdtr(self.df, (x - self.centre) / self.width))

    def quantile(self, q: float) -> float:
        """Bisection: the distribution function is monotone, and cheap."""
        reach = 50.0
        low, high = float((self.centre - reach * self.width).min()), float((self.centre + reach * self.width).max())
        fine = 1e-6 * float(self.width.min())
        while high - low > max(fine, 1e-12 * abs(high)):
            middle = (low + high) / 2
            low, high = (middle, high) if self.below(middle) < q else (low, middle)
        return (low + high) / 2

    def interval(self, level: float) -> tuple[float, float]:
        """Equal tails."""
        return self.quantile((1 - level) / 2), self.quantile((1 + level) / 2)

    def estimate(self, level: float, factor: float = 1.0) -> Estimate:
        """Its mean and interval, all times a factor (days, for a total)."""
        low, high = self.interval(level)
        ends = sorted((factor * low, factor * high))
        return Estimate(factor * self.mean, ends[0], ends[1], abs(factor) * self.standard_error, self.df, level)


@dataclass(frozen=True)
class Estimate:
    """A figure, its interval and standard error, in the same unit."""

    value: float
    low: float
    high: float
    standard_error: float
    df: float
    level: float
    """Probability of the interval."""

    @property
    def certain_sign(self) -> int:
        """1 where the whole interval is above 0, -1 where it is below, else 0."""
        return int(self.low > 0) - int(self.high < 0)

    @property
    def smallest_seen(self) -> float:
        """The smallest true figure that would have been told from 0 with a probability of POWER."""
        return smallest_seen((self.high - self.low) / 2, self.level)


def smallest_seen(half_width: float, level: float) -> float:
    """Half an interval's width, and as much more as an estimate falls short by, at most, with a probability of POWER.

    The usual sum of two normal quantiles (Bloom 1995, minimum detectable effects), from memory.
    """
    return half_width * (1 + float(ndtri(POWER)) / float(ndtri((1 + level) / 2)))
