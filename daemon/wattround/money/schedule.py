"""What is paid and earned, and when: tariffs one after the other, over billing periods."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date
from wattround.money.amount import NOTHING
from wattround.money.billing import Billing, Period
from wattround.money.price import Dynamic, Flat, Piece, Pricing, Rate, Series, Source, pieces_of

NO_PRICE = Rate("", None)


@dataclass(frozen=True, slots=True)
class Tariff:
    """What is paid from a local day on (None: always). Prices and standing charges are without its tax.

    `export` None: what is given back to the grid is not looked at, every watt-hour counts as bought. A tariff that
    pays nothing for it has a flat export price of 0. Credit for it is not taxed.
    """

    name: str
    start: date | None
    energy: Pricing
    export: Pricing | None = None
    standing_per_day: Decimal = NOTHING
    standing_per_month: Decimal = NOTHING
    tax_percent: Decimal = NOTHING

    def taxed(self, amount: Decimal) -> Decimal:
        """An amount with tax."""
        return amount * (100 + self.tax_percent) / 100


class Span(NamedTuple):
    """A stretch of time in which nothing about prices changes: within one tariff (None: before the first), one period.

    `rate` is what a kilowatt-hour bought costs, without tax; `export` what one given back earns (None: not looked at).
    """

    from_ms: int
    to_ms: int
    rate: Rate
    export: Rate | None
    tariff: Tariff | None
    period: Period

    @property
    def import_per_kwh(self) -> Decimal | None:
        """What a kilowatt-hour bought costs, tax included; None where it cannot be told, or depends on blocks."""
        per_kwh = self.rate.per_kwh
        return None if per_kwh is None or self.tariff is None else self.tariff.taxed(per_kwh)


@dataclass(frozen=True)
class Schedule:
    """Tariffs in order of their first days."""

    tariffs: tuple[Tariff, ...]
    zone: ZoneInfo
    currency: str
    billing: Billing = field(default_factory=Billing)

    # -- time -------------------------------------------------------------------------------------

    def period_of(self, at_ms: int) -> Period:
        """The billing period that holds an instant."""
        return self.billing.period(local_date(at_ms, self.zone), self.zone)

    def periods(self, from_ms: int, to_ms: int) -> list[Period]:
        """Every billing period that has a part of [from_ms, to_ms), in order."""
        return list(self.billing.periods(from_ms, to_ms, self.zone))

    def tariff_on(self, day: date) -> Tariff | None:
        """The tariff of a local day; None before the first one's."""
        found = None
        for tariff in self.tariffs:
            if tariff.start is None or tariff.start <= day:
                found = tariff
        return found

    def stretches(self, from_ms: int, to_ms: int) -> Iterator[tuple[int, int, Tariff | None]]:
        """[from_ms, to_ms) by tariff, in order."""
        begins = [
            (instant_ms(tariff.start, 0, self.zone) if tariff.start else from_ms, tariff) for tariff in self.tariffs
        ]
        cuts = sorted({from_ms, to_ms, *(begin for begin, _ in begins if from_ms < begin < to_ms)})
        for begin, end in pairwise(cuts):
            held = [tariff for start, tariff in begins if start <= begin]
            yield begin, end, held[-1] if held else None

    # -- prices -----------------------------------------------------------------------------------

    def spans(self, from_ms: int, to_ms: int) -> Iterator[Span]:
        """[from_ms, to_ms) in stretches in which no price changes: in order, without gaps or overlaps."""
        for period in self.billing.periods(from_ms, to_ms, self.zone):
            begin, end = max(from_ms, period.from_ms), min(to_ms, period.to_ms)
            for first, last, tariff in self.stretches(begin, end):
                for piece, export in self._both(tariff, first, last):
                    yield Span(piece.from_ms, piece.to_ms, piece.rate, export, tariff, period)

    def _both(self, tariff: Tariff | None, from_ms: int, to_ms: int) -> Iterator[tuple[Piece, Rate | None]]:
        """Pieces of the import price, cut where the export price changes."""
        if tariff is None:
            yield Piece(from_ms, to_ms, NO_PRICE), NO_PRICE
            return
        bought = pieces_of(tariff.energy, from_ms, to_ms, self.zone)
        if tariff.export is None:
            for piece in bought:
                yield piece, None
            return
        given = pieces_of(tariff.export, from_ms, to_ms, self.zone)
        export = next(given)
        for piece in bought:
            begin = piece.from_ms
            while begin < piece.to_ms:
                end = min(piece.to_ms, export.to_ms)
                yield Piece(begin, end, piece.rate), export.rate
                begin = end
                if begin == export.to_ms and begin < to_ms:
                    export = next(given)

    def span_at(self, at_ms: int) -> Span:
        """The prices at an instant, as a span of one millisecond."""
        return next(self.spans(at_ms, at_ms + 1))

    def import_at(self, at_ms: int) -> Rate:
        """What a kilowatt-hour bought at an instant costs, without tax."""
        return self.span_at(at_ms).rate

    def export_at(self, at_ms: int) -> Rate | None:
        """What a kilowatt-hour given back at an instant earns; None where that is not looked at."""
        return self.span_at(at_ms).export

    @property
    def one_price(self) -> Decimal | None:
        """The price of every kilowatt-hour at all times, tax included, where there is such a one."""
        if len(self.tariffs) != 1:
            return None
        (tariff,) = self.tariffs
        if tariff.start is not None or tariff.export is not None or not isinstance(tariff.energy, Flat):
            return None
        return tariff.taxed(tariff.energy.per_kwh)

    # -- prices that change by themselves -----------------------------------------------------------

    @property
    def sources(self) -> frozenset[Source]:
        """Where prices come from that change by themselves."""
        kinds = (pricing for tariff in self.tariffs for pricing in (tariff.energy, tariff.export))
        return frozenset(pricing.source for pricing in kinds if isinstance(pricing, Dynamic))

    def with_series(self, series: Mapping[Source, Series]) -> Schedule:
        """The same with prices of these sources known."""

        def known(pricing: Pricing | None) -> Pricing | None:
            if isinstance(pricing, Dynamic) and pricing.source in series:
                return replace(pricing, series=series[pricing.source])
            return pricing

        tariffs = tuple(
            replace(tariff, energy=known(tariff.energy) or tariff.energy, export=known(tariff.export))
            for tariff in self.tariffs
        )
        return replace(self, tariffs=tariffs)
