"""What values do: a register never falls, and rises as fast as the power beside it says.

The last is the strongest evidence there is: it tells power and energy apart from all else, and their units.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from wattround.analysis.scout.heard import Field
from wattround.analysis.scout.units import Unit, unit_of

POWERS = ("W", "kW", "mW")
ENERGIES = ("Wh", "kWh", "MWh", "J", "kJ")
ENOUGH_TICKS = 3
AGREES = 0.2
"""Units of power and energy fit each other if their rates differ by no more than this share."""
STRAY = 0.15
"""Share of the whole rise by which single values may lie beside the straight line."""
ALIKE = 0.01
RESETS = 0.05
"""Of all changes so many may be falls: a register that is reset now and then."""
MOST_HOUSE_W = 100_000.0
VOLTS = (80.0, 290.0)
FACTORS = (0.3, 1.1)
MILLIAMPERES = 150.0
"""A current whose greatest value is beyond this is not in amperes, in a house."""


class Rate(NamedTuple):
    """A register rose by `rise` while a power times hours came to `sum_vh`; `ticks`: how often it was seen to move."""

    ticks: int
    rise: float
    sum_vh: float
    given: bool

    @property
    def ratio(self) -> float:
        """How much the register rises for each hour and unit of power."""
        return self.rise / self.sum_vh

    def fits(self, power: Unit, energy: Unit) -> bool:
        """Whether these units explain it."""
        return abs(self.ratio * energy.factor / power.factor - 1) <= AGREES

    def pairs(self) -> list[tuple[Unit, Unit]]:
        """All units that explain it, the most usual first."""
        known = [(unit_of(power), unit_of(energy)) for power in POWERS for energy in ENERGIES]
        return [(power, energy) for power, energy in known if power and energy and self.fits(power, energy)]


def is_register(of: Field) -> bool:
    """Whether it only rises, but for a reset now and then."""
    return of.rises > 0 and of.low >= 0 and of.falls <= RESETS * (of.rises + of.falls)


def is_clockwork(of: Field) -> bool:
    """Whether it rises by the same each time, or as the time does: it counts messages or seconds, not energy."""
    if of.falls or of.rises < 4 or of.rises < of.count - 1 - of.count // 20:
        return False
    steps = [after - before for before, after in pairwise(of.values)]
    if max(steps) - min(steps) <= ALIKE * max(steps):
        return True
    slopes = [step / gap for step, gap in zip(steps, _gaps(of), strict=True) if gap > 0]
    return bool(slopes) and max(slopes) - min(slopes) <= 2 * ALIKE * max(slopes) and _irregular(of)


def _gaps(of: Field) -> list[int]:
    return [after - before for before, after in pairwise(of.at_ms)]


def _irregular(of: Field) -> bool:
    gaps = _gaps(of)
    return max(gaps) > 1.1 * min(gaps)


def rate(power: Field, energy: Field) -> Rate | None:
    """How fast a register rises beside a power; None where it moved too little, or otherwise than the power says."""
    if power.count < 3 or not is_register(energy):
        return None
    found = list(_ticks(energy))
    if len(found) < ENOUGH_TICKS:
        return None
    for given in (False, True):
        sums = [_sum_at(power, at_ms, given=given) for at_ms, _ in found]
        rise, sum_vh = found[-1][1] - found[0][1], sums[-1] - sums[0]
        if sum_vh <= 0:
            continue
        room = STRAY * rise + 1.01 * _resolution(found)
        line = (rise / sum_vh * (each - sums[0]) for each in sums)
        if all(abs(value - found[0][1] - at) <= room for (_, value), at in zip(found, line, strict=True)):
            return Rate(len(found), rise, sum_vh, given)
    return None


def _ticks(energy: Field) -> Iterator[tuple[int, float]]:
    """When it was first seen at each new value, since it last fell."""
    falls = [at for at, (before, after) in enumerate(pairwise(energy.values), 1) if after < before]
    begin = falls[-1] if falls else 0
    for at in range(begin + 1, len(energy.values)):
        if energy.values[at] != energy.values[at - 1]:
            yield energy.at_ms[at], energy.values[at]


def _resolution(ticks: list[tuple[int, float]]) -> float:
    return min(after - before for (_, before), (_, after) in pairwise(ticks))


def _sum_at(power: Field, at_ms: int, *, given: bool) -> float:
    """Value times hours until then; between two points in proportion."""
    times, sums = power.at_ms, power.given if given else power.taken
    index = bisect_right(times, at_ms)
    if index == 0:
        return 0.0
    if index == len(times):
        passed_vh = power.last * (at_ms - power.last_ms) / 3_600_000
        total = power.given_vh if given else power.taken_vh
        return total + max(0.0, -passed_vh if given else passed_vh)
    share = (at_ms - times[index - 1]) / (times[index] - times[index - 1])
    return float(sums[index - 1] + share * (sums[index] - sums[index - 1]))


def mean(of: Field) -> float:
    """Over time; the last value where it came once."""
    hours = (of.last_ms - of.at_ms[0]) / 3_600_000 if len(of.at_ms) else 0.0
    return (of.taken_vh - of.given_vh) / hours if hours > 0 else of.last


def unit_by_product(power: Field, voltage: Field, current: Field) -> Unit | None:
    """W or kW, where a power is the product of a voltage and a current beside it, times a power factor."""
    amperes = mean(current) / (1000 if current.high > MILLIAMPERES else 1)
    volts = mean(voltage)
    if not VOLTS[0] <= volts <= VOLTS[1] or abs(amperes) < 0.02:
        return None
    share = abs(mean(power) / (volts * amperes))
    for name in ("W", "kW"):
        unit = unit_of(name)
        if unit is not None and FACTORS[0] <= share * unit.factor <= FACTORS[1]:
            return unit
    return None


def possible(of: Field, unit: Unit) -> bool:
    """Whether a house can draw so much."""
    return max(abs(of.low), abs(of.high)) * unit.factor <= MOST_HOUSE_W
