"""Readings of a recording as equal bins: powers held, registers spread over the time in which they rose."""

from math import isnan

import pytest

from support.house import settings_of
from wattround.analysis.scout.bins import Replay
from wattround.analysis.scout.capture import message

METERS = """
[[meters]]
name = "tv"
hold = "90s"
power = { topic = "tv/watts" }
[[meters]]
name = "washer"
hold = "90s"
counter = { topic = "washer/kwh" }
[[meters]]
name = "back"
hold = "90s"
counter = { topic = "back/kwh", sign = -1 }
[[meters]]
name = "both"
power = { topic = "both/watts" }
counter = { topic = "both/kwh" }
"""


def replay(*said, minutes=5):
    made = Replay(settings_of(METERS), (0, minutes * 60_000), 60_000)
    for at_s, topic, payload in said:
        made.take(message(at_s * 1000, topic, str(payload).encode()))
    return made.series()


def values(series):
    return [None if isnan(value) else pytest.approx(value) for value in series]


def test_a_power_is_held_until_the_next_and_no_longer_than_so():
    found = replay((0, "tv/watts", 60), (60, "tv/watts", 90), (150, "tv/watts", 30))

    assert values(found["tv"]) == [60, 90, 60, 30, None]


def test_a_register_is_what_it_rose_by_over_that_time():
    """1 Wh in a minute is 60 W; over a minute and a half 2 Wh are 80 W."""
    rises = ((0, 5.0), (60, 5.001), (150, 5.003), (180, 5.003), (240, 5.0035))
    found = replay(*((at_s, "washer/kwh", kwh) for at_s, kwh in rises))

    assert values(found["washer"]) == [60, 80, 40, 30, None]


def test_what_goes_out_is_below_zero():
    assert values(replay((0, "back/kwh", 1.0), (60, "back/kwh", 1.0004))["back"])[:1] == [-24]


def test_a_register_that_begins_anew_or_was_silent_makes_a_gap():
    found = replay(
        (0, "washer/kwh", 7.0), (60, "washer/kwh", 0.0), (120, "washer/kwh", 0.0004), (240, "washer/kwh", 0.9)
    )

    assert values(found["washer"]) == [None, 24, None, None, None]


def test_a_register_of_coarse_digits_shows_no_steps():
    """A tenth of a kilowatt-hour is 6 kW in a minute: its digits, not the load's steps."""
    assert replay(*((60 * at, "washer/kwh", 5 + (at // 3) / 10) for at in range(6))) == {}


def test_beside_a_power_the_register_is_not_needed():
    found = replay((0, "both/watts", 60), (0, "both/kwh", 1.0), (60, "both/watts", 60), (60, "both/kwh", 1.2))

    assert values(found["both"])[:1] == [60]
