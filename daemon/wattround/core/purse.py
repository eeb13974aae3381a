"""What energy costs: an episode's waste, a load's day, a draw that goes on; by the tariffs and what the ledger has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple, Protocol

from wattround.config.model import Meter, Settings
from wattround.core.tariffs import PriceFiles, holds, schedule_of, with_prices
from wattround.ledger.batch import SignalRow
from wattround.ledger.energies import HOUR, MINUTE, Energies, Energy
from wattround.ledger.totals import Sums
from wattround.metering.consumption import Sources, sources
from wattround.metering.localtime import midnight_ms
from wattround.metering.minute import MINUTE_MS
from wattround.metering.tree import Tree
from wattround.money.amount import NOTHING, amount_text, cost
from wattround.money.price import Blocks
from wattround.money.schedule import Schedule, Span
from wattround.money.twoprices import Exchange, Slot, Worth, average_price, marginal, running_cost, spread

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
BY_MINUTE_MS = 3 * DAY_MS
"""How far back an episode is priced by the minute; what lies before, by the hour."""
LATE_MS = 900_000
"""A span that ended so long ago is in the ledger: no checkpoint is further apart."""
KEPT_FOR_MS = 60_000
MOST_KEPT = 200


class Look(Protocol):
    """What is asked of the ledger."""

    def of_meter(self, name: str, from_minute: int, to_minute: int, every: int) -> Sequence[Energy]:
        """Energies of a meter by the minute or by the hour."""
        ...

    def sums(self, from_minute: int, to_minute: int) -> Mapping[str, Sums]:
        """Energy of each meter."""
        ...

    def said(self, signal: str, from_ms: int, to_ms: int) -> Iterable[tuple[int, str]]:
        """What a signal said, in order."""
        ...


class LiveLook:
    """The running core's: the ledger, and what is about to be written to it."""

    def __init__(self, energies: Energies, unwritten: Callable[[], Iterable[SignalRow]]) -> None:
        self.of_meter, self.sums = energies.of_meter, energies.sums
        self._energies, self._unwritten = energies, unwritten

    def said(self, signal: str, from_ms: int, to_ms: int) -> Iterable[tuple[int, str]]:
        """What a signal said, in order."""
        fresh = [(row.at_ms, row.value) for row in self._unwritten() if (row.kind, row.name) == ("signal", signal)]
        written = self._energies.said(signal, from_ms, to_ms)
        return sorted([*written, *(word for word in fresh if from_ms <= word[0] < to_ms)], key=lambda word: word[0])


class NoLook:
    """Nothing is known yet."""

    def of_meter(self, name: str, from_minute: int, to_minute: int, every: int) -> Sequence[Energy]:  # noqa: ARG002
        """None."""
        return ()

    def sums(self, from_minute: int, to_minute: int) -> Mapping[str, Sums]:  # noqa: ARG002
        """None."""
        return {}

    def said(self, signal: str, from_ms: int, to_ms: int) -> Iterable[tuple[int, str]]:  # noqa: ARG002
        """None."""
        return ()


@dataclass(frozen=True, slots=True)
class Drawers:
    """What the purse needs to know of the meters: watts of each that are standby, and where the house's energy is from.

    `supplied`: whether the supply itself is metered.
    """

    standby_w: Mapping[str, float]
    sources: Sources
    supplied: bool

    @classmethod
    def of(cls, meters: Mapping[str, Meter], tree: Tree) -> Drawers:
        """Of these meters, nested so."""
        return cls({name: meter.standby_w for name, meter in meters.items()}, sources(tree), bool(tree.supplies))


class _Kept(NamedTuple):
    """What an episode's waste had come to at an instant."""

    at_ms: int
    waste_uwh: int
    worth: Worth


