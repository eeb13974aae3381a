"""The integral of a held signal: Meter, minute by minute, against pandas on a one-millisecond-exact step function."""

import math

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from wattround.metering.level import Thresholds
from wattround.metering.meter import Meter
from wattround.metering.minute import MINUTE_MS, Minute, uwh
from wattround.metering.spec import MeterSpec, Output

HOLD_MS = 90_000
START_MS = 1_780_000_020_000  # 20 s into a minute


def spec(**changes):
    base = MeterSpec("m", HOLD_MS, Thresholds(0.5, 40.0, 32.0), stamped=False, has_power=True, has_counter=False)
    return base._replace(**changes)


def run(readings, end_ms, **changes):
    """Rows of a meter that hears (ms after START_MS, watts) and is closed at `end_ms` after it."""
    out = Output()
    meter = Meter(spec(**changes), out)
    for at_ms, watts in readings:
        assert meter.hear_power(START_MS + at_ms, watts)
    meter.advance(START_MS + end_ms)
    meter.emit()
    return [row for row in out.rows if isinstance(row, Minute)], meter


def reference(readings, end_ms, hold_ms=HOLD_MS):
    """Energy (uWh) in, out and covered ms of each UTC minute, by pandas: pieces of the held signal cut at minutes."""
    frame = pd.DataFrame(readings, columns=["at", "watts"]).drop_duplicates("at", keep="last")
    frame["begin"] = frame["at"] + START_MS
    following = frame["begin"].shift(-1, fill_value=START_MS + end_ms)
    frame["end"] = pd.concat([following, frame["begin"] + hold_ms], axis=1).min(axis=1)
    pieces = []
    for row in frame.itertuples():
        for minute in range(row.begin // MINUTE_MS, (row.end - 1) // MINUTE_MS + 1):
            span = min(row.end, (minute + 1) * MINUTE_MS) - max(row.begin, minute * MINUTE_MS)
            pieces.append((minute, max(0.0, row.watts) * span, max(0.0, -row.watts) * span, span))
    sums = pd.DataFrame(pieces, columns=["minute", "into", "out", "ms"]).groupby("minute").sum()
    return {minute: (uwh(row.into), uwh(row.out), int(row.ms)) for minute, row in sums.iterrows() if row.ms > 0}


gaps = st.integers(1, 200_000)
powers = st.floats(-5000, 5000, allow_nan=False).map(lambda watts: round(watts, 2))
series = st.lists(st.tuples(gaps, powers), min_size=1, max_size=60).map(
    lambda items: [(sum(gap for gap, _ in items[: index + 1]), watts) for index, (_, watts) in enumerate(items)]
)


@given(series, st.integers(0, 300_000))
def test_minutes_sum_to_the_integral_of_the_held_signal(readings, tail):
    end_ms = readings[-1][0] + tail + 1

    rows, _ = run(readings, end_ms)

    expected = reference(readings, end_ms)
    assert set(expected) == {row.minute for row in rows}
    for row in rows:
        into, out, covered = expected[row.minute]
        assert abs(row.in_uwh - into) <= 1
        assert abs(row.out_uwh - out) <= 1
        assert row.covered_ms == covered <= MINUTE_MS


@given(series, st.lists(st.integers(1, 400_000), max_size=10))
def test_looking_at_the_clock_in_between_changes_nothing(readings, looks):
    """Ticks split the integral, never its value; levels and rows come out the same."""
    end_ms = readings[-1][0] + 1
    plain, _ = run(readings, end_ms)

    out = Output()
    meter = Meter(spec(), out)
    events = sorted([(at, 1, watts) for at, watts in readings] + [(at, 0, 0.0) for at in looks if at <= end_ms])
    for at_ms, is_reading, watts in events:
        if is_reading:
            meter.hear_power(START_MS + at_ms, watts)
        else:
            meter.follow_clock(START_MS + at_ms)
    meter.advance(START_MS + end_ms)
    meter.emit()

    for mine, theirs in zip(out.rows, plain, strict=True):
        assert mine[1] == theirs[1]
        assert abs(mine.in_uwh - theirs.in_uwh) <= 1
        assert mine.covered_ms == theirs.covered_ms


def test_a_kilowatt_for_an_hour_is_a_kilowatt_hour():
    """kWh = W x h / 1000 (US Department of Energy's formula)."""
    rows, _ = run([(at, 1000.0) for at in range(0, 3_600_000, 10_000)], 3_600_000)

    assert abs(sum(row.in_uwh for row in rows) - 1_000_000_000) <= 0.5 * len(rows)  # each row rounded to 1 uWh
    assert sum(row.covered_ms for row in rows) == 3_600_000


def test_power_is_held_no_longer_than_the_hold():
    rows, _ = run([(0, 600.0)], 600_000)

    assert sum(row.covered_ms for row in rows) == HOLD_MS
    assert sum(row.in_uwh for row in rows) == uwh(600.0 * HOLD_MS)


def test_a_source_that_says_it_is_gone_ends_its_hold_at_once():
    out = Output()
    meter = Meter(spec(), out)
    meter.hear_power(START_MS, 100.0)
    meter.go_offline(START_MS + 5_000)
    meter.advance(START_MS + 60_000)
    meter.emit()

    assert sum(row.covered_ms for row in out.rows) == 5_000


def test_peak_and_low_are_of_the_power_that_was_held():
    rows, _ = run([(0, 50.0), (10_000, 900.0), (10_001, 20.0), (39_000, 30.0)], 40_000)

    assert rows[0].peak_milliw == 900_000
    assert rows[0].low_milliw == 20_000


def test_import_and_export_are_kept_apart_in_a_minute():
    rows, _ = run([(0, 1200.0), (20_000, -600.0)], 40_000)

    assert rows[0].in_uwh == uwh(1200.0 * 20_000)
    assert rows[0].out_uwh == uwh(600.0 * 20_000)


def test_a_value_of_unknown_time_is_shown_and_makes_no_energy():
    out = Output()
    meter = Meter(spec(), out)
    meter.prime(750.0)
    meter.advance(START_MS)
    meter.hear_power(START_MS + 5_000, 100.0)
    meter.advance(START_MS + 10_000)
    meter.emit()

    assert math.isclose(sum(row.in_uwh for row in out.rows), uwh(100.0 * 5_000))
