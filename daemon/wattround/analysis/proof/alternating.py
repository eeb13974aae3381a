"""Trying a change on and off in turns, by chance, and what the trial says.

Chance is what makes it sure: the order within each block is drawn from a recorded seed, so nothing else can go up and
down with it, whatever the weather or the household do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations, product
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wattround.analysis.proof.data import LEAST_COVERAGE, Floats, Frame, LoadHistory, Mask, Note, ProofError, usable
from wattround.analysis.proof.estimate import mixed, noise_around
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.noise import independent, solver
from wattround.analysis.proof.periods import explaining
from wattround.analysis.proof.search import search
from wattround.analysis.proof.terms import Spec, class_columns, cooling_degrees, design, heating_degrees

DRAWS = 4999
"""Orders that the test compares with, where there are more than these in all."""
LEAST_DAYS = 14
HALVINGS = 40
USUAL_HEATING_C = 15.0
USUAL_COOLING_C = 20.0


@dataclass(frozen=True)
class Design:
    """Blocks of units (`unit_days` is 1 or 7) from a first day on; in each block as many units are on as off."""

    first: date
    unit_days: int
    block_units: int
    seed: int
    on: tuple[bool, ...]
    """Whether the change is on, by unit."""

    def unit_of(self, day: date) -> int | None:
        """Which unit a day belongs to; None outside the trial."""
        at = (day - self.first).days // self.unit_days
        return at if 0 <= at < len(self.on) else None

    @property
    def last(self) -> date:
        """The trial's last day."""
        return self.first + timedelta(days=len(self.on) * self.unit_days - 1)


@dataclass(frozen=True)
class Judgement:
    """What a trial says: Wh a day that the change saves, by chance alone and, as a second look, by regression."""

    days_on: int
    days_off: int
    regression: Estimate
    p_value: float
    """Of no effect, by the randomisation test: share of all orders that show at least as much."""
    randomisation: tuple[float, float] | None
    """All effects that the test does not refuse at the level; None where there are too few orders to refuse any."""
    by_chance_wh: float
    """The effect that the test refuses last: the difference of days within their blocks."""
    orders: int
    notes: tuple[Note, ...]

    @property
    def saved(self) -> Estimate:
        """What is stated: by chance alone, which has no model to be too sure of; by regression where it cannot tell.

        The standard error is that of a normal distribution with such an interval.
        """
        if self.randomisation is None:
            return self.regression
        (low, high), level = self.randomisation, self.regression.level
        error = (high - low) / 2 / float(ndtri((1 + level) / 2))
        return Estimate(self.by_chance_wh, low, high, error, float("inf"), level)

    @property
    def certain_sign(self) -> int:
        """1 saved, -1 used more, 0 neither: something is claimed only if both look at it show it."""
        return self.saved.certain_sign if self.saved.certain_sign == self.regression.certain_sign else 0


