"""What rules ask of the metering: energy and waste of a load, when a meter was heard, what does not add up."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from wattround.core.rulebook import HOUSE
from wattround.metering.house import Metering
from wattround.metering.tree import Tree


class HouseFacts:
    """Answers from the metering of one house; `told` members are set by who knows them."""

    def __init__(self, metering: Metering, tree: Callable[[], Tree], roles: Callable[[], Mapping[str, str]]) -> None:
        self._metering, self._tree, self._roles = metering, tree, roles
        self.troubles_now: frozenset[str] = frozenset()
        self.listening_ms: int | None = None
        self.members: dict[str, tuple[str, ...]] = {}

    def above(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds above standby since the load was first metered; the house as a whole has no waste."""
        meter = self._metering.meters.get(load)
        return meter.above_at(at_ms) if meter is not None else 0.0

    def energy(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds taken since the load was first metered, up to `at_ms`.

        The house takes what the supply delivers and its generators make, less what it gives back; without a supply
        meter, what the meters that are within no other take.
        """
        meter = self._metering.meters.get(load)
        if meter is not None:
            return meter.energy_at(at_ms)[0]
        if load in self.members:
            return sum(self.energy(name, at_ms) for name in self.members[load])
        return (
            house_sum(self._roles(), self._tree().roots, lambda name: self._both(name, at_ms)) if load == HOUSE else 0
        )

    def _both(self, name: str, at_ms: int) -> tuple[float, float]:
        meter = self._metering.meters.get(name)
        return meter.energy_at(at_ms) if meter is not None else (0.0, 0.0)

    def heard_ms(self, meter: str) -> int | None:
        """When it was last heard, or listening began; None while nothing can be heard."""
        known = self._metering.meters.get(meter)
        if self.listening_ms is None or known is None:
            return None
        return max(known.heard_ms, self.listening_ms)

    def excess_w(self, meter: str, at_ms: int) -> float | None:
        """Watts by which the meters within it exceed it; None unless all of them are known."""
        tree = self._tree()
        parent = self._watts(meter, at_ms)
        parts = [self._watts(child, at_ms) for child in tree.children.get(meter, ())]
        known = [part for part in parts if part is not None]
        if parent is None or not parts or len(known) < len(parts):
            return None
        signs = [-1.0 if child in tree.generators else 1.0 for child in tree.children[meter]]
        return sum(sign * part for sign, part in zip(signs, known, strict=True)) - parent

    def _watts(self, name: str, at_ms: int) -> float | None:
        meter = self._metering.meters.get(name)
        return meter.watts if meter is not None and at_ms <= meter.held_until_ms else None

    def troubles(self) -> frozenset[str]:
        """The daemon's own troubles."""
        return self.troubles_now


def house_sum(roles: Mapping[str, str], roots: list[str], in_and_out: Callable[[str], tuple[float, float]]) -> float:
    """What the house took: supply in, and generation, less supply out; of the outermost meters without a supply."""
    supplies = [name for name, role in roles.items() if role == "supply"]
    makers = [name for name, role in roles.items() if role == "generation"]
    if not supplies:
        return sum(in_and_out(name)[0] for name in roots if name not in makers)
    taken = [into - out for into, out in map(in_and_out, supplies)]
    made = [into - out for into, out in map(in_and_out, makers)]
    return sum(taken) + sum(made)
