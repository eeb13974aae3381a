"""A bill of the utility: what its meter counted over some whole days, and what is to be paid for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from decimal import Decimal
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field

from wattround.config.kinds import KnownMeter
from wattround.config.tariff import Day
from wattround.core.entry import Entry, Figure, Household

LONGEST_DAYS = 400
FIRST_YEAR = 2000
MOST_KW = 100
"""On average over the whole period: more than any house draws."""


def _counted(found: Decimal) -> Decimal:
    if found < 0:
        raise ValueError("at least 0")
    return found


Counted = Annotated[Figure, AfterValidator(_counted)]


class Bill(Entry):
    """Bought and given back from `first` to `last`, local days, both included; `supply` None: by the whole house.

    Bought energy stands as such (`kwh`) or as two readings of the register.
    """

    kind: ClassVar[str] = "bill"

    first: Day = Field(alias="from")
    last: Day = Field(alias="to")
    kwh: Counted | None = None
    reading_from: Counted | None = None
    reading_to: Counted | None = None
    export_kwh: Counted | None = None
    money: Figure | None = None
    meter_class: Literal["A", "B", "C", "1", "2"] | None = Field(default=None, alias="class")
    supply: KnownMeter | None = None
    note: str = Field(default="", max_length=200)

    @property
    def days(self) -> int:
        """How many."""
        return (self.last - self.first).days + 1

    @property
    def bought_kwh(self) -> Decimal:
        """What was bought."""
        if self.kwh is not None:
            return self.kwh
        return (self.reading_to or Decimal(0)) - (self.reading_from or Decimal(0))

    @property
    def written(self) -> tuple[Decimal, ...]:
        """The figures that say what was bought, with all their digits."""
        return tuple(each for each in (self.kwh, self.reading_from, self.reading_to) if each is not None)

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:
        """The first thing that is wrong with it."""
        return next(self._objections(others, house), None)

    def _objections(self, others: Mapping[int, Self], house: Household) -> Iterator[str]:
        yield from self._of_days(house.today)
        yield from self._of_figures()
        supplies = [name for name, role in house.roles.items() if role == "supply"]
        if self.supply is not None and self.supply not in supplies:
            known = f"one of {', '.join(supplies)}" if supplies else "nothing: no meter of this house has that role"
            yield f'supply: found "{self.supply}"; expected the name of a meter with role supply: {known}'
        for number, other in others.items():
            if self._meets(other):
                of = f" of {other.supply}" if other.supply else ""
                yield (
                    f"from: {self.first} to {self.last} has days of bill {number}{of}, {other.first} to {other.last};"
                    " expected days that no other bill has (a day that two bills share belongs to the earlier one)"
                )

    def _of_days(self, today: date) -> Iterator[str]:
        if self.first > self.last:
            yield f"from: found {self.first}, after to {self.last}; expected the first day, then the last"
        if self.last > today:
            yield f"to: found {self.last}; expected a day that has come, {today} at the latest"
        if self.first.year < FIRST_YEAR:
            yield f"from: found {self.first}; expected a day from {FIRST_YEAR} on"
        if self.days > LONGEST_DAYS:
            yield f"to: found {self.last}, {self.days} days with {self.first}; expected at most {LONGEST_DAYS} days"

    def _of_figures(self) -> Iterator[str]:
        readings = (self.reading_from, self.reading_to)
        if (self.kwh is None) == (readings == (None, None)):
            yield "kwh: expected either this, or both reading_from and reading_to"
        elif self.kwh is None and None in readings:
            missing = "reading_from" if self.reading_from is None else "reading_to"
            yield f"{missing}: found nothing; expected it beside the other one"
        elif self.bought_kwh < 0:
            yield (
                f"reading_to: found {self.reading_to}, less than reading_from {self.reading_from}; expected a register"
                " that rises (if it went round, or the meter was changed: enter the kwh of the bill)"
            )
        for key, kwh in (
            ("kwh" if self.kwh is not None else "reading_to", self.bought_kwh),
            ("export_kwh", self.export_kwh),
        ):
            if kwh is not None and kwh > MOST_KW * 24 * self.days:
                yield (
                    f"{key}: found {kwh} kWh in {self.days} days, {kwh / 24 / self.days:.0f} kW all the time; expected"
                    f" at most {MOST_KW} kW (kWh with a point, as 312.4?)"
                )
        if self.money is not None and self.money < 0 and not self.export_kwh:
            yield f"money: found {self.money}; expected at least 0 (less only where export_kwh earned it)"

    def _meets(self, other: Bill) -> bool:
        same = None in (self.supply, other.supply) or self.supply == other.supply
        return same and self.first <= other.last and other.first <= self.last
