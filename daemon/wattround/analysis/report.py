"""Where the money goes: every load's energy and share of the bill over a stretch of time, in rows that add up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from itertools import chain
from statistics import median
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.account import MINUTES_UP_TO_MS, UWH_PER_KWH, Account, account
from wattround.analysis.adding import rounded
from wattround.analysis.known import known_meters
from wattround.config.model import Meter, Settings
from wattround.core.nightly import night_from, night_span
from wattround.core.purse import Drawers, Purse
from wattround.core.tariffs import schedule_of
from wattround.core.wiring import tree_of
from wattround.ledger.tally import Kept, Net, Sum, Tally, Use
from wattround.metering.localtime import local_date
from wattround.metering.minute import MINUTE_MS
from wattround.metering.tree import Tree
from wattround.money.amount import NOTHING, to_cents

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
MONTH_MS, YEAR_MS = 365.25 * DAY_MS / 12, 365.25 * DAY_MS
LOADS = ("circuit", "appliance")
Kind = Literal["total", "load", "part", "remainder", "unheard", "storage"]
LABELS = {
    "remainder": "(not metered within)",
    "unheard": "(while a meter was silent)",
    "storage": "(to charge storage)",
}


@dataclass(slots=True)
class Row:
    """A line of the report. Those of kind part are within a computed meter, or beside the tree: they add to nothing.

    `exact` is its share of the bill before rounding; `money`, `kwh` and `per_month` are rounded so that rows add up.
    """

    kind: Kind
    name: str
    label: str
    depth: int
    parent: str
    uwh: int
    exact: Decimal
    unpriced_uwh: int = 0
    covered_ms: int | None = None
    estimated_uwh: int = 0
    use: Use | None = None
    within: list[Row] = field(default_factory=list)
    beside: list[Row] = field(default_factory=list)
    money: Decimal = NOTHING
    kwh: Decimal = NOTHING
    per_month: Decimal = NOTHING

    def walk(self) -> Iterator[Row]:
        """Itself and all that is under it, the largest first; what is left comes after loads."""
        yield self
        for row in sorted(self.beside, key=lambda row: -row.uwh):
            yield from row.walk()
        for row in sorted(self.within, key=lambda row: (row.kind != "load", -row.uwh)):
            yield from row.walk()


class Base(NamedTuple):
    """The house's lowest hour between 0 and 6, median of so many nights; that draw over the covered time."""

    watts: float
    nights: int
    uwh: int


class Report(NamedTuple):
    """All of it."""

    settings: Settings
    account: Account
    total: Row
    base: Base | None
    by_minute: bool
    notes: Sequence[str]

    @property
    def elapsed_ms(self) -> int:
        """How long the time is."""
        return self.account.to_ms - self.account.from_ms

    def standby_per_year(self, row: Row) -> Decimal | None:
        """What a load's standby costs in a year, at the house's mean price of the time; None if not known."""
        consumed = self.account.flow.consumed - self.account.unpriced_uwh
        if row.use is None or not row.use.known_ms or consumed <= 0:
            return None
        a_year = Decimal(round(row.use.standby_uwh * YEAR_MS / row.use.known_ms))
        return to_cents(a_year * self.account.exact / consumed)


class Scene(NamedTuple):
    """What reports of one house have in common."""

    tally: Tally
    settings: Settings
    meters: Mapping[str, Meter]
    tree: Tree
    drawers: Drawers
    purse: Purse
    zone: ZoneInfo

    @classmethod
    def of(cls, tally: Tally, settings: Settings) -> Scene:
        """The house as its settings and the ledger have it."""
        meters = known_meters(tally, settings)
        tree = tree_of(meters)
        drawers = Drawers.of(meters, tree)
        purse = Purse(settings, lambda: drawers, tally.energies)
        return cls(tally, settings, meters, tree, drawers, purse, ZoneInfo(settings.house.time_zone))

    @property
    def loads(self) -> list[str]:
        """Meters that are loads."""
        return [name for name, meter in self.meters.items() if meter.role in LOADS]


