"""The chosen model of the baseline as people see it: coefficients by ordinary least squares, with honest errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from statsmodels.regression.linear_model import OLS

from wattround.analysis.proof.data import Floats, Frame
from wattround.analysis.proof.goodness import Goodness, goodness
from wattround.analysis.proof.noise import unit
from wattround.analysis.proof.search import CRITERION, Found
from wattround.analysis.proof.terms import Spec, design, names


@dataclass(frozen=True)
class Coefficient:
    """In Wh a day for each unit of its column; the error is Newey and West's, for autocorrelated residuals."""

    name: str
    value: float
    standard_error: float


@dataclass(frozen=True)
class ChangePoint:
    """Degrees Celsius, and between which it lies with a probability of 90 % (over all likely models that have it)."""

    value_c: float
    low_c: float
    high_c: float


@dataclass(frozen=True)
class FittedModel:
    """The most likely model. `weight` is what its shape of temperature has of all that are likely."""

    spec: Spec
    coefficients: tuple[Coefficient, ...]
    heating: ChangePoint | None
    cooling: ChangePoint | None
    weight: float
    criterion: str
    goodness: Goodness


def least_squares(columns: Floats, energy_wh: Floats) -> tuple[Floats, Floats, Floats]:
    """Coefficients, their Newey-West errors and fitted values; columns (n, p) of full rank, n > p.

    Lags of the errors: 4 (n/100)^(2/9), rounded down (Newey and West 1994). Columns are fitted at unit length: the
    pseudo-inverse of statsmodels would lose digits, or columns, to their units.
    """
    lags = int(4 * (len(energy_wh) / 100) ** (2 / 9))
    scale = unit(columns)
    result = OLS(energy_wh, columns * scale).fit()
    robust = result.get_robustcov_results("HAC", maxlags=lags, use_correction=True)
    variance = np.maximum(np.diag(robust.cov_params()), 0.0)
    return scale * np.asarray(result.params), scale * np.sqrt(variance), np.asarray(result.fittedvalues)


def fitted(baseline: Frame, centres: Floats, found: Found) -> FittedModel:
    """The chosen model, fitted to the baseline."""
    columns = design(found.chosen, baseline, centres)
    values, errors, fit = least_squares(columns, baseline.energy_wh)
    told = names(found.chosen, baseline.names)
    return FittedModel(
        found.chosen,
        tuple(Coefficient(*each) for each in zip(told, map(float, values), map(float, errors), strict=True)),
        _change_point(found, "heating_c"),
        _change_point(found, "cooling_c"),
        found.by_shape[found.chosen.shape],
        CRITERION,
        goodness(baseline.ordinal, baseline.energy_wh, fit, int(np.linalg.matrix_rank(columns))),
    )


def _change_point(found: Found, which: str) -> ChangePoint | None:
    chosen: float | None = getattr(found.chosen, which)
    if chosen is None:
        return None
    likely = sorted((at, w) for spec, w in zip(found.specs, found.weights, strict=True)
                    if (at := getattr(spec, which)) is not None)  # fmt: skip
    cumulated = np.cumsum([weight for _, weight in likely])
    low, high = np.searchsorted(cumulated, np.array([0.05, 0.95]) * cumulated[-1] - 1e-12)
    return ChangePoint(chosen, min(likely[int(low)][0], chosen), max(likely[int(high)][0], chosen))
