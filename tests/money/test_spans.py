"""Which price holds when: bands by the clock on the wall, tariffs by date, prices that change by themselves."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.prices import (
    BERLIN,
    DAY,
    HOUR,
    MINUTE,
    UTC_ZONE,
    WEEK,
    D,
    band,
    banded,
    flat,
    local,
    ms,
    on_wall,
    schedule,
)
from wattround.money.bands import Bands
from wattround.money.billing import Billing
from wattround.money.price import Block, Blocks, Dynamic, Flat, Series, Source
from wattround.money.schedule import Schedule, Tariff

NIGHT = banded(band("night", "0.10", "22:00-06:00"), band("day", "0.30"))
PRICES = Source("signal", "spot")


def story(of, begin, end, zone=BERLIN):
    return [
        (local(span.from_ms, zone).strftime("%m-%d %H:%M"), span.rate.name)
        for span in of.spans(ms(begin, zone), ms(end, zone))
    ]


def hours(of, day):
    """Hours of each band on a local day."""
    begin = ms(f"{day} 00:00")
    end = ms(f"{date.fromisoformat(day) + timedelta(days=1)} 00:00")
    found = {}
    for span in of.spans(begin, end):
        found[span.rate.name] = found.get(span.rate.name, 0) + (span.to_ms - span.from_ms) / HOUR
    return found


def test_a_window_across_midnight_is_one_stretch():
    assert story(schedule(NIGHT), "2026-06-01 12:00", "2026-06-02 12:00") == [
        ("06-01 12:00", "day"), ("06-01 22:00", "night"), ("06-02 06:00", "day"),
    ]  # fmt: skip


# day lengths by the rules of the tz database
@pytest.mark.parametrize(("day", "night"), [("2025-03-30", 7), ("2025-10-26", 9), ("2025-06-01", 8)])
def test_a_night_in_which_the_clock_is_changed_is_an_hour_shorter_or_longer(day, night):
    assert hours(schedule(NIGHT), day) == {"night": night, "day": 16}


def test_an_hour_that_the_clock_shows_twice_has_its_band_twice():
    of = schedule(banded(band("dear", "1", "02:00-02:30"), band("rest", "0.1")))

    assert hours(of, "2025-10-26") == {"dear": 1, "rest": 24}
    assert hours(of, "2025-03-30") == {"rest": 23}


def test_weekdays_of_a_window_are_those_of_the_day_on_which_it_begins():
    of = schedule(banded(band("party", "0.5", "20:00-04:00", weekdays=frozenset({4})), band("rest", "0.2")))

    assert story(of, "2026-06-04 00:00", "2026-06-08 00:00") == [
        ("06-04 00:00", "rest"), ("06-05 20:00", "party"), ("06-06 04:00", "rest"),
    ]  # fmt: skip


def test_a_weekend_that_begins_on_friday_evening_and_ends_on_monday_morning():
    of = schedule(
        banded(
            band("weekend", "0.1", "18:00-24:00", weekdays=frozenset({4})),
            band("weekend", "0.1", weekdays=frozenset({5})),
            band("weekend", "0.1", "00:00-29:00", weekdays=frozenset({6})),
            band("week", "0.3"),
        )
    )

    assert story(of, "2026-06-04 12:00", "2026-06-09 12:00") == [
        ("06-04 12:00", "week"), ("06-05 18:00", "weekend"), ("06-08 05:00", "week"),
    ]  # fmt: skip


def test_a_holiday_is_no_working_day():
    of = schedule(
        banded(
            band("dear", "0.4", "08:00-20:00", weekdays=WEEK, holidays=False),
            band("rest", "0.2"),
            holidays=["2026-05-01"],
        )
    )

    assert hours(of, "2026-04-30") == {"rest": 12, "dear": 12}
    assert hours(of, "2026-05-01") == {"rest": 24}


def test_a_season_may_go_across_new_year_and_has_29_february():
    winter = band("winter", "0.4", season=((11, 1), (2, 29)))
    of = schedule(banded(winter, band("rest", "0.2")))

    assert story(of, "2028-02-27 00:00", "2028-03-02 00:00") == [("02-27 00:00", "winter"), ("03-01 00:00", "rest")]
    assert story(of, "2026-02-27 00:00", "2026-03-02 00:00") == [("02-27 00:00", "winter"), ("03-01 00:00", "rest")]
    assert story(of, "2026-12-30 00:00", "2027-01-02 00:00") == [("12-30 00:00", "winter"), ("01-01 00:00", "winter")]


def test_a_tariff_that_changes_by_date_leaves_the_old_price_to_the_old_days():
    of = schedule(Tariff("old", None, Flat(D("0.20"))), Tariff("new", date(2026, 3, 15), Flat(D("0.30"))))

    assert [(local(span.from_ms).date(), span.tariff.name, span.rate.per_kwh) for span in of.spans(ms("2026-03-10 00:00"), ms("2026-03-20 00:00"))] == [
        (date(2026, 3, 10), "old", D("0.20")), (date(2026, 3, 15), "new", D("0.30")),
    ]  # fmt: skip
    assert of.import_at(ms("2026-03-14 23:59")).per_kwh == D("0.20")
    assert of.import_at(ms("2026-03-15 00:00")).per_kwh == D("0.30")
    assert of.tariff_on(date(2026, 3, 15)).name == "new"


def test_before_the_first_tariff_no_price_can_be_told():
    of = schedule(Tariff("first", date(2026, 3, 1), Flat(D("0.30"))))
    before, after = of.spans(ms("2026-02-28 12:00"), ms("2026-03-01 12:00"))

    assert (before.tariff, before.import_per_kwh, before.rate.per_kwh) == (None, None, None)
    assert after.import_per_kwh == D("0.30")
    assert of.one_price is None


def test_the_price_of_a_kilowatt_hour_has_its_tax_in_it():
    assert flat("0.20", tax_percent=D("21")).span_at(0).import_per_kwh == D("0.242")
    assert flat("0.20", tax_percent=D("21")).one_price == D("0.242")
    assert flat("0.20", export=Flat(D("0.08")), tax_percent=D("21")).export_at(0).per_kwh == D("0.08")


def test_import_and_export_change_each_at_its_own_hours():
    of = schedule(
        banded(
            band("night", "0.10", "22:00-06:00"),
            band("day", "0.30"),
            export=Bands((band("noon", "0.02", "11:00-15:00"), band("else", "0.09"))),
        )
    )

    assert [(local(span.from_ms).hour, span.rate.name, span.export.name) for span in of.spans(ms("2026-06-01 00:00"), ms("2026-06-02 00:00"))] == [
        (0, "night", "else"), (6, "day", "else"), (11, "day", "noon"), (15, "day", "else"), (22, "night", "else"),
    ]  # fmt: skip


# -- billing periods --------------------------------------------------------------------------------


def begins(billing, begin, end):
    of = Schedule((), BERLIN, "EUR", billing)
    return [str(period.begins) for period in of.periods(ms(begin), ms(end))]


def test_periods_begin_on_the_utilitys_day():
    assert begins(Billing(), "2026-01-15 00:00", "2026-04-01 00:00") == ["2026-01-01", "2026-02-01", "2026-03-01"]
    assert begins(Billing(first_day=20), "2026-01-15 00:00", "2026-02-21 00:00") == [
        "2025-12-20",
        "2026-01-20",
        "2026-02-20",
    ]
    assert begins(Billing(months=2), "2026-01-15 00:00", "2026-06-01 00:00") == [
        "2026-01-01",
        "2026-03-01",
        "2026-05-01",
    ]
    assert begins(Billing(months=2, first_month=2), "2026-01-15 00:00", "2026-05-01 00:00") == [
        "2025-12-01",
        "2026-02-01",
        "2026-04-01",
    ]
    assert begins(Billing(months=12, first_month=10, first_day=5), "2026-10-04 00:00", "2026-10-06 00:00") == [
        "2025-10-05",
        "2026-10-05",
    ]


def test_a_period_is_as_long_as_its_days():
    of = Schedule((), BERLIN, "EUR")
    march, february = of.period_of(ms("2026-03-15 00:00")), of.period_of(ms("2028-02-15 00:00"))

    assert (march.to_ms - march.from_ms) == 31 * DAY - HOUR
    assert (february.to_ms - february.from_ms) == 29 * DAY


# -- prices that change by themselves ---------------------------------------------------------------


def dynamic(series, **how):
    return schedule(Tariff("", None, Dynamic(PRICES, series=series, **how)), zone=UTC_ZONE)


def test_a_price_holds_until_the_next_one_and_no_longer_than_it_can_be_believed():
    of = dynamic(Series((0, HOUR, 4 * HOUR), (D("0.1"), D("0.2"), None), 2 * HOUR))

    assert [(span.from_ms // HOUR, span.rate.per_kwh) for span in of.spans(0, 6 * HOUR)] == [
        (0, D("0.1")), (1, D("0.2")), (3, None),
    ]  # fmt: skip
    assert of.import_at(4 * HOUR).per_kwh is None
    assert [span.rate.per_kwh for span in of.spans(-HOUR, HOUR)] == [None, D("0.1")]


def test_what_comes_on_top_of_a_price_that_changes():
    of = dynamic(Series((0,), (D("80"),), HOUR), factor=D("0.001"), plus_per_kwh=D("0.12"))

    assert of.import_at(0).per_kwh == D("0.2")


def test_a_negative_price_counts_only_where_it_was_declared():
    series = Series((0,), (D("-0.05"),), HOUR)

    assert dynamic(series).import_at(0).per_kwh is None
    assert dynamic(series, negative=True).import_at(0).per_kwh == D("-0.05")


def test_prices_are_put_in_once_they_are_known():
    of = schedule(Tariff("", None, Dynamic(PRICES), export=Dynamic(Source("file", "x.csv"))))
    assert of.sources == {PRICES, Source("file", "x.csv")}
    assert of.import_at(0).per_kwh is None

    known = of.with_series({PRICES: Series((0,), (D("0.1"),), HOUR)})
    assert known.import_at(0).per_kwh == D("0.1")
    assert known.export_at(0).per_kwh is None


# -- properties -------------------------------------------------------------------------------------

ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC", "Asia/Kolkata"]
MOMENTS = st.one_of(
    st.integers(1_735_700_000, 1_900_000_000),  # 2025 to 2030
    st.sampled_from([1743296400, 1761440400, 1741503600, 1762063200, 1759591800, 1743865200]),  # the clock is changed
)  # fmt: skip
CLOCK = st.integers(0, 47).map(lambda half: half * 30)
WINDOWS = st.tuples(CLOCK, st.integers(1, 48)).map(lambda pair: {"begins": pair[0], "ends": pair[0] + pair[1] * 30})
SEASONS = st.none() | st.tuples(
    st.tuples(st.integers(1, 12), st.integers(1, 28)), st.tuples(st.integers(1, 12), st.integers(1, 28))
)
BANDS = st.lists(
    st.builds(
        lambda window, days, season, holidays: band(
            "b", "0.1", **window, weekdays=days, season=season, holidays=holidays
        ),
        WINDOWS,
        st.none() | st.frozensets(st.integers(0, 6), min_size=1),
        SEASONS,
        st.none() | st.booleans(),
    ),
    min_size=1,
    max_size=4,
)
PRICINGS = st.one_of(
    st.just(Flat(D("0.2"))),
    st.just(Blocks((Block(10, D("0.1")), Block(None, D("0.2"))))),
    BANDS.map(lambda bands: Bands((*bands, band("rest", "0.2")))),
    st.lists(st.integers(1_735_700_000, 1_900_000_000), max_size=5, unique=True).map(
        lambda times: Dynamic(
            PRICES, series=Series(tuple(1000 * at for at in sorted(times)), (D(1),) * len(times), DAY)
        )
    ),
)


@st.composite
def schedules(draw):
    days = sorted(draw(st.sets(st.integers(0, 700), max_size=2)))
    starts = [None, *(date(2025, 6, 1) + timedelta(days=day) for day in days)]
    if draw(st.booleans()) and len(starts) > 1:
        starts = starts[1:]
    tariffs = tuple(
        Tariff(str(at), start, draw(PRICINGS), draw(st.none() | PRICINGS)) for at, start in enumerate(starts)
    )
    billing = Billing(draw(st.integers(1, 28)), draw(st.sampled_from([1, 2, 3, 4, 6, 12])), draw(st.integers(1, 12)))
    return Schedule(tariffs, ZoneInfo(draw(st.sampled_from(ZONES))), "EUR", billing)


@settings(max_examples=60, deadline=None)
@given(schedules(), MOMENTS, st.integers(1, 60 * DAY))
def test_spans_tile_the_time_exactly(of, at_s, length):
    begin, end = at_s * 1000, at_s * 1000 + length
    spans = list(of.spans(begin, end))

    assert (spans[0].from_ms, spans[-1].to_ms) == (begin, end)
    assert all(one.to_ms == two.from_ms for one, two in pairwise(spans))
    for span in spans:
        assert span.from_ms < span.to_ms
        assert span.period.from_ms <= span.from_ms < span.to_ms <= span.period.to_ms
        assert of.tariff_on(datetime.fromtimestamp(span.from_ms / 1000, UTC).astimezone(of.zone).date()) is span.tariff


@settings(max_examples=30, deadline=None)
@given(BANDS, MOMENTS, st.sampled_from(ZONES), st.booleans())
def test_spans_say_what_the_clock_on_the_wall_says_minute_by_minute(bands, at_s, zone, is_holiday):
    """Brute force, over days with and without a change of the clock. Bands may overlap here: the first one wins."""
    begin = at_s // 60 * MINUTE
    where = ZoneInfo(zone)
    named = tuple(each._replace(name=str(at)) for at, each in enumerate(bands))
    holidays = frozenset({local(begin, where).date()} if is_holiday else ())
    every = (*named, band("rest", "0.2"))
    of = Schedule((Tariff("", None, Bands(every, holidays)),), where, "EUR")
    spans = list(of.spans(begin, begin + 30 * HOUR))

    at = 0
    for minute in range(begin, begin + 30 * HOUR, MINUTE):
        while spans[at].to_ms <= minute:
            at += 1
        assert spans[at].rate.name == on_wall(every, minute, where, holidays).name
