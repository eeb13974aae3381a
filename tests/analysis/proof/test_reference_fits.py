"""Certified fits: NIST StRD linear regression and the worked example H.3 of the GUM."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from statsmodels.datasets import longley
from statsmodels.regression.linear_model import OLS

from analysis.proof.invented import FIRST
from wattround.analysis.proof.fitted import least_squares
from wattround.analysis.proof.noise import PHI, SHARE, Growth, Noise, independent, solver, unit

PONTIUS_X = np.tile(np.arange(150000.0, 3000001.0, 150000.0), 2)
PONTIUS_Y = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])  # fmt: skip


def norris():
    folder = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress"
    rows = [line.split() for line in (folder / "Norris.dat").read_text().splitlines()[60:] if line.strip()]
    y, x = np.array(rows, dtype=float).T
    return np.column_stack([np.ones(len(x)), x]), y


def longley_data():
    data = longley.load_pandas()
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    return np.column_stack([np.ones(len(data.endog)), data.exog[names].to_numpy()]), data.endog.to_numpy()


def pontius():
    return np.column_stack([np.ones(40), PONTIUS_X, PONTIUS_X**2]), PONTIUS_Y


CERTIFIED = {
    "Norris": (
        norris,
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-03],
        0.884796396144373,
        0.999993745883712,
    ),
    "Longley": (
        longley_data,
        [
            -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
            -0.0511041056535807, 1829.15146461355,
        ],
        [
            890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675,
            0.226073200069370, 455.478499142212,
        ],
        304.854073561965,
        0.995479004577296,
    ),
    "Pontius": (
        pontius,
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14],
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16],
        0.205177424076185e-03,
        None,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CERTIFIED)
def test_coefficients_are_nists_to_what_double_precision_allows(name):
    """NIST StRD, linear least squares; statsmodels' pseudo-inverse keeps at least seven digits of the hardest."""
    data, values, errors, residual_sd, r2 = CERTIFIED[name]
    columns, y = data()
    found, _, fitted = least_squares(columns, y)

    assert found == pytest.approx(values, rel=1e-7)
    scale = unit(columns)
    result = OLS(y, columns * scale).fit()
    assert scale * result.bse == pytest.approx(errors, rel=1e-7)
    assert np.sqrt(((y - fitted) ** 2).sum() / (len(y) - len(values))) == pytest.approx(residual_sd, rel=1e-8)
    if r2 is not None:
        assert result.rsquared == pytest.approx(r2, rel=1e-12)


def independent_days(columns, y):
    """Our own scatter, told that days do not hang together: then it must be the textbook's."""
    basis = independent(columns)
    rest = y - basis @ (basis.T @ y)
    df = len(y) - basis.shape[1]
    weight = np.zeros((len(PHI), len(SHARE)))
    weight[0, 0] = 1.0
    assert SHARE[0] == 0
    ordinal = FIRST.toordinal() + np.arange(float(len(y)))
    return Noise(ordinal, Growth(0.0, 1.0), np.ones(len(y)), weight, np.full_like(weight, rest @ rest / df), df)


@pytest.mark.parametrize("name", CERTIFIED)
def test_variances_of_sums_over_days_give_nists_standard_errors(name):
    data, _, errors, *_ = CERTIFIED[name]
    columns, y = data()
    noise = independent_days(columns, y)

    assert np.sqrt(noise.variances(solver(columns).T)[0, 0]) == pytest.approx(errors, rel=1e-6)


def test_the_guides_thermometer():
    """JCGM 100:2008 (GUM), annex H.3: intercept, slope, their errors and the correction at 30 degrees."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    columns = np.column_stack([np.ones(11), t - 20])
    found, _, _ = least_squares(columns, b)
    fit = solver(columns)
    contrasts = np.column_stack([fit.T, fit.T @ [1.0, 10.0]])
    errors = np.sqrt(independent_days(columns, b).variances(contrasts)[0, 0])

    assert found == pytest.approx([-0.17120379, 0.00218270], abs=5e-9)
    assert errors == pytest.approx([0.00287760, 0.00066794, 0.00413860], abs=5e-9)
    assert found @ [1, 10] == pytest.approx(-0.14937681, abs=5e-9)
