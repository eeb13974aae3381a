"""From weeks to a year: the mean, an honest range, and when a price is earned."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.analysis.whatif.yearly import (
    DAY_MS,
    DRAWS,
    HIGH,
    LOW,
    YEAR_DAYS,
    Part,
    Payback,
    Year,
    cents,
    payback,
    year,
)


def days_of(amounts, covered=1.0):
    return [Part(each, round(DAY_MS * covered), DAY_MS) for each in amounts]


def weeks_of(amounts):
    """Days of which each week is worth so much."""
    return days_of([each / 7 for each in amounts for _ in range(7)])


def test_what_is_the_same_every_week_has_no_range():
    found = year(weeks_of([7.0] * 52))

    assert (found.unit, found.seen, found.is_whole) == ("week", 52, True)
    assert [found.mean, found.least, found.most] == pytest.approx([YEAR_DAYS] * 3)


def test_time_that_was_not_covered_is_taken_to_be_like_the_rest():
    assert year(days_of([0.75] * 364, covered=0.75)).mean == pytest.approx(YEAR_DAYS)


def test_a_morning_is_not_like_its_day():
    """The last day has only its first hours, in which the load drew nothing."""
    whole = days_of([1.0] * 28)

    assert year([*whole, Part(0.0, DAY_MS // 4, DAY_MS)]) == year(whole)
    assert year([Part(0.0, 0, DAY_MS), *whole]) == year(whole)


def test_part_of_a_year_says_that_the_other_weeks_may_be_like_the_least_or_the_most():
    """20 weeks at 10 and 6 at 2: 26.18 weeks of a year were not seen."""
    found = year(weeks_of([10.0] * 20 + [2.0] * 6))
    unseen = YEAR_DAYS / 7 - 26

    assert (found.unit, found.seen, found.is_whole) == ("week", 26, False)
    assert found.mean == pytest.approx(212 * YEAR_DAYS / 182)
    assert found.least < 212 + 2 * unseen + 1e-9
    assert found.most > 212 + 10 * unseen - 1e-9
    assert found.least >= 2 * YEAR_DAYS / 7
    assert found.most <= 10 * YEAR_DAYS / 7 + 1e-9


def test_a_fortnight_is_a_pace_and_no_season():
    found = year(days_of([0.0] * 7 + [4.0] * 7))

    assert (found.unit, found.seen, found.is_whole) == ("day", 14, False)
    assert found.mean == pytest.approx(2 * YEAR_DAYS)
    assert found.least < 0.1 * found.mean
    assert found.most > 1.9 * found.mean


def test_too_few_days_have_no_range():
    found = year(days_of([1.0, 2.0, 3.0]))

    assert (found.mean, found.least, found.most) == (pytest.approx(2 * YEAR_DAYS), None, None)
    assert year([Part(0.0, 0, DAY_MS)] * 40) == Year(None, None, None, "", 0)


def test_weeks_of_which_little_was_heard_are_not_among_them():
    quiet = [Part(100.0, DAY_MS // 3, DAY_MS)] * 7

    assert year([*weeks_of([7.0] * 10), *quiet, *weeks_of([7.0] * 10)]).seen == 20


def test_the_range_is_that_of_a_moving_block_bootstrap():
    """Against numpy, with dice of its own: 2000 years of thirteen blocks of four neighbours, of 52 seasonal weeks."""
    weeks = 10 + 6 * np.sin(np.arange(52) / 52 * 2 * np.pi) + np.random.default_rng(5).normal(0, 1.5, 52)
    found = year(weeks_of(weeks.tolist()))

    dice = np.random.default_rng(9)
    starts = dice.integers(0, 52, (2 * DRAWS, 13))
    years = weeks[(starts[:, :, None] + np.arange(4)) % 52].sum(axis=(1, 2)) * (YEAR_DAYS / 364)
    low, high = np.quantile(years, [LOW, HIGH])
    spread = high - low
    assert found.least == pytest.approx(low, abs=0.12 * spread)
    assert found.most == pytest.approx(high, abs=0.12 * spread)
    assert found.mean == pytest.approx(weeks.mean() * YEAR_DAYS / 7)
    # neighbours hold together: drawn one by one the range would be much narrower
    alone = weeks[dice.integers(0, 52, (2 * DRAWS, 52))].sum(axis=1)
    assert found.most - found.least > 1.3 * (np.quantile(alone, HIGH) - np.quantile(alone, LOW))


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=500), st.floats(0.5, 1.0))
def test_the_mean_lies_within_its_range_and_the_range_within_what_was_seen(amounts, covered):
    found = year(days_of(amounts, covered))

    assert found.mean == pytest.approx(sum(amounts) / len(amounts) / covered * YEAR_DAYS, abs=0.1)
    if found.least is not None:
        assert found.least <= found.mean <= found.most
        assert found.least >= min(amounts) / covered * YEAR_DAYS - 1
        assert found.most <= max(amounts) / covered * YEAR_DAYS + 1
    assert found == year(days_of(amounts, covered))


def test_simple_payback():
    assert payback(Decimal(120), Year(40.0, 30.0, 60.0, "week", 52)) == Payback(3.0, 2.0, 4.0)
    assert payback(Decimal(120), Year(40.0, None, None, "day", 3)) == Payback(3.0, None, None)
    assert payback(Decimal(120), Year(10.0, -5.0, 60.0, "week", 52)) == Payback(12.0, 2.0, None)
    # what saves nothing never pays
    assert payback(Decimal(120), Year(-10.0, -20.0, -5.0, "week", 52)) == Payback(None, None, None)
    assert payback(Decimal(120), Year(0.0, -20.0, 6.0, "week", 52)) == Payback(None, 20.0, None)
    assert payback(Decimal(120), Year(None, None, None, "", 0)) == Payback(None, None, None)


def test_cents_are_never_negative_nothing():
    assert [str(cents(each)) for each in (-0.001, 0.0, 1.005, -2.5)] == ["0.00", "0.00", "1.01", "-2.50"]
    assert cents(None) is None
