"""The search for a model: against statsmodels' own fits and criterion, and CalTRACK's rules."""

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS

from analysis.proof.invented import frame, noise, weather
from wattround.analysis.proof.fitted import fitted
from wattround.analysis.proof.search import GRID_C, search
from wattround.analysis.proof.terms import Spec, cooling_degrees, design, heating_degrees, names

YEAR = 365


def found(energy_wh, outdoor=None, **further):
    days = frame(energy_wh, outdoor, **further)
    centres = days.further.mean(axis=0)
    return days, centres, search(days, centres)


def made(outdoor, *, heating=0.0, cooling=0.0, heating_c=14.0, cooling_c=20.0, sigma=200.0, seed=1):
    energy = 3000 + heating * np.maximum(heating_c - outdoor, 0) + cooling * np.maximum(outdoor - cooling_c, 0)
    return energy + noise(len(outdoor), sigma, seed)


@pytest.mark.parametrize(
    ("truth", "shape", "heating_c", "cooling_c"),
    [
        ({"heating": 400}, "heating", 14, None),
        ({"cooling": 500}, "cooling", None, 20),
        ({"heating": 400, "cooling": 500, "heating_c": 12.0}, "heating and cooling", 12, 20),
        ({"heating": 400, "cooling": 400, "heating_c": 16.0, "cooling_c": 16.0}, "degree days", 16, 16),
        ({}, "none", None, None),
    ],
)
def test_each_shape_is_found_with_its_change_points(truth, shape, heating_c, cooling_c):
    outdoor = weather(YEAR)
    *_, model = found(made(outdoor, **truth), outdoor)
    assert model.chosen.shape == shape
    for at, true in ((model.chosen.heating_c, heating_c), (model.chosen.cooling_c, cooling_c)):
        assert (at is None) == (true is None)
        assert at == (None if true is None else pytest.approx(true, abs=1.0))


def test_the_change_point_is_the_best_of_the_grid_by_statsmodels():
    outdoor = weather(YEAR)
    days, centres, model = found(made(outdoor, heating=300), outdoor)
    squares = {}
    for base in GRID_C:
        degrees = heating_degrees(outdoor, base)
        if (degrees > 0).sum() >= 10:
            squares[base] = OLS(days.energy_wh, np.column_stack([np.ones(YEAR), degrees])).fit().ssr
    assert model.chosen == Spec("all alike", "heating", (), min(squares, key=squares.get), None)
    columns = design(model.chosen, days, centres)
    assert OLS(days.energy_wh, columns).fit().ssr == pytest.approx(min(squares.values()), rel=1e-9)


def test_weights_are_those_of_statsmodels_information_criterion():
    """Of two models without change points the odds are exp(-(BIC difference)/2)."""
    energy = 1000 + noise(120, 50.0, 9)
    days, _, model = found(energy)
    bic = []
    for classes in ("all alike", "workday and weekend", "each weekday"):
        columns = design(Spec(classes, "none"), days, np.zeros(0))
        bic.append(OLS(energy, columns).fit().bic)
    likely = np.exp(-0.5 * (np.array(bic) - min(bic)))
    alike = sum(w for spec, w in zip(model.specs, model.weights, strict=True) if spec.day_classes == "all alike")
    assert alike == pytest.approx(likely[0] / likely.sum(), abs=1 / 50)


@pytest.mark.parametrize(
    ("by_weekday", "classes"),
    [
        ((0, 0, 0, 0, 0, 0, 0), "all alike"),
        ((0, 0, 0, 0, 0, 900, 900), "workday and weekend"),
        ((600, -700, 300, 0, -400, 900, 0), "each weekday"),
    ],
)
def test_classes_of_weekdays(by_weekday, classes):
    energy = 2000 + np.resize(np.array(by_weekday, float), 180) + noise(180, 150.0)
    days, centres, model = found(energy)
    assert model.chosen.day_classes == classes
    shown = fitted(days, centres, model)
    assert shown.coefficients[0].value == pytest.approx(2000 + np.mean(by_weekday), abs=60)


def test_slopes_below_zero_do_not_qualify():
    """CalTRACK 3.4.3.2: a load that takes less in the cold is not heated by it."""
    outdoor = weather(YEAR)
    *_, model = found(6000 - 200 * np.maximum(15 - outdoor, 0) + noise(YEAR, 100.0), outdoor)
    assert model.by_shape.keys() >= {"none", "cooling"}
    assert model.chosen.heating_c is None


def test_a_base_needs_ten_days_with_degree_days():
    """CalTRACK 3.2.2.2."""
    outdoor = np.full(200, 20.0) + noise(200, 0.5)
    outdoor[:9] = np.linspace(0, 8, 9)
    energy = 1000 + 300 * np.maximum(10 - outdoor, 0) + noise(200, 2.0)
    *_, nine = found(energy, outdoor)
    assert nine.chosen.heating_c is None or (heating_degrees(outdoor, nine.chosen.heating_c) > 0).sum() >= 10
    outdoor[9:15] = np.linspace(1, 9, 6)
    energy = 1000 + 300 * np.maximum(10 - outdoor, 0) + noise(200, 2.0)
    *_, fifteen = found(energy, outdoor)
    assert fifteen.chosen.heating_c == pytest.approx(10, abs=0.5)


def test_the_cooling_point_is_never_below_the_heating_point():
    """CalTRACK 3.4."""
    outdoor = weather(YEAR)
    *_, model = found(made(outdoor, heating=200, cooling=300, sigma=1500.0), outdoor)
    pairs = [(spec.heating_c, spec.cooling_c) for spec in model.specs if spec.heating_c and spec.cooling_c]
    assert pairs
    assert all(cool >= heat for heat, cool in pairs)


def test_a_further_regressor_is_used_where_it_explains():
    random = np.random.default_rng(4)
    shown, idle = random.uniform(0, 1, 150), random.uniform(0, 1, 150)
    days, centres, model = found(1000 + 800 * shown + noise(150, 60.0), None, shown=shown, idle=idle)
    assert model.chosen.further == (0,)
    assert names(model.chosen, days.names) == ("intercept", "shown")
    intercept, slope = fitted(days, centres, model).coefficients
    assert slope.value == pytest.approx(800, abs=4 * slope.standard_error)
    assert intercept.value == pytest.approx(days.energy_wh.mean())  # with the regressor at its usual


def test_weights_add_up_and_are_spread_over_likely_change_points():
    outdoor = weather(90)
    days, centres, model = found(made(outdoor, heating=60, sigma=400.0), outdoor)
    assert model.weights.sum() == pytest.approx(1)
    assert sum(model.by_shape.values()) == pytest.approx(1)
    assert len({spec.heating_c for spec in model.specs}) > 3
    point = fitted(days, centres, model).heating
    assert point is None or point.low_c <= point.value_c <= point.high_c


def test_no_day_of_some_weekday_is_no_obstacle():
    days = frame(1000 + noise(200, 50.0))
    worked = days.take(days.weekday < 5)
    assert search(worked, np.zeros(0)).chosen.shape == "none"


def test_degree_columns_have_their_units():
    days = frame(np.zeros(3), np.array([5.0, 15.0, 25.0]))
    spec = Spec("all alike", "heating and cooling", (), 12.0, 20.0)
    assert design(spec, days, np.zeros(0)).tolist() == [[1, 7, 0], [1, 0, 0], [1, 0, 5]]
    assert cooling_degrees(np.array([25.0]), 20.0) == 5
