"""What a watt-hour is worth at the margin, hour by hour: for a list over all loads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from wattround.analysis.whatif.home import HOUR_MS, Home
from wattround.analysis.whatif.load import Stretch
from wattround.analysis.whatif.rebill import dearest
from wattround.ledger.past import HourTotal
from wattround.metering.minute import MINUTE_MS
from wattround.money.billing import Period
from wattround.money.schedule import Schedule, Span, Tariff

UWH_PER_KWH = 1_000_000_000
Prices = tuple[Decimal | None, Decimal | None]
"""What a kilowatt-hour costs, tax included, and what one given back earns; None: cannot be told."""


def hour_prices(home: Home, schedule: Schedule, hours: range, until_ms: int) -> list[float | None]:
    """The marginal price of a microwatt-hour in each hour; None where it cannot be told.

    With blocks, the price of the one that the billing period has come to. Where the house gave back, its credit for
    the part of the hour's exchange that was given.
    """
    totals = home.slices.totals(home.drawers.sources.names, hours.start, hours.stop) if home.drawers.supplied else {}
    edges = _Edges(home, until_ms)
    sums: list[float | None] = [0.0] * len(hours)
    for span in schedule.spans(hours.start * HOUR_MS, hours.stop * HOUR_MS):
        per_kwh = edges.price(span.tariff, span) if span.rate.blocks else span.import_per_kwh
        credit = span.export.per_kwh if span.export is not None else per_kwh
        for hour in range(span.from_ms // HOUR_MS, -(-span.to_ms // HOUR_MS)):
            part = (min(span.to_ms, hour * HOUR_MS + HOUR_MS) - max(span.from_ms, hour * HOUR_MS)) / HOUR_MS
            at = hour - hours.start
            price = _mixed(per_kwh, credit, _bought_share(home, totals.get(hour, {})) if span.export else 1.0)
            before = sums[at]
            sums[at] = None if price is None or before is None else before + price * part
    return sums


def _mixed(per_kwh: Decimal | None, credit: Decimal | None, bought: float) -> float | None:
    """Of so much bought and the rest given back."""
    parts = [(price, share) for price, share in ((per_kwh, bought), (credit, 1 - bought)) if share]
    if any(price is None for price, _ in parts):
        return None
    return sum(float(price or 0) * share for price, share in parts) / UWH_PER_KWH


def _bought_share(home: Home, found: Mapping[str, HourTotal]) -> float:
    """Of energy that was not used, how much would not have been bought: as of the hour's exchange."""
    sources = home.drawers.sources
    if not set(sources.supplies) <= found.keys():
        return 1.0
    into, out = (sum(found[name][at] or 0 for name in sources.supplies) for at in (0, 1))
    made = sum(found[name].in_uwh for name in sources.generators if name in found)
    made += sum(found[name].out_uwh for name in sources.storages if name in found)
    if out == made == 0:
        return 1.0
    return into / (into + out) if into + out else 0.0


class _Edges:
    """Prices of the blocks that billing periods have come to."""

    def __init__(self, home: Home, until_ms: int) -> None:
        self._home, self._until_ms = home, until_ms
        self._known: dict[tuple[int, Period], Decimal] = {}

    def price(self, tariff: Tariff | None, span: Span) -> Decimal | None:
        """What a kilowatt-hour less would save, tax included."""
        if tariff is None:
            return None
        key = (id(tariff), span.period)
        if key not in self._known:
            bought = self._home.bought(span.period.from_ms, min(span.period.to_ms, self._until_ms))
            self._known[key] = tariff.taxed(dearest(span.rate.blocks, bought))
        return self._known[key]


def targets(schedule: Schedule, stretches: Sequence[Stretch], hours: range) -> list[float | None]:
    """What a microwatt-hour costs in the next of these stretches that begins after each hour has, as if bought."""
    found: list[float | None] = [None] * len(hours)
    at, price = -1, None
    for hour in hours:
        begun = at
        while begun < 0 or (begun < len(stretches) and stretches[begun][0] <= hour * 60):
            begun += 1
        if begun != at:
            at, price = begun, _price_of(schedule, stretches[begun][0]) if begun < len(stretches) else None
        found[hour - hours.start] = price
    return found


def _price_of(schedule: Schedule, minute: int) -> float | None:
    per_kwh = schedule.span_at(minute * MINUTE_MS).import_per_kwh
    return None if per_kwh is None else float(per_kwh) / UWH_PER_KWH
