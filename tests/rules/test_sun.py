"""Sunrise and sunset as edges of the day."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import BERLIN, DAY, HOUR, MINUTE, Bench, daily, ms, spec
from wattround.rules.condition import Between
from wattround.rules.load import LoadState
from wattround.rules.marks import Edges, window_at
from wattround.rules.sun import BySun, sun_ms

# US Naval Observatory, as recorded in pvlib's tests: local standard time, to the minute
USNO = [
    (39.0, -105.0, -7, "2015-01-02", "07:19", "16:49"),
    (39.0, -105.0, -7, "2015-04-02", "05:43", "18:24"),
    (39.0, -105.0, -7, "2015-08-02", "05:01", "19:10"),
    (39.0, -105.0, -7, "2015-12-02", "07:01", "16:38"),
    (39.917, 116.383, 8, "2015-01-02", "07:36", "17:00"),
    (39.917, 116.383, 8, "2015-04-02", "05:58", "18:39"),
    (39.917, 116.383, 8, "2015-08-02", "05:13", "19:28"),
    (39.917, 116.383, 8, "2015-12-02", "07:17", "16:50"),
]


@pytest.mark.parametrize(("latitude", "longitude", "utc_offset", "day", "sunrise", "sunset"), USNO)
def test_the_sun_rises_and_sets_within_a_minute_of_the_observatorys_tables(
    latitude, longitude, utc_offset, day, sunrise, sunset
):
    zone = ZoneInfo(f"Etc/GMT{-utc_offset:+d}")  # the sign of these names is turned round
    for event, clock in (("sunrise", sunrise), ("sunset", sunset)):
        found = BySun(event, 0, latitude, longitude).instant_ms(date.fromisoformat(day), zone)
        assert abs(found - ms(f"{day} {clock}", zone)) <= 60_000


@pytest.mark.parametrize(("later_ms"), [30 * MINUTE, -90 * MINUTE, 0])
def test_an_offset_is_added_to_the_instant(later_ms):
    day = date(2026, 6, 12)
    plain = BySun("sunset", 0, 52.5, 13.4).instant_ms(day, BERLIN)

    assert BySun("sunset", later_ms, 52.5, 13.4).instant_ms(day, BERLIN) == plain + later_ms


@pytest.mark.parametrize(("day", "zone"), [(date(2026, 6, 21), "Europe/Oslo"), (date(2026, 12, 21), "Europe/Oslo")])
def test_where_the_sun_does_not_rise_or_set_there_is_no_edge_and_no_window(day, zone):
    """Tromso has midnight sun from May to July, and polar night from the end of November to the middle of January."""
    zone = ZoneInfo(zone)
    place = (69.65, 18.96)
    edges = Edges(BySun("sunset", 0, *place), BySun("sunrise", 0, *place))
    at_ms = ms(f"{day} 12:00", zone)

    assert sun_ms("sunrise", *place, day, zone) is None
    assert sun_ms("sunset", *place, day, zone) is None
    assert window_at(at_ms, edges, zone) is None
    assert Between(edges, zone).truth(at_ms, LoadState(zone), holding=False) is False


def test_a_rule_after_dark_comes_back_when_the_sun_sets_again():
    """Whoever asks in the midnight sun is asked again each midnight, and finds the first night."""
    zone, place = ZoneInfo("Europe/Oslo"), (69.65, 18.96)
    dark = Between(Edges(BySun("sunset", 0, *place), BySun("sunrise", 0, *place)), zone)
    house = Bench(lambda: [spec(dark, lasting=0, release=0)], zone, ms("2026-07-01 12:00", zone))

    story = house.story(ms("2026-08-01 12:00", zone))

    assert story
    assert ms("2026-07-20 00:00", zone) < story[0][1] < ms("2026-07-31 00:00", zone)


@pytest.mark.parametrize("day", [date(2025, 3, 29), date(2025, 3, 30), date(2025, 10, 25), date(2025, 10, 26)])
def test_the_sun_knows_no_clock_changes(day):
    """From one day to the next it rises a few minutes sooner or later, on days of 23 and 25 hours too."""
    for event in ("sunrise", "sunset"):
        today, tomorrow = (sun_ms(event, 52.5, 13.4, day + timedelta(days=on), BERLIN) for on in (0, 1))
        assert abs(tomorrow - today - DAY) < 4 * MINUTE


def test_a_window_from_sunset_to_a_mark_follows_both():
    edges = Edges(BySun("sunset", 30 * MINUTE, 52.5, 13.4), daily("23:00"))
    summer, winter = (window_at(ms(f"{day} 12:00"), edges, BERLIN) for day in ("2026-06-21", "2026-12-21"))

    assert summer.to_ms == ms("2026-06-21 23:00")
    assert summer.to_ms - summer.from_ms < 2 * HOUR
    assert winter.to_ms - winter.from_ms > 6 * HOUR


places = st.tuples(st.floats(-60, 60), st.floats(-170, 170))


@given(places, st.dates(date(2024, 1, 1), date(2030, 12, 31)))
def test_at_a_places_own_time_the_sun_rises_before_it_sets_on_that_day(place, day):
    zone = ZoneInfo(f"Etc/GMT{-round(place[1] / 15):+d}")
    rises, sets = (sun_ms(event, *place, day, zone) for event in ("sunrise", "sunset"))

    for instant in (rises, sets):
        assert datetime.fromtimestamp(instant / 1000, UTC).astimezone(zone).date() == day
    assert 4 * HOUR < sets - rises < 20 * HOUR
