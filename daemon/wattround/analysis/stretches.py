"""Reads what the tracks of a stretch of hours need, one stretch ahead: SQLite works while Python plays the last one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import NamedTuple

from wattround.analysis.outline import moved
from wattround.analysis.track import Track
from wattround.ledger.past import HourTotal, Outline, Past, Row

Totals = Mapping[int, Mapping[str, HourTotal]]


class Minutes(NamedTuple):
    """One meter's loud hours: outlines with the rows in which something moved, or all rows."""

    outlines: Mapping[int, Outline]
    picked: Mapping[int, dict[int, Row]]
    rows: Mapping[int, Sequence[Row]]


class Stretch(NamedTuple):
    """All there is to know of some hours; totals go one hour further. `stepping`: what meters in step have."""

    totals: dict[int, dict[str, HourTotal]]
    singles: Mapping[str, Minutes]
    stepping: Mapping[str, Mapping[int, Sequence[Row]]]


class Wanted(NamedTuple):
    """Whose hours are read, and which of them their totals do not tell."""

    names: Collection[str]
    singles: Sequence[Track]
    in_step: Sequence[str]
    is_loud: Callable[[Track, int, Totals], bool]
    is_calm: Callable[[int, Totals], bool]


class Stretches:
    """Reads in a thread of its own, on a connection of its own. Close it."""

    def __init__(self, past: Past, wanted: Wanted) -> None:
        self._past, self._wanted = past, wanted
        self._own: Past | None = None
        self._thread = ThreadPoolExecutor(1)
        self._ahead: tuple[range, Future[Stretch]] | None = None

    def get(self, hours: range) -> Stretch:
        """What was read of these hours; as many that follow are read meanwhile."""
        if self._ahead is None or self._ahead[0] != hours:
            self._ahead = (hours, self._thread.submit(self._read, hours))
        found = self._ahead[1].result()
        following = range(hours.stop, hours.stop + len(hours))
        self._ahead = (following, self._thread.submit(self._read, following))
        return found

    def close(self) -> None:
        """Give up the connection."""
        self._thread.submit(self._leave).result()
        self._thread.shutdown()

    def _leave(self) -> None:
        if self._own is not None:
            self._own.close()

    def _read(self, hours: range) -> Stretch:
        if self._own is None:
            self._own = self._past.another()  # a connection belongs to the thread that made it
        wanted, totals = self._wanted, self._own.totals(self._wanted.names, hours.start, hours.stop + 1)
        singles = {}
        for track in wanted.singles:
            loud = [hour for hour in hours if wanted.is_loud(track, hour, totals)]
            singles[track.name] = _minutes(self._own, track, loud)
        stepping = [hour for hour in hours if not wanted.is_calm(hour, totals)] if wanted.in_step else []
        return Stretch(totals, singles, {name: _rows(self._own, name, stepping) for name in wanted.in_step})


def _minutes(past: Past, track: Track, loud: Sequence[int]) -> Minutes:
    outlines: dict[int, Outline] = {}
    for first, stop in _runs(loud):
        outlines |= past.outlines(track.name, track.sides, track.standby, first, stop)
    picked: dict[int, dict[int, Row]] = {hour: {} for hour in outlines}
    wanted = [hour * 60 + index for hour, outline in outlines.items() for index in moved(outline)]
    for row in past.picked_rows(track.name, wanted):
        picked[row[0] // 60][row[0] % 60] = row
    return Minutes(outlines, picked, _rows(past, track.name, [hour for hour in loud if hour not in outlines]))


def _rows(past: Past, name: str, hours: Sequence[int]) -> dict[int, Sequence[Row]]:
    """Minutes of some hours, each run of them fetched at once."""
    found: dict[int, Sequence[Row]] = {}
    for first, stop in _runs(hours):
        found |= _by_hour(past.rows(name, first, stop), range(first, stop))
    return found


def _runs(hours: Sequence[int]) -> list[tuple[int, int]]:
    """Begin and end of each run of hours that follow one another."""
    found: list[tuple[int, int]] = []
    for hour in hours:
        if found and found[-1][1] == hour:
            found[-1] = (found[-1][0], hour + 1)
        else:
            found.append((hour, hour + 1))
    return found


def _by_hour(rows: Sequence[Row], hours: range) -> dict[int, Sequence[Row]]:
    if len(rows) == 60 * len(hours):  # nothing is missing
        return {hour: rows[60 * at : 60 * at + 60] for at, hour in enumerate(hours)}
    found: dict[int, list[Row]] = {hour: [] for hour in hours}
    for row in rows:
        found[row[0] // 60].append(row)
    return dict(found)
