"""Conditions on the metering itself: silent meters, wrong nestings, troubles, and a base load that creeps."""

import random
from datetime import date, timedelta
from statistics import median
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import BERLIN, HOUR, MINUTE, Bench, ms, spec
from wattround.core.nightly import judged_ms, night_from, night_span
from wattround.metering.tree import Tree
from wattround.rules.nights import Night, Nights, night_of
from wattround.rules.oversight import BaseLoadUp, Exceeded, InTrouble, Unheard


def bench(condition, **how):
    return Bench(lambda: [spec(condition, **{"lasting": 0, "release": 0, **how})])


# -- silence ------------------------------------------------------------------------------------------


class Ear:
    """When a meter was heard, as of an instant; None while the broker is away."""

    def __init__(self, heard_ms=0):
        self.heard_ms = heard_ms

    def __call__(self, _at_ms):
        return self.heard_ms


def test_a_meter_is_silent_when_the_span_is_over():
    house = bench(Unheard(HOUR, Ear(5_000)))

    assert house.story(2 * HOUR) == [("raised", 5_000 + HOUR)]


def test_a_meter_that_is_heard_in_time_is_never_silent():
    ear = Ear()
    house = bench(Unheard(HOUR, ear))
    for minutes in range(0, 600, 50):
        house.engine.advance(minutes * MINUTE)
        ear.heard_ms = minutes * MINUTE

    assert house.news(600 * MINUTE) == []


def test_it_settles_within_a_minute_of_being_heard_again():
    ear = Ear()
    house = bench(Unheard(HOUR, ear))
    house.engine.advance(3 * HOUR)
    ear.heard_ms = 3 * HOUR

    _, settled = house.news(4 * HOUR)
    assert settled.reason == "heard"
    assert 3 * HOUR <= settled.at_ms <= 3 * HOUR + MINUTE


def test_while_the_broker_is_away_no_meter_is_silent():
    house = bench(Unheard(HOUR, Ear(None)))

    assert house.news(100 * HOUR) == []


def test_when_the_broker_goes_away_whether_it_is_silent_cannot_be_told_any_more():
    ear = Ear()
    house = bench(Unheard(HOUR, ear))
    house.engine.advance(2 * HOUR)
    ear.heard_ms = None
    house.engine.signals_changed(2 * HOUR)

    assert [item.reason for item in house.news(3 * HOUR)] == [None, "heard-unknown"]


def test_after_the_broker_is_back_the_span_is_counted_from_then():
    ear = Ear(None)
    house = bench(Unheard(HOUR, ear))
    house.engine.advance(10 * HOUR)
    ear.heard_ms = 10 * HOUR  # listening began

    assert house.story(12 * HOUR) == [("raised", 11 * HOUR)]


# -- nesting and troubles -----------------------------------------------------------------------------


@pytest.mark.parametrize(("excess_w", "truth"), [(None, None), (49.9, False), (50.0, True), (-10.0, False)])
def test_parts_exceed_their_whole_from_so_many_watts_on_and_unknown_parts_never_do(excess_w, truth):
    assert Exceeded(50.0, lambda _at_ms: excess_w).truth(0, None, holding=False) is truth


def test_an_excess_is_looked_at_each_minute():
    excess = {"w": 0.0}
    house = bench(Exceeded(50.0, lambda _at_ms: excess["w"]), lasting=5 * MINUTE)
    house.engine.advance(90_000)
    excess["w"] = 80.0

    assert house.story(10 * MINUTE) == [("raised", 7 * MINUTE)]


def test_a_trouble_is_told_when_it_is_one_of_those_asked_for():
    now = set()
    house = bench(InTrouble(frozenset({"broker", "disk"}), lambda: now))
    now.add("archive")
    house.engine.signals_changed(1_000)
    house.engine.advance(2_000)
    now.add("disk")
    house.engine.signals_changed(2_000)
    house.engine.advance(3_000)
    now.clear()
    house.engine.signals_changed(3_000)

    assert [(item.what, item.at_ms, item.reason) for item in house.news(4_000)] == [
        ("raised", 2_000, None),
        ("settled", 3_000, "trouble"),
    ]


