"""The field's formulas against its published figures."""

import numpy as np
import pytest
from scipy.stats import t as student
from statsmodels.regression.linear_model import OLS

from analysis.proof.invented import FIRST, noise
from analysis.proof.test_reference_fits import independent_days
from wattround.analysis.proof.data import ProofError
from wattround.analysis.proof.goodness import (
    BILLING,
    DAILY,
    effective_days,
    fractional_savings_uncertainty,
    goodness,
    lag_one,
)
from wattround.analysis.proof.mixture import Estimate, Mixture
from wattround.analysis.proof.portfolio import Part, combine, relative_uncertainty
from wattround.analysis.proof.terms import cooling_degrees, heating_degrees


@pytest.mark.parametrize(("mean_c", "kelvin_days"), [(10, 8), (-4, 22), (20, 0)])
def test_heating_degree_days_at_18(mean_c, kelvin_days):
    """CBS Netherlands: base 18 degrees, daily mean."""
    assert heating_degrees(np.array([mean_c]), 18.0) == kelvin_days


@pytest.mark.parametrize(
    ("high_f", "low_f", "cooling", "heating"),
    [(75, 65, 5, 0), (90, 70, 15, 0), (90, 65, 12.5, 0), (40, 0, 0, 45), (55, 35, 0, 20)],
)
def test_degree_days_at_65_fahrenheit(high_f, low_f, cooling, heating):
    """US NWS examples, without its rounding of the mean to whole degrees."""
    mean_f = np.array([(high_f + low_f) / 2])
    assert cooling_degrees(mean_f, 65.0) == cooling
    assert heating_degrees(mean_f, 65.0) == heating


@pytest.mark.parametrize(("r", "days"), [(0.2, 243.333), (0.5, 121.667), (0.8, 40.556), (-0.3, 365), (1.0, 0)])
def test_effective_days(r, days):
    """ASHRAE Guideline 14-2014, p. 91; pins computed from the formula; a negative r counts as none."""
    assert effective_days(365, r) == pytest.approx(days, abs=5e-4)


def test_the_polynomial_for_daily_data():
    """Sun and Baltazar 2013 as CalTRACK 4.3.2.4 has it; pins computed from the formula."""
    a, b, d = DAILY
    found = [a * m**2 + b * m + d for m in (1, 3, 6, 9, 12)]
    assert found == pytest.approx([1.03797, 1.10675, 1.20632, 1.30157, 1.39250], abs=5e-6)


def test_fractional_savings_uncertainty():
    """CalTRACK 4.3.2.4; pins computed from the formula."""
    monthly = fractional_savings_uncertainty(0.05, 0.1, 12, 12, months=12, polynomial=BILLING)
    assert monthly == pytest.approx(0.365540, abs=5e-7)
    assert fractional_savings_uncertainty(0.2, 0.1, 365, 365, months=12) == pytest.approx(0.241046, abs=5e-7)


def test_goodness_is_statsmodels_own():
    """R2 and adjusted R2 as statsmodels has them; CV(RMSE) with the intercept among p (Guideline 14 style)."""
    x = np.arange(60.0)
    y = 500 + 3 * x + noise(60, 20.0)
    result = OLS(y, np.column_stack([np.ones(60), x])).fit()
    found = goodness(FIRST.toordinal() + x, y, result.fittedvalues, 2)

    assert found.r2 == pytest.approx(result.rsquared, rel=1e-12)
    assert found.adjusted_r2 == pytest.approx(result.rsquared_adj, rel=1e-12)
    assert found.cv_rmse == pytest.approx(np.sqrt(result.mse_resid) / y.mean(), rel=1e-12)
    assert found.nmbe == pytest.approx(0, abs=1e-12)
    assert [check.met for check in found.checks] == [True, True, True]


