"""Computed meters: sums, differences and multiples of minutes; the same sums by pandas."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.config.places import Recipe
from wattround.metering.formula import Formula, combined, combined_minute, formulas
from wattround.metering.minute import ESTIMATED, Minute

energies = st.integers(0, 10**9)
flows = st.tuples(energies, energies)


def row(name, into, out=0, covered=60_000, low=None, peak=None, origin=1):
    return Minute(name, 7, into, out, covered, peak, low, origin)


def test_computed_meters_may_be_made_of_computed_ones():
    made = formulas({"all": Recipe(("dryer", "oven"), ("oven-fan",)), "dryer": Recipe(("leg",), multiple=2.0)})

    assert dict(made["all"].terms) == {"leg": 2.0, "oven": 1.0, "oven-fan": -1.0}
    assert dict(made["dryer"].terms) == {"leg": 2.0}


@given(flows, flows, flows)
def test_in_less_out_is_that_of_the_parts(a, b, c):
    into, out = combined(Formula("x", (("a", 1.0), ("b", 1.0), ("c", -1.0))), {"a": a, "b": b, "c": c})

    assert into - out == (a[0] - a[1]) + (b[0] - b[1]) - (c[0] - c[1])
    assert min(into, out) >= 0
    assert into <= a[0] + b[0] + c[1]
    assert out <= a[1] + b[1] + c[0]


@given(flows)
def test_a_multiple_of_one_meter_keeps_its_directions_apart(a):
    assert combined(Formula("x", (("a", 2.0),)), {"a": a}) == (2 * a[0], 2 * a[1])


def test_what_one_leg_gives_while_the_other_takes_cancels():
    """A meter that adds up its phases sees what is left (a leg gives 300 to the other, which takes 500)."""
    legs = Formula("x", (("a", 1.0), ("b", 1.0)))

    assert combined(legs, {"a": (500, 0), "b": (0, 300)}) == (200, 0)
    assert combined(legs, {"a": (250, 150), "b": (250, 150)}) == (500, 300)  # both ways, one after the other


def test_a_minute_exists_only_where_all_parts_do():
    legs = Formula("x", (("a", 1.0), ("b", 1.0)))

    assert combined_minute(legs, {"a": row("a", 5)}) is None
    assert combined_minute(legs, {"a": row("a", 5), "b": row("b", 7)}) == row("x", 12)


def test_it_covers_as_much_as_the_part_that_covers_least_and_says_that_it_is_estimated():
    found = combined_minute(
        Formula("x", (("a", 1.0), ("b", 1.0))), {"a": row("a", 600), "b": row("b", 100, covered=30_000)}
    )

    assert (found.in_uwh, found.covered_ms) == (400, 30_000)
    assert found.origin & ESTIMATED
    same = combined_minute(Formula("x", (("a", 2.0),)), {"a": row("a", 600, covered=30_000)})
    assert (same.in_uwh, same.covered_ms, same.origin) == (1200, 30_000, 1)


def test_peak_and_low_are_the_most_and_the_least_that_the_parts_allow():
    rows = {"a": row("a", 9, low=1_000, peak=5_000), "b": row("b", 1, low=200, peak=300)}
    found = combined_minute(Formula("x", (("a", 2.0), ("b", -1.0))), rows)

    assert (found.low_milliw, found.peak_milliw) == (1_700, 9_800)
    counted = rows | {"b": row("b", 1)}
    assert combined_minute(Formula("x", (("a", 2.0), ("b", -1.0))), counted).peak_milliw is None


measured = st.lists(st.tuples(energies, energies, st.booleans()), min_size=1, max_size=40)


@given(measured, measured, st.sampled_from([0.5, 1.0, 2.0, 3.0]))
def test_minutes_equal_pandas_on_the_same_rows(a, b, multiple):
    (formula,) = formulas({"x": Recipe(("a",), ("b",), multiple)}).values()
    mine = {}
    for minute in range(max(len(a), len(b))):
        rows = {
            name: Minute(name, minute, rows[minute][0], rows[minute][1], 60_000, None, None, 1)
            for name, rows in (("a", a), ("b", b))
            if minute < len(rows) and rows[minute][2]
        }
        if (found := combined_minute(formula, rows)) is not None:
            mine[minute] = found.in_uwh - found.out_uwh
    frames = [pd.DataFrame(rows, columns=["into", "out", "there"]).query("there") for rows in (a, b)]
    theirs = (multiple * ((frames[0].into - frames[0].out) - (frames[1].into - frames[1].out))).dropna()

    assert mine.keys() == set(theirs.index)
    for minute, net in theirs.items():
        assert mine[minute] == pytest.approx(float(net), abs=1)  # in and out are each rounded
