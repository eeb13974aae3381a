"""When a load draws: mean watts and money by weekday and hour, in local time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import NamedTuple

from wattround.analysis.account import account
from wattround.analysis.report import Scene
from wattround.ledger.tally import Kept, Sum


class Profile(NamedTuple):
    """Sums of one load over [from_ms, to_ms), by weekday (0 is Monday) * 24 + hour."""

    load: str
    label: str
    from_ms: int
    to_ms: int
    cells: Mapping[int, Sum]

    def over(self, weekdays: Iterable[int], hours: Iterable[int]) -> Sum:
        """All of some hours of some weekdays together."""
        found, wanted = Sum(), list(hours)
        for weekday in weekdays:
            for hour in wanted:
                found = found.plus(self.cells.get(weekday * 24 + hour, Sum()))
        return found


def profile(scene: Scene, load: str, from_ms: int, to_ms: int, kept: Kept) -> Profile:
    """The profile of a load; beyond 62 days a UTC hour counts for the local hour in which it begins."""
    account(scene.tally, scene.purse, scene.drawers, (from_ms, to_ms), kept, scene.zone)
    meter = scene.meters[load]
    return Profile(load, load if meter.captured else meter.title, from_ms, to_ms, scene.tally.by_kind(load))


def mean_w(of: Sum) -> float | None:
    """Mean watts over the time covered; None where nothing was heard."""
    return of.net_uwh * 3.6 / of.covered_ms if of.covered_ms else None


def money(of: Sum) -> Decimal:
    """Share of the bill, not rounded but for the noise of the last digits."""
    return Decimal(repr(round(of.money, 9)))
