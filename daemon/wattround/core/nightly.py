"""Base load by night, from the ledger's hours."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.consumption import house_energy, sources
from wattround.metering.tree import Tree
from wattround.rules.marks import instant_ms
from wattround.rules.nights import NIGHT_HOURS, Night, night_of

HOUR_MS = 3_600_000
COVERED_ENOUGH = 0.98
"""Share of an hour that must be covered for its mean to count."""
SETTLED_MINUTES = 10
"""Minutes after a night's end before it is judged: late readings have mostly come by then."""


class HourRow(NamedTuple):
    """One meter's total of one hour since 1970, in microwatt-hours."""

    hour: int
    meter: str
    in_uwh: int
    out_uwh: int
    covered_ms: int


def night_span(day: date, zone: ZoneInfo) -> tuple[int, int]:
    """First and last-but-one whole UTC hours since 1970 that lie within a local night."""
    begin_ms, end_ms = instant_ms(day, 0, zone), instant_ms(day, NIGHT_HOURS * 60, zone)
    return -(-begin_ms // HOUR_MS), end_ms // HOUR_MS


def judged_ms(day: date, zone: ZoneInfo) -> int:
    """When a night is judged."""
    return instant_ms(day, NIGHT_HOURS * 60 + SETTLED_MINUTES, zone)


def night_from(day: date, rows: Iterable[tuple[int, str, int, int, int]], tree: Tree) -> Night | None:
    """A night's base load from its hours; one in which a meter that the sum needs is not covered is left out."""
    means: dict[int, dict[str, tuple[float, float]]] = {}
    for row in map(HourRow._make, rows):
        if row.covered_ms >= COVERED_ENOUGH * HOUR_MS and row.meter in tree.children:
            means.setdefault(row.hour, {})[row.meter] = _mean_w(row)
    needed = sources(tree)
    hours = [
        (house_energy(needed, found.__getitem__).consumed, {name: into for name, (into, _) in found.items()})
        for found in means.values()
        if found.keys() >= set(needed.names)
    ]
    return night_of(day, hours)


def _mean_w(row: HourRow) -> tuple[float, float]:
    hours = row.covered_ms / HOUR_MS
    return row.in_uwh / 1e6 / hours, row.out_uwh / 1e6 / hours