def draw(first: date, blocks: int, *, unit_days: int, block_units: int = 2, seed: int) -> Design:
    """A design whose order anybody can draw again: by SHA-256 of the seed, the block and the unit."""
    if unit_days not in {1, 7}:
        raise ProofError(f"units of {unit_days} days; expected 1 (by the day) or 7 (by the week)")
    if block_units < 2 or block_units % 2:
        raise ProofError(f"blocks of {block_units} units; expected an even number, such as 2 or 4")
    if blocks < 1:
        raise ProofError(f"{blocks} blocks; expected at least 1")
    on: list[bool] = []
    for block in range(blocks):
        ranks = [hashlib.sha256(f"{seed}/{block}/{unit}".encode()).digest() for unit in range(block_units)]
        chosen = sorted(range(block_units), key=ranks.__getitem__)[: block_units // 2]
        on += [unit in chosen for unit in range(block_units)]
    return Design(first, unit_days, block_units, seed, tuple(on))


def judge(
    history: LoadHistory, trial: Design, *, level: float = 0.9, least_coverage: float = LEAST_COVERAGE
) -> Judgement:
    """Compare the days on with the days off. Raises ProofError where too few of either can be used."""
    found = usable(history, least_coverage)
    unit = np.array([trial.unit_of(date.fromordinal(int(day))) for day in found.frame.ordinal], dtype=object)
    inside: Mask = np.array([each is not None for each in unit], dtype=bool)
    units = unit[inside].astype(np.int64)
    on = np.array(trial.on)[units]
    if min(int(on.sum()), int((~on).sum())) < LEAST_DAYS // 2:
        raise ProofError(
            f"{int(on.sum())} usable days with the change on and {int((~on).sum())} off; expected at least "
            f"{LEAST_DAYS // 2} of each"
        )
    frame, notes = explaining(found.frame.take(inside), np.ones(int(inside.sum()), dtype=bool))
    regression = _regression(frame, on.astype(float), level)
    orders = _orders(trial)[:, units]
    p_value, interval, best = _by_chance(frame, units // trial.block_units, orders, level)
    counts = int(on.sum()), int((~on).sum())
    return Judgement(*counts, regression, p_value, interval, best, len(orders), (*found.notes, *notes))


def _regression(frame: Frame, on: Floats, level: float) -> Estimate:
    """Least squares of the model that suits the trial's days, and whether the change was on.

    Days are not weighted, though they hang together: what lingers over a block falls out of a balanced one by itself,
    and weights that were estimated from the same days would seem surer than they are. The variance is that of sums.
    """
    centres = frame.further.mean(axis=0)
    noise = noise_around(independent(_columns(search(frame, centres).chosen, frame, centres, on)), frame)
    columns = _columns(search(frame, centres, noise).chosen, frame, centres, on)
    noise = noise_around(independent(columns), frame)
    return mixed(-solver(columns)[0][:, None], frame, noise, np.ones(1)).estimate(level)


def _columns(spec: Spec, frame: Frame, centres: Floats, on: Floats) -> Floats:
    return np.column_stack([on, design(spec, frame, centres)])


def _orders(trial: Design) -> Floats:
    """All orders that could have been drawn, or DRAWS of them; the one that was is always among them, first."""
    block, blocks = trial.block_units, len(trial.on) // trial.block_units
    ways = [
        [unit in chosen for unit in range(block)] for chosen in combinations(range(block), block // 2)
    ]  # fmt: skip
    if comb(block, block // 2) ** blocks <= DRAWS:
        every = np.array([np.concatenate(order) for order in product(ways, repeat=blocks)])
        others = every[(every != np.array(trial.on)).any(axis=1)]
    else:
        random = np.random.default_rng(trial.seed)
        others = np.array(ways)[random.integers(len(ways), size=(DRAWS, blocks))].reshape(DRAWS, -1)
    made: Floats = np.concatenate([np.array(trial.on)[None, :], others]).astype(float)
    return made


def _by_chance(
    frame: Frame, block: NDArray[np.int64], orders: Floats, level: float
) -> tuple[float, tuple[float, float] | None, float]:
    """The share of orders with an effect at least as large, the effects that this does not refuse, the likeliest.

    The effect of an order is the difference of its days within their blocks, after temperature, weekends and further
    regressors by least squares: all fixed beforehand, so the test is exact (Fisher 1935), whatever the days are like.
    Were the true saving s a day, energy + s x on would be what was used without it, and the order would not matter.
    """
    columns = [(block[:, None] == np.unique(block)).astype(float), class_columns("workday and weekend", frame)]
    columns.append(frame.further)
    if frame.temperature_c is not None:
        columns += [frame.temperature_c[:, None], heating_degrees(frame.temperature_c, USUAL_HEATING_C)[:, None]]
        columns.append(cooling_degrees(frame.temperature_c, USUAL_COOLING_C)[:, None])
    basis = independent(np.column_stack(columns))
    beyond = orders - (orders @ basis) @ basis.T
    size = (beyond**2).sum(axis=1)
    if size[0] <= 1e-9 * orders.shape[1]:
        raise ProofError("on and off cannot be told from the other columns; expected more days of both in each block")
    kept = size > 1e-9 * orders.shape[1]
    flat, slope = (beyond[kept] @ np.column_stack([frame.energy_wh, orders[0]]) / size[kept, None]).T

    def p_value(saved: float) -> float:
        shown = np.abs(flat + saved * slope)
        return float(np.mean(shown >= shown[0] * (1 - 1e-9)))

    best, step = -float(flat[0]), float(np.abs(flat).mean()) + 1e-6
    if np.mean(np.abs(slope) >= 1 - 1e-9) > 1 - level:
        return p_value(0.0), None, best
    return p_value(0.0), (_edge(p_value, best, -step, 1 - level), _edge(p_value, best, step, 1 - level)), best


def _edge(p_value: Callable[[float], float], best: float, step: float, refused: float) -> float:
    """The last effect on one side of the best that is not refused: by doubling the step, then by halving."""
    inside, reach = best, step
    while p_value(best + reach) > refused:
        inside, reach = best + reach, 2 * reach
    outside = best + reach
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if p_value(middle) > refused else (inside, middle)
    return outside
