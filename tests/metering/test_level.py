"""Levels with hysteresis: rising at the threshold, falling below its release."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.metering.level import Thresholds, band_of

limits = Thresholds(1.0, 40.0, 32.0)


def levels(*watts):
    found, level = [], None
    for value in watts:
        level = band_of(value, level, limits).level
        found.append(level)
    return found


def test_a_load_is_active_from_its_threshold_until_below_its_release():
    assert levels(39.9, 40.0, 33.0, 32.0, 31.9, 39.9) == ["standby", "active", "active", "active", "standby", "standby"]


def test_standby_ends_below_four_fifths_of_its_threshold():
    assert levels(0.9, 1.0, 0.9, 0.79, 0.9) == ["off", "standby", "standby", "off", "off"]


def test_without_an_active_threshold_a_load_that_is_not_off_has_no_known_level():
    assert band_of(500.0, None, Thresholds(1.0, None, None)).level is None
    assert band_of(0.0, None, Thresholds(1.0, None, None)).level == "off"


@given(st.floats(-100, 5000), st.sampled_from([None, "off", "standby", "active"]))
def test_watts_that_made_a_level_lie_in_its_band(watts, before):
    """Or the fast path would ask again with every reading."""
    band = band_of(watts, before, limits)

    assert band.low <= watts < band.high
    assert band_of(watts, band.level, limits).level == band.level
