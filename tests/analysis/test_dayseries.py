"""A load's days as proofs take them: energy, coverage, weather, who was there, signals; held against pandas."""

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from support.homes import row
from support.house import settings_of
from wattround.analysis.dayseries import load_history
from wattround.ledger.batch import Batch, SignalRow
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally
from wattround.ledger.writer import Writer

BERLIN = ZoneInfo("Europe/Berlin")
DAYS = [date(2026, 3, 27) + timedelta(days=offset) for offset in range(5)]  # the 29th has 23 hours
BEGIN = int(datetime(2026, 3, 27, tzinfo=BERLIN).timestamp()) // 60
END = int(datetime(2026, 4, 1, tzinfo=BERLIN).timestamp()) // 60
SETTINGS = """
house = { id = "testhouse", time_zone = "Europe/Berlin", currency = "EUR", price_per_kwh = 0.25, outdoor_signal = "garden" }
broker = { host = "127.0.0.1" }
people = [{ name = "imre", topic = "p/imre", home = ["home"], believable = "2d" }]
signals = [{ name = "garden", topic = "s/garden" }, { name = "window", topic = "s/window" }]
meters = [{ name = "tv", power = { topic = "t/tv" } }, { name = "fan", power = { topic = "t/fan" } }]
"""


def watts(name, minute):
    return 100 + 50 * math.sin(minute / 97) if name == "tv" else 40.0


def silent(name, minute):
    """The fan is not heard for six hours of the second day, the television for all of the fourth."""
    return (name == "fan" and 1440 + 300 <= minute - BEGIN < 1440 + 660) or (
        name == "tv" and minute >= BEGIN + 3 * 1440 - 60 and minute < BEGIN + 4 * 1440 - 60
    )


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    folder = tmp_path_factory.mktemp("days")
    rows = [
        row(name, minute, watts(name, minute))
        for minute in range(BEGIN, END)
        for name in ("tv", "fan")
        if not silent(name, minute)
    ]
    words = [SignalRow((BEGIN + 15 * at) * 60_000, "signal", "garden", f"{5 + at % 7}") for at in range(96 * 2 - 3)]
    words += [
        SignalRow(BEGIN * 60_000, "person", "imre", "home"),
        SignalRow((BEGIN + 600) * 60_000, "person", "imre", "away"),
    ]
    words += [
        SignalRow((BEGIN + 900) * 60_000, "person", "imre", "home"),
        SignalRow(BEGIN * 60_000, "signal", "window", "open"),
    ]
    words += [SignalRow((BEGIN + 360) * 60_000, "signal", "window", "closed")]
    words += [SignalRow((BEGIN + 2 * 1440 + 60 * at) * 60_000, "outdoor", "hour", f"{at}.00") for at in range(23)]
    words += [SignalRow((BEGIN + 3 * 1440 + 700) * 60_000, "outdoor", "day", "-2.50")]
    writer = Writer(folder, "testhouse", END * 60_000)
    writer.register({"tv": "circuit", "fan": "circuit"})
    writer.commit(Batch(rows=rows, signals=words), END * 60_000, lambda _name: (1 << 31, 60_000))
    writer.close()
    settings = settings_of("", head=SETTINGS)
    past, tally = Past(folder, "testhouse"), Tally(folder, "testhouse")

    def made(loads, signals=()):
        return load_history(past, tally.kept(), settings, loads, DAYS, signals)

    yield made
    past.close()
    tally.close()


def frame(name):
    index = pd.to_datetime(np.arange(BEGIN, END) * 60, unit="s", utc=True).tz_convert("Europe/Berlin")
    values = [np.nan if silent(name, minute) else watts(name, minute) / 60 for minute in range(BEGIN, END)]
    return pd.Series(values, index=index)


def test_energy_and_coverage_of_each_local_day_are_what_pandas_sums(history):
    series = frame("tv")
    by_day = series.groupby(series.index.date)
    found = history(["tv"])

    np.testing.assert_allclose(found.energy_wh[:3], by_day.sum().to_numpy()[:3], rtol=1e-6)
    np.testing.assert_allclose(found.coverage, by_day.count() / by_day.size())
    assert np.isnan(found.energy_wh[3]) or found.coverage[3] < 0.1


def test_several_loads_together_are_covered_as_far_as_the_least(history):
    tv, fan, both = history(["tv"]), history(["fan"]), history(["tv", "fan"])

    np.testing.assert_allclose(both.coverage, np.minimum(tv.coverage, fan.coverage))
    np.testing.assert_allclose(both.energy_wh[:3], (tv.energy_wh + fan.energy_wh)[:3])
    assert both.coverage[1] == pytest.approx(0.75)


def test_temperature_is_what_was_heard_else_imported_hours_else_imported_days(history):
    found = history(["tv"]).temperature_c
    heard = np.array([5 + at % 7 for at in range(96)])

    assert found[0] == pytest.approx(heard.mean(), abs=0.05)
    assert found[2] == pytest.approx(np.arange(23).mean())  # a day of 23 hours
    assert found[3] == -2.5
    assert np.isnan(found[4])


def test_occupancy_is_the_share_of_the_day_and_unknown_where_it_is_not_known(history):
    found = history(["tv"]).occupancy

    assert found[0] == pytest.approx(1 - 300 / 1440)
    assert found[1] == 1
    assert np.isnan(found[3])  # the last word is two days old by then
    assert np.isnan(found[4])


def test_a_signal_that_says_yes_and_no_is_the_share_of_the_day_that_it_said_yes(history):
    found = history(["tv"], ["window"]).signals["window"]

    assert found[0] == pytest.approx(0.25)
    assert found[1] == 0
