"""Who is within whom, on invented houses whose wiring is known: right, never wrongly sure, and silent where it must be.

The houses: 24 circuits, 8 plugs, a day; meters read every 1 to 60 s at their own beat, 1 % off all the time and 1 % from
reading to reading, clocks up to 3 s apart (`simulated.wiring`).
"""

from collections import Counter
from math import nan

import numpy as np
import pytest

from simulated.wiring import Wired, metered, minute_means, read, series, wired
from wattround.analysis.scout.notes import notes
from wattround.analysis.scout.tree import infer

SEEDS = range(1, 13)


@pytest.fixture(scope="module")
def houses():
    """Houses and the minutes of their meters by seed, made once."""
    made = {}

    def of(seed):
        if seed not in made:
            house = wired(seed)
            made[seed] = house, metered(house, seed)
        return made[seed]

    return of


def told(minutes, roles):
    found = series(minutes)
    wiring = infer(found, roles)
    return wiring, list(notes(found, roles, wiring))


@pytest.fixture(scope="module")
def judged(houses):
    """What became of each meter's parent: by kind, surety, and whether it is right."""
    count = Counter()
    for seed in SEEDS:
        house, minutes = houses(seed)
        wiring, _ = told(minutes, house.roles)
        for name, place in wiring.places.items():
            if name != "supply":
                count[house.roles[name], place.surety, place.parent == house.parents[name]] += 1
    return count


def test_no_parent_that_is_called_sure_is_wrong(judged):
    assert sum(judged[role, "sure", True] for role in ("circuit", "appliance")) > 150
    assert sum(judged[role, "sure", False] for role in ("circuit", "appliance")) == 0


def test_after_a_day_95_of_100_parents_are_right(judged):
    right = sum(number for (_, surety, good), number in judged.items() if good and surety in ("sure", "likely"))

    assert right >= 0.95 * judged.total()


def test_most_plugs_are_found_surely(judged):
    """A plug has a circuit of its own among 24: a guess would be right once in 24."""
    assert judged["appliance", "sure", True] >= 0.65 * 8 * len(SEEDS)
    assert sum(judged["appliance", surety, False] for surety in ("sure", "likely")) <= 1


@pytest.mark.parametrize("seed", range(1, 5))
def test_plugs_of_another_house_are_within_nothing_here(houses, seed):
    """64 plugs that have nothing to do with these meters: the test's own false alarms."""
    house, minutes = houses(seed)
    other = wired(seed + 100, plugs=16)
    foreign = {name: watts for name, watts in metered(other, seed + 100).items() if name.startswith("plug-")}
    kept = {name: watts for name, watts in minutes.items() if not name.startswith("plug-")}
    roles = {name: house.roles[name] for name in kept} | dict.fromkeys(foreign, "appliance")
    wiring, _ = told(kept | foreign, roles)

    assert [name for name in foreign if wiring.places[name].surety == "sure"] == []
    assert [name for name in foreign if wiring.places[name].parent not in (None, "supply")] == []


@pytest.mark.parametrize("seed", range(1, 4))
def test_where_its_circuit_has_no_meter_a_plug_is_in_no_other_circuit(houses, seed):
    house, minutes = houses(seed)
    gone = {house.parents[name] for name in house.parents if name.startswith("plug-")}
    kept = {name: watts for name, watts in minutes.items() if name not in gone}
    wiring, _ = told(kept, house.roles)

    plugs = [wiring.places[name] for name in kept if name.startswith("plug-")]
    assert {place.parent for place in plugs if place.surety == "sure"} <= {"supply"}


def test_the_circuit_of_one_load_is_not_within_the_plug_of_that_load(houses):
    """The washer alone is on its circuit, and on a plug: both move alike, and at the supply more than they would show."""
    house, minutes = houses(116)
    wiring, _ = told(minutes, house.roles)

    assert house.parents["plug-washer"] == "washer"
    assert wiring.places["washer"].parent == "supply"
    assert wiring.places["plug-washer"].parent in (None, "washer")


def test_a_load_that_never_moves_is_left_open():
    """A router draws what it draws; which circuit it is on nothing says."""
    flat, quiet = np.full(1440, 9.0), np.full(1440, 60.0)
    busy = np.where(np.arange(1440) % 120 < 40, 300.0, 20.0)
    wiring, _ = told(
        {"supply": flat + quiet + busy + 40, "a": flat + quiet, "b": busy + 12, "router": flat},
        {"supply": "supply", "a": "circuit", "b": "circuit", "router": "appliance"},
    )

    assert wiring.places["router"][1:3] == (None, "open")
    assert wiring.places["router"].why == "not enough moves yet"


def test_plugs_that_move_against_each_other_are_not_within_each_other():
    """A load cannot generate: one that goes off whenever another goes on is no part of it."""
    on = np.arange(1440) % 40 < 20
    watts = {"a": np.where(on, 118.0, 2.0), "b": np.where(on, 3.0, 121.0), "c": np.where(on, 60.0, 1.0)}
    wiring, found = told(watts, dict.fromkeys(watts, "appliance"))

    assert [place for place in wiring.places.values() if place.parent is not None] == []
    assert found == []


@pytest.mark.parametrize("watts", [60.0, 118.0])
def test_plugs_that_are_switched_together_are_never_surely_within_each_other(watts):
    """A screen beside a computer that also runs alone: its moves are all in the computer's."""
    both, alone = np.arange(1440) % 60 < 25, np.arange(1440) % 60 > 40
    minutes = {"computer": np.where(both | alone, 119.0, 3.0), "screen": np.where(both, watts, 0.0)}
    wiring, found = told(minutes, dict.fromkeys(minutes, "appliance"))

    assert {place.surety for place in wiring.places.values()} <= {"likely", "open"}
    assert found == []


