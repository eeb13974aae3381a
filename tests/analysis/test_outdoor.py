"""Outdoor temperature: tables of any shape read or refused whole, hours to days as CalTRACK methods 2.0 has it."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from wattround.analysis.sheet import Shape, WrongSheet, read
from wattround.metering.localtime import instant_ms
from wattround.metering.outdoor import HOUR_MS, bridged, celsius, daily, fahrenheit, heard_hours, imported

BERLIN = ZoneInfo("Europe/Berlin")
NOW_MS = 1_790_000_000_000
HOUR = 490_000


@pytest.mark.parametrize(
    ("text", "shape", "rows"),
    [
        ("time,temperature\n2026-03-01T07:00,4.5\n2026-03-01T08:00,5\n", Shape(), [(1_772_344_800_000, "hour", 4.5), (1_772_348_400_000, "hour", 5)]),
        ("Datum;Außentemperatur °C\n2026-03-01T07:00;-4,5\n", Shape(), [(1_772_344_800_000, "hour", -4.5)]),
        ("day\ttemp\n2026-03-01\t3\n", Shape(), [(1_772_362_800_000, "day", 3)]),
        ("time,wind,temp_f\n1772344800,3,50\n", Shape(unit="F"), [(1_772_344_800_000, "hour", 10)]),
        ("id,when,a,b\n1,2026-03-01T06:00Z,9,4.5\n", Shape("when", "b"), [(1_772_344_800_000, "hour", 4.5)]),
        ("time,temp\n2026-03-01T07:00,4\n2026-03-01T07:20,5\n2026-03-01T07:40,9\n\n", Shape(), [(1_772_344_800_000, "hour", 6)]),
    ],
)  # fmt: skip
def test_tables_of_many_shapes_are_read(text, shape, rows):
    found = read(text, BERLIN, shape, NOW_MS).rows

    assert [row[:2] for row in found] == [row[:2] for row in rows]
    assert [row[2] for row in found] == pytest.approx([row[2] for row in rows])


def test_empty_cells_are_counted_not_guessed():
    found = read("time,temp\n2026-03-01T07:00,\n2026-03-01T08:00,NaN\n2026-03-01T09:00,1\n", BERLIN, Shape(), NOW_MS)

    assert (found.empty, len(found.rows)) == (2, 1)


@pytest.mark.parametrize(
    ("text", "shape", "said"),
    [
        ("time,temp\n2026-03-01T07:00,4\nyesterday,5\n", Shape(), 'line 3: found "yesterday"; expected a time'),
        ("time,temp\n2026-03-01T07:00,warm\n", Shape(), 'line 2: found "warm"; expected degrees'),
        ("time,temp\n2026-03-01T07:00,86\n", Shape(), "expected weather: -90 to 65 °C (--unit F?)"),
        ("time,temp\n2026-03-01T07:00,inf\n", Shape(), "expected weather"),
        ("time,temp\n2999-03-01T07:00,4\n", Shape(), "expected a time since 1970 that has passed"),
        ("time,temp\n2026-03-01T07:00\n", Shape(), "line 2: found 1 cells; expected at least 2"),
        ("time,temp_in,temp_out\n", Shape(), "which column is the outdoor temperature? expected --column with one of"),
        ("time,temp\n2026-03-01,4\n", Shape(column="out"), '--column: found "out"; expected one of its columns: time, temp'),
        ("", Shape(), "expected names of at least two columns"),
        ("time,temp\n", Shape(), "no temperature in it"),
        ('time,temp\n"2026-03-01T07:00,4\n', Shape(), "expected a table of"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told_with_its_line_and_none_of_it_is_taken(text, shape, said):
    with pytest.raises(WrongSheet) as wrong:
        read(text, BERLIN, shape, NOW_MS)

    assert said in str(wrong.value)


def test_many_wrong_lines_are_told_in_few():
    text = "time,temp\n" + "x,1\n" * 100

    with pytest.raises(WrongSheet, match="and 95 more"):
        read(text, BERLIN, Shape(), NOW_MS)


def test_what_was_heard_is_weighted_by_how_long_it_held():
    begin = HOUR * HOUR_MS
    words = [(begin, "10"), (begin + HOUR_MS // 4, "20"), (begin + HOUR_MS, "open"), (begin + 3 * HOUR_MS, "30")]

    found = heard_hours(words, celsius)

    assert found[HOUR] == pytest.approx(17.5)
    assert HOUR + 1 not in found  # a word that is no number stands for nothing
    assert found[HOUR + 3] == 30
    assert heard_hours([(begin, "50")], fahrenheit)[HOUR] == pytest.approx(10)


def test_an_hour_heard_for_less_than_half_is_not_known():
    begin = HOUR * HOUR_MS

    assert heard_hours([(begin - HOUR_MS * 3 // 4, "10")], celsius) == {HOUR - 1: 10}


def test_short_gaps_are_bridged_as_pandas_interpolates_and_long_ones_stay():
    """CalTRACK methods 2.0, 2.2.4.1: at most 6 consecutive hours."""
    rng = np.random.default_rng(3)
    series = pd.Series(rng.normal(10, 5, 400))
    gaps = series.copy()
    for first, length in ((20, 1), (60, 6), (120, 7), (200, 3), (300, 40)):
        gaps[first : first + length] = np.nan
    found = bridged({index: value for index, value in gaps.items() if not np.isnan(value)})

    expected = gaps.interpolate()
    for first, length in ((120, 7), (300, 40)):
        expected[first : first + length] = np.nan
    assert found == pytest.approx(expected.dropna().to_dict())


@pytest.mark.parametrize("around", [date(2026, 3, 29), date(2026, 10, 25), date(2026, 2, 1)])
def test_days_are_means_of_their_local_hours_as_pandas_has_them(around):
    """Days of 23, 25 and 24 hours."""
    days = [around + timedelta(days=offset) for offset in range(-2, 3)]
    first = instant_ms(days[0], 0, BERLIN) // HOUR_MS
    hours = {first + index: float(index % 17) for index in range(24 * 6)}
    index = pd.to_datetime([hour * 3600 for hour in hours], unit="s", utc=True).tz_convert("Europe/Berlin")
    expected = pd.Series(list(hours.values()), index=index).groupby(index.date).mean()

    assert daily(hours, {}, days, BERLIN) == pytest.approx({day: expected[day] for day in days})


def test_a_day_with_more_than_half_of_its_hours_missing_has_none_unless_it_was_imported_as_a_day():
    """CalTRACK methods 2.0, 2.2.2.1."""
    day = date(2026, 2, 1)
    first = instant_ms(day, 0, BERLIN) // HOUR_MS
    half = {first + index: 5.0 for index in range(12)}
    less = {first + index: 5.0 for index in range(11)}

    assert daily(half, {day: 9.0}, [day], BERLIN) == {day: 5.0}
    assert daily(less, {}, [day], BERLIN) == {}
    assert daily(less, {day: 9.0}, [day], BERLIN) == {day: 9.0}


def test_what_was_imported_is_by_hour_and_by_local_day():
    hours, days = imported([(HOUR * HOUR_MS, "hour", "4.50"), (1_772_362_800_000, "day", "3.00")], BERLIN)

    assert hours == {HOUR: 4.5}
    assert days == {date(2026, 3, 1): 3.0}
