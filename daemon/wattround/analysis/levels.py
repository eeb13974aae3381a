"""Thresholds for a load's levels, proposed from its own history, or the reason why none can be.

Two or three classes of log watts (`grouping`), named by what they draw, with thresholds between them; then what the
minutes say in their order (`behaviour`): a compressor has clear classes and yet no levels that mean anything.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

from wattround.analysis.behaviour import Limits, StandbyPower, Walk, behaviours
from wattround.analysis.grouping import EDGE, Group, ashman_d, gap_w, groups, near_share, threshold_w
from wattround.analysis.histogram import Histogram
from wattround.ledger.reader import Reader
from wattround.ledger.spread import BINS, BINS_PER_DECADE, Spread, edge_w
from wattround.metering.level import RELEASE_SHARE, Level
from wattround.metering.minute import MINUTE_MS

DAY_MINUTES = 1440
WALK_DAYS = 10
"""Days, the last of the span, whose minutes are looked at in order."""
LONG_WALK_DAYS = 60
"""And of loads that were not measured enough in those."""
MOST_ROWS = 1_800_000
"""Of longer spans only every so many hours are read, to answer within seconds."""
WEEK_HOURS = 168
LEAST_HOURS = 48
OFF_W = 0.5
"""A class that draws less is off (the limit of EU rules for off mode, and the default of `standby_w`)."""
STANDBY_MOST_W = 20.0
STANDBY_FACTOR = 5.0
"""Between off and active: standby draws no more than this, and active so much more; else it is a way of running."""
IN_USE_W = 2.0
"""A load that never drew more has not been used."""
IN_USE_MS = 10 * MINUTE_MS
SLIP_SHARE = 0.02
"""Less time than this below the class where a load rests was no level but a cut of its power."""
NARROW = 2.0
"""A load whose watts stay within this factor always draws the same."""
ANY_POWER = 2.5
"""A load that holds powers as widely spread as this (see `spread_factor`) has no active class."""
ROW_BINS = BINS_PER_DECADE // 3

Verdict = Literal["proposed", "not separable", "not enough history"]
Clarity = Literal["clear", "fair", "doubtful"]


class Row(NamedTuple):
    """A row of the histogram: watts from and to, and the share of the time."""

    from_w: float
    to_w: float
    time_share: float


class Class(NamedTuple):
    """A level as it was seen: watts but for 2 % at either end, mean watts, shares of time and of energy."""

    level: Level
    low_w: float
    high_w: float
    mean_w: float
    time_share: float
    energy_share: float


class Border(NamedTuple):
    """A threshold between two classes: how far apart they are, and how much of the smaller one's time lies near it."""

    level: Level
    watts: float
    ashman_d: float
    near_share: float
    clarity: Clarity


@dataclass(frozen=True)
class Proposal:
    """What the history of one load says; thresholds in watts, None unless they are proposed."""

    meter: str
    verdict: Verdict
    reason: str
    measured_ms: float
    rows: tuple[Row, ...] = ()
    classes: tuple[Class, ...] = ()
    borders: tuple[Border, ...] = ()
    standby_w: float | None = None
    active_w: float | None = None
    active_release_w: float | None = None
    standby: StandbyPower | None = None
    starts_a_day: float | None = None


def hours_apart(minutes: int, meters: int) -> int:
    """Of every so many hours one is read: all where it is few rows, else a number that meets every hour of the week."""
    wanted = math.ceil(minutes * meters / MOST_ROWS)
    return next(every for every in range(max(1, wanted), wanted + WEEK_HOURS) if math.gcd(every, WEEK_HOURS) == 1)


def propose(reader: Reader, names: Collection[str], from_minute: int, to_minute: int, every: int) -> list[Proposal]:
    """Proposals for these meters, in their order, from [from_minute, to_minute) of the ledger.

    Raises:
        sqlite3.Error: if the ledger cannot be read.
    """
    spreads = reader.spreads(names, from_minute, to_minute, every)
    found: dict[str, Proposal | _Split] = {
        name: _split(name, spreads[name]) if name in spreads else _nothing(name) for name in names
    }
    limits = {name: draft.limits for name, draft in found.items() if isinstance(draft, _Split)}
    walks: dict[str, Walk] = {}
    for days in (WALK_DAYS, LONG_WALK_DAYS):
        untold = {name: limit for name, limit in limits.items() if name not in walks or not walks[name].tells}
        if untold:
            begin = max(from_minute, to_minute - days * DAY_MINUTES)
            walks |= behaviours(reader.walk(untold, begin, to_minute), untold)
    return [draft if isinstance(draft, Proposal) else draft.judged(walks[name]) for name, draft in found.items()]