# -- base load ----------------------------------------------------------------------------------------

FIRST = date(2026, 1, 1)


def nights(*house_w, meters=()):
    found = Nights()
    for number, watts in enumerate(house_w):
        meters_w = {name: series[number] for name, series in dict(meters).items() if series[number] is not None}
        found.put(Night(FIRST + timedelta(days=number), watts, meters_w))
    return found


def test_with_too_few_nights_on_either_side_nothing_can_be_told():
    assert nights(*[100.0] * 9).creep_w() is None
    assert nights(*[100.0] * 9).base_w() is None
    assert BaseLoadUp(10.0, nights()).truth(0, None, holding=False) is None
    assert nights(*[100.0] * 10).creep_w() == 0.0


def test_the_base_load_is_up_when_the_last_three_nights_lie_above_the_weeks_before():
    up = nights(*[100.0] * 28, 130.0, 131.0, 132.0)

    assert (up.base_w(), up.creep_w()) == (131.0, 31.0)
    assert BaseLoadUp(31.0, up).truth(0, None, holding=False) is True
    assert BaseLoadUp(31.1, up).truth(0, None, holding=False) is False


def test_one_odd_night_is_no_creep():
    assert nights(*[100.0] * 28, 100.0, 900.0, 100.0).creep_w() == 0.0
    assert nights(*[100.0] * 20, 900.0, *[100.0] * 7, *[100.0] * 3).creep_w() == 0.0


def test_nights_that_nobody_looks_at_any_more_are_forgotten():
    found = nights(*[500.0] * 40, *[100.0] * 31)

    assert found.creep_w() == 0.0


def test_a_night_that_is_judged_again_replaces_itself():
    found = nights(*[100.0] * 31)
    for back in range(3):
        found.put(Night(FIRST + timedelta(days=30 - back), 150.0, {}))

    assert found.creep_w() == 50.0


def test_nights_of_a_time_that_has_not_been_are_forgotten_when_the_clock_is_set_back():
    found = nights(*[100.0] * 10, 300.0, 300.0, 300.0)
    found.forget_after(FIRST + timedelta(days=9))

    assert found.creep_w() == 0.0


def test_culprits_are_the_meters_that_rose_the_most_first():
    series = {
        "freezer": [20.0] * 28 + [45.0] * 3,
        "router": [8.0] * 28 + [8.0] * 3,
        "amplifier": [0.0] * 28 + [6.0] * 3,
        "lamp": [10.0] * 28 + [0.0] * 3,
        "new-plug": [None] * 28 + [50.0] * 3,
    }

    assert nights(*[100.0] * 28, *[131.0] * 3, meters=series).culprits() == [("freezer", 25.0), ("amplifier", 6.0)]


def test_with_too_few_nights_there_are_no_culprits():
    assert nights(*[100.0] * 5, meters={"a": [1.0] * 5}).culprits() == []


def test_a_new_night_raises_a_rule_on_the_base_load():
    found = nights(*[100.0] * 28)
    house = bench(BaseLoadUp(20.0, found))
    for number in range(28, 32):
        house.engine.advance(number * 24 * HOUR)
        found.put(Night(FIRST + timedelta(days=number), 130.0, {}))
        house.engine.signals_changed(number * 24 * HOUR)

    assert house.story(40 * 24 * HOUR) == [("raised", 29 * 24 * HOUR)]  # the second of three: the median


@given(st.lists(st.integers(0, 500), min_size=10, max_size=50), st.randoms(use_true_random=False))
def test_nights_may_come_in_any_order(watts, chance):
    """Medians over sorted nights, as written out by hand."""
    found, order = Nights(), [*enumerate(map(float, watts))][-31:]
    shuffled = chance.sample(order, len(order))
    for number, house_w in shuffled:
        found.put(Night(FIRST + timedelta(days=number), house_w, {}))
    kept = [house_w for _, house_w in order]

    assert found.creep_w() == median(kept[-3:]) - median(kept[:-3])


