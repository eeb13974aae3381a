"""How a load's days scatter around its model, and what that means for the uncertainty of any sum over them.

A day's deviation has two parts: one that lingers (a first-order autoregression, decaying by phi a day) and one that
is gone the next day. With `share` the lingering part's share of the variance, the covariance of two days d apart is

    sigma^2 (share phi^d + (1 - share) [d = 0]),

scaled by how much days like these scatter. Phi, share and sigma are not estimated by one value: their
restricted likelihood (REML; Patterson and Thompson 1971) over a grid is averaged over (Harville 1974 gives its Bayesian
reading, with flat priors on phi and share), so that what is not known of the autocorrelation widens every interval.

The inverse of the lingering part's correlation is tridiagonal, also where days are missing (an Ornstein-Uhlenbeck
process seen at any times), which makes all of this linear in the number of days.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from wattround.analysis.proof.data import Floats, Mask

PHI = np.array([0.05, 0.2, 0.4, 0.6, 0.75, 0.87, 0.95, 0.98])
"""A day's lingering part is halved after a quarter of a day at the first, after five weeks at the last."""
SHARE = np.array([0.0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0])
RANK = 1e-10
"""Singular values of unit columns, beside the largest, below which they count as the same."""
PROPORTIONAL = 1 - np.geomspace(1, 1e-5, 26)
"""Shares of a day's variance that grow with what is expected of it."""


@dataclass(frozen=True)
class Precision:
    """The inverse correlation of the lingering part: a symmetric tridiagonal matrix of n days."""

    diagonal: Floats
    beside: Floats
    log_det: float

    @classmethod
    def of(cls, ordinal: Floats, phi: float) -> Precision:
        """Days at these ordinals, correlated by phi to the power of the days between."""
        step = phi ** np.diff(ordinal)
        gone = 1 / (1 - step * step)
        diagonal = np.ones(len(ordinal))
        diagonal[:-1] += step * step * gone
        diagonal[1:] += step * step * gone
        return cls(diagonal, -step * gone, float(np.log(gone).sum()))

    def times(self, columns: Floats) -> Floats:
        """The product with columns of shape (n, k)."""
        made = self.diagonal[:, None] * columns
        made[:-1] += self.beside[:, None] * columns[1:]
        made[1:] += self.beside[:, None] * columns[:-1]
        return made

    def factor(self, share: float) -> Floats:
        """Banded Cholesky factor of (1 - share) P + share I. For share 1 that is the identity, for 0 it is P's."""
        banded = np.zeros((2, len(self.diagonal)))
        banded[1] = (1 - share) * self.diagonal + share
        banded[0, 1:] = (1 - share) * self.beside
        factor: Floats = cholesky_banded(banded, check_finite=False)
        return factor


def weighted_gram(ordinal: Floats, columns: Floats, phi: float, share: float) -> Floats:
    """C' V^-1 C for columns C (n, k), with V = share R + (1 - share) I, R the lingering part's correlation."""
    precision = Precision.of(ordinal, phi)
    return _gram(precision.factor(share), columns, precision.times(columns))


def weighted(ordinal: Floats, columns: Floats, phi: float, share: float) -> Floats:
    """V^-1 C, for the same V."""
    precision = Precision.of(ordinal, phi)
    made: Floats = cho_solve_banded((precision.factor(share), False), precision.times(columns), check_finite=False)
    return made


def _gram(factor: Floats, columns: Floats, times: Floats) -> Floats:
    made = columns.T @ cho_solve_banded((factor, False), times, check_finite=False)
    gram: Floats = (made + made.T) / 2
    return gram


def independent(columns: Floats) -> Floats:
    """An orthonormal basis of the columns' space, shape (n, rank)."""
    left, sizes, _ = np.linalg.svd(columns * unit(columns), full_matrices=False)
    kept: Floats = left[:, sizes > sizes[0] * RANK] if len(sizes) and sizes[0] > 0 else left[:, :0]
    return kept


def solver(columns: Floats) -> Floats:
    """The matrix (p, n) that makes least squares coefficients of n values; the shortest where there are several."""
    scale = unit(columns)
    made: Floats = np.linalg.pinv(columns * scale, rcond=RANK) * scale[:, None]
    return made


def unit(columns: Floats) -> Floats:
    """Factors that make each column of unit length: units must not decide what counts as a column."""
    size = np.sqrt((columns**2).sum(axis=0))
    return np.where(size > 0, 1 / np.where(size > 0, size, 1.0), 1.0)


@dataclass(frozen=True)
class Growth:
    """A day's scatter: a constant part and one in proportion to what the model expects of it.

    The two-component error model (Rocke and Lorenzato 1995): variance (1 - p) + p (expected/level)^2. Loads that work
    more also vary by more watt-hours.
    """

    proportion: float
    level_wh: float
    """Root mean square of what is expected, above 0."""

    def scatter(self, expected_wh: Floats) -> Floats:
        """Relative standard deviation of days of which so much is expected."""
        level = np.maximum(expected_wh, 0.0) / self.level_wh
        made: Floats = np.sqrt(1 + self.proportion * (level**2 - 1))
        return made