def test_nothing_known_is_nothing_told():
    wiring, found = told({"a": np.full(1440, nan), "b": np.full(1440, nan)}, {})

    assert {place.surety for place in wiring.places.values()} == {"open"}
    assert found == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_right_house_has_no_faults(houses, seed):
    house, minutes = houses(seed)
    _, found = told(minutes, house.roles)

    assert [note for note in found if not note.says.startswith("all of")] == []


FAULTS = [(name, times) for name in ("heat-pump", "attic", "bedroom") for times in (-1.0, 0.5, 2.0)]
FIXES = {-1.0: "sign = -1", 0.5: "factor = 2.0", 2.0: "factor = 0.5"}


@pytest.mark.parametrize(("name", "times"), FAULTS)
@pytest.mark.parametrize("seed", [1, 3])
def test_a_turned_halved_or_doubled_meter_is_found_alone_with_what_mends_it(houses, seed, name, times):
    house, minutes = houses(seed)
    wiring, found = told({**minutes, name: minutes[name] * times}, house.roles)

    assert wiring.places[name][1:3] == ("supply", "sure")
    assert [(note.meters, note.fix) for note in found if not note.says.startswith("all of")] == [
        ((name,), FIXES[times])
    ]


@pytest.mark.parametrize("times", [-1.0, 0.5])
@pytest.mark.parametrize("seed", [1, 3])
def test_a_supply_that_reads_backwards_or_half_is_told_of_itself(houses, seed, times):
    house, minutes = houses(seed)
    _, found = told({**minutes, "supply": minutes["supply"] * times}, house.roles)

    assert [(note.meters, note.fix) for note in found if not note.says.startswith("all of")] == [
        (("supply",), FIXES[times])
    ]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_clamps_on_one_load_are_two_legs_if_the_supply_moves_twice_as_far(houses, seed):
    house, minutes = houses(seed)
    rng = np.random.default_rng(seed)
    half = house.watts["heat-pump"] / 2
    legs = {f"leg-{leg}": minute_means(read(rng, half), len(half)) for leg in "ab"}
    others = {name: watts for name, watts in minutes.items() if name != "heat-pump"}
    wiring, found = told({**others, **legs}, house.roles | dict.fromkeys(legs, "circuit"))

    (note,) = [note for note in found if note.meters == ("leg-a", "leg-b")]
    assert note.says == "two legs of one load"
    assert note.fix == 'sum_of = ["leg-a", "leg-b"] in an entry of its own, within supply'
    assert wiring.twins == [("leg-a", "leg-b")]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_clamps_on_one_load_repeat_each_other_if_it_moves_once(houses, seed):
    house, minutes = houses(seed)
    again = minute_means(read(np.random.default_rng(seed), house.watts["heat-pump"]), 86_400)
    _, found = told({**minutes, "again": again}, house.roles | {"again": "circuit"})

    (note,) = [note for note in found if note.meters == ("heat-pump", "again")]
    assert note.says.startswith("one repeats the other")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_panels_on_the_roof_are_within_the_supply_and_no_fault_where_that_is_known(houses, seed):
    house, minutes = houses(seed)
    rng = np.random.default_rng(seed)
    day = np.maximum(0, np.sin(np.pi * (np.arange(86_400) / 3600 - 7) / 12))
    roof = 3200 * day * np.repeat(rng.choice((1.0, 1.0, 0.7, 0.35), 288), 300)
    sunny = Wired({**house.watts, "supply": house.watts["supply"] - roof, "roof": roof}, house.parents, house.roles)
    lit = {**minutes, **{name: minute_means(read(rng, sunny.watts[name]), 86_400) for name in ("supply", "roof")}}
    wiring, found = told(lit, house.roles | {"roof": "generation"})
    _, asked = told(lit, house.roles)

    assert wiring.places["roof"][1:3] == ("supply", "sure")
    assert [note for note in found if "roof" in note.meters] == []
    assert [note.says for note in asked if "roof" in note.meters] == [
        "it generates, or its clamp sits the wrong way round"
    ]


def test_a_supply_of_three_phases_nests_and_is_their_sum(houses):
    """Phases are metered, and their total: circuits are within their phase, phases within the total."""
    house, _ = houses(1)
    circuits = [name for name, role in house.roles.items() if role == "circuit"]
    phases = {f"l{number + 1}": sum(house.watts[name] for name in circuits[number::3]) for number in range(3)}
    total = {"total": sum(phases.values())}
    watts = {**total, **phases, **{name: house.watts[name] for name in circuits}}
    minutes = {name: minute_means(read(np.random.default_rng(9), each, 5), 86_400) for name, each in watts.items()}
    wiring, found = told(minutes, {"total": "supply", **dict.fromkeys([*phases, *circuits], "circuit")})

    sure = [place for place in wiring.places.values() if place.surety == "sure"]
    right = {name: f"l{at % 3 + 1}" for at, name in enumerate(circuits)} | dict.fromkeys(phases, "total")
    assert [place for place in sure if place.parent != right[place.meter]] == []
    assert {place.meter for place in sure} >= {*phases, "heat-pump", "attic", "bedroom"}
    assert [note.says for note in found if note.meters[0] == "total"] == ["all of total is in l1, l2, l3"]
