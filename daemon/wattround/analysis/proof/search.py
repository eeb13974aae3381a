"""The search for a model of the baseline: every candidate at every change point, judged by one stated criterion.

CRITERION says it. The search needs only the Gram matrix of all columns, so a change point costs a few multiplications.
Candidates must qualify (CalTRACK 2.0, 3.2.2.2 and 3.4.3.2): slopes above 0, intercept above 0, at least 10 days with
degree days of each kind used, and at least 20 Fahrenheit degree days a year; change points on a grid from -1 to 32
degrees (30 to 90 F) in steps of a quarter; the cooling point not below the heating point.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from wattround.analysis.proof.data import Floats, Frame, Mask
from wattround.analysis.proof.noise import RANK, Noise, weighted_gram
from wattround.analysis.proof.terms import (
    CHANGE_POINTS,
    DAY_CLASSES,
    Shape,
    Spec,
    class_columns,
    cooling_degrees,
    heating_degrees,
)

CRITERION = (
    "Bayesian information criterion of the generalised least squares likelihood, with the autocorrelation and scatter "
    "of the residuals; each searched change point counts as a parameter"
)
GRID_C = np.arange(-1.0, 32.1, 0.25)
LEAST_DAYS = 10
LEAST_DEGREE_DAYS_A_YEAR = 20 / 1.8
MOST_SUBSETS = 4
"""With more further regressors, either all or none of them are in a model, not each subset."""
DRAWS = 50
"""So many models at most stand for all that are likely."""


@dataclass(frozen=True)
class Found:
    """Models with the weights that the criterion gives them; all of one baseline."""

    specs: tuple[Spec, ...]
    weights: Floats
    chosen: Spec
    """The best candidate at its best change points."""
    by_shape: dict[Shape, float]
    """Weight of each shape, over all candidates."""


@dataclass(frozen=True)
class _Columns:
    """The Gram matrix of everything that may be in a model, and where it stands in it."""

    gram: Floats
    classes: tuple[tuple[int, ...], ...]
    further: tuple[int, ...]
    heating_c: Floats
    cooling_c: Floats
    tail: int
    """From here: heating columns, cooling columns, the energy."""

    @property
    def least_rest(self) -> float:
        """Squared residuals below this are rounding: a model cannot be better than exact."""
        return 1e-13 * float(self.gram[-1, -1]) + float(np.finfo(float).tiny)


@dataclass(frozen=True)
class _Candidate:
    classes: int
    further: tuple[int, ...]
    shape: Shape
    parameters: int
    rest: Floats
    """Weighted squared residuals at each pair of change points."""
    heating_c: Floats
    cooling_c: Floats


def search(frame: Frame, centres: Floats, noise: Noise | None = None) -> Found:
    """Candidates for these days' energy; without a noise yet, days count as independent."""
    candidates = _candidates(_columns(frame, centres, noise), len(frame.names))
    count = len(frame)
    criterion = np.array(
        [count * np.log(each.rest.min()) + (each.parameters + 1) * np.log(count) for each in candidates]
    )
    weights = _shares(-0.5 * criterion)
    by_shape: dict[Shape, float] = {}
    for candidate, weight in zip(candidates, weights, strict=True):
        by_shape[candidate.shape] = by_shape.get(candidate.shape, 0.0) + float(weight)
    best = candidates[int(criterion.argmin())]
    specs, shares = _thinned(candidates, weights, count)
    return Found(specs, shares, _spec(best, int(best.rest.argmin())), by_shape)


def _thinned(candidates: list[_Candidate], weights: Floats, count: int) -> tuple[tuple[Spec, ...], Floats]:
    """Systematic sampling (equal steps through the cumulated weights) of all candidates at all change points.

    So a broad choice of change points is stood for by points all over it, at an equal cost for every baseline.
    """
    likely = [
        weight * _shares(-0.5 * count * np.log(each.rest)) for each, weight in zip(candidates, weights, strict=True)
    ]
    cumulated = np.cumsum(np.concatenate(likely))
    drawn = np.searchsorted(cumulated, (np.arange(DRAWS) + 0.5) / DRAWS * cumulated[-1])
    chosen, times = np.unique(drawn, return_counts=True)
    begins = np.cumsum([0, *(len(each) for each in likely)])
    owner = np.searchsorted(begins, chosen, side="right") - 1
    specs = tuple(_spec(candidates[own], int(at - begins[own])) for own, at in zip(owner, chosen, strict=True))
    return specs, times / DRAWS


def _shares(log_weights: Floats) -> Floats:
    weights = np.exp(log_weights - log_weights.max())
    made: Floats = weights / weights.sum()
    return made


def _spec(candidate: _Candidate, at: int) -> Spec:
    heating, cooling = float(candidate.heating_c[at]), float(candidate.cooling_c[at])
    return Spec(
        DAY_CLASSES[candidate.classes],
        candidate.shape,
        candidate.further,
        None if np.isnan(heating) else heating,
        None if np.isnan(cooling) else cooling,
    )


def _columns(frame: Frame, centres: Floats, noise: Noise | None) -> _Columns:
    heat, heating_c = _hinges(frame, heating=True)
    cool, cooling_c = _hinges(frame, heating=False)
    each_day = class_columns("each weekday", frame)
    weekend = class_columns("workday and weekend", frame)[:, 1:]
    further = frame.further - centres
    both = np.column_stack([each_day, weekend, further, heat, cool, frame.energy_wh])
    if noise is None:
        gram = both.T @ both
    else:
        gram = weighted_gram(noise.ordinal, both / noise.scatter[:, None], noise.phi, noise.share)
    days = each_day.shape[1]
    first = days + 1
    tail = first + further.shape[1]
    classes = ((0,), (0, days), tuple(range(days)))
    return _Columns(gram, classes, tuple(range(first, tail)), heating_c, cooling_c, tail)


