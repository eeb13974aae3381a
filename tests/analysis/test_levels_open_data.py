"""Levels learned from real loads: against scikit-learn on the same readings, what is published, spans read by eye.

tracebase (Reinhardt et al., TU Darmstadt; ODbL): contains information from the tracebase data set, which is made
available at http://www.tracebase.org under the Open Database License (ODbL). ECO (Beckel et al., ETH Zurich; CC BY
4.0, doi 10.5905/ethz-1007-35). AMPds2 (S. Makonin; CC BY 4.0, doi 10.7910/DVN/FIE0S4).
"""

import numpy as np
import pandas as pd
import pytest
from sklearn.cluster import KMeans
from sklearn.mixture import GaussianMixture

from support.history import write
from wattround.analysis.levels import propose
from wattround.ledger.reader import Reader
from wattround.ledger.spread import FLOOR_W
from wattround.metering.level import Thresholds, band_of
from wattround.metering.minute import WMS_PER_UWH, Minute

TRACEBASE = {"tv": "tv_lcd", "computer": "pc_desktop", "monitor": "monitor", "fridge": "fridge", "kettle": "kettle"}
STANDBY_SEEN = {"computer", "monitor"}


def seconds(stamps):
    """Seconds since 1970 of stamps such as 14/05/2012 22:05:48; four million of them, so digit by digit."""
    digit = stamps.to_numpy(dtype="S19").view("u1").reshape(-1, 19).astype("int64") - ord("0")
    two = {at: digit[:, at] * 10 + digit[:, at + 1] for at in (0, 3, 6, 8, 11, 14, 17)}
    months = (two[6] * 100 + two[8] - 1970) * 12 + two[3] - 1
    days = months.astype("datetime64[M]").astype("datetime64[D]").astype("int64") + two[0] - 1
    return days * 86_400 + two[11] * 3600 + two[14] * 60 + two[17]


def tracebase(folder, name):
    """Watts by second (UTC as if local), the larger where a second was heard twice."""
    (file,) = (folder / "tracebase_home_a").glob(f"{TRACEBASE[name]}__*.csv.gz")
    frame = pd.read_csv(file, sep=";", header=None, names=["at", "watts", "mean8"])
    frame["t"] = seconds(frame["at"])
    assert frame["t"].iloc[0] == at(
        f"{frame['at'][0][6:10]}-{frame['at'][0][3:5]}-{frame['at'][0][:2]} {frame['at'][0][11:]}"
    )
    return frame.groupby("t")["watts"].max().sort_index().astype(float)


