"""A watt-hour has two prices: its share of the bill, and what not using it would have saved."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.prices import DAY, HOUR, KWH, MINUTE, UTC_ZONE, D, band, banded, flat, ms, schedule, uses
from wattround.money.invoice import invoice
from wattround.money.price import Block, Blocks, Dynamic, Flat, Series, Source, block_cost
from wattround.money.schedule import Tariff
from wattround.money.twoprices import (
    Exchange,
    Slot,
    Worth,
    average_price,
    bought_part,
    marginal,
    running_cost,
    share,
    spread,
)

STEPS = (Block(100 * KWH, D("0.12")), Block(300 * KWH, D("0.18")), Block(None, D("0.27")))


def nothing_bought(_from_ms, _to_ms):
    return 0


def minutes(uwh, exchanges, begin=0):
    return [Slot(begin + at * MINUTE, begin + (at + 1) * MINUTE, uwh, each) for at, each in enumerate(exchanges)]


def worth(of, slots, bought=nothing_bought):
    return marginal(of, slots, 10 * DAY, bought)


def test_while_the_house_buys_a_watt_hour_saves_what_it_costs_tax_included():
    of = flat("0.20", export=Flat(D("0.08")), tax_percent=D(10))

    assert worth(of, minutes(KWH, [Exchange(2 * KWH, 0)])) == Worth(D("0.22"), 0)


def test_while_it_gives_back_a_watt_hour_would_only_have_earned_its_credit():
    of = flat("0.20", export=Flat(D("0.08")), tax_percent=D(10))

    assert worth(of, minutes(KWH, [Exchange(0, 3 * KWH, 4 * KWH)])) == Worth(D("0.08"), 0)


def test_where_nothing_is_paid_for_what_is_given_back_waste_of_it_costs_nothing():
    assert worth(flat("0.20", export=Flat(D(0))), minutes(KWH, [Exchange(0, KWH)])) == Worth(D(0), 0)


def test_a_house_whose_export_is_not_looked_at_buys_everything():
    assert worth(flat("0.20"), minutes(KWH, [Exchange(0, KWH)])) == Worth(D("0.20"), 0)


@pytest.mark.parametrize(
    ("uwh", "exchange", "bought"),
    [
        (100, None, 100),  # not known
        (100, Exchange(90, 0), 100),  # the clamp reads less than the plug, and nothing is generated
        (100, Exchange(500, 0, 300), 100),
        (100, Exchange(40, 0, 300), 40),  # the roof makes up for the rest: it would have been given back
        (100, Exchange(0, 50, 300), 0),
        (100, Exchange(0, 0, 300), 0),
        (40, Exchange(50, 50, 100), 20),  # half of the minute it bought
        (400, Exchange(50, 50, 500), 50),
    ],
)
def test_how_much_of_a_load_was_bought(uwh, exchange, bought):
    assert bought_part(Slot(0, MINUTE, uwh, exchange)) == bought


def test_each_minute_has_the_price_of_its_band():
    of = schedule(banded(band("night", "0.10", "22:00-06:00"), band("day", "0.30")))
    begin = ms("2026-06-01 21:30")
    slots = [Slot(at, at + MINUTE, KWH // 60) for at in range(begin, begin + HOUR, MINUTE)]

    assert worth(of, slots) == Worth((D("0.30") + D("0.10")) * 30 * (KWH // 60) / KWH, 0)


def test_an_hour_in_which_the_price_changes_is_split_by_time():
    of = schedule(banded(band("night", "0.10", "22:15-06:00"), band("day", "0.30"), export=Flat(D(0))))
    hour = Slot(ms("2026-06-01 22:00"), ms("2026-06-01 23:00"), KWH, Exchange(KWH, KWH))

    assert worth(of, [hour]) == Worth((D("0.30") * D("0.25") + D("0.10") * D("0.75")) / 2, 0)


def test_what_has_no_known_price_is_counted_apart():
    prices = Dynamic(Source("signal", "spot"), series=Series((0,), (D("0.40"),), HOUR))
    of = schedule(Tariff("", None, prices, Flat(D("0.05"))), zone=UTC_ZONE)

    assert worth(of, [Slot(0, 2 * HOUR, 2 * KWH)]) == Worth(D("0.40"), KWH)
    assert worth(of, [Slot(HOUR, 2 * HOUR, 2 * KWH, Exchange(KWH, KWH))]) == Worth(D("0.05"), KWH)


def test_with_blocks_the_dearest_kilowatt_hours_would_have_been_saved_first():
    of = schedule(Tariff("", None, Blocks(STEPS), tax_percent=D(10)), zone=UTC_ZONE)
    slot = [Slot(0, HOUR, 50 * KWH)]

    assert worth(of, slot, lambda *_: 320 * KWH) == Worth((20 * D("0.27") + 30 * D("0.18")) * D("1.1"), 0)
    assert worth(of, slot, lambda *_: 60 * KWH) == Worth(50 * D("0.12") * D("1.1"), 0)
    assert worth(of, slot) == Worth(50 * D("0.12") * D("1.1"), 0)  # more than was bought: all of it


def test_with_blocks_each_billing_period_has_its_own():
    of = schedule(Tariff("", None, Blocks(STEPS)), zone=UTC_ZONE)
    border = ms("2026-06-01 00:00", UTC_ZONE)
    slots = [Slot(border - HOUR, border + HOUR, 20 * KWH)]

    def bought(from_ms, _to_ms):
        return 310 * KWH if from_ms < border else 10 * KWH

    assert marginal(of, slots, border + HOUR, bought) == Worth(10 * D("0.27") + 10 * D("0.12"), 0)


def test_a_pattern_is_spread_over_what_is_known_to_have_been_wasted():
    known = [Slot(0, 1, 10, Exchange(20, 0, 4)), Slot(1, 2, 0), Slot(2, 3, 30)]

    assert spread(known, 80, 0, 3) == [Slot(0, 1, 20, Exchange(40, 0, 8)), Slot(2, 3, 60)]
    assert spread([], 80, 5, 9) == [Slot(5, 9, 80)]
    assert spread([], 80, 5, 5) == [Slot(5, 6, 80)]


def test_a_draw_that_goes_on_is_priced_hour_by_hour():
    """120 W for 24 hours: 8 by night, 16 by day."""
    of = schedule(banded(band("night", "0.10", "22:00-06:00"), band("day", "0.30")))
    found = running_cost(of, D("120"), ms("2026-06-01 13:00"), ms("2026-06-02 13:00"), nothing_bought)

    assert found == Worth(D("0.12") * (8 * D("0.10") + 16 * D("0.30")), 0)


def test_a_draw_that_goes_on_fills_the_block_that_the_house_has_come_to():
    of = schedule(Tariff("", None, Blocks(STEPS)), zone=UTC_ZONE)
    found = running_cost(
        of, D("1000"), ms("2026-06-05 00:00", UTC_ZONE), ms("2026-06-06 00:00", UTC_ZONE), lambda *_: 90 * KWH
    )

    assert found == Worth(10 * D("0.12") + 14 * D("0.18"), 0)


def test_a_share_of_the_bill_is_the_same_for_every_watt_hour_used_together():
    assert share(KWH, 4 * KWH, 2 * KWH, D("0.30")) == D("0.15")
    assert share(0, 0, 0, D("0.30")) == 0
    assert average_price(STEPS, 200 * KWH) == D("0.15")
    assert average_price(STEPS, 0) == D("0.12")


# common practice, no source
def test_a_load_that_draws_3_73_kwh_less_a_day_saves_0_64():
    of = flat("0.1709")
    slots = [Slot(at, at + MINUTE, int(D("3.73") * KWH) // 1440) for at in range(0, DAY, MINUTE)]

    assert worth(of, slots).amount.quantize(D("0.01")) == D("0.64")


# -- properties -------------------------------------------------------------------------------------

POWERS = st.lists(st.integers(0, 5_000_000), min_size=24, max_size=24)


@settings(max_examples=30, deadline=None)
@given(POWERS, st.decimals("0.01", "2", places=4), st.integers(0, 30))
def test_everything_off_saves_the_variable_part_of_the_bill_of_a_flat_tariff(bought, price, tax):
    of = flat(price, tax_percent=D(tax), standing_per_day=D("0.3"), export=Flat(D("0.07")))
    begin, end = ms("2026-03-29 00:00"), ms("2026-03-31 00:00")
    slots = [
        Slot(at, at + MINUTE, uwh, Exchange(uwh, 0))
        for at in range(begin, end, MINUTE)
        for uwh in [bought[at // HOUR % 24]]
    ]
    bill = invoice(of, begin, end, uses(of, begin, end, lambda at: bought[at // HOUR % 24]))
    energy = sum((line.exact for line in bill.lines if line.kind == "energy"), D(0))

    assert abs(worth(of, slots).amount - energy * (100 + tax) / 100) < D("1e-18")


@settings(max_examples=30, deadline=None)
@given(POWERS, st.integers(0, 10**12))
def test_everything_off_saves_the_variable_part_of_a_bill_in_blocks(bought, more):
    of = schedule(Tariff("", None, Blocks(STEPS)), zone=UTC_ZONE)
    slots = [Slot(at, at + HOUR, 100 * bought[at // HOUR % 24]) for at in range(0, 10 * DAY, HOUR)]
    total = sum(slot.uwh for slot in slots)

    assert worth(of, slots, lambda *_: total).amount == block_cost(STEPS, 0, total)
    assert worth(of, slots, lambda *_: total + more).amount == block_cost(STEPS, more, total)


@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**9)), min_size=1, max_size=30), st.integers(0, 10**12))  # fmt: skip
def test_a_spread_adds_up_and_nothing_bought_is_more_than_was_used(rows, total):
    slots = [Slot(at, at + 1, uwh, Exchange(*flows)) for at, (uwh, *flows) in enumerate(rows)]

    assert sum(slot.uwh for slot in spread(slots, total, 0, len(slots))) == total
    assert all(0 <= bought_part(slot) <= slot.uwh for slot in slots)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**10), st.integers(1, 5 * DAY), st.integers(0, DAY))
def test_a_slot_that_is_cut_loses_nothing(uwh, length, offset):
    of = schedule(banded(band("a", "1", "22:00-06:00"), band("b", "1")))

    assert worth(of, [Slot(offset, offset + length, uwh)]).amount == D(uwh) / KWH
