"""Readings held from one to the next: their median by time, how often they come, their last digit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.analysis.walk.readings import Reading, Readings, Rhythm, middle


def made(*pairs, hold_ms=90_000):
    found = Readings(hold_ms)
    for at_ms, watts in pairs:
        found.add(at_ms, watts)
    return found


def every(gap_ms, count, watts=10.0, begin=0):
    return [(begin + number * gap_ms, watts) for number in range(count)]


def test_a_reading_stands_until_the_next_one_but_no_longer_than_its_hold():
    readings = made((0, 5.0), (10_000, 7.0), hold_ms=4_000)

    assert readings.held(2_000, 11_000) == [(2_000, 5.0), (10_000, 7.0)]
    assert readings.held(5_000, 11_000) == [(10_000, 7.0)]
    assert readings.now_w(13_000) == 7.0
    assert readings.now_w(14_001) is None


@given(st.lists(st.tuples(st.floats(-5000, 5000, allow_nan=False), st.integers(1, 40)), min_size=1, max_size=30))
def test_the_median_by_time_is_that_of_the_signal_sampled_each_millisecond(pieces):
    """Checked against numpy.median of the held signal."""
    held, at_ms, signal = [], 0, []
    for watts, span_ms in pieces:
        held.append(Reading(at_ms, watts))
        signal += [watts] * span_ms
        at_ms += span_ms

    assert middle(held, at_ms) == pytest.approx(np.median(signal))


@pytest.mark.parametrize(
    ("pairs", "rhythm"),
    [
        (every(1000, 30), Rhythm(1000, at_changes=False)),
        (every(60_000, 4), Rhythm(60_000, at_changes=False)),
        ([(at + (at // 1000 % 3) * 80, watts) for at, watts in every(1000, 40)], Rhythm(1000, at_changes=False)),
        (every(1000, 2), None),
        (sorted(every(60_000, 30) + every(180_000, 8, begin=17_000)), Rhythm(60_000, at_changes=True)),
        ([(at * at * 1000, 5.0) for at in range(20)], Rhythm(19_000, at_changes=True)),
    ],
)
def test_how_often_a_meter_comes_and_whether_it_speaks_at_changes(pairs, rhythm):
    found = made(*pairs).rhythm()

    assert (found is None) == (rhythm is None)
    if rhythm is not None:
        assert found.every_ms == pytest.approx(rhythm.every_ms, rel=0.1)
        assert found.at_changes == rhythm.at_changes


@pytest.mark.parametrize(
    ("values", "resolution"),
    [
        ([25, 26, 40], 1.0),
        ([25.1, 25.4, 60.0], 0.1),
        ([1.25, 1.5, 3.0], 0.01),
        ([v * 1.0037 for v in (2, 4, 5, 9)], 1.0037),
    ],
)
def test_the_last_digit_is_read_off_the_values(values, resolution):
    assert made(*((at * 1000, float(v)) for at, v in enumerate(values))).resolution_w() == pytest.approx(resolution)


def test_of_two_at_the_same_instant_the_later_stands_and_time_never_goes_back():
    readings = made((5_000, 1.0), (5_000, 2.0), (4_000, 3.0))

    assert readings.between(0, 10_000) == [(5_000, 3.0)]
