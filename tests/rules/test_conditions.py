"""Each condition by itself and through the engine: levels, watts, hours of the day, days of the week, signals."""

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import BERLIN, HOUR, MINUTE, NEW_YORK, Bench, daily, ms, spec
from wattround.config.model import Mark
from wattround.rules.condition import AtLevel, Between, Draws, HouseIs, OnDays, SignalSays
from wattround.rules.load import LoadState
from wattround.rules.marks import ByWeekday, Edges
from wattround.rules.occupancy import Presence, Ways
from wattround.rules.signals import FOREVER_MS, Claim, Signals

NIGHT = Edges(daily("23:00"), daily("06:30"))


def load(level=None, watts=None):
    return LoadState(BERLIN, level, watts)


def holds(condition, at_ms, state=None, *, holding=False):
    return condition.truth(at_ms, state or load(), holding=holding)


# -- levels and watts -------------------------------------------------------------------------------


def test_a_load_is_at_one_of_the_levels_asked_for():
    idle = AtLevel(frozenset({"standby", "off"}))

    assert [holds(idle, 0, load(level)) for level in ("off", "standby", "active", None)] == [True, True, False, None]


@pytest.mark.parametrize(
    ("watts", "holding", "truth"),
    [(99.9, False, False), (100.0, False, True), (90.0, True, True), (89.9, True, False), (None, True, None)],
)
def test_watts_from_a_bound_on_and_down_to_the_release_while_it_holds(watts, holding, truth):
    assert holds(Draws(100.0, None, 90.0), 0, load(watts=watts), holding=holding) is truth


@pytest.mark.parametrize(
    ("watts", "holding", "truth"),
    [(20.0, False, False), (19.9, False, True), (21.9, True, True), (22.0, True, False), (None, False, None)],
)
def test_watts_below_a_bound_and_up_to_the_release_while_it_holds(watts, holding, truth):
    assert holds(Draws(None, 20.0, 22.0), 0, load(watts=watts), holding=holding) is truth


def test_levels_and_watts_change_by_readings_only():
    assert AtLevel(frozenset({"off"})).next_change_ms(5, load()) == FOREVER_MS
    assert Draws(1.0, None, 1.0).next_change_ms(5, load()) == FOREVER_MS


@given(st.lists(st.floats(0, 200), max_size=40))
def test_a_bound_with_release_is_a_switch_that_remembers(readings):
    """Against a switch written out by hand."""
    condition, on = Draws(100.0, None, 90.0), False
    for watts in readings:
        expected = watts >= 90.0 if on else watts >= 100.0
        on = holds(condition, 0, load(watts=watts), holding=on)
        assert on is expected


# -- hours ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "truth"),
    [
        ("22:59:59", False),
        ("23:00:00", True),
        ("23:59:59", True),
        ("00:00:00", True),
        ("06:29:59", True),
        ("06:30:00", False),
    ],
)
def test_between_holds_from_its_begin_to_just_before_its_end_across_midnight(moment, truth):
    at_ms = ms(f"2026-06-12 {moment}")

    assert holds(Between(NIGHT, BERLIN), at_ms) is truth
    assert holds(Between(NIGHT, BERLIN, outside=True), at_ms) is not truth


def test_the_next_change_of_a_window_is_its_begin_and_then_its_end():
    night = Between(NIGHT, BERLIN)

    assert night.next_change_ms(ms("2026-06-12 12:00"), load()) == ms("2026-06-12 23:00")
    assert night.next_change_ms(ms("2026-06-12 23:00"), load()) == ms("2026-06-13 06:30")
    assert night.next_change_ms(ms("2026-06-13 06:30"), load()) == ms("2026-06-13 23:00")


@pytest.mark.parametrize(
    ("moment", "truth"),
    [
        ("2026-06-12 23:30", True),  # Friday evening
        ("2026-06-13 03:00", True),  # its night, though a Saturday
        ("2026-06-13 23:30", False),  # Saturday evening
        ("2026-06-12 03:00", False),  # the night of Thursday's evening, though a Friday
    ],
)
def test_the_evenings_weekday_owns_the_night(moment, truth):
    fridays = Between(Edges(daily("23:00"), daily("06:30"), frozenset({4})), BERLIN)

    assert holds(fridays, ms(moment)) is truth


# day lengths by the rules of the tz database; they also stand in the project's list of published figures
@pytest.mark.parametrize(
    ("zone", "eve", "morning", "hours"),
    [
        (BERLIN, "2025-03-29", "2025-03-30", 6.5),
        (BERLIN, "2025-10-25", "2025-10-26", 8.5),
        (NEW_YORK, "2025-03-08", "2025-03-09", 6.5),
        (NEW_YORK, "2025-11-01", "2025-11-02", 8.5),
    ],
)
def test_a_rule_for_the_night_is_as_long_as_the_clocks_make_it(zone, eve, morning, hours):
    noon = ms(f"{eve} 12:00", zone)
    house = Bench(lambda: [spec(Between(NIGHT, zone), lasting=0, release=0)], zone, noon)

    story = house.story(ms(f"{morning} 12:00", zone))

    assert story == [("raised", ms(f"{eve} 23:00", zone)), ("settled", ms(f"{morning} 06:30", zone))]
    assert (story[1][1] - story[0][1]) / HOUR == hours


