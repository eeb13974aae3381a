"""What a meter does when another takes a clear step: the ratio of the two, and how surely.

A step is a change between two steady stretches, a few minutes apart: readings need not come at the same second, and
what else goes on in a house mostly does not change within those minutes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import isnan
from statistics import median
from typing import NamedTuple

from wattround.ledger.survey import STRIDE, Series

APART = 4
STEADY = 0.1
"""Share of a step by which the stretches before and after it may move, and others meanwhile."""
LEAST_W = 30.0
LEAST_NOISE = 5.0
"""A step must be so many times the usual minute-to-minute movement of the meter in which it is looked for."""
ENOUGH_STEPS = 12
ENOUGH_DAYS = 2
AGREE = 0.6
"""Share of the steps that must agree on a ratio."""
KINDS = (1.0, 2.0, 0.5, -1.0)
"""Ratios that mean something: right, double, half, the wrong way round."""
NEAR = 0.15
BLOCK = 10


class Fit(NamedTuple):
    """`agree` of so many steps, on so many days, are near `ratio`; `kind` is what that means, None for nothing."""

    kind: float | None
    ratio: float
    agree: int
    steps: int
    days: int

    @property
    def enough(self) -> bool:
        """Whether it can be told at all."""
        return self.steps >= ENOUGH_STEPS and self.days >= ENOUGH_DAYS

    @property
    def clear(self) -> bool:
        """Whether the steps agree on a ratio, whatever it may mean."""
        return self.enough and self.agree >= AGREE * self.steps


def shift_w(series: Series, at: int) -> float:
    """Watts by which a meter changed around a minute; NaN where it is not known."""
    return (series[at + APART] + series[at + APART + 1] - series[at] - series[at - 1]) / 2


def steps(series: Series, least_w: float = LEAST_W) -> list[int]:
    """Where a meter takes clear steps, each in the middle of where it can be seen: others may lag a little."""
    found = []
    at, last = 1, len(series) - APART - 1
    while at < last:
        if not _is_step(series, at, least_w):
            at += 1
            continue
        until = at + 1
        while until < min(last, at + APART) and _is_step(series, until, least_w):
            until += 1
        found.append((at + until) // 2)
        at = until + APART
    return found


def _is_step(series: Series, at: int, least_w: float) -> bool:
    before, after = series[at], series[at + APART]
    if not abs(after - before) >= least_w:  # nor where one of them is not known
        return False
    step = shift_w(series, at)
    room = STEADY * abs(step)
    steady = abs(before - series[at - 1]) <= room and abs(series[at + APART + 1] - after) <= room
    return steady and abs(step) >= least_w


def noise_w(series: Series) -> float:
    """How far a meter usually moves from a minute to the next."""
    moves = [abs(series[at + 1] - series[at]) for at in range(0, len(series) - 1, 7)]
    known = [move for move in moves if not isnan(move)]
    return median(known) if known else 0.0


def fit(whole: Series, part: Series, at: Iterable[int], beside: Sequence[Series] = (), sign: float = 1.0) -> Fit:
    """How `whole` moves when `part` takes its steps, `at`, while those `beside` it stay as they are.

    A positive `sign`: the whole takes what the part takes.
    """
    floor_w = LEAST_NOISE * noise_w(whole)
    ratios: list[tuple[int, float]] = []
    for minute in at:
        step, moved = shift_w(part, minute), shift_w(whole, minute)
        if abs(step) >= floor_w and not isnan(moved) and _still(beside, minute, STEADY * abs(step)):
            ratios.append((minute // STRIDE, sign * moved / step))
    if not ratios:
        return Fit(None, 0.0, 0, 0, 0)
    days = len({day for day, _ in ratios})
    found = [_around(kind, ratios, days)._replace(kind=kind) for kind in KINDS]
    clear = next((each for each in found if each.clear), None)
    return clear or _around(median(ratio for _, ratio in ratios), ratios, days)


def _still(beside: Sequence[Series], at: int, room_w: float) -> bool:
    """Whether none of these moved, and their noise together is small; one that is not known is taken for still."""
    moves = [move for move in (shift_w(other, at) for other in beside) if not isnan(move)]
    return all(abs(move) <= room_w for move in moves) and abs(sum(moves)) <= 2 * room_w


def _around(center: float, ratios: list[tuple[int, float]], days: int) -> Fit:
    near = [ratio for _, ratio in ratios if abs(ratio - center) <= NEAR * abs(center)]
    return Fit(None, median(near) if near else center, len(near), len(ratios), days)


def correlation(one: Series, other: Series) -> float:
    """Pearson's correlation of the changes from ten minutes to the next ten; 0 where there are none."""
    a, b = _changes(one), _changes(other)
    pairs = [pair for pair in zip(a, b, strict=True) if not isnan(sum(pair))]
    if not pairs:
        return 0.0
    mean_a, mean_b = (sum(column) / len(pairs) for column in zip(*pairs, strict=True))
    cross = sum((a - mean_a) * (b - mean_b) for a, b in pairs)
    spread_a, spread_b = sum((a - mean_a) ** 2 for a, _ in pairs), sum((b - mean_b) ** 2 for _, b in pairs)
    return float(cross / (spread_a * spread_b) ** 0.5) if spread_a and spread_b else 0.0


def _changes(series: Series) -> list[float]:
    means = [sum(series[at : at + BLOCK]) / BLOCK for at in range(0, len(series), BLOCK)]
    return [after - before for before, after in pairwise(means)]
