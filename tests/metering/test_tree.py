"""A parent equals its children plus its remainder, where all of them are covered."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.metering.minute import MINUTE_MS, Minute
from wattround.metering.tree import Tree, remainder

tree = Tree({"supply": None, "a": "supply", "b": "supply", "plug": "a", "roof": "supply"}, ["roof"])


def row(name, into, out=0, covered=MINUTE_MS):
    return Minute(name, 7, into, out, covered, None, None, 1)


energies = st.integers(0, 10**9)


@given(energies, energies, energies, energies, energies)
def test_a_parent_is_its_children_plus_its_remainder(supply_in, supply_out, a, b, roof):
    rows = {
        "supply": row("supply", supply_in, supply_out),
        "a": row("a", a),
        "b": row("b", b),
        "roof": row("roof", roof),
    }

    rest = remainder(tree, "supply", rows)

    assert supply_in - supply_out == a + b - roof + rest.net_uwh


def test_there_is_no_remainder_where_anything_is_uncovered():
    whole = {"supply": row("supply", 9), "a": row("a", 3), "b": row("b", 2), "roof": row("roof", 0)}

    assert remainder(tree, "supply", whole).net_uwh == 4
    assert remainder(tree, "supply", whole | {"b": row("b", 2, covered=59_999)}) is None
    assert remainder(tree, "supply", {name: rows for name, rows in whole.items() if name != "a"}) is None


def test_children_that_exceed_their_parent_are_not_hidden():
    assert remainder(tree, "a", {"a": row("a", 5), "plug": row("plug", 8)}).net_uwh == -3


def test_the_tree_is_walked_parents_first_with_depth():
    assert tree.walk() == [(0, "supply"), (1, "a"), (2, "plug"), (1, "b"), (1, "roof")]
