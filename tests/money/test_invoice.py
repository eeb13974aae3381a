"""What a billing period comes to, line by line: against invoices worked out by hand, and against its own parts."""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.prices import DAY, HOUR, KWH, MINUTE, UTC_ZONE, WEEK, D, band, banded, flat, ms, schedule, uses
from wattround.money.amount import to_cents
from wattround.money.bands import Bands
from wattround.money.billing import Billing
from wattround.money.invoice import Used, charges, invoice
from wattround.money.price import Block, Blocks, Dynamic, Flat, Series, Source
from wattround.money.schedule import Schedule, Tariff

STEPS = Blocks((Block(100 * KWH, D("0.12")), Block(300 * KWH, D("0.18")), Block(None, D("0.27"))))


def steady(watts):
    """Microwatt-hours of each minute of a steady draw; watts that are a multiple of 60 make whole ones."""
    return lambda _at_ms: watts * 1_000_000 // 60


def month(of, at, import_at, export_at=lambda _at_ms: 0):
    period = of.period_of(ms(at, of.zone))
    return invoice(of, period.from_ms, period.to_ms, uses(of, period.from_ms, period.to_ms, import_at, export_at))


def plain(found):
    return [(line.kind, line.name, str(line.quantity.normalize()), str(line.amount)) for line in found.lines]


