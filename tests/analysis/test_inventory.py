"""What the listed loads come to, with how far that may be off; and how much of a circuit they are."""

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from support.house import settings_of
from wattround.analysis.inventory import (
    DAYS_A_YEAR,
    Amount,
    Prices,
    explained,
    kwh_a_year,
    money_a_year,
    prices_of,
    total,
    use_of,
)
from wattround.core.inventory import Load
from wattround.core.tariffs import schedule_of


def load(name="lamp", **facts):
    return Load.model_validate({"name": name, "how": "measured", **{key: str(value) for key, value in facts.items()}})


LAMP = {
    "on_w": 60,
    "on_uncertainty_w": 4,
    "standby_w": 1,
    "standby_uncertainty_w": 0.4,
    "hours_low": 2,
    "hours_high": 5,
}


def test_energy_and_its_uncertainty_are_those_of_many_such_loads():
    """Monte Carlo with numpy, the other way that the GUM allows (JCGM 101:2008)."""
    random = np.random.default_rng(1)
    hours = random.uniform(2, 5, 400_000)
    drawn = random.normal(60, 2, 400_000) * hours + random.normal(1, 0.2, 400_000) * (24 - hours)
    use = use_of(load(**LAMP))

    assert use.wh == pytest.approx(drawn.mean(), rel=0.002)
    assert use.u_wh == pytest.approx(drawn.std(), rel=0.01)
    assert kwh_a_year(use).value == pytest.approx(use.wh * 0.36525)


@pytest.mark.parametrize(
    ("facts", "limit_wh"),
    [
        ({"how": "plate", "on_w": 100, "hours_low": 24, "hours_high": 24}, 0.3 * 2400),
        ({"how": "guess", "on_w": 100, "hours_low": 24, "hours_high": 24}, 0.5 * 2400),
        ({"how": "measured", "on_w": 100, "hours_low": 24, "hours_high": 24}, 0.05 * 2400),
        ({"on_w": 100, "on_uncertainty_w": 0, "hours_low": 4, "hours_high": 4}, 100 * 2),
        ({"on_w": 100, "on_uncertainty_w": 0, "hours_low": 0, "hours_high": 0}, 0),
    ],
)
def test_what_nobody_stated_is_taken_wide(facts, limit_wh):
    """The shares are rules of thumb (common practice, no source); their limits become u = limit / sqrt(3)."""
    assert use_of(load(**facts)).u_wh == pytest.approx(limit_wh / 3**0.5)


def test_without_watts_or_hours_nothing_is_known():
    assert use_of(load(hours_low=2, hours_high=2)) is None
    assert use_of(load(on_w=60)) is None


def test_several_add_up_as_independent_ones():
    one, other = use_of(load(**LAMP)), use_of(load("heater", on_w=2000, on_uncertainty_w=40, hours_low=1, hours_high=1))

    assert total([one, other]).value == pytest.approx(one.wh + other.wh)
    assert total([one, other]).u == pytest.approx(np.hypot(one.u_wh, other.u_wh))


def test_what_a_meter_may_be_off_widens_what_it_measured():
    plain, of_meter = use_of(load(**LAMP)), use_of(load(**LAMP), 5.0)

    assert of_meter.u_wh == pytest.approx(np.hypot(plain.u_wh, 3.5 * 60 * 0.05 / 3**0.5))


# -- money ------------------------------------------------------------------------------------------

BANDS = """
[[tariffs]]
from = 2020-01-01
bands = [
    { name = "night", price_per_kwh = 0.10, between = ["22:00", "06:00"] },
    { name = "day", price_per_kwh = 0.30 },
]
tax_percent = 10
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/s" }
"""
HEAD = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\n'


def test_prices_by_the_clock_are_those_of_every_minute_of_the_year():
    """Across both changes of the clocks; pandas goes through the local minutes."""
    begin, end = datetime(2025, 6, 1, tzinfo=UTC), datetime(2026, 6, 1, tzinfo=UTC)
    found = prices_of(
        schedule_of(settings_of(BANDS, head=HEAD)), int(begin.timestamp()) * 1000, int(end.timestamp()) * 1000, None
    )
    local = pd.date_range(begin, end, freq="15min", inclusive="left").tz_convert(ZoneInfo("Europe/Berlin"))
    price = np.where((local.hour >= 22) | (local.hour < 6), 0.11, 0.33)

    assert found.by_hour == pytest.approx(pd.Series(price).groupby(local.hour).mean().to_list())


def test_a_price_that_depends_on_the_hour_makes_money_wider_but_not_for_what_always_runs():
    prices = Prices([0.1] * 12 + [0.3] * 12)

    assert prices.u(12) == pytest.approx(0.1 / 3**0.5)
    assert prices.u(18) == pytest.approx((0.3 * 12 + 0.1 * 6 - 0.1 * 12 - 0.3 * 6) / 18 / 2 / 3**0.5)
    assert prices.u(24) == pytest.approx(0.0, abs=1e-12)
    always = use_of(load(on_w=100, on_uncertainty_w=0, hours_low=24, hours_high=24))
    assert money_a_year(always, prices) == pytest.approx((2.4 * 0.2 * DAYS_A_YEAR, 0.0))


def test_prices_that_nobody_knows_are_none_and_blocks_have_their_mean():
    blocks = (
        BANDS.partition("bands")[0] + "blocks = [{ upto_kwh = 100, price_per_kwh = 0.1 }, { price_per_kwh = 0.3 }]\n"
    )
    schedule = schedule_of(settings_of(blocks + BANDS.partition("tax_percent = 10\n")[2], head=HEAD))

    assert prices_of(schedule, 1_780_000_000_000, 1_780_086_400_000, None) is None
    assert prices_of(schedule, 1_780_000_000_000, 1_780_086_400_000, Decimal("0.2")).mean == pytest.approx(0.2)


# -- what it explains -------------------------------------------------------------------------------


def test_a_circuit_is_explained_in_part():
    """71 %, between 55 and 90: the shares of the sums and their intervals, worked by hand."""
    lamp = load(**LAMP | {"hours_low": 10, "hours_high": 14, "measured": "2026-06-01T12:00+02:00"})
    use = use_of(lamp)
    found = explained("study", [lamp, load("fan", on_w=30)], 1_000_000 * 1000, 1440, 5.0)

    assert found.used_wh == pytest.approx(1000.0)
    assert found.share.value == pytest.approx(use.wh / 1000)
    assert (found.share.low, found.share.high) == pytest.approx(
        ((use.wh - 2 * use.u_wh) / 1000, (use.wh + 2 * use.u_wh) / 1000)
    )
    assert found.missing == ("fan",)
    assert found.loads == 1


def test_what_the_same_meter_measured_cancels_its_error_and_of_others_it_counts():
    measured = load(**LAMP, measured="2026-06-01T12:00+02:00")
    typed = load("typed", **LAMP | {"how": "plate"})

    assert explained("c", [measured], 10**9, 1440, 5.0).listed.u == pytest.approx(use_of(measured).u_wh)
    assert explained("c", [typed], 10**9, 1440, 5.0).listed.u == pytest.approx(
        np.hypot(use_of(typed).u_wh, 0.05 * use_of(typed).wh / 3**0.5)
    )


def test_nothing_used_has_no_share_and_nothing_is_less_than_nothing():
    assert explained("c", [load(**LAMP)], 0, 1440, 5.0).share is None
    assert Amount(1.0, 2.0).low == 0.0