def _nothing(meter: str) -> Proposal:
    return Proposal(meter, "not enough history", "nothing was measured in this time", 0)


def _split(meter: str, spread: Spread) -> Proposal | _Split:
    """Classes of one load's watts, or why there are none."""
    histogram = Histogram.of(spread)
    measured_ms = histogram.time_ms()
    rows = _rows(histogram)

    def refused(verdict: Verdict, reason: str) -> Proposal:
        return Proposal(meter, verdict, reason, measured_ms, rows)

    hours = measured_ms / 3_600_000
    if hours < LEAST_HOURS:
        return refused("not enough history", f"{hours:.0f} h were measured; at least {LEAST_HOURS} h are needed")
    if spread.out_uwh > max(histogram.energy_uwh(), hours * 1_000_000):  # a watt on average, noise apart
        return refused("not separable", "energy flows out of it: a clamp the other way round is mended by sign = -1")
    highest = _highest_w(histogram)
    if highest < IN_USE_W:
        reason = f"it has never drawn more than {watts_text(highest)} W for ten minutes in all: nobody has used it"
        return refused("not enough history", reason)
    found = _levels(histogram, groups(histogram))
    if len(found) == 1:
        return refused("not separable", _one_class(histogram))
    return _Split(meter, histogram, rows, found)


def _highest_w(histogram: Histogram) -> float:
    """Watts that the load exceeded for no more than `IN_USE_MS`."""
    number = BINS
    while number > 0 and histogram.time_ms(number - 1) < IN_USE_MS:
        number -= 1
    return edge_w(number)


def _one_class(histogram: Histogram) -> str:
    low, high = histogram.range_w(EDGE)
    if high < NARROW * low:
        return f"it always draws about the same, {watts_text(low, 3)} to {watts_text(high, 3)} W"
    span = f"{watts_text(low)} to {watts_text(high)} W"
    return f"its power takes any value from {span} without a gap, as a dimmer's or that of several loads together"


def _levels(histogram: Histogram, found: list[Group]) -> dict[Level, list[Group]]:
    """The groups of each level, lowest first; all standby if there is only one.

    The highest is active. The lowest is off if it draws next to nothing, else standby: a load that is never off rests
    there. Groups between are standby up to the last that draws little beside the next, or holds most of the time.
    """
    total = histogram.time_ms()
    if len(found) > 2 and histogram.time_ms(*found[0]) < SLIP_SHARE * total:
        found = [Group(found[0].first, found[1].last), *found[2:]]
    means = [histogram.mean_w(*group) for group in found]
    low = [
        index
        for index in range(1, len(found) - 1)
        if (means[index] <= STANDBY_MOST_W or 2 * histogram.time_ms(*found[index]) > total)
        and STANDBY_FACTOR * means[index] <= means[index + 1]
    ]
    resting = found[: max(low, default=0) + 1]
    active = found[len(resting) :]
    off = [resting.pop(0)] if active and means[0] < OFF_W else []
    named: dict[Level, list[Group]] = {"off": off, "standby": resting, "active": active}
    return {level: its for level, its in named.items() if its}


