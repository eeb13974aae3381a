"""How far sums and differences of measured amounts may be off, by the limits of error of their parts."""

from __future__ import annotations

from collections.abc import Sequence
from math import fsum, sqrt

COVERAGE_FACTOR = 2.0
"""For a level of confidence of some 95 % (JCGM 100:2008, G.6.6)."""


def worst(limits: Sequence[float]) -> float:
    """The most that it may be off: all errors at their limits, and all one way."""
    return fsum(limits)


def expanded(limits: Sequence[float]) -> float:
    """How far a sum or difference is off at most, with some 95 % confidence; `limits` and answer are in one unit.

    Of an error it is only known that it is within +-limit: a rectangular distribution, whose standard uncertainty is
    limit / sqrt(3) (JCGM 100:2008, 4.3.7). Those of independent errors are combined as the root of the sum of their
    squares (5.1.2), and expanded by k = 2 (6.2.1). That is never more than `worst`: for one error alone k sqrt(1/3)
    would be beyond its own limit.
    """
    combined = sqrt(fsum(limit * limit for limit in limits) / 3)
    return min(COVERAGE_FACTOR * combined, worst(limits))
