"""Windows between marks: across midnight, on days of 23 and 25 hours, in two time zones."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import BERLIN, NEW_YORK, daily, ms
from wattround.config.model import Mark
from wattround.rules.marks import ByWeekday, Edges, instant_ms, midnight_ms, period_begin, period_end, window_at


def by(**times):
    """A mark, as the settings have it."""
    mark = Mark(**times)
    return ByWeekday(tuple(mark.minutes(day) for day in range(7)))


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        # tz database rules; lengths also stand in the project's list of published figures
        (BERLIN, date(2025, 3, 30), 23),
        (BERLIN, date(2025, 10, 26), 25),
        (NEW_YORK, date(2025, 3, 9), 23),
        (NEW_YORK, date(2025, 11, 2), 25),
        (ZoneInfo("Australia/Sydney"), date(2025, 10, 5), 23),
        (ZoneInfo("Australia/Lord_Howe"), date(2025, 10, 5), 23.5),
        (ZoneInfo("Australia/Lord_Howe"), date(2025, 4, 6), 24.5),
        (BERLIN, date(2025, 6, 1), 24),
    ],
)
def test_a_local_day_has_its_true_length(zone, day, hours):
    length = instant_ms(day + timedelta(days=1), 0, zone) - instant_ms(day, 0, zone)

    assert length == hours * 3_600_000
    assert length * 1000 / 3_600_000 == hours * 1000  # a constant 1000 W makes as many kWh


@pytest.mark.parametrize(("zone", "eve", "hours"), [
    (BERLIN, "2025-03-29", 6.5), (BERLIN, "2025-10-25", 8.5),
    (NEW_YORK, "2025-03-08", 6.5), (NEW_YORK, "2025-11-01", 8.5), (BERLIN, "2025-06-01", 7.5),
])  # fmt: skip
def test_a_night_from_bedtime_to_rising_is_as_long_as_the_clocks_make_it(zone, eve, hours):
    window = window_at(ms(f"{eve} 23:30", zone), Edges(daily("23:00"), daily("06:30")), zone)

    assert (window.to_ms - window.from_ms) / 3_600_000 == hours
    assert window.from_ms == ms(f"{eve} 23:00", zone)


def test_a_bedtime_after_midnight_belongs_to_the_evening_before():
    night = Edges(by(every="23:00", sat="24:30"), by(every="06:30", sun="09:00"))

    window = window_at(ms("2026-06-14 00:10", BERLIN), night, BERLIN)  # Saturday night, a Sunday morning

    assert window.from_ms == ms("2026-06-14 00:30", BERLIN)
    assert window.to_ms == ms("2026-06-14 09:00", BERLIN)


def test_a_time_that_a_clock_change_skips_is_taken_as_much_later():
    assert instant_ms(date(2025, 3, 30), 150, BERLIN) == ms("2025-03-30 03:30", BERLIN)


def test_a_mark_missing_on_a_weekday_makes_no_window_that_day():
    window = window_at(ms("2026-06-12 12:00", BERLIN), Edges(by(sat="22:00"), daily("06:30")), BERLIN)  # a Friday

    assert window.from_ms == ms("2026-06-13 22:00", BERLIN)


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]),
       st.integers(0, 1799), st.integers(0, 1439))  # fmt: skip
def test_windows_follow_each_other_and_never_overlap(moment, zone, bedtime, rising):
    """Walking from window to window goes forward, and each holds every instant inside it."""
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000
    edges = Edges(ByWeekday((bedtime,) * 7), ByWeekday((rising,) * 7))

    first = window_at(at_ms, edges, zone)
    following = window_at(first.to_ms, edges, zone)

    assert first.to_ms > at_ms
    assert first.from_ms < first.to_ms < following.to_ms
    assert following.from_ms >= first.from_ms
    middle = (first.from_ms + first.to_ms) // 2
    if middle > at_ms:
        assert window_at(middle, edges, zone) == first


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]))
def test_midnight_is_the_last_one(moment, zone):
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000

    assert 0 <= at_ms - midnight_ms(at_ms, zone) < 25 * 3_600_000


def test_the_evenings_weekday_owns_a_night_that_ends_on_the_next():
    fridays = Edges(daily("23:00"), daily("06:30"), frozenset({4}))

    window = window_at(ms("2026-06-13 03:00"), fridays, BERLIN)  # a Saturday morning

    assert window.from_ms == ms("2026-06-12 23:00")
    assert window_at(window.to_ms, fridays, BERLIN).from_ms == ms("2026-06-19 23:00")


def test_a_window_may_last_from_one_day_to_another_of_the_week():
    weekend = Edges(by(fri="18:00"), by(mon="06:00"))

    for moment in ("2026-06-13 12:00", "2026-06-15 05:59", "2026-06-12 18:00"):
        assert window_at(ms(moment), weekend, BERLIN) == (ms("2026-06-12 18:00"), ms("2026-06-15 06:00"))


def test_an_edge_that_never_comes_makes_no_window():
    assert window_at(ms("2026-06-13 12:00"), Edges(daily("22:00"), ByWeekday((None,) * 7)), BERLIN) is None
    assert window_at(ms("2026-06-13 12:00"), Edges(ByWeekday((None,) * 7), daily("22:00")), BERLIN) is None


times = st.one_of(st.none(), st.integers(0, 1799))


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]),
       st.tuples(*[times] * 7), st.tuples(*[times] * 7), st.none() | st.frozensets(st.integers(0, 6), min_size=1))  # fmt: skip
def test_an_instant_lies_in_a_window_as_a_plain_search_over_two_weeks_has_it(moment, zone, begins, ends, days):
    """An oracle that pairs each begin with the first end after it, and asks whether one of the pairs holds it."""
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000
    today = datetime.fromtimestamp(at_ms / 1000, zone).date()
    around = [today + timedelta(days=offset) for offset in range(-15, 16)]
    starts = [
        instant_ms(day, begins[day.weekday()], zone)
        for day in around
        if begins[day.weekday()] is not None and (days is None or day.weekday() in days)
    ]
    stops = [instant_ms(day, ends[day.weekday()], zone) for day in around if ends[day.weekday()] is not None]
    pairs = [(start, min(stop for stop in stops if stop > start)) for start in starts if max(stops, default=0) > start]

    window = window_at(at_ms, Edges(ByWeekday(begins), ByWeekday(ends), days), zone)

    inside = window is not None and window.from_ms <= at_ms < window.to_ms
    assert inside == any(start <= at_ms < stop for start, stop in pairs)
    if window is not None and not inside:
        assert window.from_ms == min(start for start, stop in pairs if stop > at_ms)


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]))
def test_days_weeks_and_months_follow_each_other_without_a_gap(moment, zone):
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000

    for per, first in (("day", None), ("week", 0), ("month", None)):
        begin_ms = period_begin(at_ms, per, zone)
        end_ms = period_end(begin_ms, per, zone)
        begin = datetime.fromtimestamp(begin_ms / 1000, zone)
        assert begin_ms <= at_ms < end_ms
        assert period_begin(end_ms, per, zone) == end_ms
        assert first is None or begin.weekday() == first
        assert per != "month" or begin.day == 1
        assert (begin.hour, begin.minute) == (0, 0)
