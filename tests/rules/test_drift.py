"""The cumulative sum of the running daemon, against published run lengths and a Kalman filter of statsmodels."""

import random
from datetime import date, timedelta
from math import sqrt

import numpy as np
import pytest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from wattround.rules.drift import CLIP, DriftRule, DriftState, Expectation, follow

DAY = date(2025, 3, 3)
FLAT = Expectation(100.0, (0.0,) * 7)


def rule(**changed):
    settings = {
        "expectation": FLAT, "sigma_wh": 10.0, "proportion": 0.0, "level_wh": 100.0, "phi": 0.0, "lingering": 0.0,
        "allowance": 0.5, "threshold": 4.0, **changed,
    }  # fmt: skip
    return DriftRule(**settings)


def run(made, energies, begin=DAY, state=None, **told):
    state = state or DriftState()
    for at, energy in enumerate(energies):
        state = follow(made, state, begin + timedelta(days=at), energy, **told)
    return state


def test_the_sum_by_hand():
    """k = 0.5, standardised days 1, 2, -1: 0.5, 2.0, 0.5."""
    assert run(rule(), [110.0]).cumulated == pytest.approx(0.5)
    assert run(rule(), [110.0, 120.0]).cumulated == pytest.approx(2.0)
    assert run(rule(), [110.0, 120.0, 90.0]).cumulated == pytest.approx(0.5)
    assert run(rule(), [110.0, 20.0]).cumulated == 0.0


@pytest.mark.parametrize(("shift", "run_length"), [(0.0, 335.4), (1.0, 8.34), (2.0, 3.34)])
def test_run_lengths_are_the_published_ones(shift, run_length):
    """One-sided k = 0.5, h = 4: 335.37 days in control, 8.34 and 3.34 with a shift of 1 and 2 (Montgomery's tables for
    two sides, 168, 8.38, 3.34, doubled in control; from memory). Clipping at three deviations hardly matters."""
    source = random.Random(1)
    lengths = []
    for _ in range(400 if shift == 0 else 1500):
        state, count = DriftState(), 0
        while not state.worn_off:
            state = follow(rule(), state, DAY + timedelta(days=count), 100 + 10 * (source.gauss() + shift))
            count += 1
        lengths.append(count)
    assert np.mean(lengths) == pytest.approx(run_length, rel=0.15 if shift == 0 else 0.06)


def test_surprises_are_those_of_a_kalman_filter():
    """statsmodels' state space model: a first-order autoregression and noise, its standardised forecast errors."""
    phi, lingering = 0.8, 0.6
    source = np.random.default_rng(2)
    y = source.standard_normal(60) * 0.8
    model = UnobservedComponents(y, irregular=True, autoregressive=1)
    filtered = model.filter([1 - lingering, lingering * (1 - phi**2), phi])
    expected = filtered.standardized_forecasts_error[0]
    made, state, found = rule(phi=phi, lingering=lingering), DriftState(), []
    for at, value in enumerate(y):
        state = follow(made, state, DAY + timedelta(days=at), 100 + 10 * value)
        found.append(state.surprise)
    assert np.abs(expected).max() < CLIP
    assert found == pytest.approx(expected, abs=1e-9)


def test_a_gap_lets_what_lingers_fade():
    made = rule(phi=0.5, lingering=1.0)
    first = follow(made, DriftState(), DAY, 120.0)
    assert first.lingers == pytest.approx(2.0)
    late = follow(made, first, DAY + timedelta(days=3), 100.0)
    assert late.surprise == pytest.approx((0 - 2 * 0.5**3) / sqrt(1 - 0.5**6))
    forgotten = follow(made, first, DAY + timedelta(days=61), 110.0)
    assert forgotten.surprise == pytest.approx(1.0)


def test_one_day_counts_for_no_more_than_three_deviations():
    state = run(rule(), [10_000.0])
    assert (state.surprise, state.cumulated, state.worn_off) == (CLIP, CLIP - 0.5, False)


def test_it_stays_said_once_it_is_said():
    state = run(rule(), [140.0] * 3 + [60.0] * 10)
    assert state.worn_off
    assert state.cumulated == 0.0


def test_days_out_of_order_or_without_what_is_needed_change_nothing():
    state = run(rule(), [110.0])
    assert follow(rule(), state, DAY, 500.0) is state
    assert follow(rule(), state, DAY - timedelta(days=1), 500.0) is state
    cold = Expectation(100.0, (0.0,) * 7, 15.0, 10.0, None, 0.0, (), -5.0, 25.0)
    unknown = rule(expectation=cold)
    assert follow(unknown, state, DAY + timedelta(days=1), 500.0) is state
    assert follow(unknown, state, DAY + timedelta(days=1), 500.0, -9.0) is state
    assert follow(unknown, state, DAY + timedelta(days=1), 150.0, 10.0).days == 2


def test_an_expectation_is_a_sum_over_what_is_known():
    made = Expectation(100.0, (1.0, 2, 3, 4, 5, 6, 7), 15.0, 10.0, 20.0, 30.0, (("shown", 50.0),), -10.0, 40.0)
    assert made.of(DAY, 12.0, {"shown": 0.5}) == 100 + 1 + 30 + 25
    assert made.of(DAY + timedelta(days=6), 22.0, {"shown": 0.0}) == 100 + 7 + 60
    assert made.of(DAY, 12.0, {}) is None
    assert made.of(DAY, 41.0, {"shown": 0.0}) is None


def test_scatter_grows_with_what_is_expected():
    made = rule(proportion=0.75)
    assert made.scatter_wh(100.0) == pytest.approx(10.0)
    assert made.scatter_wh(200.0) == pytest.approx(10 * sqrt(0.25 + 0.75 * 4))
    assert made.scatter_wh(-5.0) == pytest.approx(5.0)