def _hinges(frame: Frame, *, heating: bool) -> tuple[Floats, Floats]:
    """Degree days at every base that qualifies, shape (n, bases), and the bases."""
    temperature = frame.temperature_c
    if temperature is None:
        return np.zeros((len(frame), 0)), np.zeros(0)
    coldest, warmest = float(temperature.min()), float(temperature.max())
    grid = GRID_C[(coldest - 1 < GRID_C) & (warmest + 1 > GRID_C)]
    degrees = heating_degrees if heating else cooling_degrees
    columns = np.column_stack([degrees(temperature, base) for base in grid]) if len(grid) else np.zeros((len(frame), 0))
    enough = (columns > 0).sum(axis=0) >= LEAST_DAYS
    enough &= columns.mean(axis=0) * 365 >= LEAST_DEGREE_DAYS_A_YEAR
    return columns[:, enough], grid[enough]


def _candidates(columns: _Columns, further: int) -> list[_Candidate]:
    found = []
    for classes in range(len(DAY_CLASSES)):
        for chosen in _subsets(further):
            found += _with_shapes(columns, classes, chosen)
    return found


def _subsets(count: int) -> list[tuple[int, ...]]:
    if count > MOST_SUBSETS:
        return [(), tuple(range(count))]
    return [chosen for size in range(count + 1) for chosen in combinations(range(count), size)]


def _with_shapes(columns: _Columns, classes: int, further: tuple[int, ...]) -> list[_Candidate]:
    """All shapes of temperature over the same base terms: what is left of energy and degree days after those."""
    base = np.array([*columns.classes[classes], *(columns.further[each] for each in further)])
    tail = np.arange(columns.tail, len(columns.gram))
    cross = columns.gram[np.ix_(base, tail)]
    solved = _inverse(columns.gram[np.ix_(base, base)]) @ cross
    left = columns.gram[np.ix_(tail, tail)] - cross.T @ solved
    intercept = solved[0]
    alone = np.maximum(left[-1:, -1], columns.least_rest)
    none = np.full(1, np.nan)
    found = [_Candidate(classes, further, "none", len(base), alone, none, none)]
    heats = len(columns.heating_c)
    singles: tuple[tuple[Shape, Floats, slice], ...] = (
        ("heating", columns.heating_c, slice(0, heats)),
        ("cooling", columns.cooling_c, slice(heats, -1)),
    )
    for shape, bases, part in singles:
        size, with_energy = np.diag(left)[part], left[part, -1]
        slope = with_energy / np.where(size > 0, size, np.inf)
        good = (
            (slope > 0)
            & (intercept[-1] - slope * intercept[part] > 0)
            & (size > 1e-9 * np.diag(columns.gram)[tail][part])
        )
        if good.any():
            rest, at = np.maximum(alone - slope * with_energy, columns.least_rest)[good], bases[good]
            unused = np.full(len(at), np.nan)
            points = (at, unused) if shape == "heating" else (unused, at)
            found.append(_Candidate(classes, further, shape, len(base) + 2, rest, *points))
    return found + _pairs(columns, left, intercept, classes, further, len(base))


def _inverse(gram: Floats) -> Floats:
    """Of a Gram matrix, in the space that its columns span: there may be no day of some weekday."""
    size = np.sqrt(np.diag(gram))
    scale: Floats = np.where(size > 0, 1 / np.where(size > 0, size, 1.0), 0.0)
    made: Floats = np.linalg.pinv(gram * scale * scale[:, None], rcond=RANK, hermitian=True) * scale * scale[:, None]
    return made


def _pairs(
    columns: _Columns, left: Floats, intercept: Floats, classes: int, further: tuple[int, ...], base: int
) -> list[_Candidate]:
    """Heating and cooling at once: at one base, or at two."""
    heats = len(columns.heating_c)
    heat, cool = np.diag(left)[:heats, None], np.diag(left)[None, heats:-1]
    heat_wh, cool_wh = left[:heats, -1, None], left[None, heats:-1, -1]
    both = left[:heats, heats:-1]
    determinant = heat * cool - both**2
    regular = determinant > 1e-9 * heat * cool
    safe = np.where(regular, determinant, np.inf)
    heat_slope = (heat_wh * cool - cool_wh * both) / safe
    cool_slope = (cool_wh * heat - heat_wh * both) / safe
    rest = np.maximum(left[-1, -1] - heat_slope * heat_wh - cool_slope * cool_wh, columns.least_rest)
    level = intercept[-1] - heat_slope * intercept[:heats, None] - cool_slope * intercept[None, heats:-1]
    good = regular & (heat_slope > 0) & (cool_slope > 0) & (level > 0)
    gap = columns.cooling_c[None, :] - columns.heating_c[:, None]
    found = []
    shapes: tuple[tuple[Shape, Mask], ...] = (("degree days", gap == 0), ("heating and cooling", gap > 0))
    for shape, where in shapes:
        row, column = np.nonzero(good & where)
        if len(row):
            parameters = base + 2 + CHANGE_POINTS[shape]
            points = columns.heating_c[row], columns.cooling_c[column]
            found.append(_Candidate(classes, further, shape, parameters, rest[row, column], *points))
    return found
