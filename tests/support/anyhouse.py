"""An invented house of any seed, as the minutes that its meters would have, with faults built in on demand."""

from __future__ import annotations

import random
from collections.abc import Mapping

from support.history import BEGIN_MINUTE, DAY
from wattround.metering.minute import Minute

METERS = {
    "supply": ("supply", None), "roof": ("generation", "supply"), "battery": ("storage", "supply"),
    "board": ("circuit", "supply"), "heater": ("circuit", "board"), "oven": ("circuit", "board"),
    "living": ("circuit", "supply"), "tv": ("appliance", "living"), "amplifier": ("appliance", "living"),
    "study": ("circuit", "supply"), "computer": ("appliance", "study"), "fridge": ("circuit", "supply"),
}  # fmt: skip
"""Role and place of each."""
LOADS = {
    "heater": (0.0, 1900.0, 14, 35), "oven": (0.0, 2300.0, 5, 25), "tv": (2.1, 118.0, 7, 50),
    "amplifier": (4.0, 62.0, 6, 40), "computer": (3.2, 142.0, 7, 60), "fridge": (2.0, 95.0, 26, 18),
    "living-rest": (1.0, 75.0, 9, 30), "study-rest": (6.0, 48.0, 6, 20), "unmetered": (90.0, 310.0, 12, 9),
}  # fmt: skip
"""Watts at rest and running, runs a day, minutes each."""
HOLDS = {
    "board": ("heater", "oven"), "living": ("tv", "amplifier", "living-rest"), "study": ("computer", "study-rest"),
}  # fmt: skip


def settings_text(
    changes: Mapping[str, str] | None = None, meters: Mapping[str, tuple[str, str | None]] = METERS
) -> str:
    """The meters' part of the settings, with further keys for some."""
    lines = []
    for name, (role, within) in meters.items():
        more = (changes or {}).get(name, "")
        lines += ["[[meters]]", f'name = "{name}"', f'role = "{role}"', more]
        lines += [f'within = "{within}"'] if within else []
        lines += [] if "sum_of" in more or "power" in more else [f'power = {{ topic = "t/{name}" }}']
    return "\n".join(lines) + "\n"


def truth(seed: int, days: int, sunny: bool = True) -> dict[str, list[float]]:
    """True watts of every minute, of loads and of meters."""
    rng = random.Random(seed)
    watts = {name: _load(rng, days, *shape) for name, shape in LOADS.items()}
    watts["roof"] = _roof(rng, days) if sunny else [0.0] * days * DAY
    watts["battery"] = _load(rng, days, 0.0, 1500.0, 3, 60) if sunny else [0.0] * days * DAY
    if sunny:  # what went in comes out by night, less a tenth
        for minute in range(days * DAY):
            if minute % DAY < 300 and watts["battery"][minute] == 0.0:
                watts["battery"][minute] = -0.9 * 3 * 60 * 1500.0 / 300
    for name, parts in HOLDS.items():
        watts[name] = [sum(found) for found in zip(*(watts[part] for part in parts), strict=True)]
    drawn = ("board", "living", "study", "fridge", "unmetered", "battery")
    watts["supply"] = [sum(found) for found in zip(*(watts[part] for part in drawn), strict=True)]
    watts["supply"] = [taken - made for taken, made in zip(watts["supply"], watts["roof"], strict=True)]
    return watts


def _load(rng: random.Random, days: int, rest_w: float, on_w: float, runs: int, lasting: int) -> list[float]:
    found = [rest_w] * days * DAY
    for day in range(days):
        for _ in range(max(1, round(runs * rng.uniform(0.7, 1.3)))):
            begin = day * DAY + rng.randrange(DAY)
            watts = on_w * rng.uniform(0.97, 1.03)
            for minute in range(begin, min(len(found), begin + max(3, round(lasting * rng.uniform(0.6, 1.4))))):
                found[minute] = watts
    return found


def _roof(rng: random.Random, days: int) -> list[float]:
    found = []
    for minute in range(days * DAY):
        if minute % 12 == 0:
            cloud = rng.choice((1.0, 1.0, 0.7, 0.35))
        height = max(0.0, 1 - ((minute % DAY - 780) / 400) ** 2)
        found.append(3200 * height * cloud)
    return found


def rows(
    watts: Mapping[str, list[float]],
    seed: int,
    reads: Mapping[str, float] | None = None,
    names: tuple[str, ...] = tuple(METERS),
) -> list[Minute]:
    """Minutes as metered: each meter a little off, all the time and from minute to minute, and a little late.

    `reads`: what a faulty meter makes of it, as a factor.
    """
    rng = random.Random(seed + 1000)
    found: list[Minute] = []
    for name in names:
        gain = rng.uniform(0.985, 1.015) * (reads or {}).get(name, 1.0)
        late = rng.uniform(0.0, 0.4)
        before = watts[name][0]
        for minute, now in enumerate(watts[name]):
            mean = gain * ((1 - late) * now + late * before) * rng.gauss(1, 0.004)
            before = now
            energy = round(mean / 60 * 1e6)
            peak = round(gain * max(now, before) * 1000)
            found.append(Minute(name, BEGIN_MINUTE + minute, max(0, energy), max(0, -energy), 60_000, peak, peak, 1))
    return found
