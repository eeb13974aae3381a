"""Histograms added up in SQL: no time and no energy is lost, whatever the minutes hold."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.history import BEGIN_MINUTE, minutes, write
from wattround.ledger.reader import Reader
from wattround.ledger.spread import BINS, BINS_SQL, bin_of
from wattround.metering.minute import ESTIMATED, Minute

watts = st.one_of(st.just(0.0), st.floats(0.0, 5.0), st.floats(0.0, 30_000.0))
minute = st.tuples(watts, watts, st.floats(0.0, 1.0), st.integers(1, 60_000), st.booleans())
"""One end, the other end, where the mean lies between, covered time, whether readings gave peaks."""


def rows_of(some):
    found = []
    for index, (one, other, share, covered, peaks) in enumerate(some):
        low, high = sorted((one, other))
        mean = low + share * (high - low)
        found.append(
            Minute("m", BEGIN_MINUTE + index, round(mean * covered / 3.6), index, covered,
                   round(high * 1000) if peaks else None, round(low * 1000) if peaks else None, 1)
        )  # fmt: skip
    return found


def spread_of(folder, rows, every=1):
    write(folder, rows, {"m": "circuit", "other": "circuit"})
    reader = Reader(folder, "testhouse")
    found = reader.spreads({"m"}, *reader.span(), every)
    reader.close()
    return found["m"]


@settings(max_examples=60)
@given(st.lists(minute, min_size=1, max_size=30))
def test_time_and_energy_are_those_of_the_minutes(tmp_path_factory, some):
    rows = rows_of(some)
    found = spread_of(tmp_path_factory.mktemp("l"), rows)

    assert sum(found.covered_ms) == pytest.approx(sum(row.covered_ms for row in rows))
    assert sum(found.in_uwh) == pytest.approx(sum(row.in_uwh for row in rows), abs=1e-3)
    assert found.out_uwh == sum(row.out_uwh for row in rows)
    assert min(found.covered_ms) >= 0
    assert min(found.in_uwh) >= -1e-6


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ([100.0] * 6, {100.0: 60}),
        ([95.0, 105.0, 100.0, 95.0, 105.0, 100.0], {100.0: 60}),  # noise: one level
        ([0.0, 0.0, 0.0, 0.0, 2000.0, 2000.0], {0.0: 40, 2000.0: 20}),  # switched on: two
        ([2.0, 120.0, 120.0, 120.0, 120.0, 120.0], {2.0: 10, 120.0: 50}),
        ([0.0, 1.0, 2.0, 3.0, 2.0, 1.0], {1.5: 60}),  # a meter of whole watts
    ],
)
def test_a_minute_in_which_the_power_moved_is_two_levels(tmp_path, readings, expected):
    found = spread_of(tmp_path, minutes("m", [readings]))

    seconds = {number: round(ms / 1000, 1) for number, ms in enumerate(found.covered_ms) if ms > 100}
    assert seconds == {bin_of(power): time for power, time in expected.items()}


def test_estimated_minutes_and_other_meters_are_left_out(tmp_path):
    rows = minutes("m", [[50.0] * 6] * 3)
    rows[1] = rows[1]._replace(origin=ESTIMATED)
    found = spread_of(tmp_path, [*rows, *minutes("other", [[900.0] * 6] * 3)])

    assert sum(found.covered_ms) == 120_000
    assert found.covered_ms[bin_of(50.0)] == 120_000


def test_of_every_so_many_hours_one_counts_for_all(tmp_path):
    found = spread_of(tmp_path, minutes("m", [[50.0] * 6] * 60 * 10), every=5)

    assert sum(found.covered_ms) == 10 * 3_600_000
    assert sum(found.in_uwh) == pytest.approx(500 * 1e6, rel=1e-6)


def test_pythons_logarithm_in_place_of_sqlites_gives_the_same(tmp_path):
    """SQLite may be built without mathematics."""
    rows = rows_of([(0.3 * 1.01**index, 0.3 * 1.03**index, 0.4, 60_000, index % 3 > 0) for index in range(300)])
    write(tmp_path, rows, {"m": "circuit"})
    reader = Reader(tmp_path, "testhouse")
    values = {"from_minute": BEGIN_MINUTE, "to_minute": BEGIN_MINUTE + 300, "every": 1, "meters": "[1]"}
    own = reader._db.execute(BINS_SQL, values).fetchall()
    reader._db.create_function("ln", 1, math.log, deterministic=True)
    pythons = reader._db.execute(BINS_SQL, values).fetchall()
    reader.close()

    assert own == pythons
    assert len(own) > 50


def test_no_watts_are_beyond_the_scale():
    assert bin_of(0.0) == 0
    assert bin_of(1e12) == BINS - 1
