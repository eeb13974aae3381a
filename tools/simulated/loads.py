"""Loads by the day in invented households, with a change whose true effect is known: what proofs are judged against.

Nothing in here knows the models that the proof fits: balance points are soft (a day is not one temperature), noise grows
with the load and is skewed, days linger in each other, people go away, meters drop days.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np

from simulated.weather import Floats, lingering, weather_c

Kind = Literal["cooling", "heating", "computer", "pump", "refrigerator"]
KINDS: tuple[Kind, ...] = ("cooling", "heating", "computer", "pump", "refrigerator")
FIRST_YEAR = 2023
SOFTNESS_K = 1.5
"""By how much a day's hours lie around its mean, for a load that works only beyond a balance point."""
EARLIER_DAYS = 365
NO_EFFECT = 0.4
"""Share of changes that do nothing."""


@dataclass(frozen=True)
class Habits:
    """What all loads of a household share on each day: time, weather, who is there."""

    weekday: Floats
    temperature_c: Floats
    present: Floats
    """Share of the day that somebody was at home; 0 on holidays."""


@dataclass(frozen=True)
class Load:
    """What a load uses on days: on average, and as it happens."""

    usual: Callable[[Habits], Floats]
    happens: Callable[[np.random.Generator, Habits], Floats]


@dataclass(frozen=True)
class Effect:
    """What a change saves on a day: a share of what would have been used, and so much."""

    share: float
    wh: float

    @property
    def none(self) -> bool:
        """Whether the change does nothing."""
        return self.share == 0 and self.wh == 0

    def of(self, energy_wh: Floats) -> Floats:
        """Wh of days that would have used so much."""
        return self.share * energy_wh + self.wh


@dataclass(frozen=True)
class Household:
    """One load's days around a change, and after it for as long as it is watched."""

    kind: Kind
    days: list[date]
    energy_wh: Floats
    coverage: Floats
    temperature_c: Floats
    occupancy: Floats | None
    change: date
    effect: Effect
    effect_wh: Floats
    """What the change truly saved on each day; 0 before it."""
    load: Load
    present: Floats
    known_c: tuple[list[date], Floats]
    """Temperatures of the household's own, of the year before these days and of these."""


def softplus(x: Floats) -> Floats:
    """A hinge whose corner is as soft as a day's hours are spread."""
    return np.logaddexp(0.0, x / SOFTNESS_K) * SOFTNESS_K


def noise(random: np.random.Generator, days: int, spread: float) -> Floats:
    """Factors around 1: what lingers from day to day, and what does not."""
    share, phi = random.uniform(0, 0.8), random.uniform(0.2, 0.9)
    lasting = lingering(random, days, phi) * np.sqrt(share)
    logs = spread * (lasting + random.standard_normal(days) * np.sqrt(1 - share))
    return np.exp(logs - spread * spread / 2)


def times_noise(usual: Callable[[Habits], Floats], spread: float) -> Load:
    """A load that varies in proportion to what it uses."""
    return Load(usual, lambda random, habits: usual(habits) * noise(random, len(habits.weekday), spread))


def cooling(random: np.random.Generator) -> Load:
    """Works above a balance point; less where nobody is there."""
    slope, balance_c, rest = random.uniform(150, 700), random.uniform(17, 22), random.uniform(50, 400)
    away = random.uniform(0.1, 1.0)

    def usual(habits: Habits) -> Floats:
        return rest + slope * softplus(habits.temperature_c - balance_c) * np.where(habits.present > 0, 1.0, away)

    return times_noise(usual, random.uniform(0.1, 0.35))


def heating(random: np.random.Generator) -> Load:
    """Works below a balance point, set back where nobody is there; hot water at all times."""
    slope, balance_c, rest = random.uniform(300, 2500), random.uniform(12, 18), random.uniform(300, 4000)
    away = random.uniform(0.4, 1.0)

    def usual(habits: Habits) -> Floats:
        return (rest + slope * softplus(balance_c - habits.temperature_c)) * np.where(habits.present > 0, 1.0, away)

    return times_noise(usual, random.uniform(0.08, 0.25))


def computer(random: np.random.Generator) -> Load:
    """By weekday and by how long somebody is there, with days of no use; standby where nobody is."""
    level, weekend, unused = random.uniform(300, 4000), random.uniform(0.5, 1.8), random.uniform(0, 0.15)
    standby, by_hours, spread = level * random.uniform(0.02, 0.3), random.uniform(0, 1), random.uniform(0.2, 0.6)

    def used(habits: Habits) -> Floats:
        there = np.where(habits.present > 0, 1 + by_hours * (habits.present / 0.75 - 1), 0.0)
        return level * np.where(habits.weekday >= 5, weekend, 1.0) * there

    def happens(random: np.random.Generator, habits: Habits) -> Floats:
        days = len(habits.weekday)
        return standby + used(habits) * (random.random(days) > unused) * noise(random, days, spread)

    return Load(lambda habits: standby + used(habits) * (1 - unused), happens)


