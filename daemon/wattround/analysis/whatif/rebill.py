"""What the bill would have been with other minutes: the house's exchange is worked out again wherever it changes.

At the margin each watt-hour that is not used saves its price at that minute. That is wrong once a change is so large
that it crosses a limit: what is not bought cannot be more than what was bought, and the rest is given back; a block
of a tariff ends. So the changed minutes are billed again, and what the marginal prices alone would say stands beside.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import groupby
from typing import NamedTuple

from wattround.analysis.whatif.change import Effect
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import NOTHING, cost
from wattround.money.billing import Period
from wattround.money.price import Block, block_cost, in_blocks
from wattround.money.schedule import Schedule, Span, Tariff
from wattround.money.twoprices import Bought, Exchange

Exchanges = Callable[[int, int], Mapping[int, Exchange]]
"""What the house bought, gave back and made in each minute of [from, to) in which it did more than buy."""
NO_EXCHANGES: Mapping[int, Exchange] = {}


class Saved(NamedTuple):
    """Of a local day: energy, money by the new bill and by marginal prices alone, and energy without a known price."""

    uwh: int = 0
    amount: Decimal = NOTHING
    marginal: Decimal = NOTHING
    unpriced_uwh: int = 0


class Split(NamedTuple):
    """What is not bought and not given back any more (negative: more than before); `at_margin`: bought, uncapped."""

    bought: int
    given: int
    at_margin: int


def split(net_uwh: int, exchange: Exchange | None) -> Split:
    """How a change of a minute's use changes what the house bought and gave back in it.

    A house that does both within the minute does less, or more, of each in proportion; as `twoprices.bought_part`.
    """
    if exchange is None or exchange.out_uwh == exchange.made_uwh == 0:
        return Split(net_uwh, 0, net_uwh)
    both = exchange.in_uwh + exchange.out_uwh
    if net_uwh >= 0:
        at_margin = net_uwh * exchange.in_uwh // both if both else 0
        bought = min(at_margin, exchange.in_uwh)
        return Split(bought, net_uwh - bought, at_margin)
    kept = -net_uwh * exchange.out_uwh // both if both else 0
    from_out = min(kept, exchange.out_uwh)
    return Split(net_uwh + from_out, -from_out, net_uwh + kept)


@dataclass(slots=True)
class _Day:
    """What has come together of one day; `in_blocks`: energy bought by the tariff and period whose blocks price it."""

    uwh: int = 0
    amount: Decimal = NOTHING
    marginal: Decimal = NOTHING
    unpriced_uwh: int = 0
    in_blocks: dict[Period, Split] = field(default_factory=dict)


def rebilled(
    effects: Sequence[Effect], begin: int, days: Sequence[tuple[int, int]], schedule: Schedule,
    exchanges: Exchanges | None, bought: Bought, until_ms: int,
) -> list[list[Saved]]:  # fmt: skip
    """What each of these effects on the minutes from `begin` on saves, by day (from_ms, to_ms), in order, without gaps.

    `bought`: what the house bought, for prices by blocks: of billing periods as far as `until_ms`.
    """
    bills = [_Bill([_Day() for _ in days]) for _ in effects]
    for at, span, first, last in _pieces(days, schedule):
        places = slice(first - begin, last - begin)
        changed = [
            (bill, effect)
            for bill, effect in zip(bills, effects, strict=True)
            if any(effect.less[places]) or any(effect.more[places])
        ]
        if changed:
            known = NO_EXCHANGES if span.export is None or exchanges is None else exchanges(first, last)
            for bill, effect in changed:
                bill.take(at, span, _changed(effect.less[places], effect.more[places], known, first))
    return [bill.closed(schedule, until_ms, bought) for bill in bills]


@dataclass(slots=True)
class _Bill:
    """What one effect comes to; `in_blocks`: what is bought less in each span of a period that has blocks."""

    days: list[_Day]
    in_blocks: dict[Period, dict[int, int]] = field(default_factory=dict)

    def take(self, at: int, span: Span, whole: Split) -> None:
        """A piece of a day."""
        day = self.days[at]
        day.uwh += whole.bought + whole.given
        if span.rate.blocks and span.tariff is not None:
            before = day.in_blocks.get(span.period, Split(0, 0, 0))
            day.in_blocks[span.period] = Split(*(mine + more for mine, more in zip(before, whole, strict=True)))
            taken = self.in_blocks.setdefault(span.period, {})
            taken[span.from_ms] = taken.get(span.from_ms, 0) + whole.bought
        elif span.import_per_kwh is None:
            day.unpriced_uwh += abs(whole.bought)
        else:
            day.amount += cost(span.import_per_kwh, whole.bought)
            day.marginal += cost(span.import_per_kwh, whole.at_margin)
        credit = span.export.per_kwh if span.export is not None else None
        if credit is None:
            day.unpriced_uwh += abs(whole.given)
        else:
            day.amount += cost(credit, whole.given)
            day.marginal += cost(credit, whole.bought + whole.given - whole.at_margin)

    def closed(self, schedule: Schedule, until_ms: int, bought: Bought) -> list[Saved]:
        """The days, with what blocks come to."""
        for period, taken in self.in_blocks.items():
            _price_blocks(self.days, period, _stretches(schedule, period, until_ms, taken, bought))
        return [Saved(day.uwh, day.amount, day.marginal, day.unpriced_uwh) for day in self.days]


def _pieces(days: Sequence[tuple[int, int]], schedule: Schedule) -> Iterator[tuple[int, Span, int, int]]:
    """Spans of one price cut at the ends of days: the day, the span, whole minutes [first, last).

    A change of price within a minute counts from the next one.
    """
    if not days:
        return
    at = 0
    for span in schedule.spans(days[0][0], days[-1][1]):
        while at < len(days) and days[at][0] < span.to_ms:
            begin, end = max(span.from_ms, days[at][0]), min(span.to_ms, days[at][1])
            first, last = -(-begin // MINUTE_MS), -(-end // MINUTE_MS)
            if first < last:
                yield at, span, first, last
            if days[at][1] > span.to_ms:
                break
            at += 1


def _changed(less: Sequence[int], more: Sequence[int], known: Mapping[int, Exchange], first: int) -> Split:
    """What minutes from `first` on come to in all."""
    if not known:
        net = sum(less) - sum(more)
        return Split(net, 0, net)
    bought = given = at_margin = 0
    for minute, (fewer, further) in enumerate(zip(less, more, strict=True), first):
        if fewer or further:
            part = split(fewer - further, known.get(minute))
            bought, given, at_margin = bought + part.bought, given + part.given, at_margin + part.at_margin
    return Split(bought, given, at_margin)


# -- blocks ---------------------------------------------------------------------------------------


class _Stretch(NamedTuple):
    """A part of a billing period within one tariff: what was bought, and what of it would not have been."""

    tariff: Tariff | None
    blocks: tuple[Block, ...]
    bought_uwh: int
    saved_uwh: int


def _stretches(
    schedule: Schedule, period: Period, until_ms: int, taken: Mapping[int, int], bought: Bought
) -> Iterator[_Stretch]:
    """All of a billing period so far, in order: which block is reached depends on all that was bought in it."""
    spans = schedule.spans(period.from_ms, min(period.to_ms, until_ms))
    for _, some in groupby(spans, key=lambda span: (id(span.tariff), span.rate.blocks)):
        held = list(some)
        from_ms, to_ms = held[0].from_ms, held[-1].to_ms
        saved = sum(uwh for begin, uwh in taken.items() if from_ms <= begin < to_ms)
        yield _Stretch(held[0].tariff, held[0].rate.blocks, max(saved, bought(from_ms, to_ms)), saved)


def _price_blocks(days: Sequence[_Day], period: Period, stretches: Iterator[_Stretch]) -> None:
    """The difference of two bills, shared out to the days by what each saved, or cost."""
    had = would_have_had = 0
    saved, last = NOTHING, NOTHING
    for each in stretches:
        left = each.bought_uwh - each.saved_uwh
        if each.blocks and each.tariff is not None:
            was, would = block_cost(each.blocks, had, each.bought_uwh), block_cost(each.blocks, would_have_had, left)
            saved += each.tariff.taxed(was - would)
            last = each.tariff.taxed(dearest(each.blocks, had + each.bought_uwh))
        had, would_have_had = had + each.bought_uwh, would_have_had + left
    mine = [day for day in days if period in day.in_blocks]
    net = sum(day.in_blocks[period].bought for day in mine)
    for day in mine:
        part = day.in_blocks[period]
        day.amount += saved * part.bought / net if net else saved / len(mine)
        day.marginal += cost(last, part.at_margin)


def dearest(blocks: Sequence[Block], bought_uwh: int) -> Decimal:
    """The price of the block that so much energy of a billing period ends in."""
    return blocks[in_blocks(blocks, max(0, bought_uwh - 1), 1)[0][0]].per_kwh
