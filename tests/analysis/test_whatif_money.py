"""What other minutes would have cost: the difference of two bills, and a few of them worked out by hand."""

from array import array
from decimal import Decimal

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.prices import BERLIN, DAY, HOUR, KWH, MINUTE, D, band, banded, flat, ms, schedule
from wattround.analysis.whatif.change import Effect
from wattround.analysis.whatif.rebill import Saved, dearest, rebilled, split
from wattround.money.amount import to_cents
from wattround.money.invoice import Used, invoice
from wattround.money.price import Block, Blocks, Dynamic, Flat, Series, Source
from wattround.money.schedule import Tariff
from wattround.money.twoprices import Exchange, Slot, bought_part, marginal

MONDAY = ms("2026-06-01 00:00")
BLOCKS = (Block(100 * KWH, D("0.10")), Block(300 * KWH, D("0.20")), Block(None, D("0.30")))


def saved(of, less, more=None, *, exchanges=None, bought=0, from_ms=MONDAY, days=1, until_ms=None):
    """What minutes from a midnight on save, all days together."""
    length = len(less)
    effect = Effect(array("q", less), array("q", more or [0] * length))
    edges = [(from_ms + at * DAY, from_ms + (at + 1) * DAY) for at in range(days)]
    buys = bought if callable(bought) else lambda _from_ms, _to_ms: bought
    look = (
        None
        if exchanges is None
        else lambda first, stop: {at: exchanges[at] for at in range(first, stop) if at in exchanges}
    )
    (found,) = rebilled([effect], from_ms // MINUTE, edges, of, look, buys, until_ms or edges[-1][1])
    return Saved(*map(sum, zip(*found, strict=True)))


def evenly(kwh, minutes=1440):
    return [round(kwh * KWH / minutes)] * minutes


# -- figures of others ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kwh_a_day", "a_day", "a_month"),
    # common practice, no source: "about" so much for energies that a house no longer takes, at 17.09 cents a kWh
    [(12.49, 2.14, 64), (22.67, 3.87, 116), (3.73, 0.64, 19), (21.33, 3.65, 109)],
)
def test_energy_times_price(kwh_a_day, a_day, a_month):
    of = flat("0.1709")
    one = saved(of, evenly(kwh_a_day))
    month = saved(of, evenly(kwh_a_day) * 30, days=30)

    assert float(one.amount) == pytest.approx(a_day, abs=0.006)
    assert round(month.amount) == a_month
    assert one.amount == one.marginal
    assert kwh_a_day != 21.33 or round(one.amount * 365) == 1331


def test_examples_of_the_us_department_of_energy():
    """US DOE, as restated by a county utility: 96 kWh at 8.5 cents cost 8.16, 394.2 kWh cost 33.51."""
    of = flat("0.085")

    assert to_cents(saved(of, evenly(96.0)).amount) == D("8.16")
    assert to_cents(saved(of, evenly(394.2)).amount) == D("33.51")


# -- by hand --------------------------------------------------------------------------------------


