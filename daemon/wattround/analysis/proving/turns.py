"""What turns would show, by a load's own history: for orders as they are drawn, and judged by the trial's own days."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from wattround.analysis.proof.alternating import draw
from wattround.analysis.proof.data import LEAST_COVERAGE, Floats, LoadHistory, usable
from wattround.analysis.proof.estimate import noise_around
from wattround.analysis.proof.mixture import Mixture, smallest_seen
from wattround.analysis.proof.noise import Noise, independent
from wattround.analysis.proof.periods import LONGEST_BASELINE_DAYS, explaining
from wattround.analysis.proof.planning import MOST_DAYS, TOLD_DAYS, Outlook, Way
from wattround.analysis.proof.prove import LEVEL
from wattround.analysis.proof.search import search
from wattround.analysis.proof.terms import Shape, design

ORDERS = 4
"""So many drawn orders stand for all; what they show differs by a few per cent."""
ANY_DAY = date(2026, 1, 5)


@dataclass(frozen=True)
class Habit:
    """How a load's days scatter around the model that suits them: its shape, its number of columns, the noise."""

    shape: Shape
    columns: int
    noise: Noise


def habit(history: LoadHistory) -> Habit:
    """Of as many usable days as a baseline may have; they must be enough to plan with."""
    found = usable(history, LEAST_COVERAGE).frame
    recent = found.take(found.ordinal > found.ordinal.max() - LONGEST_BASELINE_DAYS)
    frame, _ = explaining(recent, np.ones(len(recent), dtype=bool))
    centres = frame.further.mean(axis=0)
    noise = noise_around(independent(design(search(frame, centres).chosen, frame, centres)), frame)
    chosen = search(frame, centres, noise).chosen
    columns = design(chosen, frame, centres)
    return Habit(chosen.shape, columns.shape[1], noise_around(independent(columns), frame))


def block_units(units: int, level: float = LEVEL) -> int | None:
    """The smallest blocks of an even number that make up so many units; None for an odd number.

    Smaller blocks keep neighbours together, but too few orders can never refuse that all was chance: the order that was
    drawn and its reverse are two of all. So these are the smallest blocks for which they can, or all units as one.
    """
    sizes = [size for size in range(2, units + 1, 2) if units % size == 0]
    if not sizes:
        return None
    return next((size for size in sizes if 2 / math.comb(size, size // 2) ** (units // size) < 1 - level), sizes[-1])


def outlook(of: Habit, way: Way, unit_days: int, effect_wh: float, level: float) -> Outlook:
    """When an effect is seen, and what is seen by then; whole units, as many on as off."""
    step = 2 * unit_days
    told = tuple((days, _between(of, unit_days, days, level)) for days in TOLD_DAYS)
    times = range(-(-TOLD_DAYS[0] // step), MOST_DAYS // step + 1)
    at = bisect_left(times, -effect_wh, key=lambda count: -smallest_wh(of, unit_days, count * step, level))
    return Outlook(way, times[at] * step if at < len(times) else None, told)


def _between(of: Habit, unit_days: int, days: int, level: float) -> float:
    """Of days that are not whole units in pairs: between those that are, as widths go by the root of the days."""
    step = 2 * unit_days
    whole = max(days // step, 1) * step
    return smallest_wh(of, unit_days, whole, level) * math.sqrt(whole / days)


def smallest_wh(of: Habit, unit_days: int, days: int, level: float) -> float:
    """The smallest effect a day that so many days in turns show, four times of five."""
    return float(np.mean([_of_order(of, on, level) for on in _drawn(unit_days, days)]))


def _drawn(unit_days: int, days: int) -> Sequence[Floats]:
    """Whether each day is on, less the mean of its block: 0.5 and -0.5."""
    units = days // unit_days
    size = block_units(units) or units
    made = [draw(ANY_DAY, units // size, unit_days=unit_days, block_units=size, seed=seed) for seed in range(ORDERS)]
    return [np.repeat(np.array(each.on, dtype=float), unit_days) - 0.5 for each in made]


def _of_order(of: Habit, beyond: Floats, level: float) -> float:
    """The difference of days within their blocks, as chance alone is judged by.

    Each further column of the model takes, on average, as large a share of what tells on from off as of the days, and
    the trial's own days must tell how much they scatter. Fewer days also know less of how alike neighbours are: the
    logarithm of a likelihood grows with the days.
    """
    noise, days = of.noise, len(beyond)
    usual = np.full(days, float(np.sqrt(np.mean(noise.scatter**2))))
    coming = Noise(np.arange(float(days)), noise.growth, usual, noise.weight, noise.sigma2, noise.df)
    left = max(days // 2 - of.columns, 1)
    contrast = beyond / (beyond @ beyond)
    width = np.sqrt(coming.variances(contrast[:, None])[:, :, 0] * (left + of.columns) / left)
    weight = noise.weight ** min(days / len(noise.ordinal), 1.0)
    low, high = Mixture.of(np.zeros_like(width), width, weight / weight.sum(), float(left)).interval(level)
    return smallest_seen((high - low) / 2, level)