def minute_rows(name, series, hold_s=60):
    """What the ledger would have of readings that are held until the next, at most so long."""
    stamps, watts = series.index.to_numpy(), series.to_numpy()
    ends = np.minimum(np.append(stamps[1:], stamps[-1]), stamps + hold_s)
    pieces = pd.DataFrame({"begin": stamps, "end": ends, "watts": watts})
    pieces = pieces[pieces["end"] > pieces["begin"]]
    split = pieces["begin"] // 60 != (pieces["end"] - 1) // 60  # held for at most a minute: in two at most
    tail = pieces[split].assign(begin=pieces["end"][split] // 60 * 60)
    tail = tail[tail["end"] > tail["begin"]]
    pieces.loc[split, "end"] = (pieces["begin"][split] // 60 + 1) * 60
    parts = pd.concat([pieces, tail])
    parts["covered"] = parts["end"] - parts["begin"]
    parts["ws"] = parts["watts"] * parts["covered"]
    found = parts.groupby(parts["begin"] // 60).agg(
        ws=("ws", "sum"), covered=("covered", "sum"), high=("watts", "max"), low=("watts", "min")
    )
    return [
        Minute(name, int(row.Index), round(row.ws * 1000 / WMS_PER_UWH), 0, int(row.covered) * 1000,
               round(row.high * 1000), round(row.low * 1000), 1)
        for row in found.itertuples()
    ]  # fmt: skip


def learned(folder, rows):
    names = sorted({row.meter for row in rows})
    write(folder, rows, dict.fromkeys(names, "appliance"))
    reader = Reader(folder, "testhouse")
    found = {proposal.meter: proposal for proposal in propose(reader, names, *reader.span(), 1)}
    reader.close()
    return found


@pytest.fixture(scope="module")
def home_a(tmp_path_factory):
    """Readings and proposals of the five loads."""
    from conftest import SHARED

    if not SHARED.is_dir():
        pytest.skip("no ../shared/data beside this checkout")
    series = {name: tracebase(SHARED, name) for name in TRACEBASE}
    rows = [row for name, readings in series.items() for row in minute_rows(name, readings)]
    return series, learned(tmp_path_factory.mktemp("home-a"), rows)


K_MEANS, MIXTURE = KMeans(2, n_init=4, random_state=0), GaussianMixture(2, random_state=0)


@pytest.mark.parametrize(
    ("name", "model"),
    [(name, model) for name in ("tv", "computer", "monitor") for model in (K_MEANS, MIXTURE)] + [("kettle", K_MEANS)],
)
def test_the_classes_are_those_of_scikit_learn(home_a, name, model):
    """Readings above and below the threshold, against two clusters of their log watts.

    K-means alone for the kettle: it is off for 99 % of its time, and a point mass is no Gaussian.
    """
    series, proposals = home_a
    readings, found = series[name].to_numpy()[::5], proposals[name]
    logs = np.log(np.maximum(readings, FLOOR_W)).reshape(-1, 1)
    labels = model.fit_predict(logs)
    upper = labels == np.argmax([logs[labels == label].mean() for label in (0, 1)])
    mine = readings >= found.active_w

    assert found.verdict == "proposed"
    assert (upper == mine).mean() > 0.999
    assert found.classes[-1].mean_w == pytest.approx(readings[upper].mean(), rel=0.03)
    assert found.classes[0].mean_w == pytest.approx(readings[~upper].mean(), abs=0.1)
    assert [each.level for each in found.classes] == ["standby" if name in STANDBY_SEEN else "off", "active"]


def at(text):
    return int(pd.Timestamp(text).timestamp())


@pytest.mark.parametrize(
    ("name", "begin", "end"),
    [
        ("computer", "2012-06-26 09:52", "2012-06-27 01:10"),  # for 918 minutes
        ("monitor", "2012-07-05 23:14", "2012-07-06 04:26"),  # for 312 minutes
        ("tv", "2012-06-11 00:30", "2012-06-11 01:12"),  # the last of the evening of the 10th
        ("tv", "2012-06-14 00:30", "2012-06-14 01:09"),
        ("tv", "2012-06-20 00:05", "2012-06-20 00:25"),
    ],
)
def test_spans_read_by_eye_are_active_and_end_when_they_ended(home_a, name, begin, end):
    """The spans stand in the data set's notes: what was on, and when it was switched off, to the minute."""
    series, proposals = home_a
    found = proposals[name]
    limits = Thresholds(found.standby_w, found.active_w, found.active_release_w or 0.8 * found.active_w)
    level, levels = None, {}
    for stamp, watts in series[name].loc[at(begin) - 60 : at(end) + 1200].items():
        level = band_of(watts, level, limits).level
        levels[stamp] = level
    on = [level == "active" for stamp, level in levels.items() if at(begin) + 60 <= stamp < at(end) - 60]
    after = [level == "active" for stamp, level in levels.items() if stamp >= at(end) + 90]

    assert np.mean(on) > 0.99
    assert np.mean(after) < 0.01


def test_a_refrigerators_compressor_has_no_levels(home_a):
    """Starts counted with pandas on minute means: the same, and at all hours."""
    series, proposals = home_a
    found = proposals["fridge"]
    rows = minute_rows("fridge", series["fridge"])
    means = pd.Series({row.minute: row.in_uwh * WMS_PER_UWH / row.covered_ms for row in rows})
    on = (means > 5).astype(int)  # the lamp behind its door, some 26 W, is on as well
    follows = on.index.to_series().diff() == 1
    starts = int(((on.diff() == 1) & follows).sum())

    assert found.verdict == "not separable"
    assert found.reason.startswith("it cycles by itself")
    assert found.starts_a_day == pytest.approx(starts / len(means) * 1440, rel=0.05)
    assert found.active_w is None


def test_a_week_of_plugs_by_the_second(open_data, tmp_path):
    """ECO's house 4: "the microwave idles at 2-4 W" (its notes); fridge and freezer have no levels."""
    rows = []
    for folder in [open_data / "eco_house4" / "raw_1hz"]:
        for file in sorted(folder.glob("*.csv.gz")):
            _, *words, day = file.name.removesuffix(".csv.gz").split("_")
            watts = pd.read_csv(file, header=None)[0]
            heard = watts[watts >= 0]
            by_minute = heard.groupby(heard.index // 60).agg(["sum", "count", "max", "min"])
            rows += [
                Minute("-".join(words), at(day) // 60 + int(row.Index), round(row.sum * 1000 / WMS_PER_UWH), 0,
                       int(row.count) * 1000, round(row.max * 1000), round(row.min * 1000), 1)
                for row in by_minute.itertuples(name="Row")
            ]  # fmt: skip
    found = learned(tmp_path, rows)

    assert found["fridge"].reason.startswith("it cycles by itself")
    assert found["freezer"].verdict == "not separable"
    microwave = found["microwave"]
    assert [each.level for each in microwave.classes] == ["standby", "active"]
    assert 2 <= microwave.standby.watts <= 4
    assert 4 < microwave.active_w < 1000 < microwave.classes[1].low_w
    lamp = found["lamp"]
    assert lamp.borders[0].clarity == "clear"
    assert 2 < lamp.active_w < 110
    music = found["entertainment"]
    assert 12 < music.active_w < 36


def test_minutes_without_peaks_are_enough(open_data, tmp_path):
    """AMPds2, by the minute: the dishwasher's three levels, the heat pump's two; a kitchen's fridge cycles."""
    (file,) = (open_data / "ampds2").glob("*.csv.gz")
    frame = pd.read_csv(file)
    stamps = pd.to_datetime(frame.iloc[:, 0]).astype("datetime64[s]").astype("int64") // 60
    names = {column: column.split(" W")[0].split(" (")[0].replace(" ", "-") for column in frame.columns[3:]}
    rows = [
        Minute(name, int(minute), round(float(watts) * 60_000 / WMS_PER_UWH), 0, 60_000, None, None, 2)
        for column, name in names.items()
        for minute, watts in zip(stamps, frame[column], strict=True)
    ]
    found = learned(tmp_path, rows)
    verdicts = {name: (proposal.verdict, [each.level for each in proposal.classes]) for name, proposal in found.items()}

    assert verdicts["dish-washer"] == ("proposed", ["off", "standby", "active"])
    assert verdicts["heat-pump"] == ("proposed", ["standby", "active"])
    assert 45 < found["heat-pump"].active_w < 1500
    assert found["fridge"].reason.startswith("it cycles by itself")
