"""From settings to the parts that the core runs: meters, tariff, tree."""

from __future__ import annotations

from wattround.config.model import Meter, Settings
from wattround.ingest.feed import is_stamped
from wattround.metering.level import Thresholds
from wattround.metering.spec import MeterSpec
from wattround.metering.tree import Tree
from wattround.money.flat import FlatTariff


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


def tree_of(meters: dict[str, Meter]) -> Tree:
    """The nesting of the meters there are."""
    generators = [name for name, meter in meters.items() if meter.role == "generation"]
    return Tree({name: meter.within for name, meter in meters.items()}, generators)


def tariff_of(settings: Settings) -> FlatTariff:
    """The price of a watt-hour."""
    return FlatTariff(settings.house.price_per_kwh, settings.house.currency)