class Purse:
    """Prices of one house. Every method is told the time; the ledger is looked at only where one price is not enough.

    Waste is worth its marginal price minute by minute: what the load drew above standby in each of the ledger's
    minutes says how much of it fell into which. What is not in the ledger yet is taken to be like what is.
    """

    def __init__(self, settings: Settings, drawers: Callable[[], Drawers], look: Look | None = None) -> None:
        self.look: Look = look or NoLook()
        self._files = PriceFiles()
        self.drawers = drawers
        self.configure(settings)

    def configure(self, settings: Settings) -> None:
        """Take up settings."""
        self._schedule = schedule_of(settings)
        self._holds = holds(settings)
        self._one = self._schedule.one_price
        self._in_blocks = any(isinstance(tariff.energy, Blocks) for tariff in self._schedule.tariffs)
        self.currency = settings.house.currency
        self._episodes: dict[tuple[tuple[str, ...], int], _Kept] = {}
        self._spans: dict[tuple[int, int], Mapping[str, Sums]] = {}
        self._means: dict[tuple[int, int], Decimal | None] = {}
        self._days: dict[int, tuple[Decimal, int]] = {}

    def schedule(self, from_ms: int, to_ms: int) -> Schedule:
        """All prices that are known of [from_ms, to_ms)."""
        return with_prices(self._schedule, self._holds, self._files, self.look.said, from_ms, to_ms)

    def text(self, amount: Decimal) -> str:
        """An amount as people write it, to the hundredth: "0.42 EUR"."""
        return amount_text(amount, self.currency)

    def worth_text(self, worth: Worth) -> str:
        """The same, with what could not be priced."""
        if not worth.unknown_uwh:
            return self.text(worth.amount)
        unknown = f"{worth.unknown_uwh / 1e9:.2f} kWh without a known price"
        return f"{self.text(worth.amount)} and {unknown}" if worth.amount else unknown

    # -- waste ------------------------------------------------------------------------------------

    def waste(self, meters: tuple[str, ...], from_ms: int, to_ms: int, waste_uwh: int) -> Worth:
        """What not wasting this energy of these meters between two instants would have saved."""
        if self._one is not None or not waste_uwh:
            return Worth(cost(self._one or NOTHING, waste_uwh), 0)
        known = self._episodes.get((meters, from_ms))
        if known is not None and 0 <= to_ms - known.at_ms < KEPT_FOR_MS and known.waste_uwh > 0:
            grown = Decimal(waste_uwh) / known.waste_uwh
            return Worth(known.worth.amount * grown, known.worth.unknown_uwh * waste_uwh // known.waste_uwh)
        slots = spread(self._slots(meters, from_ms, to_ms), waste_uwh, from_ms, to_ms)
        last_ms = max(to_ms, slots[-1].to_ms)
        worth = marginal(self.schedule(from_ms, last_ms), slots, to_ms, self._bought)
        if len(self._episodes) > MOST_KEPT:
            self._episodes.clear()
        self._episodes[meters, from_ms] = _Kept(to_ms, waste_uwh, worth)
        return worth

    def _slots(self, meters: tuple[str, ...], from_ms: int, to_ms: int) -> list[Slot]:
        """What the meters drew above standby, by the hour and then by the minute."""
        recent = max(from_ms, (to_ms - BY_MINUTE_MS) // HOUR_MS * HOUR_MS)
        slots = self._slots_of(meters, from_ms // HOUR_MS * HOUR_MS, recent, HOUR) if recent > from_ms else []
        return slots + self._slots_of(meters, recent, to_ms, MINUTE)

    def _slots_of(self, meters: tuple[str, ...], from_ms: int, to_ms: int, every: int) -> list[Slot]:
        drawers = self.drawers()
        begin, end = from_ms // MINUTE_MS, -(-to_ms // MINUTE_MS)
        above: dict[int, int] = {}
        for name in meters:
            standby_w = drawers.standby_w.get(name, 0.0)
            for row in self.look.of_meter(name, begin, end, every):
                wasted = row.in_uwh - round(standby_w * row.covered_ms / 3.6)
                above[row.minute] = above.get(row.minute, 0) + max(0, wasted)
        exchanges = self._exchanges(drawers, begin, end, every) if any(above.values()) else {}
        return [
            Slot(minute * MINUTE_MS, (minute + every) * MINUTE_MS, above[minute], exchanges.get(minute))
            for minute in sorted(above)
        ]

    def _exchanges(self, drawers: Drawers, begin: int, end: int, every: int) -> dict[int, Exchange]:
        """What the house bought, gave back and made, where all of its supplies are known."""
        if not any(tariff.export is not None for tariff in self._schedule.tariffs) or not drawers.supplied:
            return {}
        sources = drawers.sources
        flows = {name: self.look.of_meter(name, begin, end, every) for name in sources.names}
        by_name = {name: {row.minute: row for row in rows} for name, rows in flows.items()}
        nothing = Energy(0, 0, 0, 0)
        found = {}
        for minute in set.intersection(*(set(by_name[name]) for name in sources.supplies)):
            supplied = [by_name[name][minute] for name in sources.supplies]
            made = sum(by_name[name].get(minute, nothing).in_uwh for name in sources.generators)
            made += sum(by_name[name].get(minute, nothing).out_uwh for name in sources.storages)
            into, out = sum(row.in_uwh for row in supplied), sum(row.out_uwh for row in supplied)
            found[minute] = Exchange(into, out, made)
        return found

    def _bought(self, from_ms: int, to_ms: int) -> int:
        """What the house bought: what its supplies delivered, or what its outermost meters took."""
        sums = self.look.sums(from_ms // MINUTE_MS, -(-to_ms // MINUTE_MS))
        names = self.drawers().sources.supplies
        return sum(sums[name].in_uwh for name in names if name in sums)

    # -- what goes on -----------------------------------------------------------------------------

    def a_day(self, watts: float, now_ms: int) -> Decimal | None:
        """What a steady draw costs in the coming 24 hours, if it is bought.

        Where their prices are not known yet, those of the last 24 hours are taken; None if they are not known either.
        """
        steady = Decimal(repr(watts))
        if self._one is not None:
            return self._one * steady * 24 / 1000
        for begin in (now_ms, now_ms - DAY_MS):
            worth = running_cost(self.schedule(begin, begin + DAY_MS), steady, begin, begin + DAY_MS, self._bought)
            if not worth.unknown_uwh:
                return worth.amount
        return None

    # -- shares -----------------------------------------------------------------------------------

    def today(self, taken_uwh: Mapping[str, int], now_ms: int) -> dict[str, Worth]:
        """What meters have taken since midnight, at the prices of the hours in which they did, as if all was bought.

        With blocks, at the average price of the billing period so far.
        """
        if self._one is not None:
            return {name: Worth(cost(self._one, uwh), 0) for name, uwh in taken_uwh.items()}
        begin = midnight_ms(now_ms, self._schedule.zone)
        left = dict(taken_uwh)
        found = {name: Worth(NOTHING, 0) for name in taken_uwh}
        spans = list(self.schedule(begin, now_ms + 1).spans(begin, now_ms + 1))
        self._spans = {key: known for key, known in self._spans.items() if key[0] >= begin}
        for span in spans:
            # what is not in the ledger yet is of the last span: all that is left of the figure that is shown
            sums = {} if span is spans[-1] else self._sums(span, now_ms)
            for name in taken_uwh:
                uwh = left[name] if span is spans[-1] else sums[name].in_uwh if name in sums else 0
                left[name] -= uwh
                found[name] = found[name].plus(self._share(span, uwh, now_ms))
        return found

    def _sums(self, span: Span, now_ms: int) -> Mapping[str, Sums]:
        key = (span.from_ms, span.to_ms)
        known = self._spans.get(key)
        if known is None:
            known = self.look.sums(span.from_ms // MINUTE_MS, span.to_ms // MINUTE_MS)
            if span.to_ms < now_ms - LATE_MS:
                self._spans[key] = known
        return known

    def _share(self, span: Span, uwh: int, now_ms: int) -> Worth:
        per_kwh = self._share_price(span, now_ms)
        return Worth(NOTHING, uwh) if per_kwh is None else Worth(cost(per_kwh, uwh), 0)

    def _share_price(self, span: Span, now_ms: int) -> Decimal | None:
        if span.rate.blocks and span.tariff is not None:
            bought = self._bought(span.period.from_ms, min(now_ms, span.period.to_ms))
            return span.tariff.taxed(average_price(span.rate.blocks, bought))
        return span.import_per_kwh

    def share_cost(self, uwh: int, from_ms: int, at_ms: int) -> Decimal:
        """What so much energy of a period that began at `from_ms` costs, about, at an instant.

        At the mean price of the period's days up to and including the one that holds the instant, each hour counting
        alike, as if all was bought. With blocks, at the average price of the billing period up to the last midnight;
        with prices that change by themselves, at the mean of those up to the last full hour. Nothing, where no price
        is known: a rule about money then does not hold.
        """
        if self._one is not None:
            return cost(self._one, uwh)
        return cost(self._mean(from_ms, at_ms) or NOTHING, uwh)

    def share_text(self, uwh: int, from_ms: int, at_ms: int) -> str:
        """The same in words, which say so where it is not exact."""
        return f"{'' if self._one is not None else 'about '}{self.text(self.share_cost(uwh, from_ms, at_ms))}"

    def _mean(self, from_ms: int, at_ms: int) -> Decimal | None:
        zone = self._schedule.zone
        key = (from_ms, midnight_ms(at_ms, zone, 1))
        if self._holds:
            hour_ms = at_ms // HOUR_MS * HOUR_MS
            key = (min(from_ms, hour_ms - HOUR_MS), hour_ms)
        elif self._in_blocks:
            key = (min(from_ms, midnight_ms(at_ms, zone, -1)), midnight_ms(at_ms, zone))
        if key not in self._means:
            if len(self._means) > MOST_KEPT:
                self._means.clear()
            self._means[key] = self._mean_of(*key)
        return self._means[key]

    def _mean_of(self, from_ms: int, to_ms: int) -> Decimal | None:
        total, known_ms, begin = NOTHING, 0, from_ms
        while begin < to_ms:
            end = min((begin // DAY_MS + 1) * DAY_MS, to_ms)
            money, span_ms = self._of_day(begin, end, to_ms)
            total, known_ms, begin = total + money, known_ms + span_ms, end
        return total / known_ms if known_ms else None

    def _of_day(self, from_ms: int, to_ms: int, asked_ms: int) -> tuple[Decimal, int]:
        """Prices of (a part of) a UTC day; those of a whole one are remembered, unless they go by what was bought."""
        if self._in_blocks or to_ms - from_ms < DAY_MS:
            return self._weighed(from_ms, to_ms, asked_ms)
        if from_ms not in self._days:
            if len(self._days) > MOST_KEPT:
                self._days.clear()
            self._days[from_ms] = self._weighed(from_ms, to_ms, asked_ms)
        return self._days[from_ms]

    def _weighed(self, from_ms: int, to_ms: int, asked_ms: int) -> tuple[Decimal, int]:
        """Prices times milliseconds, and the milliseconds whose price is known."""
        total, known_ms = NOTHING, 0
        for span in self.schedule(from_ms, to_ms).spans(from_ms, to_ms):
            per_kwh = self._share_price(span, asked_ms)
            if per_kwh is not None:
                total += per_kwh * (span.to_ms - span.from_ms)
                known_ms += span.to_ms - span.from_ms
        return total, known_ms
