"""Real loads within their real supplies.

AMPds2 (S. Makonin; CC BY 4.0, doi 10.7910/DVN/FIE0S4): a house and four of its circuits, by the minute. UK-DALE (Kelly
and Knottenbelt, Sci. Data 2:150007; CC BY 4.0): a house and four appliances, every 6 s. ECO (Beckel et al., ETH Zurich;
CC BY 4.0, doi 10.5905/ethz-1007-35): eight plugs; their house had no meter here, so the supply is their sum and 60 W.
"""

from array import array

import numpy as np
import pandas as pd
import pytest

from simulated.wiring import series
from wattround.analysis.scout.notes import notes
from wattround.analysis.scout.tree import infer


def ampds(folder, days):
    frame = pd.read_csv(folder / "ampds2" / "2013-11-21_2013-11-27.csv.gz")
    return {
        name: frame[name].to_numpy(float)[: 1440 * days]
        for name in ("main", "dish washer", "fridge", "basement", "heat pump")
    }


def ukdale(folder, day):
    frame = pd.read_csv(folder / "ukdale" / f"{day}.csv.gz")
    return {name: frame[name].to_numpy(float) for name in frame.columns[1:]}


def eco(folder, first, days):
    frame = pd.read_csv(folder / "eco_house4" / "minute_means_2012-06-27_2012-08-31.csv.gz")
    frame = frame.iloc[first * 1440 : (first + days) * 1440]
    plugs = {
        name.removesuffix("_w"): np.where(frame[name.replace("_w", "_n")] >= 59, frame[name], np.nan)
        for name in frame.columns
        if name.endswith("_w")
    }
    noise = np.random.default_rng(first).uniform(0.994, 1.006, len(frame))
    return {**plugs, "supply": (sum(np.nan_to_num(each) for each in plugs.values()) + 60) * noise}


def parents(wiring):
    return {name: place.parent for name, place in wiring.places.items()}


@pytest.mark.parametrize("days", [1, 2, 7])
def test_circuits_of_a_real_house_are_within_its_supply(open_data, days):
    found = series(ampds(open_data, days))
    wiring = infer(found, {})

    assert wiring.supply == "main"
    assert parents(wiring) == {"main": None} | dict.fromkeys(("dish washer", "fridge", "basement", "heat pump"), "main")
    assert list(notes(found, {}, wiring)) == []
    if days == 7:
        sure = {name for name, place in wiring.places.items() if place.surety == "sure"}
        assert sure >= {"dish washer", "fridge", "heat pump"}


@pytest.mark.parametrize("day", ["2014-08-24", "2014-11-09"])
@pytest.mark.parametrize("seconds", [60, 12])
def test_appliances_of_a_real_house_are_within_its_supply(open_data, day, seconds):
    """By minutes, as in a ledger, and by bins of 12 s, as in a recording."""
    watts = ukdale(open_data, day)
    found = {name: array("d", each.reshape(-1, seconds // 6).mean(axis=1)) for name, each in watts.items()}
    wiring = infer(found, {"main": "supply"})
    sure = {name for name, place in wiring.places.items() if place.surety == "sure"}

    assert parents(wiring) == {"main": None} | dict.fromkeys(
        ("dish washer", "fridge", "microwave", "washer dryer"), "main"
    )
    if day == "2014-11-09":
        assert sure >= ({"dish washer", "fridge"} if seconds == 60 else {"dish washer", "microwave", "fridge"})


@pytest.mark.parametrize(("first", "days"), [(5, 1), (27, 1), (27, 7)])
def test_real_plugs_are_within_a_supply_and_not_within_each_other(open_data, first, days):
    found = series(eco(open_data, first, days))
    wiring = infer(found, {"supply": "supply"})
    sure = {name for name, place in wiring.places.items() if place.surety == "sure"}

    assert {parent for name, parent in parents(wiring).items() if name != "supply"} == {"supply"}
    assert sure >= {"fridge", "freezer"}
    assert list(notes(found, {"supply": "supply"}, wiring)) == []
