"""Money is exact until it is written down, and a sum that is split adds up again."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.prices import KWH, D
from wattround.money.amount import amount_text, apportion, cost, to_cents


@pytest.mark.parametrize(
    ("exact", "written"),
    [
        ("0.005", "0.01"),
        ("0.015", "0.02"),
        ("0.0149999", "0.01"),
        ("-0.005", "-0.01"),
        ("2.134541", "2.13"),
        ("0", "0.00"),
    ],
)
def test_amounts_are_rounded_to_the_cent_half_up_as_on_an_invoice(exact, written):
    assert str(to_cents(D(exact))) == written


def test_an_amount_is_written_with_its_currency():
    assert amount_text(D("0.4151"), "EUR") == "0.42 EUR"


def test_energy_is_priced_to_the_last_microwatt_hour():
    assert cost(D("0.123456789"), 1) == D("0.000000000123456789")
    assert cost(D("0.30"), 12 * KWH) == D("3.60")


# US DOE's formula, kWh = W x h / 1000 and cost = kWh x rate, with the worked examples of public energy handbooks
# (check values, section 6)
@pytest.mark.parametrize(
    ("watts", "hours", "kwh", "cents", "dollars"),
    [
        (200, 4 * 120, 96, "8.5", "8.16"),  # window fan, 4 h on 120 days
        (270, 4 * 365, "394.2", "8.5", "33.51"),  # computer and monitor, 4 h a day
    ],
)
def test_the_examples_of_the_handbooks(watts, hours, kwh, cents, dollars):
    uwh = watts * hours * 1_000_000

    assert D(uwh) / KWH == D(kwh)
    assert to_cents(cost(D(cents) / 100, uwh)) == D(dollars)


def test_a_refrigerator_of_1200_watts_at_a_fifth_of_the_time_takes_5_76_kwh_a_day():
    assert D(1200 * 24 * 20 // 100) / 1000 == D("5.76")


# EIA-861 for 2020, average monthly bills: the published inputs are rounded, so the bill is met to within that
@pytest.mark.parametrize(
    ("kwh", "cents", "bill"),
    [(567, "19.54", "110.79"), (873, "12.29", "107.30"), (883, "12.85", "113.52"), (1142, "11.27", "128.64")],
)
def test_average_bills_of_four_states(kwh, cents, bill):
    least = cost((D(cents) - D("0.005")) / 100, (kwh * 2 - 1) * KWH // 2)
    most = cost((D(cents) + D("0.005")) / 100, (kwh * 2 + 1) * KWH // 2)

    assert least <= D(bill) <= most


# common practice, no source
@pytest.mark.parametrize(
    ("kwh_a_day", "cents", "a_day", "long", "days"),
    [
        ("12.49", "17.09", "2.14", 64, 30), ("22.67", "17.09", "3.87", 116, 30), ("3.73", "17.09", "0.64", None, None),
        ("21.33", "17.09", "3.65", 1331, 365),
    ],
)  # fmt: skip
def test_figures_of_common_practice(kwh_a_day, cents, a_day, long, days):
    uwh = int(D(kwh_a_day) * KWH)

    assert abs(cost(D(cents) / 100, uwh) - D(a_day)) <= D("0.01")
    if days is not None:
        assert abs(cost(D(cents) / 100, uwh) * days - long) < 1


@given(st.integers(-10_000_000, 10_000_000), st.lists(st.integers(0, 10**13), min_size=1, max_size=40))
def test_what_is_split_adds_up_to_the_cent_and_nobody_is_off_by_more_than_one(cents, weights):
    amount = D(cents) / 100
    if not any(weights):
        weights = [1, *weights]

    parts = apportion(amount, weights)

    assert sum(parts) == amount
    assert all(part == to_cents(part) for part in parts)
    whole = sum(weights)
    assert all(
        abs(part - amount * weight / whole) < D("0.01") + D("1e-15")
        for part, weight in zip(parts, weights, strict=True)
    )
    assert all(part == 0 for part, weight in zip(parts, weights, strict=True) if weight == 0)


def test_nothing_is_split_by_nobody():
    assert apportion(Decimal(0), [0, 0]) == [0, 0]
    with pytest.raises(ValueError, match="weights"):
        apportion(Decimal(1), [0])
    with pytest.raises(ValueError, match="weights"):
        apportion(Decimal(1), [2, -1])
