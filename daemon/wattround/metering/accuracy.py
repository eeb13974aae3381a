"""How far a meter's energy may be off, by the classes on its plate.

Whole-number classes are those of IEC 62053-21, lettered ones those of the European Directive 2014/32/EU (MID),
annex V; clamps have the ratio error of IEC 61869-2. Each is the largest error of its class between 5 % and 120 % of
the rated current (class 3 clamps: from 50 %, as their class goes no lower), so that it holds for small loads too. A
clamp's phase displacement is not in it: at a power factor of 0.5 it alone may make 3 % (class 1).
"""

from __future__ import annotations

from collections.abc import Callable

METER_PERCENT = {"A": 3.5, "B": 2.0, "C": 1.0, "1": 1.0, "2": 2.0}
CLAMP_PERCENT = {"0.2": 0.75, "0.5": 1.5, "1": 3.0, "3": 3.0}
UNKNOWN_PERCENT = 5.0
"""Where nothing is stated: clamps of small installations read a few per cent off (common practice, no source)."""


def percent(stated: float | None, meter_class: str | None, clamp_class: str | None) -> float:
    """Largest error in per cent; a clamp and the meter behind it add up at worst."""
    if stated is not None:
        return stated
    if meter_class is None and clamp_class is None:
        return UNKNOWN_PERCENT
    return METER_PERCENT.get(meter_class or "", 0.0) + CLAMP_PERCENT.get(clamp_class or "", 0.0)


def allowance(percents: dict[str, float], gross: Callable[[str], float]) -> float:
    """The most that sums of these meters may be apart: their errors at worst all go one way.

    `gross` is the energy that a meter measured, in and out; the answer is in its unit.
    """
    return sum(each / 100 * gross(name) for name, each in percents.items())
