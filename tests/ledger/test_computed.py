"""Minutes of computed meters follow those of their parts, whatever comes late; remainders by hours equal those by minutes."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wattround.config.places import Recipe
from wattround.ledger.batch import Batch
from wattround.ledger.reader import Reader
from wattround.ledger.writer import Writer
from wattround.metering.formula import formulas
from wattround.metering.minute import Minute, Patch
from wattround.metering.tree import Tree

NOW_MS = 1_780_000_000_000
MINUTE = NOW_MS // 60_000
FIRST = MINUTE // 60 * 60 - 600
ROLES = {"supply": "supply", "a": "circuit", "b": "circuit", "both": "circuit", "rest": "circuit"}
RECIPES = {"both": Recipe(("a", "b")), "rest": Recipe(("supply",), ("both",))}


def writer(folder, recipes=RECIPES):
    made = Writer(folder, "h", NOW_MS)
    made.register(ROLES)
    made.compute(formulas(recipes).values())
    return made


def commit(made, *rows, now_ms=NOW_MS, **changes):
    made.commit(Batch(rows=list(rows), **changes), now_ms, lambda _name: (1 << 31, 60_000))


def row(meter, minute, into, covered=60_000):
    return Minute(meter, minute, into, 0, covered, 5_000, 1_000, 1)


def energies(folder, meter):
    reader = Reader(folder, "h")
    found = {each.minute: each.in_uwh - each.out_uwh for each in reader.minutes(0, 1 << 31, meter)}
    reader.close()
    return found


def test_a_computed_minute_is_there_once_all_its_parts_are(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE, 100))
    assert energies(tmp_path, "both") == {}
    commit(made, row("b", MINUTE, 20))

    assert energies(tmp_path, "both") == {MINUTE: 120}
    assert energies(tmp_path, "rest") == {}
    made.close()


def test_what_a_counter_says_afterwards_and_late_readings_reach_it(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE - 5, 100), row("b", MINUTE - 5, 20), row("supply", MINUTE - 5, 500))
    commit(made, Patch("a", MINUTE - 5, 7, 0, 0, 2))
    assert energies(tmp_path, "both") == {MINUTE - 5: 127}
    assert energies(tmp_path, "rest") == {MINUTE - 5: 373}
    at_ms = (MINUTE - 5) * 60_000
    commit(made, journal={("b", at_ms): 3600.0}, late={"b": {at_ms}})

    assert energies(tmp_path, "both") == {MINUTE - 5: 107 + 60_000_000}
    made.close()


def test_an_amended_computed_minute_is_shipped_again(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE - 5, 100), row("b", MINUTE - 5, 20))
    made.ship_mark = MINUTE - 1
    commit(made, Patch("a", MINUTE - 5, 7, 0, 0, 2))

    found = made.lines.amended_rows(10, newest_wins=False)
    assert {each.line.partition(",role")[0] for each in found} == {
        f"wattround_minute,house={made.house},meter={name}" for name in ("a", "both")
    }
    made.close()


steps = st.lists(
    st.tuples(st.sampled_from(["supply", "a", "b"]), st.integers(0, 200), st.integers(0, 999), st.sampled_from([60_000] * 6 + [30_000])),
    max_size=80,
)  # fmt: skip


@settings(max_examples=40)
@given(steps, st.integers(1, 9))
def test_computed_minutes_and_hours_equal_pandas_on_the_same_rows(tmp_path_factory, found, apart):
    folder = tmp_path_factory.mktemp("computed")
    made = writer(folder)
    for index in range(0, len(found), apart):
        commit(
            made,
            *(row(name, FIRST + at, energy, covered) for name, at, energy, covered in found[index : index + apart]),
        )
    commit(made)
    made.close()

    reader = Reader(folder, "h")
    rows = pd.DataFrame(reader.minutes(0, 1 << 31), columns=Minute._fields)
    sums = {name: total.in_uwh - total.out_uwh for name, total in reader.sums(FIRST, FIRST + 600).items()}
    reader.close()
    rows["net"] = rows.in_uwh - rows.out_uwh
    shared = rows.pivot_table(index="minute", columns="meter", values="covered_ms").reindex(columns=list(ROLES))
    net = rows.pivot_table(index="minute", columns="meter", values="net").reindex(columns=list(ROLES))
    for name, parts, signs in (("both", ["a", "b"], [1, 1]), ("rest", ["supply", "a", "b"], [1, -1, -1])):
        covered = shared[parts].min(axis=1, skipna=False)
        theirs = sum(
            sign * net[part] * covered / shared[part] for part, sign in zip(parts, signs, strict=True)
        ).dropna()
        assert net[name].dropna().index.tolist() == theirs.index.tolist()
        assert ((net[name].dropna() - theirs).abs() <= 1).all()
        assert sums.get(name, 0) == net[name].sum()


@settings(max_examples=40)
@given(steps, st.integers(0, 210), st.integers(0, 210))
def test_remainders_by_hours_are_the_sum_of_those_by_minutes(tmp_path_factory, found, begin, end):
    """Whole hours, hours with holes, and ends within an hour."""
    folder = tmp_path_factory.mktemp("rests")
    tree = Tree({"supply": None, "a": "supply", "b": "supply"}, ["b"])
    made = writer(folder, {})
    base = [row(name, FIRST + minute, 50) for name in ("supply", "a", "b") for minute in range(180)]
    commit(made, *base, *(row(name, FIRST + at, energy, covered) for name, at, energy, covered in found))
    made.close()

    reader = Reader(folder, "h")
    by_minute = list(reader.remainders(tree, "supply", FIRST + begin, FIRST + end))
    by_hour = reader.rest(tree, "supply", FIRST + begin, FIRST + end)
    assert reader.rest(Tree({"supply": None, "new": "supply"}), "supply", 0, 1 << 31) is None
    reader.close()
    assert by_hour == (sum(each.net_uwh for each in by_minute), len(by_minute))


def test_the_past_is_computed_anew_when_the_formula_changes(tmp_path):
    made = writer(tmp_path)
    span = range(FIRST, FIRST + 240)
    commit(
        made, *(row(name, minute, energy) for minute in span for name, energy in (("a", 30), ("b", 12), ("supply", 90)))
    )
    made.compute(formulas({"both": Recipe(("a",), ("b",), 2.0), "rest": Recipe(("nobody",))}).values())
    for name in ("both", "rest"):
        made.recompute(name, FIRST // 60, FIRST // 60 + 4)

    assert set(energies(tmp_path, "both").values()) == {36}
    assert energies(tmp_path, "rest") == {}
    reader = Reader(tmp_path, "h")
    assert reader.sums(FIRST, FIRST + 240)["both"] == (240 * 36, 0, 240 * 60_000)
    assert "rest" not in reader.sums(FIRST, FIRST + 240)
    reader.close()
    made.close()


def test_a_commit_that_fails_computes_nothing(tmp_path):
    made = writer(tmp_path)
    with pytest.raises(KeyError):
        commit(made, row("a", MINUTE, 100), row("b", MINUTE, 20), row("nobody", MINUTE, 1))
    assert energies(tmp_path, "both") == {}
    commit(made, row("a", MINUTE, 100), row("b", MINUTE, 20))

    assert energies(tmp_path, "both") == {MINUTE: 120}
    made.close()
