"""What rules ask of the metering: energy and waste of a load, when a meter was heard, what does not add up."""

from __future__ import annotations

from collections.abc import Callable

from wattround.core.computing import Computing
from wattround.core.rulebook import HOUSE
from wattround.core.watches import Watches
from wattround.metering.consumption import house_energy, sources
from wattround.metering.house import Metering
from wattround.metering.tree import Tree


class HouseFacts:
    """Answers from the metering of one house; `told` members are set by who knows them."""

    def __init__(self, metering: Metering, computing: Computing, tree: Callable[[], Tree]) -> None:
        self._metering, self._computing, self._tree = metering, computing, tree
        self._sources = (tree(), sources(tree()))
        self.troubles_now: frozenset[str] = frozenset()
        self.listening_ms: int | None = None
        self.members: dict[str, tuple[str, ...]] = {}
        self.watches = Watches()

    def worn_off(self, load: str) -> bool | None:
        """Whether a saving that was proven on it is lost; None where none is watched."""
        return self.watches.worn_off(load)

    def above(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds above standby since the load was first metered; the house as a whole has no waste."""
        meter = self._metering.meters.get(load) or self._computing.meters.get(load)
        return meter.above_at(at_ms) if meter is not None else 0.0

    def energy(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds taken since the load was first metered, up to `at_ms`; of the house, its consumption."""
        if load in self.members:
            return sum(self.energy(name, at_ms) for name in self.members[load])
        if load == HOUSE and load not in self._metering.meters:
            tree = self._tree()
            if self._sources[0] is not tree:
                self._sources = (tree, sources(tree))
            return house_energy(self._sources[1], lambda name: self._both(name, at_ms)).consumed
        return self._both(load, at_ms)[0]

    def _both(self, name: str, at_ms: int) -> tuple[float, float]:
        meter = self._metering.meters.get(name) or self._computing.meters.get(name)
        return meter.energy_at(at_ms) if meter is not None else (0.0, 0.0)

    def heard_ms(self, meter: str) -> int | None:
        """When it was last heard, or listening began; None while nothing can be heard."""
        known = self._metering.meters.get(meter) or self._computing.meters.get(meter)
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
        signs = [tree.sign(child) for child in tree.children[meter]]
        return sum(sign * part for sign, part in zip(signs, known, strict=True)) - parent

    def _watts(self, name: str, at_ms: int) -> float | None:
        live = self._computing.meters.get(name)
        if live is not None:
            return live.watts_at(at_ms)
        meter = self._metering.meters.get(name)
        return meter.watts if meter is not None and at_ms <= meter.held_until_ms else None

    def troubles(self) -> frozenset[str]:
        """The daemon's own troubles."""
        return self.troubles_now
