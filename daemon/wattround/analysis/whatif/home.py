"""What all what-ifs of one house have in common: its meters, its prices, and what it exchanged with the grid."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.known import known_meters
from wattround.analysis.naming import LOADS
from wattround.analysis.whatif.load import Load
from wattround.analysis.whatif.rebill import Exchanges
from wattround.config.model import Meter, Settings
from wattround.core.purse import Drawers, Purse
from wattround.core.wiring import tree_of
from wattround.ledger.slices import Bounds, Slices
from wattround.metering.minute import MINUTE_MS
from wattround.metering.tree import Tree
from wattround.money.twoprices import Exchange

HOUR_MS = 3_600_000
STEP_MINUTES = 28 * 1440
"""How many minutes are read at once: every query is short."""


class Home(NamedTuple):
    """One house."""

    slices: Slices
    settings: Settings
    meters: Mapping[str, Meter]
    tree: Tree
    drawers: Drawers
    purse: Purse
    zone: ZoneInfo

    @classmethod
    def of(cls, slices: Slices, settings: Settings) -> Home:
        """The house as its settings and the ledger have it."""
        meters = known_meters(slices, settings)
        tree = tree_of(meters)
        drawers = Drawers.of(meters, tree)
        purse = Purse(settings, lambda: drawers, slices.energies)
        slices.set_sources(*drawers.sources)
        return cls(slices, settings, meters, tree, drawers, purse, ZoneInfo(settings.house.time_zone))

    def label(self, name: str) -> str:
        """What people call a load."""
        meter = self.meters[name]
        return name if meter.captured else meter.title

    def bounds(self, name: str) -> Bounds:
        """From where on a load is in use; without `active_w`, from `standby_w` on."""
        meter = self.meters[name]
        return Bounds(meter.standby_w if meter.active_w is None else meter.active_w, meter.standby_w)

    @property
    def is_as_if_bought(self) -> bool:
        """Whether there is one price that does not look at what the house made itself."""
        return self.settings.house.price_per_kwh is not None and bool(
            self.drawers.sources.generators or self.drawers.sources.storages
        )

    @property
    def single_loads(self) -> list[str]:
        """Loads that can be looked at by themselves: none that has others within it, or is only a part of one."""
        parts = {part for parts in self.tree.parts.values() for part in parts}
        aside = set(self.tree.aside)
        return [
            name
            for name, meter in self.meters.items()
            if meter.role in LOADS and name not in parts and name not in aside and not self.tree.children[name]
        ]

    def load(self, name: str, from_ms: int, to_ms: int) -> Load:
        """A load's minutes of [from_ms, to_ms)."""
        begin, end = from_ms // MINUTE_MS, to_ms // MINUTE_MS
        bounds = self.bounds(name)
        steps = range(begin, end, STEP_MINUTES)
        rows = (self.slices.doing(name, bounds, at, min(end, at + STEP_MINUTES)) for at in steps)
        return Load.of(begin, end, rows)

    def bought(self, from_ms: int, to_ms: int) -> int:
        """What the house bought: what its supplies delivered, or what its outermost meters took."""
        sums = self.slices.sums(from_ms // MINUTE_MS, -(-to_ms // MINUTE_MS))
        return sum(sums[name].in_uwh for name in self.drawers.sources.supplies if name in sums)

    def exchanges(self, from_ms: int, to_ms: int) -> Exchanges | None:
        """What the house did beside buying, minute by minute; None where it only buys, or that is not known."""
        sources = self.drawers.sources
        if not self.drawers.supplied:
            return None
        hours = range(from_ms // HOUR_MS, -(-to_ms // HOUR_MS))
        totals = self.slices.totals(sources.names, hours.start, hours.stop)
        makers = set(sources.generators)
        # by its totals an hour tells whether its minutes must be looked at; one without totals does not
        more = {
            hour
            for hour, found in totals.items()
            if not found or any(row.in_uwh if name in makers else row.out_uwh for name, row in found.items())
        }
        return _Minutes(self.slices, more, len(sources.supplies)).of if more else None


@dataclass(frozen=True, slots=True)
class _Minutes:
    """Exchanges of the minutes in those hours that need them."""

    slices: Slices
    hours: set[int]
    supplies: int

    def of(self, first: int, stop: int) -> Mapping[int, Exchange]:
        found: dict[int, Exchange] = {}
        for begin, end in _runs([hour for hour in range(first // 60, -(-stop // 60)) if hour in self.hours]):
            for minute, *flows, heard in self.slices.exchanges(max(first, begin * 60), min(stop, end * 60)):
                # as in a purse: where a supply was not heard, all counts as bought
                if heard == self.supplies:
                    found[minute] = Exchange(*flows)
        return found


def _runs(hours: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Begin and end of each run of hours that follow one another."""
    for _, some in groupby(enumerate(hours), key=lambda each: each[1] - each[0]):
        held = [hour for _, hour in some]
        yield held[0], held[-1] + 1
