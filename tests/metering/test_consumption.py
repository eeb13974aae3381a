"""House consumption = supply in + generation - supply out -/+ storage, whatever flows where."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.metering.consumption import house_energy, sources
from wattround.metering.minute import Minute
from wattround.metering.tree import Tree, remainder

watts = st.integers(0, 20_000)
steps = st.lists(st.tuples(watts, watts, watts, st.integers(-8_000, 8_000), st.booleans()), min_size=1, max_size=30)


def energies(series):
    return {"in": sum(max(0, value) for value in series), "out": sum(max(0, -value) for value in series)}


@given(steps)
def test_the_house_takes_what_its_loads_take(found):
    """Two supplies, a roof, a battery and two loads; Kirchhoff decides what the supplies deliver."""
    oven, heater, roof, battery = ([step[index] for step in found] for index in range(4))
    supplied = [o + h - r + b for o, h, r, b, _ in found]  # negative: export
    first = [value if one else 0 for value, (*_, one) in zip(supplied, found, strict=True)]
    second = [0 if one else value for value, (*_, one) in zip(supplied, found, strict=True)]
    series = {"first": first, "second": second, "roof": [*roof], "battery": [*battery]}
    tree = Tree(
        {"first": None, "second": None, "roof": "first", "battery": "first", "oven": "first", "heater": "second"},
        generators=["roof"], storages=["battery"], supplies=["first", "second"],
    )  # fmt: skip
    flows = {name: tuple(energies(values).values()) for name, values in series.items()}

    energy = house_energy(sources(tree), flows.__getitem__)

    assert energy.consumed == sum(oven) + sum(heater)
    assert energy.generated == sum(roof)
    assert energy.charged - energy.discharged == sum(battery)


@given(steps)
def test_the_supplys_remainder_is_what_nobody_else_metered(found):
    """A battery within the supply draws like any load while it charges, a roof delivers."""
    unseen, load, roof, battery = (sum(step[index] for step in found) for index in range(4))
    tree = Tree(
        {"supply": None, "load": "supply", "roof": "supply", "battery": "supply"}, ["roof"], ["battery"], ["supply"]
    )
    net = {"supply": unseen + load - roof + battery, "load": load, "roof": roof, "battery": battery}
    rows = {name: Minute(name, 1, max(0, value), max(0, -value), 60_000, None, None, 1) for name, value in net.items()}

    assert remainder(tree, "supply", rows).net_uwh == unseen


def test_only_the_outermost_of_a_kind_counts():
    within = {
        "main": None,
        "annex": "main",
        "inverter": "main",
        "strings": "inverter",
        "cells": "inverter",
        "car": "main",
    }
    of = sources(Tree(within, ["inverter", "strings"], ["cells", "car"], ["main", "annex"]))

    assert of.supplies == ("main",)
    assert of.generators == ("inverter",)
    assert of.storages == ("car",)


def test_without_a_supply_the_outermost_loads_stand_for_it_with_what_is_made_within_them():
    within = {"board": None, "roof": "board", "shed": None, "shed-roof": None, "cells": "board"}
    of = sources(Tree(within, ["roof", "shed-roof"], ["cells"]))
    flows = {"board": (100, 40), "roof": (70, 0), "shed": (5, 0), "shed-roof": (9, 0), "cells": (20, 30)}

    assert of.names == ("board", "shed", "roof", "cells")
    assert house_energy(of, flows.__getitem__).consumed == 100 - 40 + 70 + 5 - 20 + 30


def test_the_parts_of_a_supply_do_not_count_beside_it():
    from wattround.config.places import Recipe

    tree = Tree(dict.fromkeys(("l1", "l2", "supply")), (), (), ["supply", "l1", "l2"], {"supply": Recipe(("l1", "l2"))})

    assert sources(tree).names == ("supply",)