def test_neighbours_across_a_gap_are_none():
    ordinal = np.array([1.0, 2.0, 5.0, 6.0])
    assert lag_one(ordinal, np.array([1.0, 1.0, -1.0, -1.0])) == pytest.approx(1.0)
    assert lag_one(np.array([1.0, 3.0]), np.array([1.0, 1.0])) == 0.0


def test_a_new_point_is_as_uncertain_as_the_textbook_says():
    """Kissock, Haberl, Claridge 2003, eq. 24: t RMSE sqrt(1 + 1/n + (x - mean)^2/sum of squares)."""
    x = np.linspace(0, 10, 20)
    columns = np.column_stack([np.ones(20), x])
    y = 3 + 2 * x + noise(20, 1.0)
    contrast = np.append(np.array([1.0, 14.0]) @ np.linalg.pinv(columns), -1.0)
    days = independent_days(columns, y)
    longer = type(days)(
        np.append(days.ordinal, days.ordinal[-1] + 1), days.growth, np.ones(21), days.weight, days.sigma2, days.df
    )
    width = np.sqrt(longer.variances(contrast[:, None])[:, :, 0])
    low, high = Mixture.of(np.zeros_like(width), width, days.weight, days.df).interval(0.9)

    rmse = np.sqrt(((y - columns @ np.linalg.pinv(columns) @ y) ** 2).sum() / 18)
    expected = student.ppf(0.95, 18) * rmse * np.sqrt(1 + 1 / 20 + (14 - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    assert (high - low) / 2 == pytest.approx(expected, rel=1e-6)


def figure(value, error, df=100.0):
    half = student.ppf(0.95, df) * error
    return Estimate(value, value - half, value + half, error, df, 0.9)


def test_portfolios_add_and_their_errors_by_squares():
    """CalTRACK 4.3.2.5; Welch and Satterthwaite's degrees of freedom by their formula."""
    parts = [Part("lamp", "a", figure(300.0, 30.0)), Part("fan", "b", figure(100.0, 40.0))]
    total = combine(parts)

    assert (total.value, total.standard_error) == (400.0, pytest.approx(50.0))
    assert total.df == pytest.approx(50**4 / ((30**4 + 40**4) / 100))
    assert total.high - total.value == pytest.approx(student.ppf(0.95, total.df) * 50.0)
    assert relative_uncertainty(parts) == pytest.approx(student.ppf(0.95, 100) * 50 / 400)


def test_a_portfolio_of_nothing_or_of_one_meter_twice_is_refused():
    with pytest.raises(ProofError, match="no change to add up"):
        combine([])
    with pytest.raises(ProofError, match="a stands behind several of the changes"):
        combine([Part("x", "a", figure(1.0, 1.0)), Part("y", "a", figure(1.0, 1.0))])


def test_a_mixture_of_one_is_students_t():
    one = Mixture(np.array([5.0]), np.array([2.0]), np.array([1.0]), 7)
    assert one.interval(0.9) == pytest.approx(student.interval(0.9, 7, loc=5, scale=2), abs=5e-6)
    assert one.standard_error == pytest.approx(student.std(7, scale=2))


def test_a_mixture_covers_what_lies_between_its_parts():
    both = Mixture(np.array([0.0, 10.0]), np.array([1.0, 1.0]), np.array([0.5, 0.5]), 1e6)
    assert both.interval(0.9) == pytest.approx((-1.2816, 11.2816), abs=1e-3)  # half of each tail: 10 % of one normal
    assert both.mean == 5.0
    assert both.standard_error == pytest.approx(np.sqrt(26), rel=1e-5)


def test_the_smallest_effect_seen_is_the_usual_sum_of_normal_quantiles():
    """Bloom 1995: for a two-sided test at 10 % and a power of 80 %, 2.49 standard errors (from memory)."""
    wide = Estimate(0.0, -1.645, 1.645, 1.0, 1e6, 0.9)
    assert wide.smallest_seen == pytest.approx(2.49, abs=0.01)
