"""Avoided energy and its uncertainty: what the baseline expects of the reporting days, less what was measured.

Coefficients are ordinary least squares of the baseline alone, so its sums are right and nothing in the reporting period
can move them. What a model leaves over on baseline days with like weather is added (the doubly robust estimator of
Robins, Rotnitzky and Zhao 1994, with strata): where a straight line with corners is not quite how the load follows the
weather, days that were like it still are. Weights among models are those of `search.CRITERION`, variances those of sums
under `noise`: the uncertainties of the model, of its change points and of the autocorrelation are all in one `Mixture`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wattround.analysis.proof.data import Floats, Frame, Mask
from wattround.analysis.proof.mixture import Mixture
from wattround.analysis.proof.noise import Noise, estimate, independent, solver
from wattround.analysis.proof.search import Found, search
from wattround.analysis.proof.terms import Spec, design

STRATA = 4
"""Groups of reporting days by temperature, of equal size."""
LEAST_ALIKE = 10
"""Baseline days that a group must hold; it is joined with a neighbour otherwise."""


@dataclass(frozen=True)
class Comparison:
    """A baseline and a reporting period of one load: n days, of which `after` says which are reporting ones."""

    frame: Frame
    after: Mask
    centres: Floats
    found: Found
    noise: Noise
    expected_wh: Floats
    """What the baseline expects of each day."""
    avoided: Mixture
    """Wh a day, mean over the reporting days."""

    @property
    def before(self) -> Mask:
        """Which are baseline days."""
        return ~self.after


@dataclass(frozen=True)
class _Alike:
    """Strata of like weather: the stratum of each baseline day and of each reporting day."""

    before: NDArray[np.int64]
    since: NDArray[np.int64]

    def means(self, before: Floats) -> Floats:
        """Of the baseline's rows, by stratum and then for each reporting day."""
        count = np.bincount(self.before)
        sums = np.zeros((len(count), *before.shape[1:]))
        np.add.at(sums, self.before, before)
        made: Floats = (sums.T / count).T[self.since]
        return made

    def shares(self) -> Floats:
        """What each baseline day weighs, so that the strata weigh what they do in the reporting period."""
        of_stratum = np.bincount(self.since, minlength=int(self.before.max()) + 1) / len(self.since)
        made: Floats = (of_stratum / np.bincount(self.before))[self.before]
        return made


def compare(frame: Frame, after: Mask) -> Comparison:
    """Both periods hold some days each, the baseline more than the largest model has parameters."""
    baseline = frame.take(~after)
    centres = baseline.further.mean(axis=0)
    first = search(baseline, centres)
    noise = _noise(first.chosen, frame, after, centres)
    found = search(baseline, centres, noise.of_days(~after))
    if found.chosen != first.chosen:
        noise = _noise(found.chosen, frame, after, centres)
    alike = _strata(frame.temperature_c, after)
    expected = np.zeros(len(frame))
    contrasts = np.zeros((len(frame), len(found.specs)))
    for at, (spec, weight) in enumerate(zip(found.specs, found.weights, strict=True)):
        columns = design(spec, frame, centres)
        fit = solver(columns[~after])
        expected += weight * (columns @ (fit @ baseline.energy_wh))
        left = columns[after].mean(axis=0)
        if alike is not None:
            contrasts[~after, at] = alike.shares()
            left = left - alike.shares() @ columns[~after]
        contrasts[~after, at] += left @ fit
        contrasts[after, at] = -1 / after.sum()
    if alike is not None:
        expected[after] += alike.means(baseline.energy_wh - expected[~after])
    return Comparison(frame, after, centres, found, noise, expected, mixed(contrasts, frame, noise, found.weights))


def _strata(temperature_c: Floats | None, after: Mask) -> _Alike | None:
    """Quarters of the reporting days by temperature, fewer where the baseline has too few days of a kind."""
    if temperature_c is None:
        return None
    before, since = temperature_c[~after], temperature_c[after]
    edges = [float(each) for each in np.quantile(since, np.arange(1, STRATA) / STRATA)]
    while edges:
        few = np.flatnonzero(np.bincount(np.digitize(before, edges), minlength=len(edges) + 1) < LEAST_ALIKE)
        if not len(few):
            break
        edges.pop(min(int(few[0]), len(edges) - 1))
    return _Alike(np.digitize(before, edges), np.digitize(since, edges))


def mixed(contrasts: Floats, frame: Frame, noise: Noise, weights: Floats) -> Mixture:
    """The distribution of a figure that is a weighted sum of all days: contrasts (n, k), one column for each model."""
    width = np.sqrt(noise.variances(contrasts))
    likely = noise.weight[:, :, None] * weights
    centre = np.broadcast_to(contrasts.T @ frame.energy_wh, likely.shape)
    return Mixture.of(centre, width, likely, noise.df)


def both_periods(spec: Spec, frame: Frame, after: Mask, centres: Floats) -> Floats:
    """Columns of a model with coefficients of its own in each period, as an orthonormal basis (n, rank)."""
    columns = design(spec, frame, centres)
    before, since = independent(columns[~after]), independent(columns[after])
    made = np.zeros((len(frame), before.shape[1] + since.shape[1]))
    made[~after, : before.shape[1]] = before
    made[after, before.shape[1] :] = since
    return made


def _noise(spec: Spec, frame: Frame, after: Mask, centres: Floats) -> Noise:
    return noise_around(both_periods(spec, frame, after, centres), frame)


def noise_around(basis: Floats, frame: Frame) -> Noise:
    """How days scatter around what these orthonormal columns (n, rank) can fit."""
    return estimate(frame.ordinal, basis, frame.energy_wh)
