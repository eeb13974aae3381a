"""What is switched on when in the month, and what is left on by mistake: by intent, before any watt is made of it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Literal

from simulated.life import HOUR_MS, MINUTE_MS, Life
from simulated.spans import Spans, both, holds, union

Why = Literal["used", "forgotten", "timer", "fault", "flicker"]


@dataclass(frozen=True)
class Use:
    """A load switched on; from `left_ms` on nobody was there for it."""

    from_ms: int
    to_ms: int
    left_ms: int
    why: Why


@dataclass(frozen=True)
class Habit:
    """When a load is used (from hour, to hour, chance on a day), and how often it is left on.

    `leave`: when the last one leaves the house; `sleep`: when the house goes to bed; `drop`: when it has been used.
    """

    load: str
    windows: tuple[tuple[float, float, float], ...]
    leave: float
    sleep: float
    drop: float = 0.0


HABITS = (
    Habit("television", ((7.1, 8.9, 0.3), (15.8, 17.8, 0.2), (20.6, 27.0, 0.9)), 0.2, 0.12),
    Habit("amplifier", ((20.7, 27.0, 0.45),), 0.1, 0.2),
    Habit("computer", ((9.3, 12.6, 0.3), (18.8, 20.9, 0.5), (21.6, 26.6, 0.4)), 0.3, 0.2),
    Habit("study-lights", ((6.9, 8.4, 0.25), (18.9, 26.6, 0.5)), 0.15, 0.12),
    Habit("lights-below", ((6.3, 9.1, 0.95), (10.5, 14.0, 0.12), (19.1, 27.0, 0.97)), 0.16, 0.08, 0.05),
    Habit("lights-above", ((6.2, 9.0, 0.7), (21.4, 27.0, 0.95)), 0.18, 0.0),
    Habit("fan-heater", ((6.7, 8.0, 0.6), (21.8, 22.5, 0.3)), 0.25, 0.05, 0.05),
    Habit("iron", ((7.7, 8.4, 0.25), (18.9, 19.7, 0.25)), 0.2, 0.02, 0.05),
    Habit("oven", ((12.9, 13.8, 0.3), (19.6, 20.5, 0.4)), 0.15, 0.02, 0.03),
)
CARELESS = 3.0
"""How much more is forgotten in the careless week."""
FLICKERS = (
    ("television", 0.25, (1.0, 5.5), (2.0, 6.0)),  # updates itself
    ("computer", 0.5, (2.9, 3.4), (5.0, 15.0)),  # backs itself up
    ("lights-below", 0.4, (0.5, 5.5), (1.0, 4.0)),  # somebody gets a glass of water
)


@dataclass
class Household:
    """The month's people, what they used and forgot, and what the house did by itself."""

    life: Life
    uses: dict[str, list[Use]] = field(default_factory=dict)
    window: Spans = field(default_factory=list)
    spells: dict[str, Spans] = field(default_factory=dict)
    """What went wrong, by a word for it."""

    def on(self, load: str) -> Spans:
        """When a load was switched on."""
        return union([(use.from_ms, use.to_ms) for use in self.uses.get(load, ())])

    def meant(self, load: str) -> Spans:
        """When somebody had switched it on: not when it woke by itself for some minutes."""
        return union([(use.from_ms, use.to_ms) for use in self.uses.get(load, ()) if use.why != "flicker"])

    def attended(self, *loads: str) -> Spans:
        """When somebody was there for one of these."""
        return union(
            [(use.from_ms, use.left_ms) for load in loads for use in self.uses.get(load, ()) if use.why != "flicker"]
        )


def keep_house(rng: random.Random, life: Life) -> Household:
    """Everything that is switched on in the month."""
    house = Household(life)
    for habit in HABITS:
        house.uses[habit.load] = _habit(rng, life, habit)
    for load, chance, hours, minutes in FLICKERS:
        for day in range(life.calendar.days):
            if rng.random() < chance:
                begin = life.calendar.at(day, rng.uniform(*hours))
                end = begin + int(rng.uniform(*minutes) * MINUTE_MS)
                house.uses[load].append(Use(begin, end, end, "flicker"))
    house.uses["bedroom-cooler"] = _cooler(rng, house)
    return house


# -- switched on by hand ------------------------------------------------------------------------------


