"""Several changes together: their avoided energy in one figure, with one uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from wattround.analysis.proof.data import ProofError
from wattround.analysis.proof.mixture import Estimate


@dataclass(frozen=True)
class Part:
    """One change's figure, and the meter that it was measured with."""

    name: str
    meter: str
    avoided: Estimate


def combine(parts: Sequence[Part], level: float = 0.9) -> Estimate:
    """The sum, in the parts' unit, of figures over the same time (such as a year each).

    Standard errors add by squares (CalTRACK 2.0, 4.3.2.5), degrees of freedom by Welch and Satterthwaite. That holds
    for changes that were measured separately: two proofs from one meter share its scatter, and raise ProofError.
    """
    if not parts:
        raise ProofError("no change to add up; expected at least one")
    meters = [part.meter for part in parts]
    twice = sorted({meter for meter in meters if meters.count(meter) > 1})
    if twice:
        raise ProofError(f"{twice[0]} stands behind several of the changes; their proofs are not independent")
    variance = np.array([part.avoided.standard_error**2 for part in parts])
    total, error = sum(part.avoided.value for part in parts), float(np.sqrt(variance.sum()))
    shares = float((variance**2 / np.array([part.avoided.df for part in parts])).sum())
    df = float(variance.sum() ** 2 / shares) if shares > 0 else min(part.avoided.df for part in parts)
    half = float(stdtrit(df, (1 + level) / 2)) * error
    return Estimate(total, total - half, total + half, error, df, level)


def relative_uncertainty(parts: Sequence[Part]) -> float:
    """The portfolio's fractional uncertainty: sqrt(sum of squared half widths)/sum of savings (CalTRACK 4.3.2.5)."""
    half = np.array([(part.avoided.high - part.avoided.low) / 2 for part in parts])
    return float(np.sqrt((half**2).sum()) / abs(sum(part.avoided.value for part in parts)))
