"""Hushes: of a rule about one load or any, until an instant, until the load is off, or for good."""

import json

import pytest

from wattround.rules.hush import Hush, Hushes
from wattround.rules.signals import FOREVER_MS


def put(*hushes):
    found = Hushes()
    for hush in hushes:
        found.put(hush)
    return found


def test_a_hush_of_a_rule_covers_all_its_loads_and_no_other_rule():
    hushes = put(Hush("r", None, "good"))

    assert hushes.covers("r", "tv")
    assert hushes.covers("r", "lamp")
    assert not hushes.covers("s", "tv")


def test_a_hush_about_one_load_covers_that_only():
    hushes = put(Hush("r", "tv", "good"))

    assert hushes.covers("r", "tv")
    assert not hushes.covers("r", "lamp")


def test_a_hush_for_a_time_is_over_at_its_instant():
    hushes = put(Hush("r", "tv", "time", 1_000), Hush("r", "lamp", "time", 2_000), Hush("s", None, "good"))

    assert hushes.next_ms() == 1_000
    assert hushes.over_at(999) == []
    assert hushes.over_at(1_000) == [Hush("r", "tv", "time", 1_000)]
    assert hushes.next_ms() == 2_000
    assert hushes.covers("s", "x")


def test_a_hush_for_good_ends_only_when_it_is_lifted():
    hushes = put(Hush("r", "tv", "good"))

    assert hushes.next_ms() == FOREVER_MS
    assert hushes.over_at(1 << 60) == []
    assert hushes.load_is_off("tv", "r") == []
    assert hushes.lift("r", "tv") == [Hush("r", "tv", "good")]
    assert list(hushes) == []


def test_the_last_hush_of_a_rule_and_load_stands():
    hushes = put(Hush("r", "tv", "good"), Hush("r", "tv", "time", 1_000))

    assert list(hushes) == [Hush("r", "tv", "time", 1_000)]


def test_lifting_a_rules_hushes_ends_those_about_single_loads_too():
    hushes = put(Hush("r", "tv", "good"), Hush("r", None, "good"), Hush("s", "tv", "good"))

    assert len(hushes.lift("r", None)) == 2
    assert list(hushes) == [Hush("s", "tv", "good")]


def test_a_hush_until_off_ends_with_its_own_load_and_with_no_other():
    hushes = put(Hush("r", "tv", "off"), Hush("r", "lamp", "off"))

    assert hushes.load_is_off("tv", "r") == [Hush("r", "tv", "off")]
    assert hushes.covers("r", "lamp")


def test_a_rules_hush_until_off_ends_when_a_load_of_that_rule_goes_off():
    hushes = put(Hush("r", None, "off"))

    assert hushes.load_is_off("tv", "s") == []
    assert hushes.load_is_off("tv", "r") == [Hush("r", None, "off")]


def test_a_loads_going_off_is_nothing_to_a_rule_that_does_not_watch_it():
    """The refrigerator's compressor must not end what was asked of the television."""
    hushes = put(Hush("tv-nobody-home", None, "off"))

    assert hushes.load_is_off("refrigerator") == []
    assert hushes.covers("tv-nobody-home", "tv")


@pytest.mark.parametrize("by_ms", [-5_000_000, 5_000_000])
def test_a_time_that_was_asked_for_lasts_as_long_when_the_clock_is_set(by_ms):
    hushes = put(Hush("r", "tv", "time", 10_000_000, 9_000_000), Hush("s", None, "good", FOREVER_MS, 9_000_000))
    hushes.clock_was_set(by_ms)

    assert hushes.next_ms() == 10_000_000 + by_ms
    assert [hush.until_ms for hush in hushes] == [10_000_000 + by_ms, FOREVER_MS]


def test_hushes_are_taken_up_as_they_were_saved():
    hushes = put(Hush("r", "tv", "time", 1_000, 10), Hush("r", None, "off"), Hush("s", "tv", "good"))
    fresh = Hushes()
    fresh.restore(json.loads(json.dumps(hushes.snapshot())))

    assert list(fresh) == list(hushes)
