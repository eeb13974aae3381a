"""Windows between marks: across midnight, on days of 23 and 25 hours, in two time zones."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.config.model import Mark
from wattround.rules.marks import instant_ms, midnight_ms, window_at

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")


def ms(text, zone):
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * 1000


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


def nightly(bedtime, rising):
    return Mark(every=bedtime), Mark(every=rising)


@pytest.mark.parametrize(("zone", "eve", "hours"), [
    (BERLIN, "2025-03-29", 6.5), (BERLIN, "2025-10-25", 8.5),
    (NEW_YORK, "2025-03-08", 6.5), (NEW_YORK, "2025-11-01", 8.5), (BERLIN, "2025-06-01", 7.5),
])  # fmt: skip
def test_a_night_from_bedtime_to_rising_is_as_long_as_the_clocks_make_it(zone, eve, hours):
    window = window_at(ms(f"{eve} 23:30", zone), *nightly("23:00", "06:30"), zone)

    assert (window.to_ms - window.from_ms) / 3_600_000 == hours
    assert window.from_ms == ms(f"{eve} 23:00", zone)


def test_a_bedtime_after_midnight_belongs_to_the_evening_before():
    bedtime, rising = Mark(every="23:00", sat="24:30"), Mark(every="06:30", sun="09:00")

    window = window_at(ms("2026-06-14 00:10", BERLIN), bedtime, rising, BERLIN)  # Saturday night, a Sunday morning

    assert window.from_ms == ms("2026-06-14 00:30", BERLIN)
    assert window.to_ms == ms("2026-06-14 09:00", BERLIN)


def test_a_time_that_a_clock_change_skips_is_taken_as_much_later():
    assert instant_ms(date(2025, 3, 30), 150, BERLIN) == ms("2025-03-30 03:30", BERLIN)


def test_a_mark_missing_on_a_weekday_makes_no_window_that_day():
    window = window_at(ms("2026-06-12 12:00", BERLIN), Mark(sat="22:00"), Mark(every="06:30"), BERLIN)  # a Friday

    assert window.from_ms == ms("2026-06-13 22:00", BERLIN)


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]),
       st.integers(0, 1799), st.integers(0, 1439))  # fmt: skip
def test_windows_follow_each_other_and_never_overlap(moment, zone, bedtime, rising):
    """Walking from window to window goes forward, and each holds every instant inside it."""
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000
    begins = Mark(every=f"{bedtime // 60}:{bedtime % 60:02}")
    ends = Mark(every=f"{rising // 60}:{rising % 60:02}")

    first = window_at(at_ms, begins, ends, zone)
    following = window_at(first.to_ms, begins, ends, zone)

    assert first.to_ms > at_ms
    assert first.from_ms < first.to_ms <= following.from_ms or following.from_ms >= first.from_ms
    middle = (first.from_ms + first.to_ms) // 2
    if middle > at_ms:
        assert window_at(middle, begins, ends, zone) == first


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]))
def test_midnight_is_the_last_one(moment, zone):
    at_ms = int(moment.replace(tzinfo=UTC).timestamp()) * 1000

    assert 0 <= at_ms - midnight_ms(at_ms, zone) < 25 * 3_600_000
