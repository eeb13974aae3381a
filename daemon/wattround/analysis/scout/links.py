"""Whether one meter moves with another, for all pairs of them: counted, held against chance, believed or not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isnan
from statistics import median
from typing import NamedTuple

from wattround.analysis.scout.chance import believable, tail
from wattround.analysis.scout.moves import Hit, Move, Movements, looked_for, moves
from wattround.analysis.steps import AGREE, KINDS
from wattround.ledger.survey import Series
from wattround.metering.accuracy import UNKNOWN_PERCENT

FALSE_RATE = 0.01
"""Of the links that are believed, so many may be false in the mean."""
ENOUGH_HITS = 3
MOST_MOVES = 150
AGREE_SUPPLY = 0.25
"""Share of the moves that must be there in the supply, where much moves at once; elsewhere `steps.AGREE`."""
HOPEFUL = 1.5
"""With fewer hits than so many times those by chance no link is claimed, and the exact chance is not worked out."""
HINT = 0.001
REFUTED = 0.01
STRETCH = 15
"""Bins over which energies are compared: clocks differ by less."""
MISFITS = 0.02
SLACK_W = 2.0


class Link(NamedTuple):
    """`whole` moved `times` as far in `hits` of the `looked` moves of `part`; by chance it would in `expected`.

    In `still` of the others the whole stayed as it was, in the rest something else moved it. `chance` is the
    probability of so many hits if the two had nothing to do with each other; `ratio` what the whole moved by, in the
    middle, as a multiple of the part.
    """

    part: str
    whole: str
    times: float
    hits: int
    looked: int
    expected: float
    chance: float
    ratio: float
    still: int

    def agrees(self, supply: str | None) -> bool:
        """Whether enough of the moves are there for a claim, chance apart."""
        share = AGREE_SUPPLY if self.whole == supply and self.times == 1.0 else AGREE
        return self.hits >= ENOUGH_HITS and self.hits >= share * self.looked

    @property
    def denies(self) -> bool:
        """Whether the whole stays as it is too often for what is around the part."""
        told = self.hits + self.still
        return 1.0 - tail([AGREE] * told, self.hits + 1) < REFUTED

    @property
    def hints(self) -> bool:
        """Whether it is worth a proposal that is not claimed."""
        return self.hits >= AGREE * self.looked and self.chance <= HINT


class Links:
    """Every pair of meters that may be within each other, looked at once; more looks are added."""

    def __init__(self, series: Mapping[str, Series], roles: Mapping[str, str]) -> None:
        self.series, self.roles = series, roles
        self.moves = {name: _some(moves(each)) for name, each in series.items()}
        self.movements = {name: Movements(each) for name, each in series.items()}
        self.stretches = {name: _stretches(each) for name, each in series.items()}
        self._fits: dict[tuple[str, str, float], bool] = {}
        self.seen: dict[tuple[str, str, float], Link] = {}
        self.tests = 0
        self.limit = 0.0
        for part in series:
            for whole in series:
                if part != whole:
                    self.look(part, whole, self.movements[whole])

    def look(self, part: str, whole: str, at: Movements) -> None:
        """Look for the moves of a part in a whole, or in what is left of it; the clearer look stays."""
        for times in KINDS:
            if self.fits(part, whole, times):
                self.tests += 1
                link = _link(part, whole, times, looked_for(self.moves[part], at, times))
                before = self.seen.get((part, whole, times))
                if before is None or link.chance < before.chance:
                    self.seen[part, whole, times] = link

    def believed(self, supply: str | None) -> dict[str, dict[str, Link]]:
        """The wholes of each part, by the links that may be believed; of several kinds the likeliest."""
        self.limit = believable([link.chance for link in self.seen.values()], FALSE_RATE, self.tests)
        found: dict[str, dict[str, Link]] = {name: {} for name in self.series}
        for link in sorted(self.seen.values(), key=lambda link: -link.chance):
            if link.agrees(supply) and link.chance <= self.limit:
                found[link.part][link.whole] = link
        return found

    def fits(self, part: str, whole: str, times: float) -> bool:
        """Whether a whole has at least what its part has, stretch by stretch, as far as meters can be trusted.

        A meter through which energy goes both ways may have less than a part of it.
        """
        key = part, whole, times
        if key not in self._fits:
            self._fits[key] = self._compare(*key)
        return self._fits[key]

    def _compare(self, part: str, whole: str, times: float) -> bool:
        inner, outer = self.stretches[part], self.stretches[whole]
        if times < 0:
            return self._may_be_turned(part, whole)
        if any(mean < -SLACK_W for mean, _ in outer):
            return True
        bad = known = 0
        for (mean, peak), (around, _) in zip(inner, outer, strict=True):
            if isnan(mean) or isnan(around):
                continue
            known += 1
            room = 2 * UNKNOWN_PERCENT / 100 * abs(times * mean) + times * peak / STRETCH + SLACK_W
            bad += times * mean - room > around
        return known > 0 and bad <= max(1, MISFITS * known)

    def _may_be_turned(self, part: str, whole: str) -> bool:
        """Whether one may move against the other: one of them reads below zero, or the part may generate."""
        below = [self.mean_w(name) < 0 for name in (part, whole)]
        return below[0] != below[1] or self.roles.get(part) != "appliance"

    def mean_w(self, name: str) -> float:
        """What a meter has in the mean, as far as it is known."""
        known = [mean for mean, _ in self.stretches[name] if not isnan(mean)]
        return sum(known) / len(known) if known else 0.0

    def refuted(self, part: str, whole: str) -> bool:
        """Whether a part cannot be within a whole: it does not fit, or the whole stays still at its moves."""
        if not self.fits(part, whole, 1.0):
            return True
        return self.seen[part, whole, 1.0].denies


def _some(found: list[Move]) -> list[Move]:
    """All moves, or so many of them, evenly spread."""
    return found[:: -(-len(found) // MOST_MOVES)] if found else []


def _link(part: str, whole: str, times: float, hits: Sequence[Hit]) -> Link:
    good = [each.ratio for each in hits if each.hit]
    shares = [each.share for each in hits]
    hopeful = len(good) >= max(2.0, HOPEFUL * sum(shares))
    chance = tail(shares, len(good)) if hopeful else 1.0
    return Link(part, whole, times, len(good), len(hits), sum(shares), chance,
                median(good) if good else 0.0, sum(each.still for each in hits))  # fmt: skip


def _stretches(series: Series) -> list[tuple[float, float]]:
    """Mean and greatest watts of stretches; NaN where not all of it is known."""
    return [_level(series[at : at + STRETCH]) for at in range(0, len(series) - STRETCH + 1, STRETCH)]


def _level(part: Iterable[float]) -> tuple[float, float]:
    values = list(part)
    return sum(values) / len(values), max(map(abs, values))
