"""Kinds of prices: flat, bands by the clock, blocks by consumption, and prices that change by themselves."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Literal, NamedTuple, Protocol
from zoneinfo import ZoneInfo

from wattround.money.amount import NOTHING, cost


class Block(NamedTuple):
    """A price for the energy of a billing period up to a bound; None: for all beyond the block before."""

    upto_uwh: int | None
    per_kwh: Decimal


class Rate(NamedTuple):
    """What a kilowatt-hour costs or earns, without tax; None: cannot be told.

    With `blocks` the price depends on how much was used before in the billing period. `varies`: the price is one of
    many of the same name, which an invoice sums up in one line.
    """

    name: str
    per_kwh: Decimal | None
    blocks: tuple[Block, ...] = ()
    varies: bool = False


class Piece(NamedTuple):
    """A stretch of time at one rate."""

    from_ms: int
    to_ms: int
    rate: Rate


class Pricing(Protocol):
    """A kind of price."""

    def pieces(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:
        """[from_ms, to_ms) in pieces of one rate each, in order, without gaps."""
        ...


@dataclass(frozen=True, slots=True)
class Flat:
    """One price at all times."""

    per_kwh: Decimal
    name: str = ""

    def pieces(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:  # noqa: ARG002 - one protocol
        """One piece."""
        yield Piece(from_ms, to_ms, Rate(self.name, self.per_kwh))


@dataclass(frozen=True, slots=True)
class Blocks:
    """Prices by how much was used in the billing period; bounds ascend, and the last block has none."""

    blocks: tuple[Block, ...]

    def pieces(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:  # noqa: ARG002
        """One piece: time alone changes nothing."""
        yield Piece(from_ms, to_ms, Rate("", None, self.blocks))


def in_blocks(blocks: Sequence[Block], before_uwh: int, energy_uwh: int) -> list[tuple[int, int]]:
    """How much of an energy falls into which block (its place), when so much was used before in the period."""
    found = []
    begin = 0
    for place, block in enumerate(blocks):
        end = before_uwh + energy_uwh if block.upto_uwh is None else block.upto_uwh
        part = min(end, before_uwh + energy_uwh) - max(begin, before_uwh)
        if part > 0:
            found.append((place, part))
        begin = end
    return found


def block_cost(blocks: Sequence[Block], before_uwh: int, energy_uwh: int) -> Decimal:
    """Cost of an energy, when so much was used before in the period."""
    parts = in_blocks(blocks, before_uwh, energy_uwh)
    return sum((cost(blocks[place].per_kwh, part) for place, part in parts), NOTHING)


class Source(NamedTuple):
    """Where prices that change by themselves come from: a signal of this name, or a file."""

    kind: Literal["signal", "file"]
    name: str


@dataclass(frozen=True, slots=True)
class Series:
    """Prices, each from its time to the next one's, but for `hold_ms` at most. None: no price was to be had then."""

    times: tuple[int, ...]
    prices: tuple[Decimal | None, ...]
    hold_ms: int

    def at(self, at_ms: int) -> Decimal | None:
        """The price at an instant; None if it cannot be told."""
        place = bisect_right(self.times, at_ms) - 1
        return None if place < 0 or at_ms >= self.times[place] + self.hold_ms else self.prices[place]

    def edges(self, from_ms: int, to_ms: int) -> Iterator[int]:
        """Instants within (from_ms, to_ms) at which the price may change, in order."""
        last = from_ms
        for place in range(max(0, bisect_right(self.times, from_ms) - 1), len(self.times)):
            begin = self.times[place]
            if begin >= to_ms:
                return
            following = self.times[place + 1] if place + 1 < len(self.times) else to_ms
            for edge in (begin, min(begin + self.hold_ms, following)):
                if last < edge < to_ms:
                    yield edge
                    last = edge


EMPTY = Series((), (), 0)


@dataclass(frozen=True, slots=True)
class Dynamic:
    """A price that changes by itself: what the source says, times `factor`, and so much more."""

    source: Source
    factor: Decimal = Decimal(1)
    plus_per_kwh: Decimal = Decimal(0)
    negative: bool = False
    series: Series = EMPTY

    def pieces(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:  # noqa: ARG002
        """A piece for each price; those without one have None."""
        edges = [from_ms, *self.series.edges(from_ms, to_ms), to_ms]
        for begin, end in pairwise(edges):
            if begin < end:
                yield Piece(begin, end, Rate(self.source.name, self._price(self.series.at(begin)), varies=True))

    def _price(self, said: Decimal | None) -> Decimal | None:
        if said is None:
            return None
        price = said * self.factor + self.plus_per_kwh
        # one that was not to be expected is taken for a fault of the source, not for a gift
        return None if price < 0 and not self.negative else price


def pieces_of(pricing: Pricing, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:
    """The pieces of a price, those that follow each other at the same rate made one."""
    held: Piece | None = None
    for piece in pricing.pieces(from_ms, to_ms, zone):
        if held is not None and held.rate == piece.rate:
            held = held._replace(to_ms=piece.to_ms)
            continue
        if held is not None:
            yield held
        held = piece
    if held is not None:
        yield held