def test_a_month_of_bands_by_hand():
    """June 2026 has 30 days: 22 working days (Mon 1 to Tue 30), one of them, Thu 4, a holiday: 21 with a peak.

    The house draws 600 W from 08:00 to 20:00 and 300 W else, so 7.2 kWh by day, 3.6 kWh by night.
      peak, 08:00-20:00 on 21 days:     21 x 7.2 = 151.2 kWh x 0.34     =  51.408 -> 51.41
      night, 22:00-06:00, every day:    30 nights x 8 h x 0.3 = 72 kWh x 0.15 = 10.80
        (the month's first 6 hours are of the night of 31 May, its last night has 2 hours: 30 x 8 h in all)
      shoulder, all the rest:           30 x 10.8 = 324 kWh; 324 - 151.2 - 72 = 100.8 kWh x 0.22 = 22.176 -> 22.18
      standing 0.40 a day x 30          =  12.00;  3.50 a month = 3.50
      sum 99.89;  tax 21 %: 20.9769     -> 20.98
      export: 1 kWh a day x 30 x 0.085  =  -2.55
      total 118.32
    """
    bands = (
        band("peak", "0.34", "08:00-20:00", weekdays=WEEK, holidays=False),
        band("night", "0.15", "22:00-06:00"),
        band("shoulder", "0.22"),
    )
    of = schedule(
        banded(
            *bands,
            holidays=["2026-06-04"],
            standing_per_day=D("0.40"),
            standing_per_month=D("3.50"),
            tax_percent=D(21),
            export=Flat(D("0.085")),
        )
    )

    def draw(at_ms):
        hour = (at_ms // HOUR + 2) % 24  # summer time all month
        return steady(600 if 8 <= hour < 20 else 300)(at_ms)

    def give(at_ms):
        return KWH // 60 if (at_ms // HOUR + 2) % 24 == 13 else 0

    found = month(of, "2026-06-15 00:00", draw, give)

    assert sorted(plain(found)) == sorted([
        ("energy", "peak", "151.2", "51.41"), ("energy", "night", "72", "10.80"), ("energy", "shoulder", "100.8", "22.18"),
        ("standing", "per day", "3E+1", "12.00"), ("standing", "per month", "1", "3.50"), ("tax", "", "21", "20.98"),
        ("export", "", "29.9999988", "-2.55"),
    ])  # fmt: skip
    assert found.total == D("118.32")
    assert (found.of_kind("energy"), found.of_kind("export")) == (D("84.39"), D("-2.55"))
    assert found.unknown_import_uwh == found.unknown_export_uwh == 0


def test_a_month_of_blocks_by_hand():
    """April 2026: 30 days at 720 W are 518.4 kWh.

    block 1: 100 kWh x 0.12 = 12.00; block 2: 200 kWh x 0.18 = 36.00; block 3: 218.4 kWh x 0.27 = 58.968 -> 58.97
    standing 5.00; sum 111.97; tax 5 %: 5.5985 -> 5.60; total 117.57
    """
    of = schedule(Tariff("", None, STEPS, standing_per_month=D(5), tax_percent=D(5)))
    found = month(of, "2026-04-01 00:00", steady(720))

    assert plain(found) == [
        ("energy", "block 1", "1E+2", "12.00"), ("energy", "block 2", "2E+2", "36.00"),
        ("energy", "block 3", "218.4", "58.97"), ("standing", "per month", "1", "5.00"), ("tax", "", "5", "5.60"),
    ]  # fmt: skip
    assert found.total == D("117.57")


# day lengths: tz database; a constant 1000 W makes 743 kWh in March 2025 and 745 kWh in October 2025 (check values, 8)
@pytest.mark.parametrize(
    ("day", "hours", "night", "total"), [("2025-03-15", 743, 247, "173.50"), ("2025-10-15", 745, 249, "173.70")]
)
def test_a_billing_month_across_a_change_of_the_clock(day, hours, night, total):
    """Nights of 8 hours, but one of 7 (or 9): 31 x 8 -/+ 1; days 31 x 16 = 496 h. 496 x 0.30 = 148.80; night x 0.10."""
    of = schedule(banded(band("night", "0.10", "22:00-06:00"), band("day", "0.30")))
    period = of.period_of(ms(f"{day} 00:00"))
    parts = [Used(span, (span.to_ms - span.from_ms) * KWH // HOUR) for span in of.spans(period.from_ms, period.to_ms)]
    found = invoice(of, period.from_ms, period.to_ms, parts)

    assert {line.name: line.quantity for line in found.lines} == {"night": night, "day": 496}
    assert night + 496 == hours
    assert found.total == D(total)


def test_february_of_a_leap_year():
    """29 days x 24 h x 0.6 kW = 417.6 kWh x 0.25 = 104.40; standing 0.10 x 29 = 2.90."""
    of = flat("0.25", standing_per_day=D("0.10"))

    assert month(of, "2028-02-10 00:00", steady(600)).total == D("107.30")
    assert month(of, "2027-02-10 00:00", steady(600)).total == D("103.60")  # 28 days: 403.2 kWh, 100.80 + 2.80


def test_a_tariff_that_changes_in_the_middle_of_a_month():
    """June 2026 at 600 W is 14.4 kWh a day: 10 days x 0.20 (144 kWh, 28.80), then 20 days x 0.30 (288 kWh, 86.40).

    standing 6.00 a month for 10 of 30 days: 2.00; then 9.00 for 20 of 30: 6.00
    tax 10 % of 30.80: 3.08; then 20 % of 92.40: 18.48; total 144.76
    """
    of = schedule(
        Tariff("old", None, Flat(D("0.20")), standing_per_month=D(6), tax_percent=D(10)),
        Tariff("new", date(2026, 6, 11), Flat(D("0.30")), standing_per_month=D(9), tax_percent=D(20)),
    )
    found = month(of, "2026-06-30 00:00", steady(600))

    assert [(line.tariff, line.kind, str(line.amount)) for line in found.lines] == [
        ("old", "energy", "28.80"), ("old", "standing", "2.00"), ("old", "tax", "3.08"),
        ("new", "energy", "86.40"), ("new", "standing", "6.00"), ("new", "tax", "18.48"),
    ]  # fmt: skip
    assert found.total == D("144.76")


def test_blocks_go_on_counting_when_the_tariff_changes_within_the_period():
    """80 kWh under the old one, all in block 1; of the next 80, 20 are still in block 1 (0.20), 60 in block 2 (0.40)."""
    later = Blocks((Block(100 * KWH, D("0.20")), Block(None, D("0.40"))))
    of = schedule(Tariff("old", None, STEPS), Tariff("new", date(2026, 6, 16), later))
    period = of.period_of(ms("2026-06-01 00:00"))
    found = invoice(
        of, period.from_ms, period.to_ms, [Used(span, 80 * KWH) for span in of.spans(period.from_ms, period.to_ms)]
    )

    assert [(line.tariff, line.name, line.amount) for line in found.lines] == [
        ("old", "block 1", D("9.60")), ("new", "block 1", D("4.00")), ("new", "block 2", D("24.00")),
    ]  # fmt: skip


def test_blocks_begin_anew_with_each_period_and_last_as_long_as_it():
    of = schedule(Tariff("", None, STEPS), billing=Billing(months=2))
    begin, end = ms("2026-01-01 00:00"), ms("2026-05-01 00:00")
    found = invoice(of, begin, end, [Used(span, 150 * KWH) for span in of.spans(begin, end)])

    assert {line.name: line.quantity for line in found.lines} == {"block 1": 200, "block 2": 100}


def test_a_price_that_is_not_known_is_counted_apart_and_never_guessed():
    """Prices from 0 to 2 h and from 5 h on; 1 kWh an hour bought, 2 kWh given back in all."""
    prices = Dynamic(
        Source("signal", "spot"), series=Series((0, HOUR, 5 * HOUR), (D("0.10"), D("0.20"), D("0.15")), HOUR)
    )
    of = schedule(Tariff("", None, prices, export=prices), zone=UTC_ZONE)
    found = invoice(
        of, 0, 6 * HOUR, uses(of, 0, 6 * HOUR, steady(60), lambda at_ms: KWH // 60 if at_ms // HOUR in (1, 3) else 0)
    )

    assert [(line.kind, line.name, line.per_unit, line.exact) for line in found.lines] == [
        ("energy", "spot", None, D("0.027")), ("export", "spot", None, -D(KWH // 60 * 60) / KWH * D("0.20")),
    ]  # fmt: skip
    assert found.unknown_import_uwh == 3 * 60 * 1_000_000
    assert found.unknown_export_uwh == KWH // 60 * 60


def test_energy_before_the_first_tariff_has_no_price():
    of = schedule(Tariff("", date(2026, 6, 11), Flat(D("0.20")), standing_per_day=D(1)))
    found = month(of, "2026-06-01 00:00", steady(60))

    assert [(line.kind, str(line.amount)) for line in found.lines] == [("energy", "5.76"), ("standing", "20.00")]
    assert found.unknown_import_uwh == 10 * 24 * 60 * 1_000_000


def test_lines_of_nothing_used():
    found = month(flat("0.25", standing_per_day=D("0.10"), tax_percent=D(10)), "2026-06-01 00:00", steady(0))

    assert plain(found) == [("standing", "per day", "3E+1", "3.00"), ("tax", "", "1E+1", "0.30")]


def test_a_day_that_has_begun_pays_its_whole_standing_charge():
    of = flat("0.25", standing_per_day=D("0.40"))
    found = invoice(of, ms("2025-10-26 00:00"), ms("2025-10-26 00:30"), [])

    assert [(line.quantity, line.amount) for line in found.lines] == [(1, D("0.40"))]


# -- properties -------------------------------------------------------------------------------------

TARIFFS = st.sampled_from(
    [
        Tariff("flat", None, Flat(D("0.2893")), standing_per_day=D("0.3321"), tax_percent=D("19")),
        Tariff("blocks", None, STEPS, Flat(D("0.079")), standing_per_month=D("7.31"), tax_percent=D("5.5")),
        banded(band("night", "0.1511", "22:00-06:00"), band("day", "0.3107"), export=Bands((band("noon", "0.02", "11:00-15:00"), band("else", "0.09")))),
        Tariff("spot", None, Dynamic(Source("signal", "spot"), series=Series(tuple(range(1_767_000_000_000, 1_780_000_000_000, 7 * HOUR)), tuple(D(n % 7) / 10 for n in range(516)), 5 * HOUR))),
    ]
)  # fmt: skip
POWERS = st.lists(st.integers(0, 5_000_000), min_size=24, max_size=24)


@settings(max_examples=25, deadline=None)
@given(TARIFFS, POWERS, POWERS, st.lists(st.integers(1, 59), max_size=4))
def test_the_bill_of_a_period_equals_the_sum_of_its_parts(tariff, bought, given_back, days):
    of = schedule(tariff, Tariff("later", date(2026, 3, 20), Flat(D("0.31")), standing_per_month=D(10)))
    begin, end = ms("2026-03-01 00:00"), ms("2026-05-01 00:00")
    midnights = [ms(f"{date(2026, 3, 1) + timedelta(days=day)} 00:00") for day in days]
    cuts = sorted({begin, end, *midnights})

    def import_at(at_ms):
        return bought[at_ms // HOUR % 24]

    def export_at(at_ms):
        return given_back[at_ms // HOUR % 24]

    whole = invoice(of, begin, end, uses(of, begin, end, import_at, export_at))
    parts = []
    for first, last in pairwise(cuts):
        before = {}
        for used in uses(of, begin, first, import_at):
            before[used.span.period] = before.get(used.span.period, 0) + used.import_uwh
        parts.append(invoice(of, first, last, uses(of, first, last, import_at, export_at), before))

    assert abs(sum(part.exact for part in parts) - whole.exact) < D("1e-18")
    assert sum(part.unknown_import_uwh for part in parts) == whole.unknown_import_uwh
    assert sum(part.unknown_export_uwh for part in parts) == whole.unknown_export_uwh
    assert abs(whole.total - whole.exact) < D("0.01") * len(whole.lines)


@settings(max_examples=15, deadline=None)
@given(TARIFFS, POWERS)
def test_pricing_each_minute_by_itself_equals_pricing_spans(tariff, bought):
    """Brute force: the price at every minute, asked one by one, and blocks filled one by one."""
    of = schedule(tariff)
    begin = ms("2026-03-28 12:00")
    end = begin + 36 * HOUR
    exact, unknown, had = D(0), 0, 0
    for at_ms in range(begin, end, MINUTE):
        uwh, rate = bought[at_ms // HOUR % 24], of.import_at(at_ms)
        if rate.blocks:
            block = next(block for block in rate.blocks if block.upto_uwh is None or had < block.upto_uwh)
            first = uwh if block.upto_uwh is None else min(uwh, block.upto_uwh - had)
            exact += block.per_kwh * first / KWH + (
                rate.blocks[rate.blocks.index(block) + 1].per_kwh * (uwh - first) / KWH if uwh > first else 0
            )
            had += uwh
        elif rate.per_kwh is None:
            unknown += uwh
        else:
            exact += rate.per_kwh * uwh / KWH

    found = list(charges(uses(of, begin, end, lambda at_ms: bought[at_ms // HOUR % 24])))

    assert sum(charge.amount or 0 for charge in found) == exact
    assert sum(charge.used.import_uwh for charge in found if charge.amount is None) == unknown


@given(st.lists(st.integers(0, 400 * KWH), min_size=1, max_size=12))
def test_how_a_periods_energy_is_divided_changes_nothing_about_its_blocks(parts):
    of = Schedule((Tariff("", None, STEPS),), UTC_ZONE, "EUR")
    (span,) = of.spans(0, 30 * DAY)
    together = [Used(span, sum(parts))]
    apart = [Used(span, part) for part in parts]

    assert invoice(of, 0, 30 * DAY, apart) == invoice(of, 0, 30 * DAY, together)
    assert invoice(of, 0, 30 * DAY, apart).total == sum(
        (to_cents(line.exact) for line in invoice(of, 0, 30 * DAY, apart).lines), D(0)
    )
