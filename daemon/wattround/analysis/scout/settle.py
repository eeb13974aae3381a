"""Units that the values themselves tell, and units that are stated but cannot be: power and energy held together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from wattround.analysis.scout.behaviour import Rate, is_clockwork, possible, rate, unit_by_product
from wattround.analysis.scout.recognise import Value, by_place, numbers
from wattround.analysis.scout.units import Unit, unit_of

MOST_TOGETHER = 40
"""Values in one place that are held against each other."""
MANY_WH = 100_000.0
"""A register of whole numbers beyond this counts watt-hours rather than kilowatt-hours."""


class Pair(NamedTuple):
    """A power and a register that rises as it says."""

    power: Value
    energy: Value
    rate: Rate


def settle(found: Sequence[Value]) -> list[Pair]:
    """Find what belongs together, and settle the units of all powers and energies. Returns the pairs."""
    groups = list(by_place(found).values())
    for group in groups:
        _by_product(group)
    pairs = sorted(_pairs(groups), key=lambda pair: -pair.rate.ticks)
    for pair in pairs:
        _reconcile(pair)
    for value in found:
        if value.is_wanted and value.of.is_number:
            _take_the_usual(value) if value.unit is None else _doubt(value)
    return pairs


def _by_product(group: Sequence[Value]) -> None:
    """Where there are one voltage, one current and one power side by side."""
    volts, amperes = numbers(group, "voltage"), numbers(group, "current")
    powers = [value for value in numbers(group, "power") if not value.refused]
    if len(volts) != 1 or len(amperes) != 1 or len(powers) != 1 or powers[0].unit is not None:
        return
    unit = unit_by_product(powers[0].of, volts[0].of, amperes[0].of)
    if unit is not None:
        powers[0].unit, powers[0].surety = unit, "sure"
        powers[0].because.append(f"in {unit.name} it is the product of the voltage and the current beside it")


def _pairs(groups: Iterable[Sequence[Value]]) -> list[Pair]:
    """Every register with the power that fits it best: of the same name first, then of the same payload."""
    best: dict[int, tuple[tuple[bool, bool, int], Pair]] = {}
    for group in groups:
        if len(group) > MOST_TOGETHER:
            continue
        for pair in _in_group(group):
            power, energy, found = pair
            rank = power.own == energy.own, power.topic == energy.topic, found.ticks
            if id(energy) not in best or rank > best[id(energy)][0]:
                best[id(energy)] = rank, pair
    return [pair for _, pair in best.values()]


def _in_group(group: Sequence[Value]) -> Iterator[Pair]:
    for energy in _may_be(group, "energy"):
        nameless = energy.hint.quantity is None and energy.stated is None
        if nameless and is_clockwork(energy.of):
            continue
        for power in _may_be(group, "power"):
            if power is not energy and (found := rate(power.of, energy.of)) is not None and found.pairs():
                yield Pair(power, energy, found)


def _may_be(group: Sequence[Value], quantity: str) -> list[Value]:
    return [value for value in (*numbers(group, quantity), *numbers(group, "")) if not value.refused]


# -- one pair ---------------------------------------------------------------------------------------


def _reconcile(pair: Pair) -> None:
    power, energy, found = pair
    power.quantity, energy.quantity = "power", "energy"
    one, other = _known(power), _known(energy)
    if one is not None and other is not None and not found.fits(one, other):
        _contradiction(pair, one, other)
        return
    fitting = [each for each in found.pairs() if one in (None, each[0]) and other in (None, each[1])]
    fitting = [each for each in fitting if possible(power.of, each[0])]
    if not fitting:
        return
    power.unit, energy.unit = fitting[0]
    told = f"{_rise(pair)} {energy.unit.name}, as the power beside it says"
    energy.because.append(told)
    if one is None:
        power.because.append(f"the register beside it rose as it says in {power.unit.name}")
    if len(fitting) == 1:
        power.surety = energy.surety = "sure"
        return
    others = ", or ".join(f"{a.name} and {b.name}" for a, b in fitting[1:])
    for value in (power, energy):
        value.surety = "likely"
        value.question = f"Are they {power.unit.name} and {energy.unit.name}? {others} would fit as well."


def _known(value: Value) -> Unit | None:
    """Its unit, unless that is itself only one of several that fit."""
    return value.unit if value.surety == "sure" or value.stated is not None else None


def _rise(pair: Pair) -> str:
    return f"it rose by {pair.rate.rise:.4g}"


def _contradiction(pair: Pair, one: Unit, other: Unit) -> None:
    """Two stated units that cannot both be: the one that is wrong is the one that no house can have."""
    power, energy, found = pair
    ways = [each for each in found.pairs() if each[0] == one or each[1] == other]
    ways = [each for each in ways if possible(power.of, each[0])]
    if power.stated is None:  # found by the voltage and the current: the register's is the wrong one
        ways = [each for each in ways if each[0] == one]
    told = f"{_rise(pair)}, while the power came to {found.sum_vh:.4g} {one.name}h: not {other.name}"
    energy.because.append(told)
    power.because.append(f"the register beside it does not rise as it says in {one.name}")
    if not ways:
        power.surety = energy.surety = "open"
        return
    power.unit, energy.unit = ways[0]
    wrong = power if power.unit != one else energy
    wrong.because.append(f"so it is {wrong.unit.name if wrong.unit else ''}, whatever is said")
    if len(ways) > 1:
        names = ", or ".join(f"{a.name} and {b.name}" for a, b in ways)
        for value in (power, energy):
            value.surety = "open"
            value.question = f"Which of the two units is wrong? {names} fit each other."
    else:
        power.surety = energy.surety = "sure"


# -- what nothing tells -----------------------------------------------------------------------------


def _take_the_usual(value: Value) -> None:
    of = value.of
    if value.quantity == "power":
        value.unit = unit_of("W")
    else:
        value.unit = unit_of("Wh" if of.high > MANY_WH and of.whole == of.count else "kWh")
    name = value.unit.name if value.unit else ""
    value.question = f"Is it in {name}? Its unit is not said."
    if value.hint.weak or value.hint.quantity is None:
        value.question = f"Is it {value.quantity}, and in {name}? Neither is said."


def _doubt(value: Value) -> None:
    """A stated unit in which no house could draw so much."""
    if value.quantity == "power" and value.unit is not None and not possible(value.of, value.unit):
        value.surety = "open"
        value.because.append(f"{value.of.high:g} {value.unit.name} is more than a house can draw")
        value.unit = unit_of("W")
        value.question = "Is it in W, whatever is said?"
