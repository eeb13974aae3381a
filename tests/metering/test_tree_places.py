"""Computed meters in the tree: each watt-hour counts once, whichever way it is measured."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.config.places import Recipe
from wattround.metering.minute import Minute
from wattround.metering.tree import Tree, parents, remainder, signed


def test_two_legs_count_with_the_circuit_that_they_are_the_parts_of():
    tree = Tree(
        {"supply": None, "dryer": "supply", "leg-a": None, "leg-b": None}, recipes={"dryer": Recipe(("leg-a", "leg-b"))}
    )

    assert tree.children["supply"] == ["dryer"]
    assert tree.roots == ["supply"]
    assert tree.parts["dryer"] == ["leg-a", "leg-b"]
    assert tree.walk() == [(0, "supply"), (1, "dryer"), (2, "leg-a"), (2, "leg-b")]


def test_a_supply_may_be_the_sum_of_its_legs():
    within = {"l1": None, "l2": None, "supply": None, "oven": "supply"}
    tree = Tree(within, supplies=["supply"], recipes={"supply": Recipe(("l1", "l2"))})

    assert tree.roots == ["supply"]
    assert parents(tree) == ["supply"]
    assert signed(tree, "supply") == {"supply": 1, "oven": -1}


def test_what_a_shared_clamp_sees_beyond_one_room_is_the_other_room():
    within = {"supply": None, "clamp": "supply", "bath": "clamp", "hall": "clamp"}
    tree = Tree(within, recipes={"hall": Recipe(("clamp",), ("bath",))})
    rows = {
        "clamp": Minute("clamp", 7, 900, 0, 60_000, None, None, 1),
        "bath": Minute("bath", 7, 300, 0, 60_000, None, None, 1),
        "hall": Minute("hall", 7, 600, 0, 60_000, None, None, 1),
    }

    assert tree.children["clamp"] == ["bath", "hall"]
    assert tree.children["supply"] == ["clamp"]
    assert remainder(tree, "clamp", rows).net_uwh == 0


@pytest.mark.parametrize("recipe", [Recipe(("oven", "hob")), Recipe(("supply",), ("oven",)), Recipe(("oven", "loose"))])
def test_what_only_gathers_meters_that_have_a_place_counts_nowhere(recipe):
    tree = Tree(
        {"supply": None, "oven": "supply", "hob": "supply", "loose": None, "all": None}, recipes={"all": recipe}
    )

    assert tree.aside == ["all"]
    assert "all" not in tree.roots
    assert "loose" in tree.roots
    assert tree.walk()[-1] == (0, "all")


def test_a_part_counts_with_the_meter_that_has_a_place():
    """Of two that are made of it, the one that stands in the tree; the other gathers."""
    recipes = {"both": Recipe(("leg-a", "oven")), "dryer": Recipe(("leg-a", "leg-b"))}
    tree = Tree(
        {"supply": None, "oven": "supply", "both": None, "dryer": "supply", "leg-a": None, "leg-b": None},
        recipes=recipes,
    )

    assert tree.parts["dryer"] == ["leg-a", "leg-b"]
    assert tree.aside == ["both"]


names = st.sampled_from([f"m{number}" for number in range(8)])


@given(
    st.dictionaries(names, st.none() | names),
    st.dictionaries(names, st.tuples(st.sets(names, min_size=1), st.sets(names))),
)
def test_every_meter_is_walked_once_whatever_is_written(within, made):
    """Loops are refused by the check; where there are none, nothing is lost and nothing shown twice."""
    within = {name: parent for name, parent in within.items() if parent is None or parent < name}
    recipes = {
        name: Recipe(tuple(a), tuple(b)) for name, (a, b) in made.items() if name in within and max(a | b) < name
    }
    tree = Tree(within, recipes=recipes)
    placed = [name for found in tree.children.values() for name in found]

    assert sorted(name for _, name in tree.walk()) == sorted(within)
    assert sorted(
        [*placed, *tree.roots, *tree.aside, *(part for parts in tree.parts.values() for part in parts)]
    ) == sorted(within)
