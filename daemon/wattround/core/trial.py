"""A trial: a change that is on and off in turns, in an order drawn by chance, so that it shows what it saves."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Annotated, ClassVar, Literal, NamedTuple, Self
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field

from wattround.config.tariff import Day
from wattround.core.change import Loads, Moment, loads_objections
from wattround.core.entry import Entry, Household
from wattround.metering.localtime import instant_ms, local_date

DAY = timedelta(days=1)
LEAST_DAYS, LONGEST_DAYS = 14, 400
COMMANDS = ("all", "one", "plan", "trials")
"""What `prove` takes for something else than a name."""
_NO_LEVEL = re.compile(r"[\W_]+")

Do = Literal["on", "off"]


def _tuple(found: object) -> object:
    return tuple(found) if isinstance(found, list) else found


class Trial(Entry):
    """Units of `unit_days` local days from `first` on; `order` has a + for each that the change is on, else a -.

    In each block of `block_units` as many are on as off. The order was drawn from `seed` at `drawn`, before it began.
    `on_is` and `off_is` say what a person does; on the days `skipped` that was not done.
    """

    kind: ClassVar[str] = "trial"

    name: str = Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")
    on: Loads = Field(min_length=1, max_length=20)
    first: Day = Field(alias="from")
    unit_days: Literal[1, 7]
    block_units: int = Field(ge=2)
    order: str = Field(pattern=r"^[+-]+$", max_length=LONGEST_DAYS)
    seed: int = Field(ge=0)
    drawn: Moment
    on_is: str = Field(default="", max_length=80)
    off_is: str = Field(default="", max_length=80)
    skipped: Annotated[tuple[Day, ...], BeforeValidator(_tuple)] = Field(default=(), max_length=LONGEST_DAYS)

    @property
    def days(self) -> int:
        """How many."""
        return len(self.order) * self.unit_days

    @property
    def last(self) -> date:
        """Its last day."""
        return self.first + (self.days - 1) * DAY

    def do(self, day: date) -> Do | None:
        """What is to be done on a day; None outside of the trial."""
        if not self.first <= day <= self.last:
            return None
        return "on" if self.order[(day - self.first).days // self.unit_days] == "+" else "off"

    def means(self, do: Do) -> str:
        """What that is, in the words of the person who planned it."""
        return self.on_is if do == "on" else self.off_is

    def until(self, day: date) -> date:
        """The first day on which something else is to be done than on this one, or on which the trial is over."""
        later = day + DAY
        while self.do(later) == self.do(day):
            later += DAY
        return later

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:
        """The first thing that is wrong with it."""
        return next(self._objections(others, house), None)

    def _objections(self, others: Mapping[int, Self], house: Household) -> Iterator[str]:
        yield from self._of_name(others)
        yield from loads_objections(self.on, house)
        yield from self._of_order()
        yield from self._of_days(house)
        for number, other in others.items():
            shared = [name for name in self.on if name in other.on]
            if shared and self.first <= other.last and other.first <= self.last:
                yield (
                    f"from: found {self.first} to {self.last}, which has days of trial {number}, "
                    f'"{other.name}", on {shared[0]}; expected a day after {other.last}'
                )

    def _of_name(self, others: Mapping[int, Self]) -> Iterator[str]:
        if any(each.name == self.name for each in others.values()):
            yield f'name: found "{self.name}", which another trial has; expected a name of its own'
        if self.name.isdecimal():
            yield f'name: found "{self.name}"; expected more than a number: trials have numbers, too'
        if self.name in COMMANDS:
            yield f'name: found "{self.name}"; expected another name: wattround prove {self.name} is a command'
        level = topic_level(self.name)
        if not level:
            yield f'name: found "{self.name}"; expected a letter or a digit in it'
        twin = next((each.name for each in others.values() if topic_level(each.name) == level), None)
        if twin is not None:
            yield f'name: found "{self.name}", whose topic would be that of "{twin}"; expected another name'

    def _of_order(self) -> Iterator[str]:
        size = self.block_units
        blocks = [self.order[at : at + size] for at in range(0, len(self.order), size)]
        if any(len(block) != size or block.count("+") * 2 != size for block in blocks):
            yield f"order: found {self.order}; expected blocks of {size} with as many + as -"
        if not LEAST_DAYS <= self.days <= LONGEST_DAYS:
            yield f"order: found {self.days} days; expected {LEAST_DAYS} to {LONGEST_DAYS}"

    def _of_days(self, house: Household) -> Iterator[str]:
        if self.drawn.timestamp() * 1000 > house.now_ms:
            yield f"drawn: found {self.drawn:%Y-%m-%d %H:%M}, which is still to come; expected a moment that has passed"
        if self.first <= self.drawn.date():
            yield (
                f"from: found {self.first}; expected a day that has not begun, {self.drawn.date() + DAY} at the "
                "earliest: what was not said in time was not done"
            )
        for day in self.skipped:
            if self.do(day) is None:
                yield f"skipped: found {day}; expected a day of the trial, {self.first} to {self.last}"
            elif day > house.today:
                yield f"skipped: found {day}, which is still to come; expected a day that has come"
        if len(set(self.skipped)) < len(self.skipped):
            yield "skipped: found a day twice; expected each once"


class Instruction(NamedTuple):
    """What is to be done on a local day, and the instant until when at least."""

    day: date
    do: Do
    until_ms: int


def instruction(trial: Trial, now_ms: int, zone: ZoneInfo) -> Instruction | None:
    """What a trial says at an instant; None before its first day and after its last."""
    day = local_date(now_ms, zone)
    do = trial.do(day)
    return None if do is None else Instruction(day, do, instant_ms(trial.until(day), 0, zone))


def topic_level(name: str) -> str:
    """A name as one level of a topic: letters and digits of any script, small, with hyphens; may come out empty."""
    return _NO_LEVEL.sub("-", unicodedata.normalize("NFKC", name).casefold()).strip("-")