def report(scene: Scene, from_ms: int, to_ms: int, kept: Kept) -> Report:
    """The report of [from_ms, to_ms), which begins with a local day and lies within what the ledger has."""
    found = account(scene.tally, scene.purse, scene.drawers, (from_ms, to_ms), kept)
    begins = max(from_ms // MINUTE_MS, kept.begin)
    by_minute = to_ms - from_ms <= MINUTES_UP_TO_MS and begins >= kept.minutes_from_hour * 60
    active = {
        name: (meter.active_w, meter.standby_w) for name, meter in scene.meters.items() if meter.active_w is not None
    }
    totals, uses = scene.tally.sums_and_uses(active, by_minute=by_minute)
    total = _Rows(scene, found, totals, uses, by_minute=by_minute).house()
    _add_up(total, to_cents(Decimal(total.uwh) / UWH_PER_KWH), found.energy, MONTH_MS / (to_ms - from_ms))
    base = _base(scene, from_ms, to_ms, total.covered_ms or 0)
    return Report(scene.settings, found, total, base, by_minute, list(_notes(scene, found, total, totals)))


class _Rows:
    """Makes the rows of a tree from the sums of its meters."""

    def __init__(
        self, scene: Scene, of: Account, totals: Mapping[str, Sum], uses: Mapping[str, Use], *, by_minute: bool
    ) -> None:
        self._scene, self._account, self._totals, self._uses = scene, of, totals, uses
        self._by_minute = by_minute
        self._sources = scene.drawers.sources

    def house(self) -> Row:
        """The house, with all of its loads under it."""
        tree, own = self._scene.tree, self._account
        house = self._scene.settings.house
        total = Row("total", house.id, house.name or house.id, 0, "", own.flow.consumed, own.exact, own.unpriced_uwh)
        supplied = [self._totals[name].covered_ms for name in self._sources.supplies if name in self._totals]
        total.covered_ms = min(supplied) if len(supplied) == len(self._sources.supplies) else 0
        known = [self._totals[name] for name in self._sources.names if name in self._totals]
        total.estimated_uwh = sum(each.estimated_uwh for each in known)
        self._fill(total, list(self._nearest(tree.roots)), self._sources.signs, own.into_storage)
        for name in tree.aside:
            total.beside.append(self._row(name, 1, "", "part"))
        return total

    def _nearest(self, names: Sequence[str]) -> Iterator[str]:
        """Loads among these meters, or else within them."""
        for name in names:
            if self._scene.meters[name].role in LOADS:
                yield name
            else:
                yield from self._nearest(self._scene.tree.children[name])

    def _row(self, name: str, depth: int, parent: str, kind: Kind) -> Row:
        tree, meter, signs = self._scene.tree, self._scene.meters[name], self._taken(name)
        own = self._totals.get(name, Sum())
        taken = Net()
        for each, sign in signs.items():
            of = self._totals.get(each, Sum())
            taken = taken.plus(Net(of.net_uwh, of.money, of.unpriced_uwh), sign)
        row = Row(
            kind, name, name if meter.captured else meter.title, depth, parent,
            taken.uwh, _exact(taken.money), taken.unpriced_uwh, own.covered_ms, own.estimated_uwh,
            self._uses.get(name, Use(0.0, 0.0, 0)) if meter.active_w is not None else None,
        )  # fmt: skip
        row.beside = [self._row(part, depth + 1, name, "part") for part in tree.parts.get(name, ())]
        self._fill(row, list(self._nearest(tree.children[name])), signs, NOTHING)
        return row

    def _taken(self, name: str) -> dict[str, int]:
        """What a load took: its own net energy, what was made within it, less what was stored within it."""
        inside = {
            each: sign
            for each, sign in self._sources.signs.items()
            if each not in self._sources.supplies and name in self._scene.tree.ancestors(each)
        }
        return {name: 1, **inside}

    def _fill(self, row: Row, loads: Sequence[str], signs: Mapping[str, int], stored: Decimal) -> None:
        """Put loads under a row, and what they leave of it."""
        if not loads:
            return
        parent = row.name if row.kind != "total" else ""
        row.within = [self._row(name, row.depth + 1, parent, "load") for name in loads]
        left = dict(signs)
        for name in loads:
            for each, sign in self._taken(name).items():
                left[each] = left.get(each, 0) - sign
        left = {name: sign for name, sign in left.items() if sign}
        rest = self._scene.tally.left_over(left, by_minute=self._by_minute) if left else None
        depth = row.depth + 1
        if rest is not None:
            row.within.append(
                Row(
                    "remainder",
                    row.name,
                    LABELS["remainder"],
                    depth,
                    parent,
                    rest.uwh,
                    _exact(rest.money),
                    rest.unpriced_uwh,
                )
            )
        if stored:
            row.within.append(Row("storage", row.name, LABELS["storage"], depth, parent, 0, stored))
        silent = row.uwh - sum(each.uwh for each in row.within)
        exact = row.exact - sum((each.exact for each in row.within), NOTHING)
        unpriced = row.unpriced_uwh - sum(each.unpriced_uwh for each in row.within)
        if not silent and rest is not None:
            # what was bought beyond what the meters know of: somebody used it
            left_row = next(each for each in row.within if each.kind == "remainder")
            left_row.exact += exact
        if silent:
            row.within.append(Row("unheard", row.name, LABELS["unheard"], depth, parent, silent, exact, unpriced))


def _exact(money: float) -> Decimal:
    """A sum of the ledger's, without the noise of its last digits."""
    return Decimal(repr(round(money, 9)))


def _add_up(row: Row, kwh: Decimal, money: Decimal, months: float) -> None:
    """Round a row, and those under it so that they add up to it."""
    row.kwh, row.money, row.per_month = kwh, money, to_cents(row.exact * Decimal(repr(months)))
    _round_under(row, Decimal(repr(months)))


def _round_under(row: Row, months: Decimal) -> None:
    parts = row.within
    kwh = rounded([Decimal(each.uwh) / UWH_PER_KWH for each in parts], row.kwh)
    money = rounded([each.exact for each in parts], row.money)
    monthly = rounded([each.exact * months for each in parts], row.per_month)
    for each, *values in zip(parts, kwh, money, monthly, strict=True):
        each.kwh, each.money, each.per_month = values
        _round_under(each, months)
    for each in row.beside:
        each.kwh, each.money = to_cents(Decimal(each.uwh) / UWH_PER_KWH), to_cents(each.exact)
        each.per_month = to_cents(each.exact * months)
        _round_under(each, months)


def _base(scene: Scene, from_ms: int, to_ms: int, covered_ms: int) -> Base | None:
    """The base load of the whole nights."""
    first, last = local_date(from_ms, scene.zone), local_date(to_ms - 1, scene.zone)
    days = [first + timedelta(days=number) for number in range((last - first).days + 1)]
    spans = {day: range(*night_span(day, scene.zone)) for day in days}
    over = {day: hours for day, hours in spans.items() if hours.stop * HOUR_MS <= to_ms}
    rows = scene.tally.hours_of(scene.drawers.sources.names, chain.from_iterable(over.values()))
    found = (
        night_from(day, (row for hour in hours for row in rows.get(hour, ())), scene.tree)
        for day, hours in over.items()
    )
    nights = [night.house_w for night in found if night]
    if not nights:
        return None
    watts = median(nights)
    return Base(watts, len(nights), round(watts * covered_ms / 3.6))


def _notes(scene: Scene, found: Account, total: Row, totals: Mapping[str, Sum]) -> Iterator[str]:
    """What keeps the figures from saying all."""
    first = min((tariff.start for tariff in schedule_of(scene.settings).tariffs if tariff.start), default=None)
    always = any(tariff.start is None for tariff in schedule_of(scene.settings).tariffs)
    unknown = found.unpriced_uwh
    if unknown:
        before = first is not None and not always and local_date(found.from_ms, scene.zone) < first
        why = f": the first tariff is from {first}" if before else ""
        yield f"{unknown / UWH_PER_KWH:.2f} kWh have no known price and are in no amount{why}"
    if found.as_if_bought and found.flow.generated:
        yield "money is as if all energy was bought: with [[tariffs]] what the house made itself is told apart"
    silent = [name for name in scene.drawers.sources.names if name not in totals]
    if silent:
        yield f"nothing was heard of {', '.join(silent)}"
    if total.estimated_uwh:
        yield f"{total.estimated_uwh / UWH_PER_KWH:.2f} kWh are estimated: a counter's, spread over a gap"
    if any(row.kind == "remainder" and row.uwh < 0 for row in total.walk()):
        yield "a remainder is negative: the meters within show more than the one they are in"
