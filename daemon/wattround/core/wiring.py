"""From settings to the parts that the core runs: meters and their tree."""

from __future__ import annotations

from collections.abc import Mapping

from wattround.config.model import Meter
from wattround.config.places import Recipe
from wattround.ingest.feed import is_stamped
from wattround.metering.accuracy import percent
from wattround.metering.level import Thresholds
from wattround.metering.spec import MeterSpec
from wattround.metering.tree import Tree


def meter_spec(meter: Meter, name: str, edges_w: tuple[float, ...] = (), *, every_change: bool = False) -> MeterSpec:
    """What the integrator needs to know of a meter's settings."""
    return MeterSpec(
        name=name,
        hold_ms=meter.hold,
        thresholds=Thresholds(meter.standby_w, meter.active_w, meter.release_w),
        stamped=is_stamped(meter),
        has_power=meter.power is not None,
        has_counter=meter.counter is not None,
        counts_out=meter.counter is not None and meter.counter.sign < 0,
        highest_w=meter.highest_w,
        rollover_wh=meter.counter.rollover_wh if meter.counter else None,
        edges_w=edges_w,
        every_change=every_change,
    )


def tree_of(meters: Mapping[str, Meter]) -> Tree:
    """The nesting of the meters there are."""
    by_role: dict[str, set[str]] = {}
    for name, meter in meters.items():
        by_role.setdefault(meter.role, set()).add(name)
    return Tree(
        {name: meter.within for name, meter in meters.items()},
        generators=by_role.get("generation", ()),
        storages=by_role.get("storage", ()),
        supplies=by_role.get("supply", ()),
        recipes=recipes_of(meters),
    )


def recipes_of(meters: Mapping[str, Meter]) -> dict[str, Recipe]:
    """What the computed meters are made of."""
    return {
        name: Recipe(meter.sum_of, meter.less, meter.multiple)
        for name, meter in meters.items()
        if meter.sum_of is not None
    }


def accuracy_of(meters: Mapping[str, Meter]) -> dict[str, float]:
    """Largest error of each measured meter, in per cent."""
    return {
        name: percent(meter.accuracy_percent, meter.meter_class, meter.clamp_class)
        for name, meter in meters.items()
        if not meter.computed
    }
