"""Proofs of the changes in the book: which days of which loads are compared, and what the answer is worth in money."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np

from wattround.analysis.dayseries import load_history
from wattround.analysis.known import known_meters
from wattround.analysis.proof.answer import Proof
from wattround.analysis.proof.data import Floats, LoadHistory, ProofError
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.prove import LEVEL, prove
from wattround.config.model import Settings
from wattround.core.change import Change
from wattround.core.outdoor import temperatures
from wattround.core.purse import Drawers, Purse
from wattround.core.wiring import tree_of
from wattround.ledger.past import Past
from wattround.ledger.tally import Kept
from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.metering.tree import Tree

DAY = timedelta(days=1)
UWH_PER_KWH = 10**9


@dataclass(frozen=True)
class Money:
    """What a kilowatt-hour of this load was worth at the margin over the reporting days; None: no price is known."""

    per_kwh: Decimal | None
    currency: str

    def of(self, wh: float) -> Decimal | None:
        """An amount."""
        return None if self.per_kwh is None else self.per_kwh * Decimal(repr(wh)) / 1000


@dataclass(frozen=True)
class Case:
    """One change, or several that cannot be told apart, and what came of it. `refusal`: why nothing can be asked."""

    changes: tuple[Change, ...]
    loads: tuple[str, ...]
    first: date
    last: date
    proof: Proof | None
    refusal: str
    money: Money
    cost: Decimal | None
    expected_wh: Decimal | None

    @property
    def name(self) -> str:
        """The first change's."""
        return self.changes[0].name

    def payback_years(self, yearly: Estimate) -> tuple[float | None, float | None, float | None]:
        """Simple payback in years: best guess, soonest, latest; None: never, or nothing was paid."""
        if self.cost is None:
            return None, None, None
        saved = [self.money.of(wh) for wh in (yearly.value, yearly.high, yearly.low)]
        years = [float(self.cost / each) if each is not None and each > 0 else None for each in saved]
        return years[0], years[1], years[2]


@dataclass(frozen=True)
class Bench:
    """What proofs of one house have in common."""

    past: Past
    kept: Kept
    settings: Settings
    tree: Tree
    purse: Purse
    zone: ZoneInfo

    @classmethod
    def of(cls, past: Past, kept: Kept, settings: Settings) -> Bench:
        """The house as its settings and the ledger have it."""
        meters = known_meters(past, settings)
        tree = tree_of(meters)
        drawers = Drawers.of(meters, tree)
        purse = Purse(settings, lambda: drawers, past.energies)
        return cls(past, kept, settings, tree, purse, ZoneInfo(settings.house.time_zone))

    @property
    def days(self) -> list[date]:
        """Whole local days that the ledger may have something of."""
        first = local_date(self.kept.begin * MINUTE_MS, self.zone)
        end = local_date(self.kept.end * MINUTE_MS, self.zone)  # the day that is going on is not whole
        return [first + timedelta(days=offset) for offset in range((end - first).days)]

    def weather(self) -> tuple[Sequence[date], Floats] | None:
        """All outdoor temperatures that are known, by day."""
        days = self.days
        known = temperatures(days, self.settings, self.zone, self.past.words) if days else {}
        return (list(known), np.array(list(known.values()))) if known else None


def groups(changes: Mapping[int, Change]) -> list[tuple[Change, ...]]:
    """Changes that are proved as one, in order of time; each is in one group."""
    by_name = {change.name: change for change in changes.values()}
    found: dict[str, list[Change]] = {}
    for change in sorted(changes.values(), key=lambda each: each.at_ms):
        root = change.along_with if change.along_with in by_name else change.name
        found.setdefault(str(root), []).append(change)
    return [tuple(sorted(each, key=lambda change: change.at_ms)) for each in found.values()]


def case(
    bench: Bench, group: tuple[Change, ...], others: Sequence[tuple[Change, ...]], *, level: float = LEVEL,
    least_coverage: float = 0.9, also: Sequence[str] = (),
) -> Case:  # fmt: skip
    """Prove a change. Days of other changes to the same loads bound the periods; changes elsewhere are warned of."""
    loads = tuple(dict.fromkeys(name for change in group for name in change.on))
    first, last = (local_date(group[at].at_ms, bench.zone) for at in (0, -1))
    days = _between(bench, group, loads, others, first, last)
    proof, refusal = None, "" if days and days[-1] > first else "no whole day has passed since: wait for days after it"
    if not refusal:
        history = _without(load_history(bench.past, bench.kept, bench.settings, loads, days, also), first, last)
        elsewhere, weather = _elsewhere(bench, group, loads, others), bench.weather()
        try:
            proof = prove(
                history, first, level=level, least_coverage=least_coverage, weather=weather, other_changes=elsewhere
            )
        except ProofError as error:
            refusal = str(error)
    costs = [change.cost for change in group if change.cost is not None]
    expected = [change.expect_wh for change in group if change.expect_wh is not None]
    return Case(
        group, loads, first, last, proof, refusal, _money(bench, loads, proof),
        sum(costs, Decimal(0)) if costs else None, sum(expected, Decimal(0)) if expected else None,
    )  # fmt: skip


