"""The base load of each night of a report, for its picture."""

from __future__ import annotations

from wattround.analysis.report import Scene
from wattround.core.nightly import night_from, night_span
from wattround.ledger.grid import Reach
from wattround.ledger.tally import Kept
from wattround.pictures.base import NightBase
from wattround.pictures.grain import HOUR_MS, Days


def nights(scene: Scene, kept: Kept, from_ms: int, to_ms: int) -> list[NightBase]:
    """The whole nights of [from_ms, to_ms)."""
    days = Days.of(from_ms, to_ms, scene.zone)
    spans = {day: range(*night_span(day, scene.zone)) for day in days.days}
    whole = {day: hours for day, hours in spans.items() if hours.stop * HOUR_MS <= to_ms}
    stretches = [(hour, hour * 60, hour * 60 + 60) for hours in whole.values() for hour in hours]
    # totals only, as the report has it: an hour that is not totalled yet is not over
    sums = scene.tally.cells(scene.drawers.sources.names, stretches, Reach(kept.newest_hour + 1, kept.newest_hour))
    found = []
    for day, hours in whole.items():
        rows = [(hour, name, *of[hour]) for hour in hours for name, of in sums.items() if hour in of]
        night = night_from(day, rows, scene.tree)
        found.append(NightBase(day, night.house_w if night else None))
    return found