@dataclass(frozen=True)
class _Split:
    """A load whose watts fall into classes; whether they mean anything its minutes must say."""

    meter: str
    histogram: Histogram
    rows: tuple[Row, ...]
    levels: dict[Level, list[Group]]

    @property
    def _below(self) -> Group:
        """The highest group that is not active."""
        return (self.levels.get("standby") or self.levels["off"])[-1]

    @property
    def limits(self) -> Limits:
        """Where its walk goes from level to level."""
        active_w = self._active_w()
        return Limits(self._standby_w() if "standby" in self.levels else math.inf, active_w, self._release_w(active_w))

    def judged(self, walk: Walk) -> Proposal:
        """The proposal, now that its minutes have been looked at in order."""
        verdict, reason = self._verdict(walk)
        proposed = verdict == "proposed"
        active_w = self._active_w()
        release_w = self._release_w(active_w)
        explicit = proposed and release_w > RELEASE_SHARE * active_w
        return Proposal(
            self.meter, verdict, reason, self.histogram.time_ms(), self.rows, self._classes(), self._borders(walk),
            self._standby_w() if proposed else None, active_w if proposed else None, release_w if explicit else None,
            walk.standby if "standby" in self.levels else None, walk.starts_a_day,
        )  # fmt: skip

    def _verdict(self, walk: Walk) -> tuple[Verdict, str]:
        if not walk.tells:
            reason = "two days must have been measured whole, or parts of four, to see whether it cycles by itself"
            return "not enough history", reason
        if walk.cycles:
            return "not separable", (
                f"it cycles by itself, {walk.starts_a_day:.0f} times a day and at all hours: its level says nothing"
                " about anybody using it"
            )
        if walk.held_factor > ANY_POWER:
            low, high = self.histogram.range_w(EDGE, *_whole(self.levels["active"]))
            resting = "off" if "off" in self.levels else "at rest"
            return "not separable", (
                f"it holds any power from {watts_text(low)} to {watts_text(high)} W, as a dimmer or several loads"
                f" together do: no class is active. Only {resting} and on can be told apart, at {self._active_w():g} W"
            )
        return "proposed", ""

    def _classes(self) -> tuple[Class, ...]:
        seen = self.histogram
        time_ms, energy_uwh = seen.time_ms(), seen.energy_uwh() or 1
        return tuple(
            Class(
                level, *seen.range_w(EDGE, *group), seen.mean_w(*group),
                seen.time_ms(*group) / time_ms, seen.energy_uwh(*group) / energy_uwh,
            )
            for level, group in ((level, _whole(its)) for level, its in self.levels.items())
        )  # fmt: skip

    def _borders(self, walk: Walk) -> tuple[Border, ...]:
        found = []
        for (_, below), (level, above) in pairwise(self.levels.items()):
            # the groups on either side: a class of several is wide, and its border may be sharp all the same
            d, near = (measure(self.histogram, below[-1], above[0]) for measure in (ashman_d, near_share))
            seen = level != "active" or walk.active_minutes * MINUTE_MS >= IN_USE_MS
            watts = self._active_w() if level == "active" else self._standby_w()
            found.append(Border(level, watts, d, near, _clarity(d, near, seen=seen)))
        return tuple(found)

    def _active_w(self) -> float:
        return self._between(self._below, self.levels["active"][0])

    def _between(self, low: Group, high: Group) -> float:
        """The threshold between two groups, with as few digits as stay between them."""
        exact, (ends, begins) = threshold_w(self.histogram, low, high), gap_w(self.histogram, low, high)
        return next((short for digits in (2, 3) if ends < (short := rounded(exact, digits)) < begins), exact)

    def _standby_w(self) -> float:
        off, standby = self.levels.get("off"), self.levels.get("standby")
        if off and standby:
            return self._between(off[-1], standby[0])
        if standby:
            # never off: the least that it draws at rest must still count as standby
            begins = self.histogram.range_w(EDGE, *standby[0])[0]
            return min(OFF_W, rounded(max(0.1, RELEASE_SHARE * begins)))
        ends = self.histogram.range_w(EDGE, *self._below)[1]
        return max(OFF_W, rounded(min(ends / RELEASE_SHARE, math.sqrt(ends * self._active_w()))))

    def _release_w(self, active_w: float) -> float:
        """Where active ends; above the default share of `active_w` if the class below reaches there."""
        ends = self.histogram.range_w(EDGE, *self._below)[1]
        default = RELEASE_SHARE * active_w
        return default if ends < default else rounded(math.sqrt(ends * active_w), digits=3)


def _whole(its: list[Group]) -> Group:
    return Group(its[0].first, its[-1].last)


def _clarity(d: float, near: float, *, seen: bool) -> Clarity:
    if not seen or d < 5 or near > 0.1:
        return "doubtful"
    return "clear" if d >= 8 and near <= 0.02 else "fair"


def rounded(watts: float, digits: int = 2) -> float:
    """Watts with so many digits that mean something."""
    return float(f"{watts:.{digits}g}")


def watts_text(watts: float, digits: int = 2) -> str:
    """Watts for a person: so many digits that mean something, never an exponent."""
    return (
        f"{rounded(watts, digits):.0f}"
        if watts >= 10 ** (digits - 1)
        else f"{rounded(watts, digits) if watts >= 0.01 else 0:g}"
    )


def _rows(histogram: Histogram) -> tuple[Row, ...]:
    """The histogram in three rows a decade, from the first with any time to the last."""
    total = histogram.time_ms() or 1
    starts = [0, *range(1, BINS, ROW_BINS), BINS]
    found = [
        Row(edge_w(first), edge_w(last), histogram.time_ms(first, last) / total) for first, last in pairwise(starts)
    ]
    used = [index for index, row in enumerate(found) if row.time_share > 0]
    return tuple(found[used[0] : used[-1] + 1]) if used else ()
