"""Invented houses of any seed whose wiring is known, as a ledger or a broker would see them.

Loads of many kinds run on circuits; plugs see one load each. Meters are read every 1 to 60 s, each at its own beat,
are up to 1 % off all the time and up to 1 % from reading to reading, and their clocks up to 3 s apart.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping
from math import nan
from typing import NamedTuple

import numpy as np

CADENCES_S = (1, 2, 5, 10, 15, 20, 30, 60)
APART = [nan] * 10
"""What stands between days in a series of the ledger's."""
Watts = np.ndarray
Make = Callable[[np.random.Generator, int], Watts]


def runs(rest_w: float, on_w: float, a_day: float, minutes: float, hours: tuple[float, float] = (0, 24)) -> Make:
    """A load that runs so often a day, about so long, at some time within these hours."""

    def make(rng: np.random.Generator, seconds: int) -> Watts:
        watts = np.full(seconds, rest_w)
        for _ in range(max(1, rng.poisson(a_day * seconds / 86_400))):
            begin = rng.integers(0, seconds // 86_400) * 86_400 + int(rng.uniform(*hours) * 3600)
            watts[begin : begin + int(minutes * 60 * rng.uniform(0.6, 1.4))] = on_w * rng.uniform(0.96, 1.04)
        return watts

    return make


def cycles(low_w: float, high_w: float, on_min: float, off_min: float) -> Make:
    """A load that a thermostat switches, day and night."""

    def make(rng: np.random.Generator, seconds: int) -> Watts:
        watts = np.full(seconds, low_w)
        at = int(rng.uniform(0, off_min) * 60)
        while at < seconds:
            on = int(on_min * 60 * rng.uniform(0.8, 1.2))
            watts[at : at + on] = high_w * rng.uniform(0.97, 1.03)
            at += on + int(off_min * 60 * rng.uniform(0.8, 1.2))
        return watts

    return make


def steady(watts: float) -> Make:
    return lambda _rng, seconds: np.full(seconds, watts)


DAYTIME, EVENING = (7, 21), (17, 23)
LOADS: dict[str, tuple[str, Make]] = {
    "refrigerator-compressor": ("refrigerator", cycles(2, 95, 18, 34)),
    "freezer-compressor": ("freezer", cycles(1, 80, 22, 40)),
    "oven-heat": ("oven", runs(0, 2100, 2, 35, (11, 20))),
    "hob-plates": ("hob", runs(0, 1600, 5, 12, DAYTIME)),
    "dishwasher-heat": ("dishwasher", runs(0.8, 2000, 2, 14, (9, 22))),
    "dishwasher-pump": ("dishwasher", runs(0, 70, 2, 60, (9, 22))),
    "washer": ("washer", runs(0.6, 1950, 3, 18, (8, 20))),
    "dryer-heat": ("dryer", runs(0.5, 2300, 1.5, 50, (9, 20))),
    "heater": ("water-heater", runs(0, 2400, 5, 25)),
    "compressor": ("heat-pump", cycles(14, 1350, 21, 38)),
    "pump": ("pool-pump", runs(0, 980, 2, 180)),
    "kettle": ("kitchen", runs(0, 2150, 6, 3, (6, 22))),
    "coffee-maker": ("kitchen", runs(0.4, 980, 4, 7, (6, 18))),
    "toaster": ("kitchen", runs(0, 850, 2, 3, (6, 10))),
    "microwave": ("kitchen", runs(2, 1250, 5, 4, DAYTIME)),
    "television": ("living", runs(2.1, 118, 4, 80, (8, 23))),
    "amplifier": ("living", runs(4, 42, 4, 60, (8, 23))),
    "console": ("living", runs(1.5, 95, 2, 70, (14, 23))),
    "computer": ("study", runs(3.2, 142, 4, 90, (8, 24))),
    "printer": ("study", runs(5.5, 410, 3, 5, (9, 20))),
    "study-lamp": ("study", runs(0, 14, 4, 80, (6, 24))),
    "cooler": ("bedroom", cycles(1, 265, 40, 30)),
    "blanket": ("bedroom", runs(0, 60, 3, 60, (19, 24))),
    "dehumidifier": ("garage", cycles(1.5, 240, 25, 50)),
    "door": ("garage", runs(1.7, 320, 5, 0.5, (7, 20))),
    "aquarium": ("children", cycles(12, 75, 9, 14)),
    "desk": ("children", runs(0.5, 55, 4, 60, (13, 22))),
    "lamps-below": ("lights-below", runs(0, 62, 5, 70, (5, 23))),
    "lamps-stairs": ("lights-below", runs(0, 35, 5, 50, (5, 23))),
    "lamps-above": ("lights-above", runs(0, 40, 5, 50, (5, 24))),
    "fan": ("bathroom", runs(0, 28, 6, 20, (6, 23))),
    "hairdryer": ("bathroom", runs(0, 1400, 3, 5, (6, 22))),
    "router": ("network", steady(53)),
    "lamps-outside": ("outside", runs(0, 46, 2, 150, EVENING)),
    "charger": ("car", runs(4, 3600, 1.2, 160)),
    "saw": ("workshop", runs(0, 1100, 4, 4, (9, 19))),
    "vacuum": ("workshop", runs(0, 700, 4, 5, (9, 19))),
    "circulation": ("heating", cycles(3, 55, 25, 20)),
    "attic-cooler": ("attic", cycles(6, 900, 12, 25)),
}
"""The circuit of each load, and how it runs: 24 circuits."""
PLUGGED = (
    "television", "amplifier", "console", "computer", "printer", "study-lamp", "cooler", "blanket", "dehumidifier",
    "aquarium", "desk", "kettle", "coffee-maker", "microwave", "washer", "refrigerator-compressor",
)  # fmt: skip


class Wired(NamedTuple):
    """True watts of each meter by the second, and what it is within."""

    watts: dict[str, Watts]
    parents: dict[str, str | None]
    roles: dict[str, str]


def wired(seed: int, days: int = 1, plugs: int = 8) -> Wired:
    """A house of 24 circuits and some plugs; something is on the supply that no circuit sees."""
    rng = np.random.default_rng(seed)
    seconds = days * 86_400
    loads = {name: make(rng, seconds) for name, (_, make) in LOADS.items()}
    circuits: dict[str, Watts] = {}
    for name, (circuit, _) in LOADS.items():
        circuits[circuit] = circuits.get(circuit, 0) + loads[name]
    chosen = [str(name) for name in rng.choice(PLUGGED, plugs, replace=False)]
    watts = {"supply": sum(circuits.values()) + runs(90, 310, 12, 9)(rng, seconds), **circuits}
    watts |= {f"plug-{name}": loads[name] for name in chosen}
    parents: dict[str, str | None] = {"supply": None, **dict.fromkeys(circuits, "supply")}
    parents |= {f"plug-{name}": LOADS[name][0] for name in chosen}
    roles = {
        "supply": "supply",
        **dict.fromkeys(circuits, "circuit"),
        **{f"plug-{name}": "appliance" for name in chosen},
    }
    return Wired(watts, parents, roles)


class Read(NamedTuple):
    """Readings of a meter: when (seconds since the begin, by its clock), and watts."""

    at_s: Watts
    watts: Watts


def read(rng: np.random.Generator, watts: Watts, every_s: int | None = None) -> Read:
    """What a meter of that kind would say of true watts by the second."""
    every = every_s or int(rng.choice(CADENCES_S))
    at = np.arange(rng.uniform(0, every), len(watts), every)
    seen = watts[at.astype(int)] * rng.uniform(0.99, 1.01)
    seen = seen * rng.uniform(0.99, 1.01, len(at)) + rng.uniform(-0.3, 0.3, len(at))
    return Read(at + rng.uniform(-3, 3), seen)


def minute_means(readings: Read, seconds: int) -> Watts:
    """Each reading held until the next; NaN for a minute before the first."""
    index = np.searchsorted(readings.at_s, np.arange(seconds), side="right") - 1
    held = np.where(index >= 0, readings.watts[np.maximum(index, 0)], nan)
    return held.reshape(-1, 60).mean(axis=1)


def metered(house: Wired, seed: int) -> dict[str, Watts]:
    """Minutes of all meters."""
    rng = np.random.default_rng(seed + 5000)
    return {name: minute_means(read(rng, watts), len(watts)) for name, watts in house.watts.items()}


def series(minutes: Mapping[str, Watts]) -> dict[str, array[float]]:
    """The same as the ledger's reader gives them, day by day."""
    return {
        name: array("d", [value for day in watts.reshape(-1, 1440) for value in (*day, *APART)])
        for name, watts in minutes.items()
    }
