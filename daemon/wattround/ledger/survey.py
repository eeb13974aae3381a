"""Hours of all meters over a long time, and minutes of some days: what is looked at to find what does not add up."""

from __future__ import annotations

from array import array
from collections.abc import Collection
from math import nan
from pathlib import Path
from typing import TypeAlias

from wattround.ledger.past import Past
from wattround.ledger.totals import place
from wattround.metering.minute import MINUTE_MS

HOUR_MS = 3_600_000
DAY = 1440
STRIDE = DAY + 10
"""Places of a day's minutes in a series: ten that are nothing keep it apart from the next."""

Series: TypeAlias = "array[float]"
"""One number an hour or minute; NaN where it was not whole, or only estimated."""


class Survey(Past):
    """A read-only look at what meters have in common."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        self._names = {number: name for name, (number, _) in self.meters().items()}

    def hourly(self, names: Collection[str], first: int, last: int) -> tuple[dict[str, Series], dict[str, Series]]:
        """Net watt-hours, and peak watts, of hours in [first, last)."""
        net = {name: array("d", [nan]) * (last - first) for name in names}
        peak = {name: array("d", [nan]) * (last - first) for name in names}
        for hour, meter, net_uwh, peak_milliw in self._db.execute(
            "SELECT hour, meter, in_uwh - out_uwh, coalesce(max(peak_milliw, -low_milliw), 0) FROM hour"
            " WHERE hour >= ? AND hour < ? AND covered_ms >= ? AND estimated_uwh = 0",
            (first, last, HOUR_MS - MINUTE_MS // 60),
        ):
            name = self._names.get(meter)
            if name in net:
                net[name][hour - first] = net_uwh / 1e6
                peak[name][hour - first] = peak_milliw / 1e3
        return net, peak

    def by_minute(self, names: Collection[str], days: list[int]) -> dict[str, Series]:
        """Mean net watts of the minutes of some days since 1970, one after the other."""
        found = {name: array("d", [nan]) * (STRIDE * len(days)) for name in names}
        by_number = {number: found[name] for number, name in self._names.items() if name in found}
        for at, day in enumerate(days):
            shift = at * STRIDE - day * DAY
            for key, net_uwh in self._db.execute(
                "SELECT place, in_uwh - out_uwh FROM minute_row"
                " WHERE place >= ? AND place < ? AND uncovered_ms < 1000 AND origin & 4 = 0",
                (place(day * DAY), place(day * DAY + DAY)),
            ):
                series = by_number.get(key & 65535)
                if series is not None:
                    series[(key >> 16) + shift] = net_uwh * 6e-5
        return found