def _habit(rng: random.Random, life: Life, habit: Habit) -> list[Use]:
    calendar, found = life.calendar, []
    for day in range(calendar.days):
        worse = CARELESS if day in life.careless else 1.0
        for begins, ends, chance in habit.windows:
            if rng.random() >= chance:
                continue
            window = calendar.at(day, rng.gauss(begins, 0.15)), calendar.at(day, rng.gauss(ends, 0.15))
            for begin, end in both(life.up, [window]):
                if end - begin > 3 * MINUTE_MS:
                    found.append(_use(rng, life, habit, begin, end, worse))
    return found


def _use(rng: random.Random, life: Life, habit: Habit, begin: int, end: int, worse: float) -> Use:
    """One use, and how it ended: switched off, left on for a short way, or forgotten."""
    period_end = next(until for since, until in life.up if since <= begin < until)
    if end < period_end - 6 * MINUTE_MS:
        if rng.random() >= min(0.7, habit.drop * worse):
            return Use(begin, end, end, "used")
        if rng.random() < 0.5:  # noticed after a while
            return Use(begin, min(period_end, end + int(rng.uniform(0.3, 1.5) * HOUR_MS)), end, "forgotten")
    noticed = _next_up(life, period_end)
    if holds(life.nights, period_end):
        if rng.random() < min(0.7, habit.sleep * worse):
            early = period_end + int(rng.uniform(0.7, 4.0) * HOUR_MS)
            late = noticed + int(rng.uniform(2, 15) * MINUTE_MS)
            return Use(begin, min(early, late) if rng.random() < 0.3 else late, period_end, "forgotten")
    elif noticed - period_end < 17 * MINUTE_MS:
        if rng.random() < 0.75:  # on purpose: they will be back in a minute
            return Use(begin, noticed + int(rng.uniform(1, 20) * MINUTE_MS), noticed, "used")
    elif rng.random() < min(0.7, habit.leave * worse):
        return Use(begin, noticed + int(rng.uniform(1, 9) * MINUTE_MS), period_end, "forgotten")
    off = max(begin + MINUTE_MS, period_end - int(rng.uniform(0, 2.5) * MINUTE_MS))
    return Use(begin, off, off, "used")


def _next_up(life: Life, at_ms: int) -> int:
    return next((begin for begin, _ in life.up if begin > at_ms), life.calendar.end_ms)


def _cooler(rng: random.Random, house: Household) -> list[Use]:
    """The bedroom's air conditioner at night, and the window beside it."""
    found, life = [], house.life
    for day, (bed, rise) in enumerate(life.nights, start=-1):
        worse = 2.5 if day in life.careless else 1.0
        used = rng.random() < 0.45 and holds(life.occupied, bed)
        if used:
            found.append(_cooled(rng, life, bed - int(rng.uniform(5, 50) * MINUTE_MS), rise, worse))
        if rng.random() < (0.14 * worse if used else 0.3):  # open all night
            house.window.append((bed - int(rng.uniform(1, 40) * MINUTE_MS), rise + int(rng.uniform(2, 40) * MINUTE_MS)))
        elif used and rng.random() < 0.15:  # for a breath of air
            opened = bed - int(rng.uniform(10, 20) * MINUTE_MS)
            house.window.append((opened, opened + int(rng.uniform(4, 12) * MINUTE_MS)))
        if rng.random() < 0.6:
            opened = rise + int(rng.uniform(20, 45) * MINUTE_MS)
            house.window.append((opened, opened + int(rng.uniform(6, 35) * MINUTE_MS)))
    house.window = union(house.window, gap_ms=MINUTE_MS)
    return found


def _cooled(rng: random.Random, life: Life, begin: int, rise: int, worse: float) -> Use:
    off = rise + int(rng.uniform(-20, 15) * MINUTE_MS)
    if rng.random() >= min(0.5, 0.07 * worse):
        return Use(begin, off, off, "used")
    leaves = next((until for since, until in life.up if since <= rise + MINUTE_MS < until), rise)
    noticed = _next_up(life, leaves) + int(rng.uniform(2, 30) * MINUTE_MS)
    if leaves - rise > 4 * HOUR_MS:  # somebody is at home and hears it
        noticed = rise + int(rng.uniform(0.5, 2) * HOUR_MS)
    return Use(begin, noticed, rise, "forgotten")
