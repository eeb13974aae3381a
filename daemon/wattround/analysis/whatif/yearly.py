"""From the recorded days to a year: a mean, and a range from the house's own weeks.

A year of weeks: a moving block bootstrap (Künsch 1989, from memory): years are put together from the recorded weeks,
four neighbours at a time, so that a season stays together. Weeks that were not recorded are taken to be like the least
or the most of those that were: nothing else is known of them. With less than four weeks the same is done with days.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Literal, NamedTuple

from wattround.money.amount import NOTHING, to_cents

DAY_MS = 86_400_000
YEAR_MS = 31_557_600_000
YEAR_DAYS = 365.25
WEEK_DAYS = 7
YEAR_WEEKS = 52
FEWEST_WEEKS = 4
FEWEST_DAYS = 4
NEIGHBOURS = 4
DRAWS = 1000
SEED = 1
LOW, HIGH = 0.05, 0.95
LEAST_COVERED = 0.5
"""A day or week of which less was covered says nothing about the others (a day with over half of its values missing is
missing: CalTRACK methods 2.0, 2.2.2.1)."""

Unit = Literal["week", "day", ""]


class Part(NamedTuple):
    """What a change comes to in one day: an amount of anything, how much of the day was covered, and its length."""

    amount: float
    covered_ms: int
    length_ms: int


class Year(NamedTuple):
    """A year at the mean of the time covered, and its range; None where nothing, or too little, was covered.

    `unit` and `seen`: from how many weeks, or days, of a year.
    """

    mean: float | None
    least: float | None
    most: float | None
    unit: Unit
    seen: int

    @property
    def is_whole(self) -> bool:
        """Whether every season was seen."""
        return self.unit == "week" and self.seen >= YEAR_WEEKS


def year(days: Sequence[Part]) -> Year:
    """A year of what these days, which follow one another, came to.

    Days of which little was covered are left out where there are others: a morning is not like its day.
    """
    counting = [day for day in days if _counts(day)] or days
    covered_ms = sum(day.covered_ms for day in counting)
    if not covered_ms:
        return Year(None, None, None, "", 0)
    mean = sum(day.amount for day in counting) * YEAR_MS / covered_ms
    unit: Unit
    for unit, length, a_year, fewest in (
        ("week", WEEK_DAYS, YEAR_DAYS / WEEK_DAYS, FEWEST_WEEKS), ("day", 1, YEAR_DAYS, FEWEST_DAYS),
    ):  # fmt: skip
        whole = list(_whole(days, length))
        if len(whole) >= fewest:
            least, most = _range(whole, a_year, NEIGHBOURS if unit == "week" else 1)
            return Year(mean, min(least, mean), max(most, mean), unit, len(whole))
    return Year(mean, None, None, "day", len(list(_whole(days, 1))))


def _counts(day: Part) -> bool:
    return day.covered_ms >= LEAST_COVERED * day.length_ms


def _whole(days: Sequence[Part], length: int) -> list[float]:
    """Amounts of whole stretches of so many days, from the first that counts, each as if all of it was covered."""
    found = []
    first = next((at for at, day in enumerate(days) if _counts(day)), len(days))
    for begin in range(first, len(days) - length + 1, length):
        some = days[begin : begin + length]
        covered, whole = sum(day.covered_ms for day in some), sum(day.length_ms for day in some)
        if covered >= LEAST_COVERED * whole:
            found.append(sum(day.amount for day in some) * DAY_MS * length / covered)
    return found


def _range(seen: Sequence[float], a_year: float, neighbours: int) -> tuple[float, float]:
    """The least and the most of nine in ten years."""
    number = len(seen)
    unseen = max(0.0, a_year - number)
    block = min(neighbours, number)
    sums = [sum(seen[(begin + on) % number] for on in range(block)) for begin in range(number)]
    draws = _draws(number, -(-number // block))
    years = sorted(sum(sums[begin] for begin in each) for each in draws)
    # as many as there are in the part of a year that was seen
    scale = min(number, a_year) / (len(draws[0]) * block)
    low, high = (years[round(share * (DRAWS - 1))] * scale for share in (LOW, HIGH))
    return low + unseen * min(seen), high + unseen * max(seen)


@lru_cache(8)
def _draws(number: int, blocks: int) -> list[tuple[int, ...]]:
    """Where each block of each made-up year begins; the same whenever it is asked for."""
    dice = random.Random(SEED)  # noqa: S311 - to repeat it, not to keep a secret
    return [tuple(int(dice.random() * number) for _ in range(blocks)) for _ in range(DRAWS)]


# -- payback --------------------------------------------------------------------------------------


class Payback(NamedTuple):
    """Years until a price is earned, with the least and the most; None: it never is."""

    years: float | None
    least: float | None
    most: float | None


def payback(price: Decimal, of: Year) -> Payback:
    """Simple payback: the price by what is saved in a year. Neither interest nor changes of tariffs are in it."""
    return Payback(*(_years(price, amount) for amount in (of.mean, of.most, of.least)))


def _years(price: Decimal, amount: float | None) -> float | None:
    return float(price) / amount if amount is not None and amount > 0.005 else None


def cents(amount: float | None) -> Decimal | None:
    """An amount of money worked out with floats, to the hundredth."""
    return None if amount is None else to_cents(Decimal(repr(round(amount, 6)))) + NOTHING  # no negative nothing
