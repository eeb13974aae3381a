"""Whether a bill agrees with our meters: in energy by what the meters' classes allow, in money by the tariffs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Literal, NamedTuple

from wattround.analysis.account import bought_before, cut
from wattround.analysis.billmoney import Energy, Money, priced
from wattround.analysis.limits import expanded, worst
from wattround.analysis.missed import HOUR_MS, HourOf, Missed, missed
from wattround.analysis.report import Scene
from wattround.core.bill import Bill
from wattround.core.wiring import accuracy_of, recipes_of
from wattround.ledger.tally import Kept, Sum
from wattround.metering.accuracy import percent
from wattround.metering.formula import formulas
from wattround.metering.localtime import instant_ms

UWH_PER_KWH = 1_000_000_000
ENOUGH_COVERED = 0.9
"""Of less of the time, that a bill fits says little: at most 37 of 365 days may be missing (CalTRACK 2.2.1)."""
UTILITY_CLASS = "A"
"""Where a bill does not say: the widest that the law allows a household's meter (2014/32/EU, annex V)."""

Way = Literal["in", "out"]
Verdict = Literal["agrees", "meters-more", "meters-less", "cannot-tell"]


class Limits(NamedTuple):
    """Limits of error, in microwatt-hours: of each of our meters, of the utility's, of each figure's rounding."""

    ours: tuple[float, ...]
    utility: float
    rounding: tuple[float, ...]

    @property
    def all(self) -> tuple[float, ...]:
        """Each of them."""
        return (*self.ours, self.utility, *self.rounding)


class Side(NamedTuple):
    """Energy one way, in microwatt-hours: what was billed, what our meters have of it.

    `covered` is the share of the time of which the meter that was heard least has anything; `missed` is None where too
    little is known to tell what the rest had.
    """

    billed_uwh: int
    metered_uwh: int
    covered: float
    missed: Missed | None
    limits: Limits

    @property
    def difference_uwh(self) -> int:
        """Metered less billed."""
        return self.metered_uwh - self.billed_uwh

    @property
    def allowed_uwh(self) -> float:
        """How far apart right meters may be, with some 95 % confidence."""
        return expanded(self.limits.all)

    @property
    def worst_uwh(self) -> float:
        """How far apart they may be at worst."""
        return worst(self.limits.all)

    @property
    def beyond_uwh(self) -> float:
        """By how much more they are apart than the meters, and what may have been missed, allow; 0 if they are not.

        Positive where our meters show more, negative where they show less. What may have been missed counts whole.
        """
        over, under = self.difference_uwh - self.allowed_uwh, self.difference_uwh + self.allowed_uwh
        if over > 0:
            return over
        if under < 0 and self.missed is not None:
            return min(0.0, under + self.missed.most_uwh)
        return 0.0

    @property
    def verdict(self) -> Verdict:
        """What there is to say. Too much metered is too much however little of the time it was."""
        if self.covered and self.beyond_uwh:
            return "meters-more" if self.beyond_uwh > 0 else "meters-less"
        return "agrees" if self.missed is not None and self.covered >= ENOUGH_COVERED else "cannot-tell"

    @property
    def ratio(self) -> float | None:
        """How many times what we metered, and likely missed, was billed; None where that cannot be told."""
        if self.missed is None or self.covered < ENOUGH_COVERED:
            return None
        ours = self.metered_uwh + self.missed.likely_uwh
        return self.billed_uwh / ours if ours > 0 and self.billed_uwh else None


class Check(NamedTuple):
    """A bill held against the ledger over [from_ms, to_ms).

    `meters` stand for its supply: without one they are the outermost loads, and it is not `supplied`. `given` None: the
    bill says nothing of it. `sums` has every meter's energy of the time. `unknown`: the settings have no such supply.
    """

    number: int
    bill: Bill
    from_ms: int
    to_ms: int
    meters: tuple[str, ...]
    supplied: bool
    bought: Side
    given: Side | None
    money: Money
    sums: Mapping[str, Sum]
    unknown: bool

    @property
    def hours(self) -> float:
        """How long the time is: days of 23 and of 25 hours are in it."""
        return (self.to_ms - self.from_ms) / HOUR_MS


