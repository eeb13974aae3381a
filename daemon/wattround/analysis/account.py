"""What a stretch of time came to: its pieces of one price, what the house bought in each, and the bill."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from itertools import groupby, pairwise
from zoneinfo import ZoneInfo

from wattround.core.purse import Drawers, Purse
from wattround.ledger.tally import Flow, Kept, Piece, Tally
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import NOTHING, to_cents
from wattround.money.billing import Period
from wattround.money.invoice import Charge, Invoice, Used, charges, invoice
from wattround.money.schedule import Schedule, Span, Tariff

UWH_PER_KWH = 1_000_000_000
HOUR_MS, QUARTER_MS = 3_600_000, 900_000
MINUTES_UP_TO_MS = 62 * 24 * HOUR_MS + HOUR_MS
"""Longer times are looked at by the hour."""
NO_FLOW = Flow(0, 0, 0, 0, 0, 0)
Key = tuple[bool, int]
"""What a piece is known by."""


@dataclass(frozen=True, slots=True)
class Account:
    """Sums of the house over [from_ms, to_ms), in microwatt-hours, and its bill.

    `energy` is what loads share: energy bought, with its tax, `exact` before rounding; with `standing` (and its tax)
    and `credit` (negative) it makes the bill's total. `into_storage`: of that, what was bought to be stored.
    `as_if_bought`: there are prices for which it does not matter what the house made itself. `unpriced_uwh` was used
    without a known price.
    """

    from_ms: int
    to_ms: int
    flow: Flow
    bill: Invoice
    energy: Decimal
    exact: Decimal
    standing: Decimal
    credit: Decimal
    as_if_bought: bool
    into_storage: Decimal
    unpriced_uwh: int

    @property
    def total(self) -> Decimal:
        """The bill."""
        return self.energy + self.standing + self.credit


def cut(spans: Iterable[tuple[int, int, int]], kept: Kept) -> Iterator[Piece]:
    """Spans (number, from_ms, to_ms) in whole hours that are totalled, and their ends by minutes; in order.

    A change of price counts from the next whole minute on; of an hour that has no minutes any more, from the next hour.
    """
    pruned = kept.minutes_from_hour * 60
    for number, *edges in spans:
        begin, end = (-(-edge // MINUTE_MS) for edge in edges)
        begin, end = (-(-edge // 60) * 60 if edge < pruned else edge for edge in (begin, end))
        first, last = -(-begin // 60), min(end // 60, kept.newest_hour + 1)
        if first >= last:
            first = last = end // 60 + 1
        if begin < min(first * 60, end):
            yield Piece(begin, min(first * 60, end), None, number)
        yield from (Piece(hour * 60, hour * 60 + 60, hour, number) for hour in range(first, last))
        if last * 60 < end:
            yield Piece(last * 60, end, None, number)


def parted(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """Pieces, those that reach from one hour into the next made several."""
    for piece in pieces:
        edges = range((piece.begin // 60 + 1) * 60, piece.end, 60)
        for begin, end in pairwise([piece.begin, *edges, piece.end]):
            yield piece._replace(begin=begin, end=end)


def one_price_an_hour(
    pieces: Iterable[Piece], prices: Mapping[Key, float | None], flows: Mapping[Key, Flow], kept: Kept
) -> tuple[list[Piece], dict[Key, float | None]]:
    """Pieces and prices of a long time, in which an hour whose price changes within is one piece.

    What was bought in it is shared by what was used in it, so that its minutes need not be looked at: a price every
    quarter of an hour would make a report of a year one of half a million minutes. An hour of which not all prices are
    known stays in its pieces.
    """
    joined, priced = [], dict(prices)
    for hour, found in groupby(pieces, key=lambda piece: piece.begin // 60):
        parts = list(found)
        known = [(prices[part.key], flows.get(part.key, NO_FLOW).consumed, part.end - part.begin) for part in parts]
        whole = (parts[0].begin, parts[-1].end) == (hour * 60, hour * 60 + 60) and hour <= kept.newest_hour
        if len(parts) == 1 or not whole or any(price is None for price, _, _ in known):
            joined += parts
            continue
        weights = [max(0, used) for _, used, _ in known]
        if not any(weights):
            weights = [minutes for _, _, minutes in known]
        piece = parts[0]._replace(end=hour * 60 + 60, hour=hour)
        joined.append(piece)
        paid = sum(price * weight for (price, _, _), weight in zip(known, weights, strict=True) if price is not None)
        priced[piece.key] = paid / sum(weights)
    return joined, priced


def by_clock(pieces: Iterable[Piece], zone: ZoneInfo) -> Iterator[Piece]:
    """Pieces by the local weekday (0 is Monday) and hour in which they begin, as a kind: weekday * 24 + hour."""
    for piece in pieces:
        begun = datetime.fromtimestamp(piece.begin * 60, UTC).astimezone(zone)
        yield piece._replace(kind=begun.weekday() * 24 + begun.hour)


def quarters(spans: Iterable[tuple[int, int, int]]) -> Iterator[tuple[int, int, int]]:
    """Spans cut at every quarter of an hour: where the local clock is not whole hours from UTC."""
    for number, from_ms, to_ms in spans:
        edges = range(from_ms // QUARTER_MS * QUARTER_MS + QUARTER_MS, to_ms, QUARTER_MS)
        yield from ((number, begin, end) for begin, end in pairwise([from_ms, *edges, to_ms]))


def account(
    tally: Tally, purse: Purse, drawers: Drawers, span_ms: tuple[int, int], kept: Kept, clock: ZoneInfo | None = None
) -> Account:
    """Price every piece of [from_ms, to_ms) in the tally, and draw up the bill. `clock`: kinds go by the local time."""
    from_ms, to_ms = span_ms
    sources, schedule = drawers.sources, purse.schedule(from_ms, to_ms)
    spans = list(schedule.spans(from_ms, to_ms))
    stretches: Iterable[tuple[int, int, int]] = ((at, span.from_ms, span.to_ms) for at, span in enumerate(spans))
    by_hour = to_ms - from_ms > MINUTES_UP_TO_MS
    if clock is not None and not by_hour and _offset_ms(from_ms, clock) % HOUR_MS:
        stretches = quarters(stretches)
    found = parted(cut(stretches, kept)) if by_hour else cut(stretches, kept)
    pieces = list(found if clock is None else by_clock(found, clock))
    tally.look_at(pieces)
    flows = tally.flows((sources.supplies, sources.generators, sources.storages))
    uses = list(_uses(spans, pieces, flows))
    before = bought_before(tally, schedule, sources.supplies, spans)
    priced = list(charges(uses, before))
    rates = list(_rates(priced))
    prices = dict(_prices(pieces, flows, spans, rates, len(sources.supplies)))
    if by_hour and any(piece.hour is None for piece in pieces):
        joined, prices = one_price_an_hour(pieces, prices, flows, kept)
        tally.look_at(joined)
    tally.price(prices)
    bill = invoice(schedule, from_ms, to_ms, uses, before)
    exact = sum((_taxed(each) for each in priced), NOTHING)
    standing, credit = _standing(schedule, bill), bill.of_kind("export")
    stored = NOTHING
    for piece in pieces if sources.storages else ():
        flow, rate = flows.get(piece.key), rates[piece.span]
        if flow is not None and rate is not None and spans[piece.span].export is not None:
            stored += Decimal(repr(rate)) * max(0, flow.supply_in - max(0, flow.consumed))
    return Account(
        from_ms, to_ms, Flow(*map(sum, zip(NO_FLOW, *flows.values(), strict=True))),
        bill, bill.total - standing - credit, exact, standing, credit,
        any(span.export is None for span in spans), stored,
        sum(flows[piece.key].consumed for piece in pieces if rates[piece.span] is None and piece.key in flows),
    )  # fmt: skip


def _uses(spans: Sequence[Span], pieces: Iterable[Piece], flows: Mapping[Key, Flow]) -> Iterator[Used]:
    bought, given = [0] * len(spans), [0] * len(spans)
    for piece in pieces:
        flow = flows.get(piece.key)
        if flow is not None:
            # where what is given back is not looked at, every watt-hour counts as bought
            free = spans[piece.span].export is None
            bought[piece.span] += flow.consumed if free else flow.supply_in
            given[piece.span] += 0 if free else flow.supply_out
    return (Used(span, max(0, into), out) for span, into, out in zip(spans, bought, given, strict=True))


def bought_before(
    tally: Tally, schedule: Schedule, supplies: Sequence[str], spans: Sequence[Span]
) -> dict[Period, int]:
    """What was bought in the billing period before the first of these spans: it decides the block."""
    from_ms = spans[0].from_ms
    period = schedule.period_of(from_ms)
    if period.from_ms >= from_ms or not any(span.rate.blocks for span in spans):
        return {}
    sums = tally.sums(period.from_ms // MINUTE_MS, from_ms // MINUTE_MS)
    return {period: sum(sums[name].in_uwh for name in supplies if name in sums)}


def _taxed(charge: Charge) -> Decimal:
    tariff = charge.used.span.tariff
    return NOTHING if charge.amount is None or tariff is None else tariff.taxed(charge.amount)


def _rates(priced: Sequence[Charge]) -> Iterator[float | None]:
    """What a microwatt-hour bought costs in each span, with tax. With blocks nobody is first in line: the average."""
    blocks: dict[tuple[int, Period], tuple[Decimal, int]] = {}
    for each in priced:
        span = each.used.span
        if span.rate.blocks:
            amount, uwh = blocks.get((id(span.tariff), span.period), (NOTHING, 0))
            blocks[id(span.tariff), span.period] = (amount + _taxed(each), uwh + each.used.import_uwh)
    for each in priced:
        span = each.used.span
        if span.tariff is not None and span.rate.blocks:
            amount, uwh = blocks[id(span.tariff), span.period]
            yield float(amount / uwh) if uwh else float(span.tariff.taxed(span.rate.blocks[0].per_kwh) / UWH_PER_KWH)
        else:
            yield None if span.import_per_kwh is None else float(span.import_per_kwh / UWH_PER_KWH)


def _prices(
    pieces: Iterable[Piece],
    flows: Mapping[Key, Flow],
    spans: Sequence[Span],
    rates: Sequence[float | None],
    supplies: int,
) -> Iterator[tuple[Key, float | None]]:
    """What a microwatt-hour used costs in each piece: its share of what was bought then, never more than its price."""
    for piece in pieces:
        rate, flow = rates[piece.span], flows.get(piece.key)
        part = 1.0
        # where a supply was not heard, all counts as bought
        if (
            flow is not None
            and spans[piece.span].export is not None
            and flow.supplies == supplies
            and flow.consumed > 0
        ):
            part = min(1.0, flow.supply_in / flow.consumed)
        yield piece.key, None if rate is None else rate * part


def _offset_ms(at_ms: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds()) * 1000


def _standing(schedule: Schedule, bill: Invoice) -> Decimal:
    """Standing charges with their tax: what would be to pay if nothing had been used."""
    tax: dict[str, Tariff] = {tariff.name: tariff for tariff in schedule.tariffs}
    sums: dict[str, Decimal] = {}
    for line in bill.lines:
        if line.kind == "standing":
            sums[line.tariff] = sums.get(line.tariff, NOTHING) + line.amount
    return sum((to_cents(tax[name].taxed(amount)) for name, amount in sums.items()), to_cents(NOTHING))
