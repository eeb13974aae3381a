"""The scatter of days: the banded algebra against dense matrices, its likelihood against scipy's."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.proof.invented import frame, noise
from wattround.analysis.proof.data import Frame
from wattround.analysis.proof.estimate import noise_around
from wattround.analysis.proof.noise import (
    PHI,
    SHARE,
    Growth,
    Noise,
    Precision,
    estimate,
    growth_of,
    independent,
    solver,
    weighted,
    weighted_gram,
)

DAYS = np.array([1.0, 2, 3, 5, 6, 9, 10, 11, 20, 21, 22, 23])
"""With gaps."""


def dense(ordinal, phi, share):
    apart = np.abs(ordinal[:, None] - ordinal)
    return share * phi**apart + (1 - share) * np.eye(len(ordinal))


@pytest.mark.parametrize("phi", [0.05, 0.6, 0.98])
def test_the_lingering_part_has_a_tridiagonal_inverse_across_gaps(phi):
    precision = Precision.of(DAYS, phi)
    correlation = dense(DAYS, phi, 1.0)
    assert precision.times(correlation) == pytest.approx(np.eye(len(DAYS)), abs=1e-9)
    assert precision.log_det == pytest.approx(-np.linalg.slogdet(correlation)[1], rel=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_weighting_is_that_of_the_dense_covariance(share):
    columns = np.random.default_rng(0).standard_normal((len(DAYS), 3))
    inverse = np.linalg.inv(dense(DAYS, 0.75, share))
    assert weighted(DAYS, columns, 0.75, share) == pytest.approx(inverse @ columns, abs=1e-9)
    assert weighted_gram(DAYS, columns, 0.75, share) == pytest.approx(columns.T @ inverse @ columns, abs=1e-9)


def test_the_restricted_likelihood_is_that_of_contrasts_that_know_no_mean():
    """REML is the likelihood of any full set of contrasts free of the fixed effects: here by scipy's normal density."""
    y = np.random.default_rng(3).standard_normal(len(DAYS)) * 5 + 40
    basis = independent(np.column_stack([np.ones(len(DAYS)), DAYS]))
    found = estimate(DAYS, basis, y)
    assert found.growth.proportion == 0.0
    contrasts = np.linalg.svd(basis)[0][:, 2:]
    log_likelihood = np.empty((len(PHI), len(SHARE)))
    for row, phi in enumerate(PHI):
        for column, share in enumerate(SHARE):
            covariance = contrasts.T @ dense(DAYS, phi, share) @ contrasts
            sigma2 = found.sigma2[row, column]
            seen = contrasts.T @ y
            assert sigma2 == pytest.approx(seen @ np.linalg.solve(covariance, seen) / 10, rel=1e-9)
            log_likelihood[row, column] = multivariate_normal(np.zeros(10), sigma2 * covariance).logpdf(seen)
    weight = np.exp(log_likelihood - log_likelihood.max())
    assert found.weight == pytest.approx(weight / weight.sum(), rel=1e-8)


def test_variances_are_those_of_the_dense_covariance():
    scatter = np.linspace(0.5, 2.0, len(DAYS))
    shape = (len(PHI), len(SHARE))
    sigma2 = np.arange(1.0, 1 + len(PHI) * len(SHARE)).reshape(shape)
    made = Noise(DAYS, Growth(0.0, 1.0), scatter, np.full(shape, 1 / sigma2.size), sigma2, 10)
    contrast = np.random.default_rng(1).standard_normal((len(DAYS), 2))
    found = made.variances(contrast)
    for row, column in ((0, 0), (3, 4), (7, 7)):
        covariance = sigma2[row, column] * np.outer(scatter, scatter) * dense(DAYS, PHI[row], SHARE[column])
        assert found[row, column] == pytest.approx(np.diag(contrast.T @ covariance @ contrast), rel=1e-9)


@pytest.mark.parametrize(("phi", "share"), [(0.0, 0.0), (0.75, 0.7), (0.95, 0.85)])
def test_what_lingers_is_recognised(phi, share):
    found = noise_around(np.full((1500, 1), 1500**-0.5), frame(noise(1500, 100.0, 5, phi, share)))
    true = 1 + 2 * share * phi / (1 - phi)
    assert true / 1.6 < found.inflation < true * 1.6


def test_scatter_that_grows_with_the_load_is_recognised():
    """Two-component model of Rocke and Lorenzato 1995, with its own simulated data."""
    random = np.random.default_rng(2)
    expected = random.uniform(0, 2000, 2000)
    constant, growing = 30.0, 0.2
    residual = constant * random.standard_normal(2000) + growing * expected * random.standard_normal(2000)
    growth = growth_of(expected, residual)
    at = np.array([0.0, 500.0, 2000.0])
    ratio = growth.scatter(at) / growth.scatter(at)[1]
    true = np.sqrt(constant**2 + (growing * at) ** 2)
    assert ratio == pytest.approx(true / true[1], rel=0.25)


def test_scatter_of_a_load_that_is_never_expected_to_run_is_the_same_every_day():
    assert growth_of(np.zeros(30), np.ones(30)).scatter(np.zeros(3)) == pytest.approx(np.ones(3))


def test_units_do_not_decide_what_counts_as_a_column():
    x = np.column_stack([np.ones(30), 1e12 * np.arange(30.0), 1e-9 * np.arange(30.0) ** 2])
    assert independent(x).shape == (30, 3)
    true = [1.0, 2e-12, 3e9]
    assert solver(x) @ (x @ true) == pytest.approx(true, rel=1e-9)
    assert independent(np.column_stack([x, x[:, 1] * 3])).shape == (30, 3)


def test_some_of_the_days_keep_their_scatter():
    made = noise_around(np.full((60, 1), 60**-0.5), frame(noise(60, 10.0)))
    some = made.of_days(np.arange(60) < 20)
    assert len(some.ordinal) == len(some.scatter) == 20
    assert some.weight is made.weight


def test_a_load_that_never_varies_has_next_to_no_scatter():
    made = noise_around(np.full((60, 1), 60**-0.5), frame(np.full(60, 500.0)))
    assert made.sigma_wh < 1e-3


def test_a_frame_knows_its_weekdays():
    """2024-01-01 was a Monday."""
    assert frame(np.zeros(8)).weekday.tolist() == [0, 1, 2, 3, 4, 5, 6, 0]
    assert len(Frame(np.zeros(0), np.zeros(0), None, np.zeros((0, 0)), ())) == 0
