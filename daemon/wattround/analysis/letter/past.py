"""What a letter asks of the ledger: the house and its loads by the local day, and outdoor temperatures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import NamedTuple

from wattround.analysis.letter.alike import YEAR, Figures
from wattround.analysis.report import Scene
from wattround.analysis.reporting.inquiry import Look
from wattround.analysis.reporting.watts import Signs
from wattround.core.outdoor import temperatures
from wattround.ledger.grid import Reach
from wattround.ledger.tally import Kept
from wattround.metering.localtime import instant_ms
from wattround.metering.minute import MINUTE_MS

HEARD_ENOUGH = 0.9
"""Share of a day that must be covered for its energy to be compared (common practice, no source)."""
DAY = timedelta(days=1)
DAYS = tuple(at * DAY for at in range(7))


class Pages(NamedTuple):
    """The week that a letter is about, with what was known at its end. `before`: the first day of the week before."""

    look: Look
    week: Sequence[date]
    outdoor_c: Figures

    @classmethod
    def of(cls, look: Look, first: date) -> Pages:
        """Those of the week that begins on `first`."""
        scene = look.scene
        days = [first - YEAR - 7 * DAY + at * DAY for at in range(YEAR.days + 14)]
        known = temperatures(days, scene.settings, scene.zone, scene.tally.words)
        return cls(look, [first + on for on in DAYS], known)

    @property
    def before(self) -> Sequence[date]:
        """The days of the week before."""
        return [day - 7 * DAY for day in self.week]

    def mean_c(self, days: Sequence[date]) -> float | None:
        """Mean outdoor temperature of a week; None unless every day's is known."""
        known = [self.outdoor_c[day] for day in days if day in self.outdoor_c]
        return sum(known) / len(known) if len(known) == len(days) else None

    def by_day(self, wanted: Mapping[str, Signs]) -> dict[str, Figures]:
        """Watt-hours of each sum of meters on each day from a year before last week on, if it was heard well enough."""
        scene, kept = self.look.scene, self.look.kept
        first, end = self.week[0] - YEAR - 7 * DAY, self.week[-1] + DAY
        days = [first + at * DAY for at in range((end - first).days)]
        return _by_day(scene, kept, wanted, days)


def _by_day(scene: Scene, kept: Kept, wanted: Mapping[str, Signs], days: Sequence[date]) -> dict[str, Figures]:
    edges = [instant_ms(day, 0, scene.zone) // MINUTE_MS for day in [*days, days[-1] + DAY]]
    stretches = [(at, begin, end) for at, (begin, end) in enumerate(pairwise(edges))]
    reach = Reach(kept.minutes_from_hour, kept.newest_hour)
    sums = scene.tally.cells({name for signs in wanted.values() for name in signs}, stretches, reach)
    found: dict[str, Figures] = {}
    for key, signs in wanted.items():
        figures: dict[date, float] = {}
        for day, (at, begin, end) in zip(days, stretches, strict=True):
            of = {name: sums.get(name, {}).get(at) for name in signs}
            enough = HEARD_ENOUGH * (end - begin) * MINUTE_MS
            known = {name: each for name, each in of.items() if each is not None and each.covered_ms >= enough}
            if known and len(known) == len(signs):
                figures[day] = (
                    sum(sign * (known[name].in_uwh - known[name].out_uwh) for name, sign in signs.items()) / 1e6
                )
        found[key] = figures
    return found
