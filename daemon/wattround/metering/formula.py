"""Meters that are computed from others: a sum, a difference, a multiple, of minutes and of what stands now."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from wattround.config.places import Recipe
from wattround.metering.minute import ESTIMATED, MINUTE_MS, Minute


class Formula(NamedTuple):
    """What a computed meter is made of in the end: measured meters, each with what it is multiplied with."""

    name: str
    terms: tuple[tuple[str, float], ...]


def formulas(recipes: Mapping[str, Recipe]) -> dict[str, Formula]:
    """What each computed meter is made of in the end; no meter may be a part of itself."""

    def spread(name: str, factor: float, into: dict[str, float]) -> None:
        recipe = recipes.get(name)
        if recipe is None:
            into[name] = into.get(name, 0.0) + factor
            return
        for part in recipe.sum_of:
            spread(part, factor * recipe.multiple, into)
        for part in recipe.less:
            spread(part, -factor * recipe.multiple, into)

    found = {}
    for name in recipes:
        into: dict[str, float] = {}
        spread(name, 1.0, into)
        found[name] = Formula(name, tuple(into.items()))
    return found


def combined(formula: Formula, flows: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    """Energy in and out of a computed meter, from that of its parts (in, out) over the same time.

    What one part takes while another gives cancels: it never left the house's wires. What one part did both ways
    is left so, for it cannot have done both at once. In less out is always that of the parts, added up.
    """
    net = both_ways = 0.0
    for name, factor in formula.terms:
        into, out = flows[name]
        net += factor * (into - out)
        both_ways += abs(factor) * min(into, out)
    return max(net, 0.0) + both_ways, max(-net, 0.0) + both_ways


def combined_w(formula: Formula, watts_of: Callable[[str], float | None]) -> float | None:
    """Watts of a computed meter; None where those of a part are not known."""
    total = 0.0
    for name, factor in formula.terms:
        watts = watts_of(name)
        if watts is None:
            return None
        total += factor * watts
    return total


def combined_minute(formula: Formula, rows: Mapping[str, Minute]) -> Minute | None:
    """A computed meter's minute; None unless every part has a row.

    It covers as much as the part that covers least. A part that covers more counts with its mean power over that
    time, which is marked as estimated: nobody knows which seconds they share. Peak and low are the most and the
    least that the parts' own allow.
    """
    parts = [(rows[name], factor) for name, factor in formula.terms if name in rows]
    if len(parts) < len(formula.terms):
        return None
    covered_ms = min(row.covered_ms for row, _ in parts)
    origin = 0
    flows: dict[str, tuple[float, float]] = {}
    for row, _ in parts:
        share = covered_ms / row.covered_ms if row.covered_ms else 0.0
        flows[row.meter] = (row.in_uwh * share, row.out_uwh * share)
        origin |= row.origin | (ESTIMATED if row.covered_ms != covered_ms else 0)
    into, out = combined(formula, flows)
    low, peak = _bounds(parts)
    return Minute(
        formula.name, parts[0][0].minute, round(into), round(out), min(covered_ms, MINUTE_MS), peak, low, origin
    )


def _bounds(parts: list[tuple[Minute, float]]) -> tuple[int | None, int | None]:
    low = peak = 0.0
    for row, factor in parts:
        if row.low_milliw is None or row.peak_milliw is None:
            return None, None
        least, most = sorted((factor * row.low_milliw, factor * row.peak_milliw))
        low, peak = low + least, peak + most
    return round(low), round(peak)
