"""The two prices of a watt-hour, kept apart.

**share**: what of the bill it is responsible for: the bill for what was bought, split by who used how much.
**marginal**: what not using it would have saved at that minute: the import price (of the block that the house has
come to) for what was bought for it, the forgone export credit for what would have been given back instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from typing import NamedTuple

from wattround.money.amount import NOTHING, cost
from wattround.money.billing import Period
from wattround.money.price import Block, block_cost
from wattround.money.schedule import Schedule, Span, Tariff


class Exchange(NamedTuple):
    """What the house bought, gave back, and made itself in some time, in microwatt-hours."""

    in_uwh: int
    out_uwh: int
    made_uwh: int = 0


class Slot(NamedTuple):
    """Energy that somebody could have done without, in some short time; None: what the house exchanged is not known."""

    from_ms: int
    to_ms: int
    uwh: int
    exchange: Exchange | None = None


class Worth(NamedTuple):
    """Money, tax included, and the energy that has none because its price cannot be told."""

    amount: Decimal
    unknown_uwh: int

    def plus(self, other: Worth) -> Worth:
        """Both together."""
        return Worth(self.amount + other.amount, self.unknown_uwh + other.unknown_uwh)


WORTHLESS = Worth(NOTHING, 0)
Bought = Callable[[int, int], int]
"""Microwatt-hours that the house bought in a stretch of time."""


def bought_part(slot: Slot) -> int:
    """How much of a slot's energy was bought for it; the rest would have been given back instead.

    A house that buys and gives back within the same minute bought the same part of it as of the minute's exchange.
    Without generation, or where the exchange is not known, all was bought.
    """
    exchange = slot.exchange
    if exchange is None or exchange.out_uwh == exchange.made_uwh == 0:
        return slot.uwh
    both = exchange.in_uwh + exchange.out_uwh
    return min(slot.uwh * exchange.in_uwh // both, exchange.in_uwh) if both else 0


def share(uwh: int, used_uwh: int, bought_uwh: int, per_kwh: Decimal) -> Decimal:
    """A load's share of what was paid for `bought_uwh`, when all loads used `used_uwh`, of which it used `uwh`."""
    return cost(per_kwh, bought_uwh) * uwh / used_uwh if used_uwh else NOTHING


def average_price(blocks: tuple[Block, ...], bought_uwh: int) -> Decimal:
    """What a kilowatt-hour of a billing period's energy costs on average: in its share nobody is first in line."""
    if bought_uwh <= 0:
        return blocks[0].per_kwh
    return block_cost(blocks, 0, bought_uwh) * 1_000_000_000 / bought_uwh


# -- marginal ---------------------------------------------------------------------------------------


def marginal(schedule: Schedule, slots: Iterable[Slot], now_ms: int, bought: Bought) -> Worth:
    """What not using the energy of these slots, in order of time, would have saved in all.

    With blocks that is the difference between two bills: of what the house has bought in the billing period up to
    its end or `now_ms`, and of so much less.
    """
    amount, unknown = NOTHING, 0
    saved: dict[tuple[int, Period], tuple[Tariff, tuple[Block, ...], int]] = {}
    for slot, span in _pieces(schedule, slots):
        from_grid = bought_part(slot) if span.export is not None else slot.uwh
        given = slot.uwh - from_grid
        if span.tariff is None:
            unknown += slot.uwh
            continue
        if span.rate.blocks:
            key = (id(span.tariff), span.period)
            so_far = saved[key][2] if key in saved else 0
            saved[key] = (span.tariff, span.rate.blocks, so_far + from_grid)
        elif span.import_per_kwh is None:
            unknown += from_grid
        else:
            amount += cost(span.import_per_kwh, from_grid)
        credit = span.export.per_kwh if span.export is not None else None
        if credit is None:
            unknown += given
        else:
            amount += cost(credit, given)
    for (_, period), (tariff, blocks, uwh) in saved.items():
        total = max(uwh, bought(period.from_ms, min(period.to_ms, now_ms)))
        amount += tariff.taxed(block_cost(blocks, total - uwh, uwh))
    return Worth(amount, unknown)


def spread(slots: Iterable[Slot], total_uwh: int, from_ms: int, to_ms: int) -> list[Slot]:
    """Slots with the same pattern that add up to `total_uwh`; without any energy among them, spread evenly."""
    found = [slot for slot in slots if slot.uwh > 0]
    whole = sum(slot.uwh for slot in found)
    if not whole:
        return [Slot(from_ms, max(to_ms, from_ms + 1), total_uwh)]
    spread_out, had, given = [], 0, 0
    for slot in found:
        had += slot.uwh
        part = total_uwh * had // whole - given
        given += part
        spread_out.append(slot._replace(uwh=part, exchange=_scaled(slot.exchange, part, slot.uwh)))
    return spread_out


def running_cost(schedule: Schedule, watts: Decimal, from_ms: int, to_ms: int, bought: Bought) -> Worth:
    """What a steady draw comes to, if all of it is bought."""
    uwh = int(watts * (to_ms - from_ms) * 10 / 36)
    amount, unknown = NOTHING, 0
    in_blocks: dict[Period, int] = {}
    for slot, span in _pieces(schedule, [Slot(from_ms, to_ms, uwh)]):
        if span.rate.blocks and span.tariff is not None:
            if span.period not in in_blocks:
                in_blocks[span.period] = bought(span.period.from_ms, max(span.period.from_ms, from_ms))
            amount += span.tariff.taxed(block_cost(span.rate.blocks, in_blocks[span.period], slot.uwh))
            in_blocks[span.period] += slot.uwh
        elif span.import_per_kwh is None:
            unknown += slot.uwh
        else:
            amount += cost(span.import_per_kwh, slot.uwh)
    return Worth(amount, unknown)


def _pieces(schedule: Schedule, slots: Iterable[Slot]) -> Iterator[tuple[Slot, Span]]:
    """Slots cut where prices change, their energy split by time: each piece with its prices."""
    held = list(slots)
    if not held:
        return
    spans = schedule.spans(held[0].from_ms, max(slot.to_ms for slot in held))
    span = next(spans)
    for slot in held:
        while span.to_ms <= slot.from_ms:
            span = next(spans)
        rest = slot
        while rest.to_ms > span.to_ms:
            first, rest = _halves(rest, span.to_ms)
            yield first, span
            span = next(spans)
        yield rest, span


def _halves(slot: Slot, at_ms: int) -> tuple[Slot, Slot]:
    """A slot cut in two, all that it holds split by time."""
    into, of = at_ms - slot.from_ms, slot.to_ms - slot.from_ms
    part = slot.uwh * into // of
    return (
        Slot(slot.from_ms, at_ms, part, _scaled(slot.exchange, into, of)),
        Slot(at_ms, slot.to_ms, slot.uwh - part, _scaled(slot.exchange, of - into, of)),
    )


def _scaled(exchange: Exchange | None, part: int, of: int) -> Exchange | None:
    return None if exchange is None else Exchange(*(value * part // of for value in exchange))
