"""What a bill's energy comes to by the tariffs of the settings: a wrong tariff told apart from a wrong meter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Literal, NamedTuple

from wattround.money.amount import CENT, NOTHING, UWH_PER_KWH
from wattround.money.billing import Period
from wattround.money.invoice import Invoice, Used, invoice
from wattround.money.schedule import Schedule, Span

TariffVerdict = Literal["agrees", "invoice-more", "invoice-less", "cannot-tell"]


class Energy(NamedTuple):
    """What was bought and given back, in microwatt-hours: in each span as we metered it, and on the bill.

    `given_billed` None: the bill does not say. `uncovered` is the share of the time that was not metered; `bought_off`
    and `given_off` are how far the bill's own figures may be off.
    """

    bought: Sequence[int]
    given: Sequence[int]
    bought_billed: int
    given_billed: int | None
    uncovered: float
    bought_off: float
    given_off: float


class Money(NamedTuple):
    """The invoice by the settings for what was metered and for what was billed, and the one that came.

    None where there is none, or where nothing was metered. `allowed` is what rounding, and not knowing when the billed
    energy was used, may make between `billed` and `invoice`; `unpriced_uwh` of the billed energy has no known price.
    `ragged`: there are blocks, and the time is no whole billing period of the settings, by which they are counted.
    """

    metered: Invoice | None
    billed: Invoice
    invoice: Decimal | None
    allowed: Decimal
    unpriced_uwh: int
    ragged: bool

    @property
    def difference(self) -> Decimal | None:
        """The invoice less what the settings make of its energy."""
        return None if self.invoice is None else self.invoice - self.billed.total

    @property
    def verdict(self) -> TariffVerdict:
        """Whether the tariffs of the settings are those of the invoice."""
        if self.difference is None or self.unpriced_uwh:
            return "cannot-tell"
        if abs(self.difference) <= self.allowed:
            return "agrees"
        return "invoice-more" if self.difference > 0 else "invoice-less"


def priced(
    schedule: Schedule,
    spans: Sequence[Span],
    energy: Energy,
    came: Decimal | None,
    before: Mapping[Period, int],
) -> Money:
    """Price what was metered and what was billed over the whole of these spans; `before`: see `money.invoice`.

    When the billed energy was used nobody says: it is taken to be spread as what was metered, or evenly.
    """
    from_ms, to_ms = spans[0].from_ms, spans[-1].to_ms
    bought = spread(energy.bought_billed, energy.bought, spans)
    given = energy.given if energy.given_billed is None else spread(energy.given_billed, energy.given, spans)
    billed = invoice(schedule, from_ms, to_ms, map(Used, spans, bought, given), before)
    metered = None
    if energy.uncovered < 1:
        metered = invoice(schedule, from_ms, to_ms, map(Used, spans, energy.bought, energy.given), before)
    unpriced = billed.unknown_import_uwh + billed.unknown_export_uwh
    whole = spans[0].period.from_ms == from_ms and spans[-1].period.to_ms == to_ms
    ragged = not whole and any(span.rate.blocks for span in spans)
    return Money(metered, billed, came, _allowed(spans, energy, billed), unpriced, ragged)


def spread(total_uwh: int, like: Sequence[int], spans: Sequence[Span]) -> list[int]:
    """Energy spread over spans in proportion to another, or by their length where there is none; it adds up."""
    weights = like if sum(like) > 0 else [span.to_ms - span.from_ms for span in spans]
    whole, had, given = sum(weights), 0, 0
    found = []
    for weight in weights:
        had += weight
        found.append(total_uwh * had // whole - given)
        given += found[-1]
    return found


def _allowed(spans: Sequence[Span], energy: Energy, billed: Invoice) -> Decimal:
    """A cent for each line and one for the total; figures off by their rounding; energy of other hours than ours."""
    imports = [price for span in spans for price in _import_prices(span)]
    exports = [span.export.per_kwh for span in spans if span.export is not None and span.export.per_kwh is not None]
    given = sum(energy.given) if energy.given_billed is None else energy.given_billed
    lines = [line.kind for line in billed.lines]
    return (
        CENT * (len(lines) + 1)
        + _worth(imports, energy.bought_off) * lines.count("energy")
        + _worth(exports, energy.given_off)
        + _range(imports, energy.bought_billed * energy.uncovered)
        + _range(exports, given * energy.uncovered)
    )


def _import_prices(span: Span) -> list[Decimal]:
    if span.rate.blocks and span.tariff is not None:
        return [span.tariff.taxed(block.per_kwh) for block in span.rate.blocks]
    return [] if span.import_per_kwh is None else [span.import_per_kwh]


def _worth(prices: Sequence[Decimal], uwh: float) -> Decimal:
    """At the price that is furthest from nothing."""
    return max(map(abs, prices), default=NOTHING) * Decimal(round(uwh)) / UWH_PER_KWH


def _range(prices: Sequence[Decimal], uwh: float) -> Decimal:
    """What it makes to have used it at the dearest time in place of the cheapest."""
    return (max(prices) - min(prices)) * Decimal(round(uwh)) / UWH_PER_KWH if prices else NOTHING