def pump(random: np.random.Generator) -> Load:
    """By the clock, with extra runs now and then."""
    level, spread = random.uniform(800, 9000), random.uniform(0.01, 0.08)
    often, extra = random.uniform(0, 0.1), random.uniform(0.1, 0.8)

    def happens(random: np.random.Generator, habits: Habits) -> Floats:
        days = len(habits.weekday)
        return level * (noise(random, days, spread) + extra * (random.random(days) < often))

    return Load(lambda habits: np.full(len(habits.weekday), level * (1 + often * extra)), happens)


def refrigerator(random: np.random.Generator) -> Load:
    """Always on; a little more on warm days, a little less where nobody opens it."""
    level, per_k, away = random.uniform(400, 1500), random.uniform(0.002, 0.025), random.uniform(0.85, 1.0)

    def usual(habits: Habits) -> Floats:
        warm = 1 + per_k * (habits.temperature_c - 12)
        return level * warm * np.where(habits.present > 0, 1.0, away)

    return times_noise(usual, random.uniform(0.03, 0.1))


LOADS: dict[Kind, Callable[[np.random.Generator], Load]] = {
    "cooling": cooling,
    "heating": heating,
    "computer": computer,
    "pump": pump,
    "refrigerator": refrigerator,
}


def holidays(random: np.random.Generator, days: int) -> Floats:
    """Up to three holidays a year, on average, of 3 to 16 days; else at home for most of the day."""
    present = random.uniform(0.5, 1.0, days)
    for _ in range(int(random.poisson(random.uniform(0, 3) * days / 365))):
        begin = int(random.integers(days))
        present[begin : begin + int(random.integers(3, 17))] = 0.0
    return present


def covered(random: np.random.Generator, days: int) -> Floats:
    """Shares of the days that were metered: mostly whole, some bad days, sometimes a stretch without."""
    share = np.where(random.random(days) < 0.04, random.uniform(0, 1, days), 1.0)
    if random.random() < 0.3:
        begin = int(random.integers(days))
        share[begin : begin + int(random.integers(2, 15))] = 0.0
    return share


def effect_of(random: np.random.Generator, kind: Kind, mean_wh: float, *, surely_saves: bool = False) -> Effect:
    """Nothing (two in five), a share of the load's energy, or so much a day; one in five uses more."""
    if not surely_saves and random.random() < NO_EFFECT:
        return Effect(0.0, 0.0)
    sign = 1.0 if surely_saves or random.random() >= 0.2 else -1.0
    share = sign * random.uniform(0.03, 0.4)
    if kind in {"cooling", "heating"} or random.random() < 0.5:
        return Effect(share, 0.0)
    return Effect(0.0, share * mean_wh)


def household(
    random: np.random.Generator, kind: Kind, *, watched_days: int = 0, surely_saves: bool = False
) -> Household:
    """One household: six weeks to thirteen months before a change, two weeks to a year after it, and as watched."""
    before, since = int(random.integers(42, 400)), int(random.integers(15, 366))
    count = before + 1 + since + watched_days
    first = date(FIRST_YEAR, 1, 1) + timedelta(days=int(random.integers(365)))
    all_days = [first + timedelta(days=at) for at in range(EARLIER_DAYS + count)]
    all_c = weather_c(random, first.timetuple().tm_yday, EARLIER_DAYS + count)
    days, own_c, present = all_days[EARLIER_DAYS:], all_c[EARLIER_DAYS:], holidays(random, count)
    load = LOADS[kind](random)
    counterfactual = load.happens(random, Habits(weekdays(days), own_c, present))
    effect = effect_of(random, kind, float(counterfactual.mean()), surely_saves=surely_saves)
    effect_wh = np.minimum(effect.of(counterfactual), counterfactual) * (np.arange(count) > before)
    return Household(
        kind, days, counterfactual - effect_wh, covered(random, count), own_c,
        present if random.random() < 0.5 else None, days[before], effect, effect_wh, load, present, (all_days, all_c),
    )  # fmt: skip


def weekdays(days: list[date]) -> Floats:
    """0 Monday to 6 Sunday."""
    return np.array([day.weekday() for day in days], dtype=float)
