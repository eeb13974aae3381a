"""What a change is: from a load's minutes, how much less and how much more it would have taken in each."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from wattround.analysis.whatif.load import Load, zeros


class Effect(NamedTuple):
    """Microwatt-hours that a load would not have taken in each of its minutes, and those that it would have beside.

    What it would not have taken is never more than what it took.
    """

    less: array[int]
    more: array[int]

    @classmethod
    def none(cls, load: Load) -> Effect:
        """Nothing yet, for each minute of a load."""
        return cls(zeros(len(load)), zeros(len(load)))

    @property
    def saved_uwh(self) -> int:
        """What it comes to."""
        return sum(self.less) - sum(self.more)


class Variant(NamedTuple):
    """One way in which a change may turn out; `name` is empty where there is only one.

    `cuts`: minutes at which its days end, where what is saved before midnight is paid for after it.
    """

    name: str
    effect: Effect
    notes: tuple[str, ...] = ()
    cuts: tuple[int, ...] = ()


class Change(Protocol):
    """A kind of change."""

    @property
    def title(self) -> str:
        """What would have been, as in "off from bedtime to rising"."""
        ...

    @property
    def cautions(self) -> Sequence[str]:
        """What a person must know beside the figures."""
        ...

    def variants(self, load: Load) -> list[Variant]:
        """What would have been, from all minutes that there are."""
        ...


def kwh(uwh: float) -> str:
    """Microwatt-hours as people read them."""
    return f"{uwh / 1e9:.2f} kWh"
