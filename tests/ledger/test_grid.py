"""Cells of pictures: the sums are those of their minutes, in whatever parcels the ledger is asked for them."""

import itertools
from random import Random

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.history import BEGIN_MINUTE, write
from wattround.ledger import grid
from wattround.ledger.grid import Reach, parcels
from wattround.ledger.reader import Reader
from wattround.ledger.totals import Sums
from wattround.metering.minute import Minute

HOURS = 7
FIRST_HOUR = BEGIN_MINUTE // 60
stretch = st.tuples(st.integers(0, 3), st.integers(0, 500), st.integers(-2, 90)).map(
    lambda found: (found[0], found[1], found[1] + found[2])
)


@given(st.lists(stretch), st.integers(1, 100))
def test_parcels_hold_each_minute_of_each_cell_in_order_and_no_more_than_asked_for(stretches, most):
    found = list(parcels(stretches, most))

    def minutes(of):
        return [(cell, minute) for cell, begin, end in of for minute in range(begin, end)]

    assert minutes(each for parcel in found for each in parcel) == minutes(stretches)
    assert all(len(minutes(parcel)) == most for parcel in found[:-1])
    assert all(0 < len(minutes(parcel)) <= most for parcel in found[-1:])


@pytest.mark.parametrize("most_rows", [1, 7, 100, grid.MOST_ROWS])
def test_cells_are_what_pandas_adds_up(tmp_path, monkeypatch, most_rows):
    """Reference: pandas' groupby over the same rows."""
    monkeypatch.setattr(grid, "MOST_ROWS", most_rows)
    dice = Random(5)
    rows = [
        Minute(name, minute, dice.randrange(10**6), dice.randrange(99), dice.randrange(60_001), None, None, 1)
        for minute in range(BEGIN_MINUTE, BEGIN_MINUTE + HOURS * 60)
        for name in ("a", "b", "c")
        if dice.random() < 0.9
    ]
    write(tmp_path, rows, dict.fromkeys("abc", "circuit"))
    edges = sorted(dice.sample(range(BEGIN_MINUTE, BEGIN_MINUTE + HOURS * 60), 9))
    # a cell has two stretches, some of them with whole hours within
    stretches = [(at % 4, *ends) for at, ends in enumerate(itertools.pairwise(edges))]
    reader = Reader(tmp_path, "testhouse")
    found = reader.cells({"a", "b"}, stretches, Reach(FIRST_HOUR, FIRST_HOUR + HOURS - 2))
    reader.close()

    table = pd.DataFrame(rows)
    table["cell"] = None
    for cell, begin, end in stretches:
        table.loc[(table.minute >= begin) & (table.minute < end), "cell"] = cell
    wanted = table[table.meter.isin(["a", "b"])].groupby(["meter", "cell"])[["in_uwh", "out_uwh", "covered_ms"]].sum()
    assert {(name, cell): sums for name, of in found.items() for cell, sums in of.items()} == {
        key: Sums(*map(int, row)) for key, row in zip(wanted.index, wanted.to_numpy(), strict=True)
    }