def check(scene: Scene, number: int, bill: Bill, kept: Kept | None) -> Check:
    """Hold a bill against what the ledger has of its days; `kept` None: nothing."""
    from_ms, to_ms = (instant_ms(day, 0, scene.zone) for day in (bill.first, bill.last + timedelta(days=1)))
    unknown = bill.supply is not None and bill.supply not in scene.tree.supplies
    meters = scene.drawers.sources.supplies if bill.supply is None else () if unknown else (bill.supply,)
    schedule = scene.purse.schedule(from_ms, to_ms)
    spans = list(schedule.spans(from_ms, to_ms))
    nothing = Kept(0, 0, 0, -1)
    pieces = list(cut(((at, span.from_ms, span.to_ms) for at, span in enumerate(spans)), kept or nothing))
    scene.tally.look_at(pieces)
    flows = scene.tally.flows((meters, (), ()))
    sums = scene.tally.meter_sums()
    into, out = [0] * len(spans), [0] * len(spans)
    for piece in pieces:
        if piece.key in flows:
            into[piece.span] += flows[piece.key].supply_in
            out[piece.span] += flows[piece.key].supply_out
    look = _Look(scene, meters, (from_ms, to_ms), kept or nothing, sums)
    bought = look.side("in", _uwh(bill.bought_kwh), sum(into), bill, bill.written)
    given_back = look.side("out", _uwh(bill.export_kwh or Decimal(0)), sum(out), bill, (bill.export_kwh or Decimal(0),))
    given = None if bill.export_kwh is None or not scene.drawers.supplied else given_back
    given_off = _given_off(given_back) if bill.export_kwh is None else sum(given_back.limits.rounding)
    energy = Energy(
        into, out, bought.billed_uwh, None if bill.export_kwh is None else given_back.billed_uwh,
        1 - bought.covered, sum(bought.limits.rounding), given_off,
    )  # fmt: skip
    money = priced(schedule, spans, energy, bill.money, bought_before(scene.tally, schedule, meters, spans))
    return Check(
        number, bill, from_ms, to_ms, tuple(meters), scene.drawers.supplied, bought, given, money, sums, unknown
    )


def _given_off(ours: Side) -> float:
    """How far our own figure of what was given back may be off, where the bill has none."""
    return worst(ours.limits.ours) + (ours.missed.most_uwh if ours.missed is not None else ours.metered_uwh)


class _Look:
    """What the ledger says of the meters of one bill."""

    def __init__(
        self, scene: Scene, meters: Sequence[str], span: tuple[int, int], kept: Kept, sums: Mapping[str, Sum]
    ) -> None:
        self._scene, self._meters, self._sums = scene, meters, sums
        self._from_ms, self._to_ms = span
        self._percents = accuracy_of(scene.meters)
        self._formulas = formulas(recipes_of(scene.meters))
        first, last = -(-self._from_ms // HOUR_MS), min(self._to_ms // HOUR_MS, kept.newest_hour + 1)
        self._hours = scene.tally.totals(meters, first, max(first, last))

    def side(self, way: Way, billed_uwh: int, metered_uwh: int, bill: Bill, written: Sequence[Decimal]) -> Side:
        """One way of the bill."""
        span_ms = self._to_ms - self._from_ms
        covered_ms = {name: self._sums.get(name, Sum()).covered_ms for name in self._meters}
        gaps: Missed | None = Missed(0, 0)
        for name, heard_ms in covered_ms.items():
            gap = missed(self._clocked(name, way), max(0, span_ms - heard_ms))
            gaps = gaps.plus(gap) if gaps is not None and gap is not None else None
        utility = percent(None, bill.meter_class or UTILITY_CLASS, None) / 100 * billed_uwh
        ours = tuple(limit for name in self._meters for limit in self._limits(name, way))
        rounding = tuple(_half_digit_uwh(each) for each in written)
        if len(rounding) == 1:  # a difference of two readings of as many digits
            rounding *= 2
        covered = min(covered_ms.values(), default=0) / span_ms
        return Side(billed_uwh, metered_uwh, min(1.0, covered), gaps, Limits(ours, utility, rounding))

    def _clocked(self, name: str, way: Way) -> Iterator[HourOf]:
        for hour, totals in self._hours.items():
            clock = datetime.fromtimestamp(hour * 3600, UTC).astimezone(self._scene.zone).hour
            of = totals.get(name)
            if of is None:
                yield HourOf(clock, 0, 0)
            else:
                yield HourOf(clock, of.in_uwh if way == "in" else of.out_uwh, of.covered_ms)

    def _limits(self, name: str, way: Way) -> Iterator[float]:
        """Of a measured meter, by its energy that way; of a computed one, by all that its parts had either way."""
        formula = self._formulas.get(name)
        if formula is None:
            of = self._sums.get(name, Sum())
            yield self._percents[name] / 100 * (of.in_uwh if way == "in" else of.out_uwh)
            return
        for part, times in formula.terms:
            of = self._sums.get(part, Sum())
            yield abs(times) * self._percents[part] / 100 * (of.in_uwh + of.out_uwh)


def _uwh(kwh: Decimal) -> int:
    return round(kwh * UWH_PER_KWH)


def _half_digit_uwh(written: Decimal) -> float:
    """Half of the last digit that was written."""
    exponent = written.as_tuple().exponent
    return 0.5 * UWH_PER_KWH * float(10.0 ** (exponent if isinstance(exponent, int) else 0))