@dataclass(frozen=True)
class Noise:
    """What is known of the scatter: a weight for each phi (rows) and share (columns), and sigma^2 given them."""

    ordinal: Floats
    growth: Growth
    scatter: Floats
    """Relative standard deviation of each day."""
    weight: Floats
    sigma2: Floats
    """Wh^2."""
    df: int

    @cached_property
    def phi(self) -> float:
        """Mean over what is likely."""
        return float(self.weight.sum(axis=1) @ PHI)

    @cached_property
    def share(self) -> float:
        """Mean over what is likely."""
        return float(self.weight.sum(axis=0) @ SHARE)

    @cached_property
    def inflation(self) -> float:
        """By how much autocorrelation widens the variance of a long mean: its logarithm is averaged."""
        grown = np.log1p(2 * SHARE * (PHI / (1 - PHI))[:, None])
        return float(np.exp((self.weight * grown).sum()))

    @property
    def sigma_wh(self) -> float:
        """Root of the mean variance of a day."""
        return float(np.sqrt((self.weight * self.sigma2).sum()))

    def of_days(self, chosen: Mask) -> Noise:
        """The same scatter, of some of the days."""
        return Noise(self.ordinal[chosen], self.growth, self.scatter[chosen], self.weight, self.sigma2, self.df)

    def variances(self, contrasts: Floats) -> Floats:
        """Of sums over the days: contrasts (n, k) of weights, answer (phi, share, k) in their units squared."""
        scaled = contrasts * self.scatter[:, None]
        fresh = (scaled**2).sum(axis=0)
        lasting = np.array([self._lasting(scaled, phi) for phi in PHI])
        mixed: Floats = (1 - SHARE)[None, :, None] * fresh + SHARE[None, :, None] * lasting[:, None, :]
        return self.sigma2[:, :, None] * mixed

    def _lasting(self, scaled: Floats, phi: float) -> Floats:
        factor = Precision.of(self.ordinal, phi).factor(0.0)
        made: Floats = (scaled * cho_solve_banded((factor, False), scaled, check_finite=False)).sum(axis=0)
        return made


def estimate(ordinal: Floats, basis: Floats, energy_wh: Floats) -> Noise:
    """How days scatter around what orthonormal columns (n, rank), rank below n, can fit of them."""
    expected = basis @ (basis.T @ energy_wh)
    growth = growth_of(expected, energy_wh - expected)
    scatter = growth.scatter(expected)
    both = np.column_stack([independent(basis / scatter[:, None]), energy_wh / scatter])
    df = both.shape[0] - both.shape[1] + 1
    log_likelihood = np.empty((len(PHI), len(SHARE)))
    sigma2 = np.empty_like(log_likelihood)
    for row, phi in enumerate(PHI):
        precision = Precision.of(ordinal, phi)
        times = precision.times(both)
        for column, share in enumerate(SHARE):
            factor = precision.factor(share)
            gram = _gram(factor, both, times)
            log_det = 2 * np.log(factor[1]).sum() - precision.log_det
            log_likelihood[row, column], sigma2[row, column] = _restricted(gram, log_det, df)
    weight = np.exp(log_likelihood - log_likelihood.max())
    return Noise(ordinal, growth, scatter, weight / weight.sum(), sigma2, df)


def _restricted(gram: Floats, log_det: float, df: int) -> tuple[float, float]:
    """REML log-likelihood with sigma^2 profiled out, and sigma^2. The Gram matrix has the energy last."""
    inner, cross = gram[:-1, :-1], gram[:-1, -1]
    factor = np.linalg.cholesky(inner)
    half = np.linalg.solve(factor, cross)
    rest = max(float(gram[-1, -1] - half @ half), 1e-13 * float(gram[-1, -1]) + float(np.finfo(float).tiny))
    log_inner = 2 * float(np.log(np.diag(factor)).sum())
    return -0.5 * (log_det + log_inner + df * np.log(rest)), rest / df


def growth_of(expected_wh: Floats, residual_wh: Floats) -> Growth:
    """The likeliest growth of scatter with level, with days as if independent."""
    level = np.maximum(expected_wh, 0.0)
    level_wh = float(np.sqrt(np.mean(level**2)))
    if level_wh <= 0:
        return Growth(0.0, 1.0)
    variances = 1 + PROPORTIONAL[:, None] * ((level / level_wh) ** 2 - 1)
    scale = np.mean(residual_wh**2 / variances, axis=1)
    log_likelihood = -0.5 * (np.log(variances).sum(axis=1) + len(residual_wh) * np.log(scale + np.finfo(float).tiny))
    return Growth(float(PROPORTIONAL[int(log_likelihood.argmax())]), level_wh)
