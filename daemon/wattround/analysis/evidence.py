"""What the tree is judged by: hours of a whole span and minutes of chosen days, with known faults taken out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isnan
from typing import NamedTuple

from wattround.analysis.steps import Fit, fit, steps
from wattround.config.model import Meter
from wattround.core.wiring import accuracy_of, recipes_of, tree_of
from wattround.ledger.survey import DAY, Series, Survey
from wattround.ledger.totals import Sums
from wattround.metering.accuracy import allowance
from wattround.metering.formula import formulas

MOST_DAYS = 14
"""Days whose minutes are read, however long the span: the cost is bounded."""
WANTED_DAYS = 8
ACTIVE_WH = 15.0


class Span(NamedTuple):
    """Whole hours since 1970 that are looked at."""

    first: int
    last: int


class Evidence:
    """One look at a ledger. A fault once found is corrected here, so that it explains what else looks odd."""

    def __init__(self, survey: Survey, meters: Mapping[str, Meter], span: Span) -> None:
        known = survey.meters()
        self.meters = {name: meter for name, meter in meters.items() if name in known}
        self.span = span
        self.tree = tree_of(self.meters)
        self.formulas = formulas(recipes_of(self.meters))
        self.percent = accuracy_of(meters)
        self.sums: dict[str, Sums] = survey.sums(span.first * 60, span.last * 60)
        self.net, self.peak = survey.hourly(self.meters, *span)
        kept = survey.span()
        self.days = chosen_days(self.net, span, -(-kept[0] // DAY) if kept else 0)
        self.watts = survey.by_minute(self.meters, self.days)
        self.steps = {name: steps(series) for name, series in self.watts.items()}

    def correct(self, name: str, factor: float) -> None:
        """From here on, a meter is as it should be; those that are computed from it follow."""
        for other, formula in self.formulas.items():
            times = dict(formula.terms).get(name, 0.0)
            if times:
                self._add(other, name, times * (factor - 1))
        for series in (self.net[name], self.watts[name]):
            for at, value in enumerate(series):
                series[at] = factor * value

    def _add(self, to: str, name: str, times: float) -> None:
        for of in (self.net, self.watts):
            for at, value in enumerate(of[name]):
                of[to][at] += times * value
        self.steps[to] = steps(self.watts[to])

    def covered_h(self, name: str) -> float:
        """Hours of the span that a meter covers."""
        return self.sums[name].covered_ms / 3.6e6 if name in self.sums else 0.0

    def fit(self, whole: str, part: str, beside: Iterable[str] = (), sign: float = 1.0) -> Fit:
        """How one moves when the other takes a step by itself."""
        others = [self.watts[name] for name in beside]
        return fit(self.watts[whole], self.watts[part], self.steps[part], others, sign)

    def child_fit(self, parent: str, child: str) -> Fit:
        """The same for a meter within another."""
        beside = [name for name in self.tree.children[parent] if name != child]
        return self.fit(parent, child, beside, self.tree.sign(child))

    def allowed_wh(self, names: Iterable[str], hour: int) -> float:
        """How far apart sums of these meters may be in an hour, by their accuracy."""

        def gross(name: str) -> float:
            value = self.net[name][hour]
            return 0.0 if isnan(value) else abs(value)

        total = 0.0
        for name in names:
            terms = self.formulas[name].terms if name in self.formulas else ((name, 1.0),)
            percents = {part: abs(times) * self.percent[part] for part, times in terms if part in self.net}
            total += allowance(percents, gross)
        return total


def chosen_days(net: Mapping[str, Series], span: Span, first_kept: int) -> list[int]:
    """Days since 1970 on which as many meters as possible did something, so that steps of all of them are seen.

    Of days before `first_kept` there are only hours.
    """
    active: dict[int, set[str]] = {}
    for name, series in net.items():
        for day in range(max(first_kept, span.first // 24), -(-span.last // 24)):
            at = day * 24 - span.first
            hours = [value for value in series[max(0, at) : at + 24] if not isnan(value)]
            if hours and max(hours) - min(hours) >= ACTIVE_WH:
                active.setdefault(day, set()).add(name)
    seen = dict.fromkeys(net, 0)
    chosen: list[int] = []
    while active and len(chosen) < MOST_DAYS:
        gains = {day: sum(seen[name] < WANTED_DAYS for name in names) for day, names in active.items()}
        day = max(gains, key=lambda each: (gains[each], each))
        if not gains[day]:
            break
        chosen.append(day)
        for name in active.pop(day):
            seen[name] += 1
    return sorted(chosen)
