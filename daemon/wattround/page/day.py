"""The last day of every meter as a strip: kept from one look to the next, so that a look costs some minutes' rows."""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from itertools import chain
from typing import NamedTuple
from zoneinfo import ZoneInfo

from markupsafe import Markup

from wattround.analysis.changemarks import marks_of
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.ledger.grid import Reach
from wattround.ledger.tally import Tally
from wattround.ledger.totals import Sums
from wattround.metering.minute import MINUTE_MS
from wattround.pictures.grain import QUARTER_MS, Cell
from wattround.pictures.mark import Mark
from wattround.pictures.paper import picture
from wattround.pictures.seen import Seen
from wattround.pictures.strips import Strips

QUARTERS = 96
AGAIN = 8
"""Quarters that are read at each look; older ones take turns, four at a time, so that what came late shows too."""
TURN = 4
QUARTER_MINUTES = QUARTER_MS // MINUTE_MS


class Drawn(NamedTuple):
    """Strips by meter, what stands above them, and what their darknesses mean."""

    strips: Mapping[str, Markup]
    ruler: Markup
    key: Sequence[tuple[Markup, str]]


class Day:
    """Quarters of an hour of the last day, and their pictures. Used by one thread."""

    def __init__(self) -> None:
        self._names: Sequence[str] = ()
        # net energy in uWh and time covered in ms, meter by meter: as objects, forty meters' days would take 0.6 MB
        self._quarters: dict[int, array[int]] = {}
        self._at = 0
        self._turn = 0
        self._drawn: tuple[tuple[int, tuple[tuple[str, str], ...]], Drawn] | None = None

    def look(self, tally: Tally, labels: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> Drawn | None:
        """The strips of these meters, up to the last minute of the ledger; None while it is empty."""
        kept = tally.kept()
        if kept is None:
            return None
        end = min(kept.end, now_ms // MINUTE_MS + 1)
        known = (end, tuple(labels.items()))
        if self._drawn is None or self._drawn[0] != known:
            self._read(tally, list(labels), end, Reach(kept.minutes_from_hour, kept.newest_hour))
            changes = list(entries(tally.book, Change).values())
            marks = {name: marks_of(changes, name) for name in labels}
            self._drawn = known, self._draw(labels, end, zone, marks)
        return self._drawn[1]

    def _read(self, tally: Tally, names: Sequence[str], end: int, reach: Reach) -> None:
        if names != self._names:
            self._names, self._quarters = names, {}
        last = -(-end // QUARTER_MINUTES)
        first = last - QUARTERS
        wanted = {each for each in range(first, last) if each not in self._quarters or each >= self._at - AGAIN}
        wanted |= {first + (self._turn + each) % QUARTERS for each in range(TURN)}
        self._turn = (self._turn + TURN) % QUARTERS
        stretches = [(each, each * QUARTER_MINUTES, min(end, (each + 1) * QUARTER_MINUTES)) for each in sorted(wanted)]
        found = tally.cells(names, stretches, reach)
        meters = [found.get(name, {}) for name in names]
        self._quarters = {
            each: array("q", chain.from_iterable(_figures(of.get(each)) for of in meters))
            if each in wanted
            else self._quarters[each]
            for each in range(first, last)
        }
        self._at = last

    def _draw(
        self, labels: Mapping[str, str], end: int, zone: ZoneInfo, marks: Mapping[str, Sequence[Mark]]
    ) -> Drawn:  # fmt: skip
        from_ms, to_ms = (at * QUARTER_MS for at in (self._at - QUARTERS, self._at))
        strips = Strips(from_ms, to_ms, zone)
        spans = [(each, each * QUARTER_MS, min(end * MINUTE_MS, (each + 1) * QUARTER_MS)) for each in self._quarters]
        cells = [Cell(begin - from_ms, until - from_ms, 0, 1, ((begin, until),)) for _, begin, until in spans]
        drawn = {
            name: picture(
                strips.strip(f"strip-{at}", label, cells, [self._seen(at, *span) for span in spans], marks[name])
            )
            for at, (name, label) in enumerate(labels.items())
        }
        key = [(picture(each.svg), each.label) for each in strips.key("key")]
        return Drawn(drawn, picture(strips.ruler("ruler")), key)

    def _seen(self, at: int, quarter: int, begin_ms: int, until_ms: int) -> Seen | None:
        net_uwh, covered_ms = self._quarters[quarter][2 * at : 2 * at + 2]
        return Seen(net_uwh * 3.6 / covered_ms, covered_ms, until_ms - begin_ms) if covered_ms else None


def _figures(sums: Sums | None) -> tuple[int, int]:
    return (0, 0) if sums is None else (sums.in_uwh - sums.out_uwh, sums.covered_ms)
