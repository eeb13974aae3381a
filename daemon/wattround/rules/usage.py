"""Conditions on how much a load has been used: hours today, starts within an hour, energy or money in a period."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.minute import uwh
from wattround.rules.condition import Subject
from wattround.rules.load import HOUR_MS, LoadState
from wattround.rules.marks import period_begin, period_end

Per = Literal["day", "week", "month"]
LOOK_EVERY_MS = 300_000
"""How often a sum of energy is looked at."""
ON_COURSE_FROM = 0.25
"""Before this share of a period is over, nothing is said of its course."""

Cost = Callable[[int, int, int], Decimal]
"""Money for microwatt-hours of a period: its begin, and the instant at which this is asked."""
Energy = Callable[[str, int], float]
"""Watt-milliseconds that a load took since it was first metered, up to an instant."""


@dataclass(frozen=True, slots=True)
class RanToday:
    """Active for at least so long since local midnight, in all."""

    limit_ms: int
    subject: Subject = "usage"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002 - one protocol
        """What was not heard is not counted."""
        return load.ran_today_ms(at_ms) >= self.limit_ms

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """When it will have run so long, or midnight."""
        left_ms = self.limit_ms - load.ran_today_ms(at_ms)
        return min(load.day_to_ms, at_ms + left_ms) if load.active_ms >= 0 and left_ms > 0 else load.day_to_ms


@dataclass(frozen=True, slots=True)
class StartsOften:
    """Started more than so many times within the last hour."""

    most: int
    subject: Subject = "usage"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """A start is a change to active from another known level."""
        return len(load.starts_since(at_ms - HOUR_MS)) > self.most

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """When the oldest start of the hour is older than that."""
        starts = load.starts_since(at_ms - HOUR_MS)
        return starts[0] + HOUR_MS if starts else at_ms + HOUR_MS


class _Anchor(NamedTuple):
    """A period and a load's energy at its begin."""

    begin_ms: int
    end_ms: int
    at_begin_wms: float


class Spending:
    """Energy of loads in the running day, week and month."""

    def __init__(self, energy: Energy, zone: ZoneInfo) -> None:
        self._energy, self._zone = energy, zone
        self._anchors: dict[tuple[str, Per], _Anchor] = {}
        self.watched: set[tuple[str, Per]] = set()

    def anchor(self, load: str, per: Per, at_ms: int, spent_uwh: int) -> None:
        """What the period that holds `at_ms` has had until then, as the ledger says."""
        begin_ms = period_begin(at_ms, per, self._zone)
        at_begin = self._energy(load, at_ms) - spent_uwh * 3.6
        self._anchors[load, per] = _Anchor(begin_ms, period_end(begin_ms, per, self._zone), at_begin)

    def period(self, load: str, per: Per, at_ms: int) -> _Anchor:
        """The running period; a new one begins where the last has ended."""
        known = self._anchors.get((load, per))
        if known is None or not known.begin_ms <= at_ms < known.end_ms:
            begin_ms = period_begin(at_ms, per, self._zone)
            known = _Anchor(begin_ms, period_end(begin_ms, per, self._zone), self._energy(load, at_ms))
            self._anchors[load, per] = known
        return known

    def spent_uwh(self, load: str, per: Per, at_ms: int) -> int:
        """Microwatt-hours in the running period, up to `at_ms`."""
        return uwh(self._energy(load, at_ms) - self.period(load, per, at_ms).at_begin_wms)


@dataclass(frozen=True, slots=True)
class Spent:
    """A load has taken more than so much in a period, or is on course to: at the pace of the period so far."""

    load: str
    per: Per
    over_uwh: int | None
    over_money: Decimal | None
    on_course: bool
    spending: Spending
    cost: Cost
    subject: Subject = "usage"

    def figure_uwh(self, at_ms: int) -> int:
        """What is compared: spent so far, or what the whole period comes to at this pace."""
        spent = self.spending.spent_uwh(self.load, self.per, at_ms)
        begin_ms, end_ms, _ = self.spending.period(self.load, self.per, at_ms)
        share = (at_ms - begin_ms) / (end_ms - begin_ms)
        return round(spent / share) if self.on_course and share >= ON_COURSE_FROM else spent

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """Never unknown: what was not metered is not counted."""
        return self.is_over(self.figure_uwh(at_ms), at_ms)

    def is_over(self, figure_uwh: int, at_ms: int) -> bool:
        """Whether so much, at an instant, is more than the bound."""
        if self.over_uwh is not None and figure_uwh > self.over_uwh:
            return True
        begin_ms = self.spending.period(self.load, self.per, at_ms).begin_ms
        return self.over_money is not None and self.cost(figure_uwh, begin_ms, at_ms) > self.over_money

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """The next look, or the period's end."""
        end_ms = self.spending.period(self.load, self.per, at_ms).end_ms
        return min(end_ms, (at_ms // LOOK_EVERY_MS + 1) * LOOK_EVERY_MS)