def watched_case(bench: Bench, of: Case, changes: Sequence[Change], level: float, coverage: float) -> Case:
    """The same by weather and weekdays alone, which is what the daemon knows of a day."""
    alone = replace(bench, settings=bench.settings.model_copy(update={"people": ()}))
    every = groups(dict(enumerate(changes)))
    return case(alone, of.changes, every, level=level, least_coverage=coverage)


def _between(
    bench: Bench, group: tuple[Change, ...], loads: Sequence[str], others: Sequence[tuple[Change, ...]],
    first: date, last: date,
) -> list[date]:  # fmt: skip
    """Days after the last other change to one of the loads before, until the next one after, or until it was undone."""
    low, high = date.min, date.max
    for day in (day for day, _ in _on_the_same(bench, group, loads, others)):
        if day < first:
            low = max(low, day + DAY)
        elif day > last:
            high = min(high, day - DAY)
    for change in group:
        if change.until_ms is not None:
            high = min(high, local_date(change.until_ms, bench.zone) - DAY)
    return [day for day in bench.days if low <= day <= high]


def _elsewhere(
    bench: Bench, group: tuple[Change, ...], loads: Sequence[str], others: Sequence[tuple[Change, ...]]
) -> dict[date, str]:
    """Changes to meters within these loads, or around them, and to these on the same days: all is in one energy."""
    first, last = (local_date(group[at].at_ms, bench.zone) for at in (0, -1))
    found = {day: name for day, name in _on_the_same(bench, group, loads, others) if first <= day <= last}
    for change in (change for other in others if other != group for change in other):
        if any(_is_near(bench.tree, name, load) for name in change.on for load in loads) and not set(change.on) & set(
            loads
        ):
            found[local_date(change.at_ms, bench.zone)] = change.name
    return found


def _on_the_same(
    bench: Bench, group: tuple[Change, ...], loads: Sequence[str], others: Sequence[tuple[Change, ...]]
) -> Iterator[tuple[date, str]]:
    """Days on which something else was changed, or taken back, on one of the loads."""
    for change in (change for other in others if other != group for change in other):
        for at_ms in (change.at_ms, change.until_ms) if set(change.on) & set(loads) else ():
            if at_ms is not None:
                yield local_date(at_ms, bench.zone), change.name


def _is_near(tree: Tree, name: str, load: str) -> bool:
    """Whether one of two meters is within the other."""
    known = name in tree.children and load in tree.children
    return known and (name in tree.ancestors(load) or load in tree.ancestors(name))


def _without(history: LoadHistory, first: date, last: date) -> LoadHistory:
    """The same without the days between changes that are proved as one; the first's own is left out anyway."""
    inside = np.array([first < day <= last for day in history.days])
    return replace(history, coverage=np.where(inside, 0.0, history.coverage)) if inside.any() else history


def _money(bench: Bench, loads: tuple[str, ...], proof: Proof | None) -> Money:
    """The marginal price of what the load drew over the reporting days, else of the last week."""
    last = bench.days[-1] if bench.days else None
    if last is None:
        return Money(None, bench.settings.house.currency)
    span = proof.reporting if proof is not None else None
    return marginal(bench, loads, *((span.first, span.last) if span is not None else (last - 6 * DAY, last)))


def marginal(bench: Bench, loads: tuple[str, ...], begin: date, end: date) -> Money:
    """What a kilowatt-hour of these loads was worth at the margin on some days, both included."""
    currency = bench.settings.house.currency
    from_ms, to_ms = instant_ms(begin, 0, bench.zone), instant_ms(end + DAY, 0, bench.zone)
    meters = [name for name in loads if name in bench.past.meters()]
    if not meters:
        return Money(None, currency)
    worth = bench.purse.waste(tuple(meters), from_ms, to_ms, 100 * UWH_PER_KWH)
    priced = 100 * UWH_PER_KWH - worth.unknown_uwh
    return Money(worth.amount * UWH_PER_KWH / priced if priced > 0 else None, currency)
