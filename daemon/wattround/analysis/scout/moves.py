"""Moves of a meter, and what others did at the same place: the raw material of who is within whom.

A series has one mean of watts for each of many equal bins: the ledger's minutes, or bins of some seconds of what is
heard live. Everything here counts in bins, so it serves both.

A move is a *step*, from one steady draw to another (`analysis.steps`), or a *run*: away from a steady draw and back to
it, too short to be steady in between, as of a kettle.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import accumulate
from math import isnan, nan
from typing import NamedTuple

from wattround.analysis.steps import APART, STEADY, noise_w, shift_w, steps
from wattround.ledger.survey import Series

STEP = 0
LONGEST_RUN = 10
"""Bins between the steady draws before and after a run."""
MARGIN = 1
"""Bins by which others may be earlier or later."""
LEAST_MOVE_W = 8.0
NOISY = 6.0
"""A move is so many times its meter's usual noise."""
BLOCK = 120
AROUND = 2
"""How often a meter moves is counted over so many blocks of bins to either side: it depends on the hour."""
NEAR = 0.15
"""Another meter moved as far if the two differ by no more than this share, and what its noise may do."""
NOISES = 2.0
BLUR = 0.5
BLURRED = 0.5
"""Where noise could make up this share of a move, the other meter is not asked."""


class Move(NamedTuple):
    """Where (the last bin before it), how long (STEP, or bins until it is back), how much.

    The amount is in watts for a step; for a run in watts times bins: the energy above what was drawn before and after.
    `blur` is what of it may be lost or gained where the meter is read only once in a bin.
    """

    at: int
    span: int
    amount: float
    blur: float = 0.0


def moves(series: Series) -> list[Move]:
    """All clear moves of a meter, in order of time."""
    least_w = max(LEAST_MOVE_W, NOISY * noise_w(series))
    found = _runs(series, least_w)
    taken = {at for run in found for at in range(run.at - APART, run.at + run.span + 1)}
    found += [Move(at, STEP, shift_w(series, at)) for at in steps(series, least_w) if at not in taken]
    return sorted(found)


def _runs(series: Series, least_w: float) -> list[Move]:
    found: list[Move] = []
    at, last = 2, len(series) - LONGEST_RUN - MARGIN - 2
    while at < last:
        run = _run(series, at, least_w) if abs(series[at + 1] - series[at]) >= least_w / 2 else None
        if run is None:
            at += 1
        else:
            found.append(run)
            at += run.span
    return found


def _run(series: Series, at: int, least_w: float) -> Move | None:
    """A run that begins after bin `at`, back at the same draw as soon as may be."""
    before = (series[at - 1] + series[at]) / 2
    for span in range(2, LONGEST_RUN + 1):
        high = max(abs(series[at + step] - before) for step in range(1, span))
        room = STEADY * high
        first, wide = at - MARGIN, span + 2 * MARGIN
        ends = (series[first - 1], series[at], series[at + span], series[first + wide + 1])
        if high >= least_w and all(abs(end - before) <= room for end in ends):
            return Move(first, wide, area(series, first, wide), BLUR * high)
    return None


def area(series: Series, at: int, span: int) -> float:
    """Watts times bins above the straight line from what was drawn before to what was drawn after."""
    before, after = (series[at - 1] + series[at]) / 2, (series[at + span] + series[at + span + 1]) / 2
    return sum(series[at + 1 : at + span]) - (span - 1) * (before + after) / 2


class Movements:
    """What a meter did at every place, and how often it does as much thereabouts."""

    def __init__(self, series: Series) -> None:
        self.series = series
        self.noise_w = noise_w(series)
        self._amounts: dict[int, list[float]] = {}
        self._blocks: dict[int, list[list[float]]] = {}

    def amount(self, at: int, span: int) -> float:
        """By how much it moved where another made a move; NaN where that is not known."""
        return self._all(span)[at]

    def room(self, move: Move) -> float:
        """How far it may be off a move and still have made it."""
        noise = self.noise_w * (1.0 if move.span == STEP else move.span**0.5)
        return NEAR * abs(move.amount) + move.blur + NOISES * noise

    def share(self, at: int, span: int, low: float, high: float) -> float:
        """Of the places thereabouts, the share at which it moved by [low, high]; never 0, as one more might be."""
        self._all(span)
        blocks, block = self._blocks[span], at // BLOCK
        count = hits = 0
        for each in blocks[max(0, block - AROUND) : block + AROUND + 1]:
            count += len(each)
            hits += bisect_right(each, high) - bisect_left(each, low)
        return (hits + 1) / (count + 1)

    def _all(self, span: int) -> list[float]:
        if span not in self._amounts:
            found = _shifts(self.series) if span == STEP else _areas(self.series, span)
            self._amounts[span] = found
            self._blocks[span] = [
                sorted(amount for amount in found[begin : begin + BLOCK] if not isnan(amount))
                for begin in range(0, len(found), BLOCK)
            ]
        return self._amounts[span]


def _shifts(series: Series) -> list[float]:
    last = len(series) - APART - 1
    return [shift_w(series, at) if 1 <= at < last else nan for at in range(len(series))]


def _areas(series: Series, span: int) -> list[float]:
    """`area` at every place, by sums that are added up once."""
    sums = [0.0, *accumulate(0.0 if isnan(value) else value for value in series)]
    unknown = [0, *accumulate(isnan(value) for value in series)]
    found = [nan] * len(series)
    for at in range(1, len(series) - span - 1):
        if unknown[at + span + 2] == unknown[at - 1]:
            ends = series[at - 1] + series[at] + series[at + span] + series[at + span + 1]
            found[at] = sums[at + span] - sums[at + 1] - (span - 1) * ends / 4
    return found


class Hit(NamedTuple):
    """Whether another meter made a move too, or stayed as it was, and how likely it makes it at any such place."""

    hit: bool
    still: bool
    share: float
    ratio: float


def looked_for(part: Sequence[Move], whole: Movements, times: float) -> list[Hit]:
    """Whether `whole` moved `times` as far at each move of another meter; places that cannot tell are left out."""
    found = []
    for move in part:
        room = whole.room(move)
        moved = whole.amount(move.at, move.span)
        wanted = times * move.amount
        if isnan(moved) or room > BLURRED * abs(wanted):
            continue
        share = whole.share(move.at, move.span, wanted - room, wanted + room)
        hit, still = abs(moved - wanted) <= room, abs(moved) <= room
        found.append(Hit(hit, still, share, moved / move.amount))
    return found
