"""Days that lie far from what the model expects: shown, kept, and the answer worked out without them as well."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from wattround.analysis.proof.data import Floats, Mask
from wattround.analysis.proof.estimate import Comparison, both_periods, compare
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.periods import LEAST_AFTER, LEAST_BEFORE, explaining

RANGES = 3.0
"""Interquartile ranges beyond the median (CalTRACK 2.0, 2.3.6, there of the data; here of residuals, on both sides)."""


@dataclass(frozen=True)
class OutlyingDay:
    """A day, what was measured, and what days like it have."""

    day: date
    energy_wh: float
    fitted_wh: float


@dataclass(frozen=True)
class Outlying:
    """Outlying days of both periods, and Wh a day avoided without them; None where too few days would be left."""

    days: tuple[OutlyingDay, ...]
    avoided_without: Estimate | None


def far_out(residual: Floats) -> Mask:
    """Which residuals lie more than RANGES interquartile ranges from their median."""
    low, middle, high = np.quantile(residual, [0.25, 0.5, 0.75])
    far: Mask = np.abs(residual - middle) > RANGES * (high - low)
    return far


def outlying(compared: Comparison, level: float) -> Outlying:
    """By the chosen model with coefficients of its own in each period, so that a change is not outlying by itself."""
    frame, after = compared.frame, compared.after
    basis = both_periods(compared.found.chosen, frame, after, compared.centres)
    fit = basis @ (basis.T @ frame.energy_wh)
    residual = (frame.energy_wh - fit) / compared.noise.scatter
    exact = float(np.abs(frame.energy_wh).max()) * 1e-9
    far = np.zeros(len(frame), dtype=bool)
    for period in (~after, after):
        far[period] = far_out(residual[period])
    far &= np.abs(frame.energy_wh - fit) > exact
    days = tuple(
        OutlyingDay(date.fromordinal(int(frame.ordinal[at])), float(frame.energy_wh[at]), float(fit[at]))
        for at in np.flatnonzero(far)
    )
    kept = ~far
    enough = int((kept & ~after).sum()) >= LEAST_BEFORE and int((kept & after).sum()) >= LEAST_AFTER
    if not days or not enough:
        return Outlying(days, None)
    rest, _ = explaining(frame.take(kept), ~after[kept])
    return Outlying(days, compare(rest, after[kept]).avoided.estimate(level))
