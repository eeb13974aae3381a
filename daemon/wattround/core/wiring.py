"""From settings to the parts that the core runs: meters, rules, tariff, tree."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from wattround.config.model import Meter, Rule, Settings
from wattround.ingest.feed import is_stamped
from wattround.metering.level import Thresholds
from wattround.metering.meter import MeterSpec
from wattround.metering.tree import Tree
from wattround.money.flat import FlatTariff
from wattround.rules.condition import AtLevel, Between, Condition, HouseIs
from wattround.rules.engine import RuleSpec
from wattround.rules.occupancy import Presence


def meter_spec(meter: Meter, name: str) -> MeterSpec:
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
    )


def tree_of(meters: dict[str, Meter]) -> Tree:
    """The nesting of the meters there are."""
    generators = [name for name, meter in meters.items() if meter.role == "generation"]
    return Tree({name: meter.within for name, meter in meters.items()}, generators)


def tariff_of(settings: Settings) -> FlatTariff:
    """The price of a watt-hour."""
    return FlatTariff(settings.house.price_per_kwh, settings.house.currency)


def rule_specs(settings: Settings, presence: Presence) -> list[RuleSpec]:
    """Rules made ready to run."""
    return [_rule_spec(rule, settings, presence) for rule in settings.rules]


def _rule_spec(rule: Rule, settings: Settings, presence: Presence) -> RuleSpec:
    conditions: list[Condition] = [AtLevel(rule.level)]
    if rule.occupancy is not None:
        conditions.append(HouseIs(rule.occupancy, presence))
    stated = rule.model_dump_json(exclude={"tell"})
    if rule.between is not None:
        begins, ends = (settings.marks[name] for name in rule.between)
        conditions.append(Between(begins, ends, ZoneInfo(settings.house.time_zone)))
        stated += begins.model_dump_json() + ends.model_dump_json()
    return RuleSpec(rule.name, rule.load, tuple(conditions), rule.lasting, rule.release, stated)
