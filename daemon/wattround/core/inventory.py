"""A load of the house as people list it: where it hangs, what it draws, how often it is used; measured, or typed in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field

from wattround.config.kinds import KnownMeter, Number
from wattround.config.part import Part
from wattround.core.change import Moment
from wattround.core.entry import Entry, Figure, Household

MOST_W = Decimal(100_000)
HOURS = Decimal(24)
How = Literal["measured", "plate", "guess"]
"""How sure its watts are: seen on a meter, read from its plate, or guessed."""
LOADS = ("circuit", "appliance", "supply")


def _watts(found: Decimal) -> Decimal:
    if not 0 <= found <= MOST_W:
        raise ValueError(f"watts from 0 to {MOST_W}")
    return found


def _hours(found: Decimal) -> Decimal:
    if not 0 <= found <= HOURS:
        raise ValueError("hours a day, from 0 to 24")
    return found


def _tuple(found: object) -> object:
    return tuple(found) if isinstance(found, list) else found


Watts = Annotated[Figure, AfterValidator(_watts)]
Hours = Annotated[Figure, AfterValidator(_hours)]


class Move(Part):
    """By how many watts a circuit moved in one switch, on less off; standard uncertainty, its degrees of freedom."""

    circuit: KnownMeter
    watts: Number
    u_w: Number = Field(gt=0)
    dof: Number = Field(gt=0)
    inrush_w: Number | None = None


class Switched(Part):
    """One switch of a round: of the load (`way` "switch"), or of its plug, pulled or put in while it is off."""

    at: Moment
    way: Literal["switch", "plug"]
    on: bool
    moves: Annotated[tuple[Move, ...], BeforeValidator(_tuple)] = Field(max_length=16)


class Load(Entry):
    """What draws power. Watts are None while they are not known.

    `on_w` is what it draws in use, standby included; `standby_w` while it is off but plugged in; `inrush_w` how much
    more than `on_w` just after it is switched on, at the least. `..._uncertainty_w` is half the interval that has the
    truth in 95 of 100 cases. `hours_low` and `hours_high`: how long it is in use a day, in the mean of a year.
    `switched` are the switches of a round that is not over.
    """

    kind: ClassVar[str] = "load"

    name: str = Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")
    room: str = Field(default="", max_length=40)
    circuit: KnownMeter | None = None
    how: How | None = None
    measured: Moment | None = None
    on_w: Watts | None = None
    on_uncertainty_w: Watts | None = None
    standby_w: Watts | None = None
    standby_uncertainty_w: Watts | None = None
    inrush_w: Watts | None = None
    hours_low: Hours | None = None
    hours_high: Hours | None = None
    note: str = Field(default="", max_length=200)
    switched: Annotated[tuple[Switched, ...], BeforeValidator(_tuple)] = Field(default=(), max_length=60)

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:
        """The first thing that is wrong with it."""
        return next(self._objections(list(others.values()), house), None)

    def _objections(self, others: list[Self], house: Household) -> Iterator[str]:
        if any(each.name == self.name for each in others):
            yield f'name: found "{self.name}", which another load has; expected a name of its own'
        if self.name.isdecimal():
            yield f'name: found "{self.name}"; expected more than a number: loads have numbers, too'
        loads = sorted(name for name, role in house.roles.items() if role in LOADS)
        if self.circuit is not None and self.circuit not in loads:
            known = ", ".join(loads) or "none yet"
            yield f'circuit: found "{self.circuit}"; expected the name of a load or supply: {known}'
        if self.hours_low is not None and self.hours_high is not None and self.hours_low > self.hours_high:
            yield f"hours: found {self.hours_low} to {self.hours_high}; expected the lower one first"
        if (self.hours_low is None) != (self.hours_high is None):
            yield "hours: found one end of a range; expected both"
        for key, of in (("on_uncertainty_w", "on_w"), ("standby_uncertainty_w", "standby_w")):
            if getattr(self, key) is not None and getattr(self, of) is None:
                yield f"{of}: found nothing; expected the watts that {key} belongs to"
        if self.on_w is not None and self.standby_w is not None and self.standby_w > self.on_w:
            yield f"standby_w: found {self.standby_w}, more than its {self.on_w} W in use"


def watts_text(watts: Decimal | None, uncertainty: Decimal | None) -> str:
    """Watts for people, with their uncertainty where that is known; empty where they are not."""
    if watts is None:
        return ""
    return f"{watts}" if uncertainty is None else f"{watts} ± {uncertainty}"


def hours_text(load: Load) -> str:
    """Hours a day for people; empty where nobody has said them."""
    if load.hours_low is None or load.hours_high is None:
        return ""
    low, high = (f"{each.normalize():f}" for each in (load.hours_low, load.hours_high))
    return low if low == high else f"{low}-{high}"
