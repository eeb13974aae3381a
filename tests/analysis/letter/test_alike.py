"""Days alike, held against pandas; and when nothing is said."""

from datetime import date, timedelta
from math import sqrt

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.analysis.letter.alike import LEAST, NEAR_K, NEAREST, expected, week

MONDAY = date(2026, 3, 23)
PAST = [MONDAY - timedelta(days=back) for back in range(1, 401)]
"""Further back than a year."""


def a_past(seed):
    """Days with some gaps, temperatures for most of them."""
    frame = pd.DataFrame({"day": [*PAST, *(MONDAY + timedelta(days=on) for on in range(7))]})
    mix = pd.util.hash_pandas_object(frame["day"].astype(str) + str(seed), index=False)
    frame["wh"] = (mix % 9_000).astype(float) + 1000
    frame["c"] = (mix // 9_000 % 300).astype(float) / 10
    return frame[mix // 7 % 10 > 0], frame[mix // 11 % 8 > 0]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("day", [MONDAY, MONDAY + timedelta(days=5)])
def test_an_expectation_is_the_mean_of_the_nearest_days_of_its_kind(seed, day):
    energy, outdoor = a_past(seed)
    known_c = dict(zip(outdoor["day"], outdoor["c"], strict=True)) | {day: 14.2}
    found = expected(day, MONDAY, dict(zip(energy["day"], energy["wh"], strict=True)), known_c)

    both = energy.drop(columns="c").merge(outdoor[["day", "c"]], on="day")
    weekend = pd.to_datetime(both["day"]).dt.day_of_week >= 5
    both = both[(weekend == (day.weekday() >= 5)) & (both["day"] < MONDAY)]
    both = both[both["day"] >= MONDAY - timedelta(days=365)]
    both["off"] = (both["c"] - 14.2).abs()
    near = both[both["off"] <= NEAR_K].sort_values(["off", "day"], ascending=[True, False]).head(NEAREST)
    assert found.by == "temperature"
    assert list(found.like) == list(near["day"])
    assert found.mean_wh == pytest.approx(near["wh"].mean())
    assert found.variance_wh2 == pytest.approx(near["wh"].var())


def test_without_a_temperature_the_last_same_weekdays_are_alike():
    took = {day: float(at) for at, day in enumerate(PAST)}
    found = expected(MONDAY, MONDAY, took, {})

    assert found.by == "weekday"
    assert list(found.like) == [MONDAY - timedelta(days=7 * back) for back in range(1, NEAREST + 1)]


def test_with_weather_that_was_never_seen_the_same_weekdays_are_alike():
    took = dict.fromkeys(PAST, 100.0)
    found = expected(MONDAY, MONDAY, took, {**dict.fromkeys(PAST, 20.0), MONDAY: 20.0 + NEAR_K + 0.1})

    assert found.by == "weekday"


@given(st.integers(0, LEAST - 1))
def test_of_too_few_days_nothing_is_expected(number):
    took = {MONDAY - timedelta(days=7 * back): 100.0 for back in range(1, number + 1)}

    assert expected(MONDAY, MONDAY, took, {}) is None
    assert week([MONDAY], MONDAY, {**took, MONDAY: 100.0}, {}) is None


def test_no_day_counts_that_is_over_a_year_ago_or_not_before_the_week():
    old = {MONDAY - timedelta(days=7 * back): 9.9 for back in range(53, 60)}
    later = {MONDAY + timedelta(days=7 * on): 9.9 for on in range(5)}

    assert expected(MONDAY, MONDAY, {**old, **later}, {}) is None


def test_a_week_is_the_sum_of_its_days_that_were_heard():
    days = [MONDAY + timedelta(days=on) for on in range(7)]
    took = {day: 100.0 + 7 * (at % 5) for at, day in enumerate(PAST)} | dict.fromkeys(days[:6], 120.0)
    found = week(days, MONDAY, took, {})

    single = [expected(day, MONDAY, took, {}) for day in days[:6]]
    assert found.days == days[:6]
    assert found.took_wh == 720
    assert found.expected_wh == pytest.approx(sum(each.mean_wh for each in single))
    # a new value beside the mean of n others: variance (1 + 1/n) (prediction interval, ISO 16269-8, from memory)
    assert found.scatter_wh == pytest.approx(sqrt(sum(1.2 * each.variance_wh2 for each in single)))
    assert found.like == len({like for each in single for like in each.like})
