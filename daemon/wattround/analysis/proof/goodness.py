"""How well a model describes its baseline, in the figures and against the limits that the field uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from wattround.analysis.proof.data import Floats

MOST_CV_RMSE = 0.25
MOST_NMBE = 0.005
MOST_FSU = 0.5
LEAST_R2 = 0.5
DAILY = (-0.00024, 0.03535, 1.00286)
"""Sun and Baltazar 2013, for daily data, as CalTRACK 2.0, 4.3.2.4 has them."""
BILLING = (-0.00022, 0.03306, 0.94054)


@dataclass(frozen=True)
class Check:
    """One limit: what was found, whether it is met, who asks for it."""

    name: str
    found: float
    limit: float
    met: bool
    source: str


@dataclass(frozen=True)
class Goodness:
    """Shares are of 1. `parameters` p counts the intercept (Guideline 14; CalTRACK does not), not change points."""

    days: int
    parameters: int
    r2: float
    adjusted_r2: float
    cv_rmse: float
    nmbe: float
    lag_one: float
    """Autocorrelation of residuals on neighbouring days."""
    effective_days: float
    checks: tuple[Check, ...]


def effective_days(days: float, lag_one: float) -> float:
    """So many independent days: n (1 - r)/(1 + r), r at least 0 (ASHRAE Guideline 14-2014, p. 91)."""
    r = min(max(lag_one, 0.0), 1.0)
    return days * (1 - r) / (1 + r)


def lag_one(ordinal: Floats, residual: Floats) -> float:
    """Correlation of residuals on neighbouring days, over the pairs that there are; 0 where it cannot be told."""
    beside = np.diff(ordinal) == 1
    square = float(np.mean(residual**2))
    if not beside.any() or square <= 0:
        return 0.0
    return float(np.mean(residual[1:][beside] * residual[:-1][beside]) / square)


def fractional_savings_uncertainty(
    cv_rmse: float, share_saved: float, baseline: float, reporting: float, *, months: float,
    r: float = 0.0, level: float = 0.9, regressors: int = 1, polynomial: tuple[float, float, float] = DAILY,
) -> float:  # fmt: skip
    """Half width of the savings' interval, as a share of the savings (ASHRAE Guideline 14, CalTRACK 2.0, 4.3.2.4).

    `baseline` and `reporting` are numbers of points, `months` the length of the reporting period, `r` the lag-1
    autocorrelation, `regressors` what is taken from the effective points for Student's t.
    """
    effective = max(effective_days(baseline, r), 1.0)
    a, b, d = polynomial
    t = float(stdtrit(max(effective - regressors, 1.0), (1 + level) / 2))
    spread = np.sqrt(baseline / effective * (1 + 2 / effective) / reporting)
    return float(t * (a * months**2 + b * months + d) * cv_rmse * spread / abs(share_saved))


def goodness(ordinal: Floats, energy_wh: Floats, fitted_wh: Floats, parameters: int) -> Goodness:
    """Figures of a fit to n days: CV(RMSE) = sqrt(SSE/(n - p))/mean, NMBE = sum of residuals/((n - p) mean)."""
    residual = energy_wh - fitted_wh
    days, mean = len(energy_wh), float(energy_wh.mean())
    left, total = float(residual @ residual), float(((energy_wh - mean) ** 2).sum())
    r2 = 1 - left / total if total > 0 else float("nan")
    adjusted = 1 - (left / (days - parameters)) / (total / (days - 1)) if total > 0 else float("nan")
    cv_rmse = float(np.sqrt(left / (days - parameters))) / mean if mean > 0 else float("nan")
    nmbe = float(residual.sum()) / ((days - parameters) * mean) if mean > 0 else float("nan")
    r = lag_one(ordinal, residual)
    limits = "limits for measured savings by normalised metering, as cited in the field"
    checks = [
        Check("CV(RMSE)", cv_rmse, MOST_CV_RMSE, cv_rmse < MOST_CV_RMSE, limits),
        Check("NMBE", nmbe, MOST_NMBE, abs(nmbe) < MOST_NMBE, limits),
    ]
    if parameters > 1:
        checks.append(Check("R2", r2, LEAST_R2, r2 >= LEAST_R2, "US DOE/LBNL, model validity"))
    return Goodness(days, parameters, r2, adjusted, cv_rmse, nmbe, r, effective_days(days, r), tuple(checks))
