"""What a proof answers: the verdict, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from wattround.analysis.proof.data import Floats, Mask, Note
from wattround.analysis.proof.estimate import Comparison
from wattround.analysis.proof.fitted import FittedModel
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.outlying import Outlying
from wattround.analysis.proof.periods import Need, Span

Verdict = Literal["saved", "used more", "no detectable change", "too little data"]


@dataclass(frozen=True)
class Series:
    """The days that were used, for pictures and tables: n each."""

    days: tuple[date, ...]
    after: Mask
    measured_wh: Floats
    expected_wh: Floats
    """What the baseline expects; over reporting days its mean less the measured mean is the avoided energy."""


@dataclass(frozen=True)
class Evidence:
    """What a comparison found, whatever the verdict."""

    avoided_wh_per_day: Estimate
    expected_wh_per_day: float
    """Mean of what the baseline expects of the reporting days."""
    reporting_days: int
    smallest_seen_wh: float
    """The smallest effect a day that would have been seen with a probability of 80 %."""
    yearly_wh: Estimate | Need
    model: FittedModel
    outlying: Outlying
    fractional_savings_uncertainty: float
    """By the formula of Guideline 14 and CalTRACK, at the same level, to compare; the interval is more honest."""
    series: Series
    comparison: Comparison

    @property
    def avoided_wh(self) -> Estimate:
        """In all over the reporting days that were compared."""
        each, days = self.avoided_wh_per_day, self.reporting_days
        return Estimate(
            each.value * days, each.low * days, each.high * days, each.standard_error * days, each.df, each.level
        )


@dataclass(frozen=True)
class Proof:
    """The answer. `evidence` is None where days were too few to compare at all; `needs` then says what is missing."""

    verdict: Verdict
    change: date
    least_coverage: float
    baseline: Span | None
    reporting: Span | None
    unlike_days: int
    needs: tuple[Need, ...]
    notes: tuple[Note, ...]
    evidence: Evidence | None
