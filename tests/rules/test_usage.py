"""How much a load has been used: hours today, starts within an hour, energy and money in a period."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import BERLIN, DAY, HOUR, MINUTE, OFF, ON, STANDBY, WATTS, Bench, ms, spec
from wattround.rules.condition import AtLevel
from wattround.rules.load import NOTHING_KNOWN
from wattround.rules.usage import RanToday, Spending, Spent, StartsOften


def bench(*conditions, start="2026-06-12 00:00", **how):
    how = {"lasting": 0, "release": 0, **how}
    return Bench(lambda: [spec(*conditions, **how)], BERLIN, ms(start))


# -- hours of a day -----------------------------------------------------------------------------------


def test_what_has_run_for_so_long_today_in_all_is_told_at_that_instant_and_settles_at_midnight():
    house = bench(RanToday(4 * HOUR))
    house.on(ms("2026-06-12 08:00"))
    house.off(ms("2026-06-12 11:00"))
    house.on(ms("2026-06-12 20:00"))

    assert [(item.what, item.at_ms, item.reason) for item in house.news(ms("2026-06-13 03:00"))] == [
        ("raised", ms("2026-06-12 21:00"), None),
        ("settled", ms("2026-06-13 00:00"), "usage"),
    ]


def test_what_runs_across_midnight_counts_on_each_day_for_itself():
    house = bench(RanToday(4 * HOUR))
    house.on(ms("2026-06-12 21:00"))

    assert house.story(ms("2026-06-13 05:00")) == [("raised", ms("2026-06-13 04:00"))]


# day lengths by the rules of the tz database
@pytest.mark.parametrize(("day", "raised", "hours"), [("2025-10-26", "06:00", 7), ("2025-03-30", "06:00", 5), ("2025-06-01", "06:00", 6)])  # fmt: skip
def test_hours_are_hours_on_days_of_23_and_25(day, raised, hours):
    house = bench(RanToday(hours * HOUR), start=f"{day} 00:00")
    house.on(ms(f"{day} 00:00"))

    assert house.story(ms(f"{day} 23:00")) == [("raised", ms(f"{day} {raised}"))]


def test_a_day_of_25_hours_ends_at_its_own_midnight():
    house = bench(RanToday(HOUR), start="2025-10-26 00:00")
    house.on(ms("2025-10-26 22:00"))

    assert house.story(ms("2025-10-27 00:30")) == [
        ("raised", ms("2025-10-26 23:00")),
        ("settled", ms("2025-10-27 00:00")),
    ]


def test_time_in_which_nothing_was_heard_is_not_counted():
    house = bench(RanToday(2 * HOUR))
    house.on(ms("2026-06-12 08:00"))
    house.draw(ms("2026-06-12 09:00"), "tv", NOTHING_KNOWN)
    house.on(ms("2026-06-12 12:00"))

    assert house.story(ms("2026-06-12 14:00")) == [("raised", ms("2026-06-12 13:00"))]


def test_hours_today_are_kept_across_a_restart_and_forgotten_after_a_day():
    house = bench(RanToday(2 * HOUR))
    house.on(ms("2026-06-12 08:00"))
    house.restart(ms("2026-06-12 09:00"))
    assert house.story(ms("2026-06-12 10:01")) == [("raised", ms("2026-06-12 10:00"))]

    house.off(ms("2026-06-12 12:00"))
    house.restart(ms("2026-06-13 09:00"))
    house.on(ms("2026-06-13 09:00"))
    assert house.story(ms("2026-06-13 12:00")) == [
        ("settled", ms("2026-06-13 00:00")),
        ("raised", ms("2026-06-13 11:00")),
    ]


def test_while_still_on_is_asked_beside_hours_it_settles_when_it_goes_off():
    house = bench(RanToday(HOUR), AtLevel(frozenset({"active"})))
    house.on(ms("2026-06-12 08:00"))
    house.off(ms("2026-06-12 10:00"))

    assert [item.reason for item in house.news(ms("2026-06-12 11:00"))] == [None, "level"]


@given(st.lists(st.tuples(st.integers(1, 9 * HOUR), st.booleans()), max_size=15), st.integers(0, 5 * HOUR),
       st.sampled_from(["2025-10-25 20:00", "2025-03-29 20:00", "2026-06-12 20:00"]))  # fmt: skip
def test_hours_today_are_the_sum_over_the_day_however_it_was_switched(steps, later, start):
    """Against a sum over stretches, each cut at local midnight."""
    house, now, active, stretches = bench(RanToday(20 * HOUR), start=start), ms(start), False, []
    for gap, is_on in steps:
        if active:
            stretches.append((now, now + gap))
        now, active = now + gap, is_on
        house.draw(now, "tv", ON if is_on else OFF)
    at_ms = now + later
    house.engine.advance(at_ms + 1)
    if active:
        stretches.append((now, at_ms))
    moment = datetime.fromtimestamp(at_ms / 1000, BERLIN)
    midnight = ms(moment.strftime("%Y-%m-%d"))

    expected = sum(max(0, end - max(begin, midnight)) for begin, end in stretches)
    assert RanToday(expected).truth(at_ms, house.engine._loads["tv"], holding=False)
    assert not RanToday(expected + 1).truth(at_ms, house.engine._loads["tv"], holding=False)


# -- starts -------------------------------------------------------------------------------------------


def test_starting_more_than_so_often_within_an_hour_is_short_cycling():
    house = bench(StartsOften(3))
    begin = ms("2026-06-12 08:00")
    for minutes in range(0, 50, 10):
        house.off(begin + minutes * MINUTE)
        house.on(begin + minutes * MINUTE + MINUTE)

    assert [(item.what, item.at_ms, item.reason) for item in house.news(begin + 3 * HOUR)] == [
        ("raised", begin + 31 * MINUTE, None),
        ("settled", begin + 71 * MINUTE, "usage"),  # the second of five is an hour old: three are left
    ]


def test_what_is_heard_again_after_silence_has_not_started():
    house = bench(StartsOften(1))
    begin = ms("2026-06-12 08:00")
    for minutes in range(0, 50, 5):
        house.draw(begin + minutes * MINUTE, "tv", NOTHING_KNOWN if minutes % 10 else ON)

    assert house.news(begin + HOUR) == []


def test_a_start_from_standby_is_one_too():
    house = bench(StartsOften(1))
    begin = ms("2026-06-12 08:00")
    for minutes in (0, 20):
        house.draw(begin + minutes * MINUTE, "tv", STANDBY)
        house.on(begin + (minutes + 1) * MINUTE)

    assert house.story(begin + HOUR) == [("raised", begin + 21 * MINUTE)]


def test_starts_are_kept_across_a_restart_which_is_none_itself():
    house = bench(StartsOften(1))
    begin = ms("2026-06-12 08:00")
    house.off(begin)
    house.on(begin + MINUTE)
    house.restart(begin + 10 * MINUTE)
    assert house.news(begin + 11 * MINUTE) == []

    house.off(begin + 12 * MINUTE)
    house.on(begin + 13 * MINUTE)
    assert house.story(begin + 14 * MINUTE) == [("raised", begin + 13 * MINUTE)]


@given(st.lists(st.tuples(st.integers(1, 20 * MINUTE), st.booleans()), max_size=40), st.integers(1, 4))
def test_starts_of_the_last_hour_are_counted_as_a_plain_count_has_them(steps, most):
    house, now, before, starts = bench(StartsOften(most)), ms("2026-06-12 08:00"), None, []
    for gap, is_on in steps:
        now += gap
        house.draw(now, "tv", ON if is_on else OFF)
        if is_on and before is False:
            starts.append(now)
        before = is_on
    end = now + 3 * HOUR
    edges = sorted({*starts, *(start + HOUR for start in starts)})
    expected, holds = [], False
    for at_ms in edges:
        count = sum(at_ms - HOUR < start <= at_ms for start in starts)
        if (count > most) != holds:
            holds = count > most
            expected.append(("raised" if holds else "settled", at_ms))

    assert house.story(end) == expected


# -- energy and money -------------------------------------------------------------------------------


def spending(house, per, *, over_wh=None, over_money=None, on_course=False, price="0.25"):
    """A rule on what a load that draws 100 W while it is on has taken."""
    known = Spending(house.meters.energy, BERLIN)
    condition = Spent(
        "tv", per, None if over_wh is None else round(over_wh * 1e6), None if over_money is None else Decimal(over_money),
        on_course, known, lambda uwh, _begin_ms, _at_ms: Decimal(uwh) / 10**9 * Decimal(price),
    )  # fmt: skip
    house.engine.configure([spec(condition, lasting=0, release=0, stated="spent")], house.engine.now_ms, {})
    house.engine.advance(house.engine.now_ms + 1)
    return known


def empty(start):
    return Bench(list, BERLIN, ms(start))


def test_more_energy_than_so_much_in_a_day_is_told_within_five_minutes_and_settles_with_the_day():
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_wh=500)
    house.on(ms("2026-06-12 08:00"))
    house.off(ms("2026-06-12 20:00"))

    raised, settled = house.story(ms("2026-06-13 01:00"))
    assert ms("2026-06-12 13:00") < raised[1] <= ms("2026-06-12 13:05")
    assert settled == ("settled", ms("2026-06-13 00:00"))


def test_exactly_so_much_is_not_more():
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_wh=500)
    house.on(ms("2026-06-12 08:00"))
    house.off(ms("2026-06-12 13:00"))

    assert house.news(ms("2026-06-13 01:00")) == []


def test_money_is_energy_at_its_price():
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_money="0.10", price="0.25")  # 400 Wh
    house.on(ms("2026-06-12 08:00"))

    ((what, at_ms),) = house.story(ms("2026-06-12 13:00"))
    assert what == "raised"
    assert ms("2026-06-12 12:00") < at_ms <= ms("2026-06-12 12:05")


@pytest.mark.parametrize(
    ("per", "start", "end"),
    [
        ("day", "2025-10-26 00:00", "2025-10-27 00:00"),  # 25 hours
        ("day", "2025-03-30 00:00", "2025-03-31 00:00"),  # 23 hours
        ("week", "2025-10-20 00:00", "2025-10-27 00:00"),  # from Monday, an hour longer than others
        ("month", "2026-02-01 00:00", "2026-03-01 00:00"),
        ("month", "2025-12-01 00:00", "2026-01-01 00:00"),
    ],
)
def test_a_period_is_as_long_as_the_calendar_has_it(per, start, end):
    """A load that never rests takes its watts times the hours of the period, and then begins at nought."""
    house = empty(start)
    known = spending(house, per, over_wh=10**6)
    house.on(ms(start))
    house.engine.advance(ms(end) - MINUTE)
    hours = (ms(end) - ms(start)) / HOUR
    assert known.spent_uwh("tv", per, ms(end) - 1) == pytest.approx(WATTS * hours * 1e6, abs=100)

    house.engine.advance(ms(end) + 10 * HOUR)
    assert known.spent_uwh("tv", per, ms(end) + 10 * HOUR) == round(WATTS * 10 * 1e6)


def test_on_course_is_told_from_a_quarter_of_the_period_on_at_its_pace():
    """100 W for a day come to 2.4 kWh: with 2 kWh as the bound that is clear at six, and passed only at twenty."""
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_wh=2000, on_course=True)
    house.on(ms("2026-06-12 00:00"))

    assert house.story(ms("2026-06-12 12:00")) == [("raised", ms("2026-06-12 06:00"))]


def test_on_course_settles_when_the_pace_slackens():
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_wh=1500, on_course=True)
    house.on(ms("2026-06-12 00:00"))
    house.off(ms("2026-06-12 10:00"))  # 1 kWh: on course to 1.5 kWh until 16:00

    (_, raised), (_, settled) = house.story(ms("2026-06-12 23:00"))
    assert raised == ms("2026-06-12 06:00")
    assert ms("2026-06-12 16:00") <= settled <= ms("2026-06-12 16:05")


def test_what_is_over_the_bound_already_is_told_before_the_quarter_too():
    house = empty("2026-06-12 00:00")
    spending(house, "day", over_wh=100, on_course=True)
    house.on(ms("2026-06-12 00:00"))

    ((_, raised),) = house.story(ms("2026-06-12 05:00"))
    assert raised <= ms("2026-06-12 01:05")


def test_what_the_ledger_has_of_the_period_counts():
    house = empty("2026-06-12 12:00")
    known = spending(house, "day", over_wh=500)
    house.on(ms("2026-06-12 12:00"))
    known.anchor("tv", "day", ms("2026-06-12 12:30"), round(450e6))

    ((_, raised),) = house.story(ms("2026-06-12 14:00"))
    assert ms("2026-06-12 13:00") < raised <= ms("2026-06-12 13:05")
    assert known.spent_uwh("tv", "day", ms("2026-06-12 13:30")) == round(550e6)


def test_an_anchor_is_of_its_own_period_only():
    house = empty("2026-06-12 12:00")
    known = spending(house, "day", over_wh=500)
    known.anchor("tv", "day", ms("2026-06-12 12:30"), round(450e6))
    house.engine.advance(ms("2026-06-13 00:01"))

    assert known.spent_uwh("tv", "day", ms("2026-06-13 00:01")) == 0
    assert known.period("tv", "day", ms("2026-06-13 00:01")).begin_ms == ms("2026-06-13 00:00")


@given(
    st.lists(st.tuples(st.integers(1, 3 * DAY), st.booleans()), max_size=12), st.sampled_from(["day", "week", "month"])
)
def test_what_is_spent_is_the_energy_since_the_period_began(steps, per):
    """However coarsely time is told, since the end of each period is an instant of its own."""
    house = empty("2025-10-20 00:00")
    known, now = spending(house, per, over_wh=10**9), ms("2025-10-20 00:00")
    for gap, is_on in steps:
        now += gap
        house.draw(now, "tv", ON if is_on else OFF)
    house.engine.advance(now + 1)
    begin = known.period("tv", per, now).begin_ms

    expected = (house.meters.energy("tv", now) - house.meters.energy("tv", begin)) / 3.6
    assert known.spent_uwh("tv", per, now) == pytest.approx(expected, abs=1)
    assert datetime.fromtimestamp(begin / 1000, UTC).astimezone(BERLIN).strftime("%H:%M") == "00:00"
