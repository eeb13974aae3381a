"""What the house as a whole took, from its supplies, generators and storages."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from wattround.metering.tree import Tree


class Sources(NamedTuple):
    """The meters that a house's consumption is made of; each is the outermost of its kind."""

    supplies: tuple[str, ...]
    generators: tuple[str, ...]
    storages: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All of them: consumption is known where they are."""
        return self.supplies + self.generators + self.storages

    @property
    def signs(self) -> dict[str, int]:
        """Which way the net energy (in less out) of each counts."""
        return dict.fromkeys(self.supplies + self.generators, 1) | dict.fromkeys(self.storages, -1)


class HouseEnergy(NamedTuple):
    """Energy of the house over some time, in the unit of what it was made from.

    What generators draw themselves (an inverter by night) is taken off `generated`.
    """

    supply_in: float
    supply_out: float
    generated: float
    charged: float
    discharged: float

    @property
    def consumed(self) -> float:
        """What was taken for all other purposes: supply in + generation - supply out -/+ storage."""
        return self.supply_in - self.supply_out + self.generated - self.charged + self.discharged


def sources(tree: Tree) -> Sources:
    """The meters to add up.

    A supply within another is in that one already, and so is a generator or storage within a generator or storage: a
    battery behind a hybrid inverter. Without a supply, the outermost meters of loads take its place, and only what
    generates or stores within them counts.
    """
    behind = tree.generators | tree.storages

    def outermost(kind: set[str], other: set[str]) -> tuple[str, ...]:
        return tuple(name for name in tree.children if name in kind and other.isdisjoint(tree.ancestors(name)))

    supplies = outermost(tree.supplies, tree.supplies)
    generators, storages = outermost(tree.generators, behind), outermost(tree.storages, behind)
    if supplies:
        return Sources(supplies, generators, storages)
    loads = tuple(name for name in tree.roots if name not in behind)

    def inside(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(name for name in names if not set(loads).isdisjoint(tree.ancestors(name)))

    return Sources(loads, inside(generators), inside(storages))


def house_energy(of: Sources, flows: Callable[[str], tuple[float, float]]) -> HouseEnergy:
    """Energy of the house, from the energy (in, out) of each source over the same time: a minute, an hour, a year."""
    supplied = [flows(name) for name in of.supplies]
    made = [flows(name) for name in of.generators]
    stored = [flows(name) for name in of.storages]
    return HouseEnergy(
        sum(into for into, _ in supplied), sum(out for _, out in supplied),
        sum(into - out for into, out in made),
        sum(into for into, _ in stored), sum(out for _, out in stored),
    )  # fmt: skip
