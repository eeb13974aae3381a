"""A house in which somebody switches one load after the other: circuits with other loads on them, meters of many kinds.

The true watts of everything are known at every instant; meters publish them with their own cadence, means, last digits.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import exp, sqrt
from typing import NamedTuple

Draw = list[tuple[int, float]]
"""(instant, watts from then on), in order of time."""


def at(draw: Draw, ms: int) -> float:
    """Watts at an instant."""
    place = bisect_right(draw, ms, key=lambda step: step[0]) - 1
    return draw[place][1] if place >= 0 else 0.0


def energy_wms(draw: Draw, from_ms: int, to_ms: int) -> float:
    """Watt-milliseconds between two instants."""
    place = max(0, bisect_right(draw, from_ms, key=lambda step: step[0]) - 1)
    total = 0.0
    while place < len(draw) and draw[place][0] < to_ms:
        end = draw[place + 1][0] if place + 1 < len(draw) else to_ms
        total += draw[place][1] * max(0, min(end, to_ms) - max(draw[place][0], from_ms))
        place += 1
    return total


# -- what else is on a circuit ----------------------------------------------------------------------


def steady(watts: float) -> Draw:
    """Always the same."""
    return [(0, watts)]


def wandering(rng: random.Random, until_ms: int, mean_w: float, spread_w: float, over_ms: float) -> Draw:
    """As a computer draws: around a mean, with a memory of so long (an Ornstein-Uhlenbeck process)."""
    keep = exp(-1000 / over_ms)
    off, draw = rng.gauss(0, spread_w), []
    for ms in range(0, until_ms, 1000):
        draw.append((ms, max(0.0, mean_w + off)))
        off = keep * off + spread_w * sqrt(1 - keep * keep) * rng.gauss(0, 1)
    return draw


def restless(rng: random.Random, until_ms: int, low_w: float, high_w: float, every_ms: float) -> Draw:
    """As a television draws: another picture, another draw."""
    ms, draw = 0, []
    while ms < until_ms:
        draw.append((ms, rng.uniform(low_w, high_w)))
        ms += int(rng.expovariate(1 / every_ms)) + 500
    return draw


def cycling(rng: random.Random, until_ms: int, on_w: float, on_ms: float, off_ms: float) -> Draw:
    """As a compressor does."""
    ms, on, draw = -rng.randrange(int(on_ms + off_ms)), True, [(-(10**9), 0.0)]
    while ms < until_ms:
        draw.append((ms, on_w * rng.uniform(0.97, 1.03) if on else 1.0))
        ms += int((on_ms if on else off_ms) * rng.uniform(0.8, 1.2))
        on = not on
    return draw


# -- what is switched -------------------------------------------------------------------------------


@dataclass
class Load:
    """Watts on and in standby, how much more it draws at first and for how long, on which circuit it hangs."""

    name: str
    circuit: str
    on_w: float
    standby_w: float = 0.0
    inrush_w: float = 0.0
    inrush_ms: int = 0
    flicker_w: float = 0.0
    draw: Draw = field(default_factory=lambda: [(0, 0.0)])

    def switch(self, ms: int, *, on: bool, plugged: bool = True) -> None:
        """Somebody switches it, or pulls its plug."""
        if not on:
            self.draw.append((ms, self.standby_w if plugged else 0.0))
            return
        if self.inrush_ms:
            self.draw.append((ms, self.on_w + self.inrush_w))
        self.draw.append((ms + self.inrush_ms, self.on_w))


class Kind(NamedTuple):
    """How a meter publishes: every so often, of so many decimals, the mean since last time or what is just now.

    `at_changes_w`: also at once, when it changes by so much. `noise_w` and `gain` are its own errors.
    """

    every_ms: int
    decimals: int = 1
    mean: bool = True
    at_changes_w: float = 0.0
    noise_w: float = 0.1
    gain: float = 1.0


class Word(NamedTuple):
    """A reading on its way."""

    at_ms: int
    meter: str
    watts: float


class Meter:
    """One meter over the loads within it."""

    def __init__(self, rng: random.Random, name: str, kind: Kind, loads: Sequence[Load | Draw]) -> None:
        self.name, self.kind = name, kind
        self._rng, self._loads = rng, loads
        self._next_ms = rng.randrange(kind.every_ms)
        self._last_ms, self._said = self._next_ms - kind.every_ms, 0.0

    def until(self, now_ms: int) -> Iterator[Word]:
        """What it publishes up to an instant, from where it was."""
        while self._next_ms <= now_ms:
            ms = self._next_ms
            self._next_ms += self.kind.every_ms + self._rng.randrange(
                -self.kind.every_ms // 50, self.kind.every_ms // 50 + 1
            )
            yield self._say(ms)
        if self.kind.at_changes_w and abs(self._now(now_ms) - self._said) >= self.kind.at_changes_w:
            yield self._say(now_ms)

    def _say(self, ms: int) -> Word:
        true = self._mean(self._last_ms, ms) if self.kind.mean else self._now(ms)
        self._last_ms, self._said = ms, self._now(ms)
        seen = true * self.kind.gain + self._rng.gauss(0, self.kind.noise_w)
        return Word(ms, self.name, round(seen, self.kind.decimals))

    def _now(self, ms: int) -> float:
        return sum(self._of(each, ms) for each in self._loads)

    def _of(self, each: Load | Draw, ms: int) -> float:
        if isinstance(each, list):
            return at(each, ms)
        watts = at(each.draw, ms)
        return watts + (self._rng.gauss(0, each.flicker_w) if watts > each.standby_w else 0.0)

    def _mean(self, from_ms: int, to_ms: int) -> float:
        draws = [each if isinstance(each, list) else each.draw for each in self._loads]
        flicker = sum(
            self._rng.gauss(0, each.flicker_w) / 2
            for each in self._loads
            if not isinstance(each, list) and at(each.draw, to_ms) > each.standby_w
        )
        return sum(energy_wms(draw, from_ms, to_ms) for draw in draws) / max(1, to_ms - from_ms) + flicker


class Walked:
    """A house whose time goes by: `pass_ms` gives what is published meanwhile, in order."""

    def __init__(self, meters: Sequence[Meter]) -> None:
        self.meters = meters
        self.now_ms = 0

    def pass_ms(self, span_ms: int, turn_ms: int = 200) -> Iterator[Word]:
        """Time goes by, a turn at a time."""
        end_ms = self.now_ms + span_ms
        while self.now_ms < end_ms:
            self.now_ms = min(end_ms, self.now_ms + turn_ms)
            yield from sorted(word for meter in self.meters for word in meter.until(self.now_ms))