# -- a night from the ledger's hours --------------------------------------------------------------------

TREE = Tree(dict.fromkeys(("supply", "sun", "tv", "car")), ["sun"], supplies=["supply"])


def rows(hour, **watts):
    """Whole hours: `supply=(100, 0)` is watts in and out."""
    found = []
    for name, (into, out) in watts.items():
        found.append((hour, name, round(into * 1e6), round(out * 1e6), HOUR))
    return found


def test_a_nights_base_is_its_lowest_whole_hour_with_what_each_meter_took_in_it():
    found = night_from(
        FIRST,
        [
            *rows(1, supply=(300, 0), tv=(200, 0)),
            *rows(2, supply=(90, 0), tv=(10, 0)),
            *rows(3, supply=(120, 0), tv=(0, 0)),
        ],
        Tree({"supply": None, "tv": "supply"}, supplies=["supply"]),
    )

    assert found == Night(FIRST, 90.0, {"supply": 90.0, "tv": 10.0})


def test_what_the_house_makes_counts_and_what_it_gives_back_does_not():
    found = night_from(FIRST, rows(1, supply=(0, 30), sun=(130, 0)), TREE)

    assert found.house_w == 100.0


def test_without_a_supply_meter_the_outermost_meters_are_the_house():
    tree = Tree({"tv": None, "car": None, "plug": "car"})
    found = night_from(FIRST, rows(1, tv=(10, 0), car=(20, 0), plug=(5, 0)), tree)

    assert found.house_w == 30.0


def test_an_hour_that_is_not_covered_or_lacks_a_meter_of_the_sum_is_left_out():
    sparse = [(1, "supply", 5_000_000, 0, HOUR // 2), *rows(2, supply=(80, 0)), *rows(3, supply=(100, 0), sun=(0, 0))]

    assert night_from(FIRST, sparse, TREE).house_w == 100.0
    assert night_from(FIRST, sparse[:1], TREE) is None


def test_an_hour_that_is_nearly_covered_counts_by_its_mean():
    covered_ms = round(0.99 * HOUR)
    found = night_from(FIRST, [(1, "supply", round(99e6), 0, covered_ms)], Tree({"supply": None}, supplies=["supply"]))

    assert found.house_w == pytest.approx(100.0)


# day lengths by the rules of the tz database
@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        (date(2026, 6, 12), "Europe/Berlin", 6),
        (date(2025, 10, 26), "Europe/Berlin", 7),
        (date(2025, 3, 30), "Europe/Berlin", 5),
        (date(2026, 6, 12), "Asia/Kolkata", 5),  # half an hour off: five whole hours of UTC lie within
    ],
)
def test_a_night_has_the_whole_hours_that_the_clocks_leave_it(day, zone, hours):
    first, last = night_span(day, ZoneInfo(zone))

    assert last - first == hours
    assert first * HOUR >= ms(f"{day} 00:00", ZoneInfo(zone))
    assert last * HOUR <= ms(f"{day} 06:00", ZoneInfo(zone))


def test_a_night_is_judged_ten_minutes_after_it_ends():
    assert judged_ms(date(2026, 6, 12), BERLIN) == ms("2026-06-12 06:10")


def test_without_any_whole_hour_there_was_no_night():
    assert night_of(FIRST, []) is None


def test_a_night_is_the_same_whatever_order_its_rows_come_in():
    found = [row for hour in range(6) for row in rows(hour, supply=(100 + hour, 0), tv=(hour, 0))]
    shuffled = random.Random(1).sample(found, len(found))
    tree = Tree({"supply": None, "tv": "supply"}, supplies=["supply"])

    assert night_from(FIRST, shuffled, tree) == night_from(FIRST, found, tree)
