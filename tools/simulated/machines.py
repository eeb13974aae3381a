"""What runs by itself in the month: timers, compressors, their faults; and the true watts of every load."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

from simulated.habits import Household, Use
from simulated.life import HOUR_MS, MINUTE_MS, Calendar
from simulated.spans import Span, Spans, holds, meet, union, without

Steps = list[tuple[int, float]]
"""(instant, watts from then on), in order of time."""

STANDBY_W = {
    "television": 2.1, "amplifier": 4.0, "computer": 3.2, "study-lights": 0.0, "lights-below": 0.0,
    "lights-above": 0.0, "bedroom-cooler": 1.1, "fan-heater": 0.0, "iron": 0.0, "oven": 0.9, "pool-pump": 0.0,
    "dishwasher": 0.8, "water-heater": 0.0,
}  # fmt: skip
STEADY_W = {"study-lights": 22.0, "pool-pump": 980.0, "water-heater": 1950.0}
RESTLESS = {"television": (4, 95.0, 138.0), "amplifier": (11, 34.0, 41.0), "computer": (5, 85.0, 170.0)}
"""Minutes between changes, and the watts between which they wander."""


class Thermostat(NamedTuple):
    """Minutes on and off, watts while on, and while waiting."""

    on: tuple[float, float]
    off: tuple[float, float]
    watts: tuple[float, float]
    idle_w: float


THERMOSTATS = {
    "bedroom-cooler": Thermostat((14, 35), (2, 7), (160, 420), 13.0),
    "fan-heater": Thermostat((4, 9), (2, 6), (1480, 1480), 0.0),
    "iron": Thermostat((0.3, 0.7), (0.8, 2.2), (1850, 1850), 0.0),
    "oven": Thermostat((2, 8), (2, 5), (2050, 2050), 24.0),
}
DRIFT_W = {"television": 2.4, "computer": 3.0}
"""How much standby creeps up over the month."""


def run_machines(rng: random.Random, house: Household) -> None:
    """Timers and faults, as spans of time."""
    calendar, careless = house.life.calendar, house.life.careless
    for load in ("pool-pump", "dishwasher", "water-heater"):
        house.uses[load] = []
    shifted = _shifted_days(rng, calendar)
    for day in range(calendar.days):
        _pump(rng, house, day, shifted.get(day, 0.0))
        if rng.random() < 0.6:  # on its own timer, whoever is at home or out
            _run(house, "dishwasher", calendar.at(day, rng.choice((11.0, 14.5, 23.5))), rng.uniform(80, 110))
        _run(house, "water-heater", calendar.at(day, 3.0), rng.uniform(70, 140))
        if rng.random() < (0.3 if day in careless else 0.08):  # a boost by hand, at the dearest time
            _run(house, "water-heater", calendar.at(day, rng.uniform(17.3, 20.5)), rng.uniform(4, 60))
    _faults(rng, house)


def _run(house: Household, load: str, begin: int, minutes: float) -> None:
    end = begin + int(minutes * MINUTE_MS)
    house.uses[load].append(Use(begin, end, end, "timer"))


def _shifted_days(rng: random.Random, calendar: Calendar) -> dict[int, float]:
    """A timer without a clock change of its own: hours by which it is off, until somebody sets it."""
    offset = [(calendar.at(day, 12.0) - calendar.at(day - 1, 12.0)) / HOUR_MS - 24.0 for day in range(calendar.days)]
    changed = next((day for day, by in enumerate(offset) if by), None)
    if changed is None:
        return {}
    return dict.fromkeys(range(changed, changed + rng.randint(2, 4)), -offset[changed])


def _pump(rng: random.Random, house: Household, day: int, shift: float) -> None:
    at = house.life.calendar.at
    begin, hours = at(day, 10.0 + shift) + rng.randrange(90_000), 6.0
    if rng.random() < 0.1:
        hours += rng.uniform(0.6, 7.0)  # its timer hung
    _run(house, "pool-pump", begin, hours * 60 - rng.uniform(0, 2))
    if rng.random() < 0.3:  # the filter is rinsed by hand
        _run(house, "pool-pump", at(day, rng.uniform(17.5, 19.0)), rng.uniform(4, 15))


def _faults(rng: random.Random, house: Household) -> None:
    """A freezer that does not start, a heat pump that cycles too often, wet days."""
    calendar = house.life.calendar
    whole = calendar.days
    some = lambda most: max(1, round(most * whole / 30))  # noqa: E731 - so many in a month
    house.spells = {
        "freezer-stuck": [_spell(rng, calendar, 3.5, 11.0) for _ in range(some(3))],
        "freezer-rests": [_spell(rng, calendar, 0.9, 1.4) for _ in range(some(5))],  # it defrosts
        "short-cycling": [_spell(rng, calendar, 2.0, 6.0) for _ in range(some(4))],
        "nearly-short-cycling": [_spell(rng, calendar, 2.0, 4.0) for _ in range(some(3))],
        "wet": [(calendar.at(day, 5.0), calendar.at(day, 29.0))
                for day in sorted(rng.sample(range(whole), some(4)))],
    }  # fmt: skip
    house.spells = {word: union(spans, gap_ms=3 * HOUR_MS) for word, spans in house.spells.items()}


def _spell(rng: random.Random, calendar: Calendar, least_h: float, most_h: float) -> Span:
    begin = rng.randrange(calendar.begin_ms + 6 * HOUR_MS, calendar.end_ms - 14 * HOUR_MS)
    return begin, begin + int(rng.uniform(least_h, most_h) * HOUR_MS)


# -- watts --------------------------------------------------------------------------------------------


def watts_of(rng: random.Random, house: Household) -> dict[str, Steps]:
    """True power of every load."""
    calendar, spells = house.life.calendar, house.spells
    found = {load: _switched(rng, house, load) for load in STANDBY_W}
    stuck = union(spells["freezer-stuck"], spells["freezer-rests"])
    found["freezer"] = compressor(rng, calendar, 80.0, 1.0, lambda _at: (22, 40), stuck)
    found["refrigerator"] = compressor(rng, calendar, 95.0, 2.0, lambda _at: (18, 34), [])
    found["dehumidifier"] = compressor(
        rng, calendar, 240.0, 1.5, lambda at: (55, 12) if holds(spells["wet"], at) else (15, 50), []
    )

    def heat(at: int) -> tuple[float, float]:
        if holds(spells["short-cycling"], at):
            return 3.5, 3.5
        return (8, 9) if holds(spells["nearly-short-cycling"], at) else (14, 52)

    found["heat-pump"] = compressor(rng, calendar, 1250.0, 14.0, heat, [])
    found["network"] = [(calendar.begin_ms, 31.0)]
    found["rest"] = _rest(rng, house)
    return found


def _switched(rng: random.Random, house: Household, load: str) -> Steps:
    calendar = house.life.calendar
    steps: Steps = []
    span_ms = calendar.end_ms - calendar.begin_ms
    idle = without(calendar.whole, house.on(load))
    for begin, _ in idle:
        drift = DRIFT_W.get(load, 0.0) * (begin - calendar.begin_ms) / span_ms
        steps.append((begin, STANDBY_W[load] + drift))
    for begin, end in house.on(load):
        steps += _while_on(rng, load, begin, end, forgotten=_left_alone(house, load, begin))
    return sorted(steps)


def _left_alone(house: Household, load: str, begin: int) -> int:
    """From when on nobody was there for the use that began then."""
    return next((use.left_ms for use in house.uses[load] if use.from_ms == begin), begin)


def _while_on(rng: random.Random, load: str, begin: int, end: int, forgotten: int) -> Steps:
    if load in THERMOSTATS:
        return _thermostat(rng, begin, end, THERMOSTATS[load])
    if load in RESTLESS:
        steps = _restless(rng, begin, end, *RESTLESS[load])
        # a computer that nobody works at does little
        return [(at, min(watts, 64.0) if load == "computer" and at >= forgotten else watts) for at, watts in steps]
    if load.startswith("lights-"):  # some of the lamps; what is forgotten is often a single one
        lamps = [(begin, rng.choice((24.0, 45.0, 62.0, 96.0)))]
        return [*lamps, (forgotten, rng.choice((9.0, 9.0, 18.0, 45.0)))] if begin < forgotten < end else lamps
    if load == "dishwasher":
        return [(begin, 1950.0), (begin + 25 * MINUTE_MS, 65.0), (end - 12 * MINUTE_MS, 1900.0)]
    return [(begin, STEADY_W[load])]


def _restless(rng: random.Random, begin: int, end: int, minutes: float, low: float, high: float) -> Steps:
    steps: Steps = []
    while begin < end:
        steps.append((begin, round(rng.uniform(low, high), 1)))
        begin += int(rng.uniform(0.4, 1.6) * minutes * MINUTE_MS)
    return steps


def _thermostat(rng: random.Random, begin: int, end: int, ways: Thermostat) -> Steps:
    steps: Steps = []
    hot = True
    while begin < end:
        steps.append((begin, round(rng.uniform(*ways.watts), 1) if hot else ways.idle_w))
        begin += int(rng.uniform(*(ways.on if hot else ways.off)) * MINUTE_MS)
        hot = not hot
    return steps


def compressor(
    rng: random.Random,
    calendar: Calendar,
    on_w: float,
    off_w: float,
    minutes: Callable[[int], tuple[float, float]],
    stuck: Spans,
) -> Steps:
    """On and off for about so many minutes each; while `stuck` it does not start."""
    at, on = calendar.begin_ms - rng.randrange(30 * MINUTE_MS), True
    steps: Steps = [(calendar.begin_ms, off_w)]
    while at < calendar.end_ms:
        if on and (held := next((span for span in stuck if span[0] <= at < span[1]), None)):
            at = held[1]
        if at >= calendar.begin_ms:
            steps.append((at, round((on_w if on else off_w) * rng.uniform(0.97, 1.03), 1)))
        on_min, off_min = minutes(at)
        at += int((on_min if on else off_min) * rng.uniform(0.85, 1.15) * MINUTE_MS)
        on = not on
    return steps


def _rest(rng: random.Random, house: Household) -> Steps:
    """What no meter of its own sees: kettle, hob, chargers."""
    calendar = house.life.calendar
    steps: Steps = []
    for begin in range(calendar.begin_ms, calendar.end_ms, 20 * MINUTE_MS):
        base = 46.0 + rng.uniform(-4, 4)
        steps.append((begin, round(base, 1)))
        if rng.random() < 0.12 and meet(house.life.up, begin, begin + MINUTE_MS):
            steps += [(begin + 3 * MINUTE_MS, base + 2100.0), (begin + int(rng.uniform(5, 12) * MINUTE_MS), base)]
    return steps


def summed(parts: list[Steps]) -> Steps:
    """Several loads as one."""
    changes: list[tuple[int, float]] = []
    for steps in parts:
        before = 0.0
        for at, watts in steps:
            changes.append((at, watts - before))
            before = watts
    changes.sort()
    found: Steps = []
    level = 0.0
    for at, by in changes:
        level += by
        if found and found[-1][0] == at:
            found[-1] = (at, level)
        else:
            found.append((at, level))
    return found


def energy_wh(steps: Steps, spans: Spans) -> float:
    """Energy within some spans."""
    wh = 0.0
    for begin, end in spans:
        first = max(0, bisect_right(steps, begin, key=lambda step: step[0]) - 1)
        last = bisect_right(steps, end, key=lambda step: step[0])
        cut = [(max(begin, at), watts) for at, watts in steps[first:last]]
        wh += sum(watts * (after - at) for (at, watts), (after, _) in pairwise([*cut, (end, 0.0)])) / HOUR_MS
    return wh


def above(steps: Steps, watts: float, end_ms: int) -> Spans:
    """When it draws at least so much."""
    return union([(at, after) for (at, draw), (after, _) in pairwise([*steps, (end_ms, 0.0)]) if draw >= watts])
