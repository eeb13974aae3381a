"""The computed meters of a running house: what they draw as their parts change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from wattround.config.model import Meter
from wattround.core.wiring import recipes_of
from wattround.metering.formula import Formula, formulas
from wattround.metering.house import Metering
from wattround.metering.level import Thresholds
from wattround.metering.live import LiveSum
from wattround.metering.spec import LevelChange
from wattround.rules.load import Drawn


class Computing:
    """Computed meters by name, and what rules and people ask of them."""

    def __init__(self, metering: Metering) -> None:
        self._metering = metering
        self.meters: dict[str, LiveSum] = {}
        self.formulas: dict[str, Formula] = {}
        self.parts: frozenset[str] = frozenset()
        self._made_of: dict[str, list[LiveSum]] = {}

    def configure(self, meters: Mapping[str, Meter], now_ms: int) -> None:
        """Take up settings; what has been wasted until now stays."""
        before, self.meters, self._made_of = self.meters, {}, {}
        self.formulas = formulas(recipes_of(meters))
        for name, formula in self.formulas.items():
            meter = meters[name]
            limits = Thresholds(meter.standby_w, meter.active_w, meter.release_w)
            live = LiveSum(formula, limits, self._metering.meters)
            known = before.get(name)
            if known is not None and known.formula == formula:
                live = known
                live.part_changed(now_ms)  # what was until now, by what held until now
                live.thresholds = limits
            elif known is not None:
                live.above_wms, live.net_wms = known.above_at(now_ms), known.energy_at(now_ms)[0]
            live.part_changed(now_ms)
            self.meters[name] = live
            for part, _ in formula.terms:
                self._made_of.setdefault(part, []).append(live)
        self.parts = frozenset(self._made_of)

    def along(self, changes: Iterable[LevelChange]) -> Iterator[LevelChange]:
        """Each change, and those of the computed meters that it makes."""
        for change in changes:
            yield change
            for live in self._made_of.get(change.meter, ()):
                yield live.part_changed(change.at_ms)

    def watched(self, names: Iterable[str]) -> list[str]:
        """The measured meters to look at for these."""
        found: dict[str, None] = {}
        for name in names:
            live = self.meters.get(name)
            found.update(dict.fromkeys([name] if live is None else (part for part, _ in live.formula.terms)))
        return list(found)

    def drawn(self) -> dict[str, Drawn]:
        """What each draws now."""
        return {name: Drawn(live.level, live.watts) for name, live in self.meters.items()}

    def clock_was_set(self, now_ms: int) -> None:
        """Time that never passed wastes nothing."""
        for live in self.meters.values():
            live.clock_was_set(now_ms)

    def snapshot(self, at_ms: int) -> dict[str, Any]:
        """What each wasted since it began, as plain values."""
        return {name: round(live.above_at(at_ms), 3) for name, live in self.meters.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up what was saved."""
        for name, above_wms in state.items():
            if name in self.meters:
                self.meters[name].above_wms = above_wms
