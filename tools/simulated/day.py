"""What the loads of the invented house do in a day: steps of true power, from a seed."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from itertools import pairwise

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS

Steps = list[tuple[int, float]]
"""(milliseconds since the day's begin, watts from then on), in order of time."""


@dataclass
class Day:
    """Steps of every load, and who comes and goes when (milliseconds since the begin, is at home)."""

    length_ms: int
    loads: dict[str, Steps] = field(default_factory=dict)
    people: dict[str, list[tuple[int, bool]]] = field(default_factory=dict)

    def watts(self, load: str, at_ms: int) -> float:
        """True power of a load at an instant."""
        now = 0.0
        for start, watts in self.loads[load]:
            if start > at_ms:
                break
            now = watts
        return now

    def energy_wh(self, load: str) -> float:
        """True energy of a load over the day."""
        steps = [*self.loads[load], (self.length_ms, 0.0)]
        return sum(watts * (end - start) for (start, watts), (end, _) in pairwise(steps)) / 3_600_000


def at(hour: float) -> int:
    """Milliseconds since the day's begin, which is at 06:00: 23.5 is half past eleven at night, 25 is 01:00."""
    return round((hour - 6.0) * HOUR_MS)


def spells(standby_w: float, *runs: tuple[float, float, float]) -> Steps:
    """A load at standby but for runs of (from hour, to hour, watts)."""
    steps: Steps = [(0, standby_w)]
    for begin, end, watts in runs:
        steps += [(at(begin), watts), (at(end), standby_w)]
    return sorted(steps)


def cycling(rng: random.Random, length_ms: int, on_w: float, off_w: float, on_min: float, off_min: float) -> Steps:
    """A compressor: on and off for about so many minutes each."""
    steps: Steps = []
    now, on = int(rng.uniform(0, off_min) * MINUTE_MS), True
    steps.append((0, off_w))
    while now < length_ms:
        steps.append((now, (on_w if on else off_w) * rng.uniform(0.97, 1.03)))
        now += int((on_min if on else off_min) * rng.uniform(0.8, 1.2) * MINUTE_MS)
        on = not on
    return steps


def sunshine(rng: random.Random, length_ms: int, peak_w: float) -> Steps:
    """Rooftop power: a half sine from six to nine in the evening, with clouds."""
    steps: Steps = []
    for start in range(0, length_ms, 5 * MINUTE_MS):
        height = math.sin(math.pi * start / at(21)) if start < at(21) else 0.0
        cloud = rng.choice((1.0, 1.0, 1.0, 0.7, 0.35))
        steps.append((start, round(peak_w * max(0.0, height) * cloud, 1)))
    return steps


def ordinary_day(seed: int, length_ms: int = 24 * HOUR_MS) -> Day:
    """A summer working day from 06:00 to 06:00: the television stays on when both leave, the computer after bedtime."""
    rng = random.Random(seed)
    day = Day(length_ms)
    j = lambda hours: hours + rng.uniform(-0.08, 0.08)  # noqa: E731 - a few minutes either way
    day.people = {
        "imre": [(0, True), (at(j(8.2)), False), (at(j(17.5)), True)],
        "odile": [(0, True), (at(j(8.7)), False), (at(j(18.5)), True)],
    }
    left, back = day.people["odile"][1][0] / HOUR_MS + 6, day.people["imre"][2][0] / HOUR_MS + 6
    day.loads = {
        "television": spells(2.1, (j(7.4), back + 0.05, 118.0), (j(20.5), j(22.6), 121.0)),
        "amplifier": spells(4.0, (j(20.5), j(22.5), 38.0)),
        "computer": spells(3.2, (j(18.9), j(25.6), 142.0)),
        "printer": spells(5.5, (j(19.4), j(19.5), 410.0)),
        "kettle": spells(0.0, (j(6.8), j(6.8) + 0.05, 2150.0), (j(19.0), j(19.0) + 0.05, 2150.0)),
        "coffee-maker": spells(0.4, (j(7.0), j(7.0) + 0.12, 980.0)),
        "bedroom-cooler": spells(1.0, (j(22.4), 30.0, 265.0)),
        "dehumidifier": cycling(rng, length_ms, 240.0, 1.5, 25, 50),
        "oven": spells(0.0, (j(19.2), j(19.9), 2100.0)),
        "hob": spells(0.0, (j(7.1), j(7.1) + 0.12, 1500.0), (j(19.3), j(19.7), 1750.0)),
        "dishwasher": spells(0.8, (j(20.2), j(20.6), 2000.0), (j(20.7), j(21.2), 70.0), (j(21.3), j(21.6), 1900.0)),
        "refrigerator": cycling(rng, length_ms, 95.0, 2.0, 18, 34),
        "freezer": cycling(rng, length_ms, 80.0, 1.0, 22, 40),
        "washer": spells(0.6, (j(9.0), j(9.4), 1950.0), (j(9.4), j(10.2), 160.0)),
        "dryer": spells(0.5, (j(10.5), j(11.4), 2300.0)),
        "water-heater": spells(0.0, (j(6.3), j(7.0), 2400.0), (j(21.8), j(22.4), 2400.0)),
        "heat-pump": cycling(rng, length_ms, 1350.0, 14.0, 21, 38),
        "pool-pump": spells(0.0, (j(9.5), j(15.5), 980.0)),
        "lights-below": spells(0.0, (6.3, left, 62.0), (j(20.8), j(22.9), 85.0)),
        "lights-above": spells(0.0, (j(6.2), j(7.2), 40.0), (j(21.5), j(23.3), 55.0)),
        "garage-door": spells(1.7, (left, left + 0.01, 320.0), (back, back + 0.01, 320.0)),
        "bathroom-fan": spells(0.0, (j(6.9), j(7.3), 28.0), (j(22.0), j(22.4), 28.0)),
        "network-cupboard": [(0, 31.0)],
        "lamps-outside": spells(0.0, (j(21.2), j(23.6), 46.0)),
        "study-lamp": spells(0.0, (j(19.0), j(22.8), 12.0)),
        "roof": sunshine(rng, length_ms, 3100.0),
    }
    return day
