"""One change of one load: what it would have saved, what that comes to in a year, and when it has earned its price."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import groupby
from typing import NamedTuple

from wattround.analysis.whatif.asking import WrongQuestion
from wattround.analysis.whatif.cautions import AS_IF_BOUGHT
from wattround.analysis.whatif.change import Change, Effect, Variant, kwh
from wattround.analysis.whatif.home import Home
from wattround.analysis.whatif.load import Load, share_covered
from wattround.analysis.whatif.rebill import Saved, rebilled
from wattround.analysis.whatif.times import Day, days_between, local_days
from wattround.analysis.whatif.yearly import Part, Payback, Year, payback, year
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import CENT, NOTHING

LEAST_GIVEN = 0.01
"""A load that gives back more than this share of what it takes is not only a load."""


class Outcome(NamedTuple):
    """What one variant comes to: over the time (`saved`), in a year as money and as microwatt-hours."""

    variant: Variant
    saved: Saved
    money: Year
    uwh: Year
    payback: Payback | None

    @property
    def is_rebilled(self) -> bool:
        """Whether marginal prices alone would say something else."""
        return abs(self.saved.amount - self.saved.marginal) >= CENT


class Answer(NamedTuple):
    """All of it, over [from_ms, to_ms)."""

    home: Home
    load: str
    change: Change
    from_ms: int
    to_ms: int
    taken_uwh: int
    covered_share: float
    outcomes: Sequence[Outcome]
    notes: Sequence[str]
    cautions: Sequence[str]
    price: Decimal | None


def answer(home: Home, load: str, change: Change, span_ms: tuple[int, int], price: Decimal | None) -> Answer:
    """What a change of a load would have saved in [from_ms, to_ms), of which the ledger has minutes.

    Raises:
        WrongQuestion: if nothing was heard of the load then.
    """
    from_ms, to_ms = span_ms
    minutes = home.load(load, from_ms, to_ms)
    if not any(minutes.covered_ms):
        raise WrongQuestion(f"nothing was heard of {load} in this time")
    outcomes = [
        _outcome(variant, saved, minutes, days, price)
        for variant, saved, days in _billed(home, minutes, span_ms, change.variants(minutes))
    ]
    return Answer(
        home, load, change, from_ms, to_ms, sum(minutes.taken_uwh), share_covered(minutes), outcomes,
        list(_notes(home, load, minutes, span_ms, outcomes)), change.cautions, price,
    )  # fmt: skip


def _billed(
    home: Home, load: Load, span_ms: tuple[int, int], variants: Sequence[Variant]
) -> Iterator[tuple[Variant, list[Saved], list[Day]]]:
    """What each variant saves on each of its days; variants with the same days are billed together."""
    for cuts, some in groupby(variants, key=lambda variant: variant.cuts):
        held = list(some)
        days = days_between(cuts, *span_ms) if cuts else local_days(*span_ms, home.zone)
        for variant, saved in zip(held, money_of(home, [each.effect for each in held], load.begin, days), strict=True):
            yield variant, saved, days


def _outcome(
    variant: Variant, saved: Sequence[Saved], load: Load, days: Sequence[Day], price: Decimal | None
) -> Outcome:
    covered = [
        (sum(load.covered_ms[day.from_ms // MINUTE_MS - load.begin : day.to_ms // MINUTE_MS - load.begin]),
         day.length_ms)
        for day in days
    ]  # fmt: skip
    money = year([Part(float(each.amount), *of) for each, of in zip(saved, covered, strict=True)])
    energy = year([Part(float(each.uwh), *of) for each, of in zip(saved, covered, strict=True)])
    total = Saved(
        sum(each.uwh for each in saved), sum((each.amount for each in saved), NOTHING),
        sum((each.marginal for each in saved), NOTHING), sum(each.unpriced_uwh for each in saved),
    )  # fmt: skip
    return Outcome(variant, total, money, energy, None if price is None else payback(price, money))


def money_of(home: Home, effects: Sequence[Effect], begin: int, days: Sequence[Day]) -> list[list[Saved]]:
    """What each effect on the minutes from `begin` on saves in each of these days, which follow one another."""
    from_ms, to_ms = days[0].from_ms, days[-1].to_ms
    period = home.purse.schedule(from_ms, to_ms).period_of(from_ms)
    schedule = home.purse.schedule(period.from_ms, to_ms)
    kept = home.slices.span()
    until_ms = to_ms if kept is None else max(to_ms, kept[1] * MINUTE_MS)
    edges = [(day.from_ms, day.to_ms) for day in days]
    return rebilled(effects, begin, edges, schedule, home.exchanges(from_ms, to_ms), home.bought, until_ms)


def _notes(home: Home, name: str, load: Load, span_ms: tuple[int, int], outcomes: Sequence[Outcome]) -> Iterator[str]:
    meter = home.meters[name]
    if meter.active_w is None:
        yield (
            f"{name} has no active_w: whatever it draws from {meter.standby_w:g} W on counts as use; wattround levels"
            " proposes one"
        )
    hours = (span_ms[0] // 3_600_000, -(-span_ms[1] // 3_600_000))
    given, taken = home.slices.outs([name], *hours), sum(load.taken_uwh)
    if given > LEAST_GIVEN * taken:
        yield f"it gave back {kwh(given)}, which is in none of these figures"
    if home.tree.children[name]:
        yield f"{', '.join(home.tree.children[name])} are within it: what they used is in these figures"
    if home.is_as_if_bought:
        yield AS_IF_BOUGHT
    elif home.drawers.sources.storages:
        yield "the battery is taken to do what it did"
    unheard = sum(load.covered_ms) - sum(load.heard_ms)
    if unheard:
        yield "in part of the time only a counter was heard: what it was doing then is not known, and stays as it was"
    if any(outcome.saved.unpriced_uwh for outcome in outcomes):
        most = max(outcome.saved.unpriced_uwh for outcome in outcomes)
        yield f"up to {kwh(most)} of it have no known price and are in no amount"