def test_without_any_window_between_never_holds_and_outside_always_does():
    never = Edges(ByWeekday((None,) * 7), daily("06:30"))
    at_ms = ms("2026-06-12 12:00")

    assert holds(Between(never, BERLIN), at_ms) is False
    assert holds(Between(never, BERLIN, outside=True), at_ms) is True
    assert Between(never, BERLIN).next_change_ms(at_ms, load()) == ms("2026-06-13 00:00")


def test_weekdays_turn_at_local_midnight_whatever_the_day_is_long():
    sundays = OnDays(frozenset({6}), BERLIN)
    house = Bench(lambda: [spec(sundays, lasting=0, release=0)], BERLIN, ms("2025-10-25 12:00"))

    assert house.story(ms("2025-10-27 12:00")) == [
        ("raised", ms("2025-10-26 00:00")),
        ("settled", ms("2025-10-27 00:00")),
    ]
    assert ms("2025-10-27 00:00") - ms("2025-10-26 00:00") == 25 * HOUR


marks = st.tuples(*[st.none() | st.integers(0, 1799)] * 7)


@given(st.datetimes(datetime(2025, 1, 1), datetime(2026, 1, 1)), st.sampled_from([BERLIN, NEW_YORK]), marks, marks,
       st.booleans(), st.lists(st.integers(-3 * 24 * 60, 10 * 24 * 60), max_size=8))  # fmt: skip
def test_a_window_that_is_asked_in_any_order_answers_as_a_new_one_and_changes_only_when_it_says(
    moment, zone, begins, ends, outside, later
):
    edges, start_ms = Edges(ByWeekday(begins), ByWeekday(ends)), int(moment.replace(tzinfo=UTC).timestamp()) * 1000
    asked = Between(edges, zone, outside=outside)
    for minutes in later:
        at_ms = start_ms + minutes * MINUTE
        fresh = Between(edges, zone, outside=outside)
        truth, named_ms = holds(asked, at_ms), asked.next_change_ms(at_ms, load())
        assert (truth, named_ms) == (holds(fresh, at_ms), fresh.next_change_ms(at_ms, load()))
        assert named_ms > at_ms
        for share in (0.25, 0.75):
            between_ms = math.floor(at_ms + share * (named_ms - 1 - at_ms))
            assert holds(Between(edges, zone, outside=outside), between_ms) is truth


# -- presence and signals through the engine --------------------------------------------------------


def test_a_rule_on_an_empty_house_begins_when_it_has_settled_and_ends_as_unknown_when_the_word_is_old():
    presence = Presence.of(Ways({"imre": 2 * HOUR}, 10 * MINUTE))
    presence.hear("imre", 0, is_home=False, retained=False)
    house = Bench(lambda: [spec(HouseIs("empty", presence), lasting=0, release=0)])

    assert [(item.what, item.at_ms, item.reason) for item in house.news(3 * HOUR)] == [
        ("raised", 10 * MINUTE, None),
        ("settled", 2 * HOUR, "occupancy-unknown"),
    ]


def test_a_rule_on_an_occupied_house_holds_through_the_settling():
    presence = Presence.of(Ways({"imre": 2 * HOUR}, 10 * MINUTE))
    presence.hear("imre", 0, is_home=False, retained=False)
    house = Bench(lambda: [spec(HouseIs("occupied", presence), lasting=0, release=0)])

    assert [(item.what, item.at_ms, item.reason) for item in house.news(HOUR)] == [
        ("raised", 0, None),
        ("settled", 10 * MINUTE, "occupancy"),
    ]


def test_a_rule_on_a_signal_begins_when_it_has_said_so_for_long_enough():
    claim = Claim("window", words=frozenset({"open"}), lasting_ms=5 * MINUTE)
    signals = Signals({"window": HOUR}, [claim])
    house = Bench(lambda: [spec(SignalSays(claim, signals), lasting=0, release=0)])
    signals.hear("window", 1_000, "open", retained=False)
    house.engine.signals_changed(1_000)

    assert [(item.what, item.at_ms, item.reason) for item in house.news(2 * HOUR)] == [
        ("raised", 1_000 + 5 * MINUTE, None),
        ("settled", 1_000 + HOUR, "signal-unknown"),
    ]


def test_a_mark_of_the_settings_is_the_edge_that_it_says():
    saturday = Mark(every="23:00", sat="24:30")
    night = Edges(ByWeekday(tuple(saturday.minutes(day) for day in range(7))), daily("08:00"))

    assert holds(Between(night, BERLIN), ms("2026-06-14 00:10")) is False  # Saturday's night has not begun
    assert holds(Between(night, BERLIN), ms("2026-06-14 00:30")) is True
