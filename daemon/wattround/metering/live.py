"""A computed meter as it stands: its watts, level and waste, from what its parts hold."""

from __future__ import annotations

from collections.abc import Mapping

from wattround.metering.formula import Formula, combined_w
from wattround.metering.level import Level, Thresholds, band_of
from wattround.metering.meter import Meter
from wattround.metering.spec import LevelChange


class LiveSum:
    """Follows the changes of its parts. Its minutes are computed from theirs, where those are kept.

    Waste is added up in the order in which changes are heard of: stamped parts that come late shift it a little.
    """

    def __init__(self, formula: Formula, thresholds: Thresholds, meters: Mapping[str, Meter]) -> None:
        self.formula, self.thresholds = formula, thresholds
        self._meters = meters
        self.watts: float | None = None
        self.level: Level | None = None
        self.above_wms = self.net_wms = 0.0
        self._parts_wms = 0.0
        self._done_ms = self._changed_ms = -1
        self._before: Level | None = None

    def part_changed(self, at_ms: int) -> LevelChange:
        """What it draws now that a part draws something else."""
        self.above_wms, self.net_wms = self.above_at(at_ms), self.energy_at(at_ms)[0]
        self._parts_wms = self._parts_at(at_ms)
        self._done_ms = max(self._done_ms, at_ms)
        if at_ms > self._changed_ms:  # within an instant, hysteresis goes by what was before it
            self._changed_ms, self._before = at_ms, self.level
        self.watts = self.watts_at(at_ms)
        self.level = None if self.watts is None else band_of(self.watts, self._before, self.thresholds).level
        return LevelChange(at_ms, self.formula.name, self.level, self.watts)

    def watts_at(self, at_ms: int) -> float | None:
        """Watts, while all parts are held."""

        def held(name: str) -> float | None:
            meter = self._meters.get(name)
            return meter.watts if meter is not None and at_ms <= meter.held_until_ms else None

        return combined_w(self.formula, held)

    def above_at(self, at_ms: int) -> float:
        """Watt-milliseconds above standby since it began, up to an instant."""
        ahead = min(at_ms, self.held_until_ms) - self._done_ms
        if self.watts is None or ahead <= 0:
            return self.above_wms
        return self.above_wms + max(0.0, self.watts - self.thresholds.standby_w) * ahead

    def energy_at(self, at_ms: int) -> tuple[float, float]:
        """Net watt-milliseconds since it began, over the time in which all parts were held; nothing apart as out."""
        if self.watts is None:
            return self.net_wms, 0.0
        return self.net_wms + self._parts_at(min(at_ms, self.held_until_ms)) - self._parts_wms, 0.0

    def _parts_at(self, at_ms: int) -> float:
        """Net watt-milliseconds that the parts make since each of them began."""
        total = 0.0
        for name, factor in self.formula.terms:
            meter = self._meters.get(name)
            if meter is not None:
                into, out = meter.energy_at(at_ms)
                total += factor * (into - out)
        return total

    @property
    def heard_ms(self) -> int:
        """When the part that has been silent for longest was heard; -1 before the first of each."""
        return min((m.heard_ms if (m := self._meters.get(name)) else -1) for name, _ in self.formula.terms)

    @property
    def held_until_ms(self) -> int:
        """Until when all parts are held."""
        return min((m.held_until_ms if (m := self._meters.get(name)) else -1) for name, _ in self.formula.terms)

    def clock_was_set(self, now_ms: int) -> None:
        """Time that never passed wastes nothing."""
        self._done_ms, self._changed_ms = now_ms, now_ms - 1