def test_what_moves_costs_the_price_of_where_it_goes():
    of = schedule(banded(band("night", "0.10", "22:00-06:00"), band("day", "0.30"), tax_percent=D(20)))
    less, more = [0] * 1440, [0] * 1440
    less[720:780], more[60:120] = [KWH // 60] * 60, [KWH // 60] * 60

    assert saved(of, less, more).amount == pytest.approx(D("0.24"), abs=D("1e-6"))


def test_what_a_roof_would_have_given_back_earns_its_credit():
    """In this hour the house gave back 2 kWh and bought nothing; then it bought 1 kWh with the roof at work."""
    of = flat("0.30", export=Flat(D("0.08")))
    begin = MONDAY // MINUTE
    exchanges = {begin + at: Exchange(0, 2 * KWH // 60, 3 * KWH // 60) for at in range(60)}
    exchanges |= {begin + 60 + at: Exchange(KWH // 60, 0, KWH // 60) for at in range(60)}
    used = [KWH // 60] * 60

    assert saved(of, used + [0] * 1380, exchanges=exchanges).amount == pytest.approx(D("0.08"), abs=D("1e-6"))
    assert saved(of, [0] * 60 + used + [0] * 1320, exchanges=exchanges).amount == pytest.approx(
        D("0.30"), abs=D("1e-6")
    )
    # and the other way round: into the hour of the sun
    into = saved(of, [0] * 60 + used + [0] * 1320, used + [0] * 1380, exchanges=exchanges)
    assert into.amount == pytest.approx(D("0.22"), abs=D("1e-6"))


def test_what_is_not_bought_cannot_be_more_than_was_bought():
    """1.5 kWh less where only 1 was bought: half a kWh is given back. Its marginal price says 1.5 kWh bought."""
    of = flat("0.30", export=Flat(D("0.08")))
    begin = MONDAY // MINUTE
    exchanges = {begin + at: Exchange(KWH // 60, 0, KWH // 60) for at in range(60)}
    found = saved(of, [3 * KWH // 120] * 60 + [0] * 1380, exchanges=exchanges)

    assert found.amount == pytest.approx(D("0.34"), abs=D("1e-6"))
    assert found.marginal == pytest.approx(D("0.45"), abs=D("1e-6"))


def test_a_block_that_is_crossed_is_billed_again():
    """350 kWh were bought in June; 100 less are 50 at 0.30 and 50 at 0.20."""
    of = schedule(Tariff("", None, Blocks(BLOCKS), tax_percent=D(10)))
    large = saved(of, evenly(100.0), bought=350 * KWH)
    small = saved(of, evenly(10.0), bought=350 * KWH)

    assert large.amount == pytest.approx(D("27.5"), abs=D("1e-5"))
    assert large.marginal == pytest.approx(D("33"), abs=D("1e-5"))
    assert small.amount == pytest.approx(small.marginal, abs=D("1e-9")) == pytest.approx(D("3.3"), abs=D("1e-5"))


def test_a_tariff_that_changes_within_a_period_goes_on_counting():
    """60 kWh by the 15th, 80 after: the first tariff's 60 at 0.10; then 40 at 0.10 and 40 at 0.50. 20 less each."""
    first, second = (
        (Block(100 * KWH, D("0.10")), Block(None, D("0.20"))),
        (Block(100 * KWH, D("0.10")), Block(None, D("0.50"))),
    )
    turn = ms("2026-06-16 00:00")
    of = schedule(
        Tariff("a", None, Blocks(first)), Tariff("b", pd.Timestamp(turn, unit="ms", tz=BERLIN).date(), Blocks(second))
    )
    bought = lambda from_ms, _to_ms: 80 * KWH if from_ms >= turn else 60 * KWH  # noqa: E731
    less = [20 * KWH // 1440] * 1440 + [0] * 14 * 1440 + [20 * KWH // 1440] * 1440 + [0] * 14 * 1440
    found = saved(of, less, bought=bought, days=30)

    # before: 60 x 0.10 + 40 x 0.10 + 40 x 0.50 = 30; after: 40 x 0.10 + 60 x 0.10 = 10, and none at 0.50
    assert found.amount == pytest.approx(D("20"), abs=D("1e-4"))


def test_each_tariff_of_a_period_counts_on_from_what_would_have_been_bought():
    """Ten days each of 90 kWh, of which 70 would not have been bought: 20, 40 and 60 are all below 100."""
    blocks = (Block(100 * KWH, D("0.10")), Block(None, D("0.50")))
    begins = [ms(f"2026-06-{day:02} 00:00") for day in (1, 11, 21)]
    days = [None, *(pd.Timestamp(at, unit="ms", tz=BERLIN).date() for at in begins[1:])]
    of = schedule(*(Tariff(f"{at}", day, Blocks(blocks)) for at, day in enumerate(days)))
    one = [70 * KWH // 14400] * 14400
    found = saved(of, one * 3, bought=90 * KWH, days=30)

    # before: 100 kWh at 0.10 and 170 at 0.50; after: 60 at 0.10
    assert found.amount == pytest.approx(D("89"), abs=D("1e-4"))


def test_a_supply_that_was_silent_bought_what_the_load_took_at_least():
    """Nothing was heard of the supply: 10 kWh less of 10 at 0.10, not of none."""
    of = schedule(Tariff("", None, Blocks(BLOCKS)))

    assert saved(of, evenly(10.0), bought=0).amount == pytest.approx(D("1"), abs=D("1e-6"))


def test_energy_without_a_known_price_is_in_no_amount():
    prices = Series((MONDAY, MONDAY + HOUR), (D("0.20"), None), DAY)
    of = schedule(Tariff("", None, Dynamic(Source("signal", "spot"), series=prices)))
    found = saved(of, [KWH // 60] * 120 + [0] * 1320)

    assert found.amount == pytest.approx(D("0.20"), abs=D("1e-6"))
    assert found.unpriced_uwh == pytest.approx(KWH, abs=60)
    assert found.uwh == pytest.approx(2 * KWH, abs=120)


def test_the_dearest_block():
    assert dearest(BLOCKS, 0) == dearest(BLOCKS, 100 * KWH) == D("0.10")
    assert dearest(BLOCKS, 100 * KWH + 1) == D("0.20")
    assert dearest(BLOCKS, 900 * KWH) == D("0.30")


# -- of any minutes -------------------------------------------------------------------------------

energies = st.integers(0, 50_000_000)
exchange = st.tuples(energies, st.one_of(st.just(0), energies), st.one_of(st.just(0), energies)).map(
    lambda e: Exchange(*e)
)
TARIFFS = {
    "flat": flat("0.25", tax_percent=D(21), export=Flat(D("0.07"))),
    "bands": schedule(banded(band("peak", "0.34", "07:30-20:10"), band("else", "0.15"), export=Flat(D("0.085")))),
    "blocks": schedule(Tariff("", None, Blocks((Block(KWH // 50, D("0.12")), Block(KWH // 20, D("0.18")), Block(None, D("0.27")))),
                              export=Flat(D("0.05")), tax_percent=D(5))),
}  # fmt: skip


@given(energies, st.one_of(st.none(), exchange))
def test_less_is_split_as_for_waste(uwh, exchanged):
    """As twoprices.bought_part, by which waste is priced."""
    found = split(uwh, exchanged)

    assert found.bought == bought_part(Slot(0, MINUTE, uwh, exchanged))
    assert found.bought + found.given == uwh
    assert found.at_margin >= found.bought


@given(st.integers(-50_000_000, 50_000_000), exchange)
def test_the_house_never_buys_or_gives_back_less_than_nothing(net, exchanged):
    found = split(net, exchanged)

    assert found.bought + found.given == net
    if exchanged.out_uwh or exchanged.made_uwh:
        assert exchanged.in_uwh - found.bought >= 0
        assert exchanged.out_uwh + found.given >= 0


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(sorted(TARIFFS)),
    st.lists(st.tuples(exchange, energies, energies), min_size=1, max_size=40),
)
def test_money_is_the_difference_of_two_invoices(kind, minutes):
    """Forty minutes from 07:00 on, of which each is billed as recorded and as changed, line by line."""
    of, begin = TARIFFS[kind], MONDAY + 7 * HOUR
    before = [each[0] for each in minutes]
    parts = [split(less - more, each) for each, less, more in minutes]
    # without a roof nothing limits what is not bought: such a house took what it did not use from nowhere
    parts = [
        part if each.out_uwh or each.made_uwh or part.bought <= each.in_uwh else None
        for part, each in zip(parts, before, strict=True)
    ]
    less = [0] * 420 + [row[1] if part else 0 for row, part in zip(minutes, parts, strict=True)]
    more = [0] * 420 + [row[2] if part else 0 for row, part in zip(minutes, parts, strict=True)]
    pad = [0] * (1440 - len(less))
    first = begin // MINUTE
    exchanges = {first + at: each for at, each in enumerate(before)}
    total = sum(each.in_uwh for each in before)
    found = saved(of, less + pad, more + pad, exchanges=exchanges, bought=total)

    def bill(changed):
        uses = []
        for span in of.spans(MONDAY, MONDAY + DAY):
            into = out = 0
            for at, (each, part) in enumerate(zip(before, parts, strict=True)):
                if span.from_ms <= begin + at * MINUTE < span.to_ms:
                    into += each.in_uwh - (part.bought if changed and part else 0)
                    out += each.out_uwh + (part.given if changed and part else 0)
            uses.append(Used(span, into, out))
        bill = invoice(of, MONDAY, MONDAY + DAY, uses)
        tariff = of.tariffs[0]
        energy = sum((line.exact for line in bill.lines if line.kind == "energy"), Decimal(0))
        return tariff.taxed(energy) + sum((line.exact for line in bill.lines if line.kind == "export"), Decimal(0))

    assert found.amount == pytest.approx(bill(changed=False) - bill(changed=True), abs=Decimal("1e-12"))


@given(st.lists(energies, min_size=1, max_size=100), st.sampled_from(["flat", "bands"]))
def test_without_a_roof_it_is_the_marginal_price_of_waste(less, kind):
    """As twoprices.marginal has it for slots of a minute."""
    of = TARIFFS[kind]
    slots = [Slot(MONDAY + at * MINUTE, MONDAY + (at + 1) * MINUTE, each) for at, each in enumerate(less)]
    expected = marginal(of, slots, MONDAY + DAY, lambda _from_ms, _to_ms: 0)

    assert saved(of, less + [0] * (1440 - len(less))).amount == expected.amount


@given(st.lists(energies, min_size=2, max_size=200), st.integers(1, 199))
def test_at_one_price_two_parts_make_the_whole(less, cut):
    of = flat("0.2817")
    pad = [0] * (1440 - len(less))
    first = [each if at < cut else 0 for at, each in enumerate(less)]
    second = [each if at >= cut else 0 for at, each in enumerate(less)]

    assert saved(of, less + pad).amount == saved(of, first + pad).amount + saved(of, second + pad).amount
