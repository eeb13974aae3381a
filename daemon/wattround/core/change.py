"""A change that people made to a load, or to several at once, so that it can be proved what came of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Annotated, ClassVar, Self

from pydantic import AfterValidator, BeforeValidator, Field

from wattround.config.kinds import KnownMeter
from wattround.core.entry import Entry, Figure, Household

FIRST_YEAR = 2000


def _moment(found: object) -> datetime:
    if isinstance(found, datetime) and found.tzinfo is not None:
        return found
    try:
        at = datetime.fromisoformat(found) if isinstance(found, str) else None
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise ValueError("a moment with its offset from UTC, such as 2026-03-01T09:00+01:00")
    return at


def _not_negative(found: Decimal) -> Decimal:
    if found < 0:
        raise ValueError("at least 0")
    return found


def _tuple(found: object) -> object:
    return tuple(found) if isinstance(found, list) else found


Loads = Annotated[tuple[KnownMeter, ...], BeforeValidator(_tuple)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Cost = Annotated[Figure, AfterValidator(_not_negative)]


def loads_objections(on: Sequence[str], house: Household) -> Iterator[str]:
    """What is wrong with the names of loads that an entry is about."""
    loads = [name for name, role in house.roles.items() if role in ("circuit", "appliance", "supply")]
    for name in on:
        if name not in loads:
            known = ", ".join(sorted(loads)) or "none yet"
            yield f'on: found "{name}"; expected the name of a load or supply: {known}'
    if len(set(on)) < len(on):
        yield f"on: found {', '.join(on)}; expected each load once"


class Change(Entry):
    """What was changed, on which loads, from when until when (`until` None: it stands), for how much money.

    `expect_wh`: watt-hours a day that somebody (`by`) expects to save; less than 0: to use more. `along_with` names an
    earlier change that this one cannot be told apart from: both are proved as one.
    """

    kind: ClassVar[str] = "change"

    name: str = Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")
    on: Loads = Field(min_length=1, max_length=20)
    at: Moment
    until: Moment | None = None
    cost: Cost | None = None
    expect_wh: Figure | None = None
    by: str = Field(default="", max_length=80)
    along_with: str | None = None
    note: str = Field(default="", max_length=200)

    @property
    def at_ms(self) -> int:
        """When it was made."""
        return round(self.at.timestamp() * 1000)

    @property
    def until_ms(self) -> int | None:
        """When it was taken back."""
        return None if self.until is None else round(self.until.timestamp() * 1000)

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:
        """The first thing that is wrong with it."""
        return next(self._objections(list(others.values()), house), None)

    def _objections(self, others: list[Self], house: Household) -> Iterator[str]:
        if any(each.name == self.name for each in others):
            yield f'name: found "{self.name}", which another change has; expected a name of its own'
        if self.name.isdecimal():
            yield f'name: found "{self.name}"; expected more than a number: changes have numbers, too'
        yield from loads_objections(self.on, house)
        yield from self._of_time(house)
        yield from self._of_company(others)

    def _of_time(self, house: Household) -> Iterator[str]:
        for key, found in (("at", self.at_ms), ("until", self.until_ms)):
            if found is not None and found > house.now_ms:
                yield (
                    f"{key}: found {getattr(self, key):%Y-%m-%d %H:%M}, which is still to come; expected a moment that"
                    " has passed (before a change: wattround prove plan)"
                )
        if self.at.year < FIRST_YEAR:
            yield f"at: found {self.at:%Y-%m-%d}; expected a day from {FIRST_YEAR} on"
        if self.until_ms is not None and self.until_ms <= self.at_ms:
            yield f"until: found {self.until:%Y-%m-%d %H:%M}; expected a moment after {self.at:%Y-%m-%d %H:%M}"

    def _of_company(self, others: list[Self]) -> Iterator[str]:
        if self.along_with is None:
            return
        first = next((each for each in others if each.name == self.along_with), None)
        if first is None:
            known = ", ".join(f'"{each.name}"' for each in others) or "none has been entered"
            yield f'along_with: found "{self.along_with}"; expected the name of another change: {known}'
        elif first.along_with is not None:
            yield f'along_with: found "{first.name}", which goes along with "{first.along_with}"; expected that one'
        elif not set(first.on) & set(self.on):
            yield f'along_with: found "{self.along_with}", on {", ".join(first.on)}; expected a change to the same load'
