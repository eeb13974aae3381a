"""All meters that rules look at, through the past together: hours by their totals, minutes only where something moved.

Meters that a rule adds up (by watts) go in step: whenever one of them or a sum may have crossed a bound, all of them
tell their watts, so that the engine never adds a fresh value to a stale one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import NamedTuple

from wattround.analysis.track import HOUR_MS, Change, Track, Ways
from wattround.ledger.past import HourTotal, Past, Row
from wattround.metering.minute import MINUTE_MS, WMS_PER_UWH

INF = float("inf")


class Sum(NamedTuple):
    """Meters taken together, and the watts of their sum at which something may change, sorted."""

    members: tuple[str, ...]
    cuts_w: Sequence[float]

    def band(self, watts: float) -> tuple[float, float]:
        """The bounds in milliwatts, low <= x < high, between which so many watts lie."""
        index = bisect_right(self.cuts_w, watts)
        low = self.cuts_w[index - 1] if index else -INF
        return 1000 * low, 1000 * (self.cuts_w[index] if index < len(self.cuts_w) else INF)


class Tracks:
    """Reads a stretch of hours at a time and forgets the one before."""

    def __init__(self, past: Past, ways: Mapping[str, Ways], sums: Sequence[Sum]) -> None:
        self._past = past
        self._newest = past.newest_hour()
        self.by_name = {name: Track(name, way, self._fetch) for name, way in ways.items()}
        self._sums = [each for each in sums if all(name in self.by_name for name in each.members)]
        in_step = {name for each in self._sums for name in each.members}
        self._in_step = [track for name, track in self.by_name.items() if name in in_step]
        names = [track.name for track in self._in_step]
        self._places = [[names.index(name) for name in each.members] for each in self._sums]
        self._single = [track for name, track in self.by_name.items() if name not in in_step]
        self.totals: dict[int, dict[str, HourTotal]] = {}

    def _fetch(self, name: str, hour: int) -> Sequence[Row]:
        return self._past.rows(name, hour, hour + 1)

    def through(self, from_hour: int, to_hour: int) -> list[Change]:
        """Changes in [from_hour, to_hour), in order of time."""
        tracks = self.by_name.values()
        for track in tracks:
            track.forget(from_hour - 1)  # somebody may ask for what was just before
        self.totals = self._past.totals(self.by_name, from_hour, to_hour + 1)
        for track in self._single:
            self._go(track, range(from_hour, to_hour))
        if self._in_step:
            self._step(range(from_hour, to_hour))
        changes: list[Change] = []
        for track in tracks:
            track.flush(to_hour * HOUR_MS)
            changes += track.changes
            track.changes.clear()
        changes.sort(key=itemgetter(0))
        return changes

    def _go(self, track: Track, hours: range) -> None:
        name = track.name
        loud = [hour for hour in hours if self._is_loud(track, hour)]
        rows = self._rows(name, loud)
        for hour in hours:
            total = self.totals[hour].get(name)
            if hour in rows:
                track.loud_hour(hour, rows[hour], self._after(name, hour, rows))
            else:
                track.quiet_hour(hour, total)

    def _is_loud(self, track: Track, hour: int) -> bool:
        return hour > self._newest or not track.is_quiet(self.totals[hour].get(track.name))

    def _rows(self, name: str, hours: Sequence[int]) -> dict[int, list[Row]]:
        """Minutes of some hours, each run of them fetched at once."""
        found: dict[int, list[Row]] = {hour: [] for hour in hours}
        for first, stop in _runs(hours):
            for row in self._past.rows(name, first, stop):
                found[row[0] // 60].append(row)
        return found

    def _after(self, name: str, hour: int, rows: Mapping[int, Sequence[Row]]) -> Row | None:
        """The minute after an hour; if the next hour is quiet, that stands for its first minute."""
        if hour + 1 in rows:
            return rows[hour + 1][0] if rows[hour + 1] else None
        total = self.totals.get(hour + 1, {}).get(name)
        return None if total is None or total.covered_ms < HOUR_MS else ((hour + 1) * 60, *total)

    # -- meters in step ---------------------------------------------------------------------------

    def _step(self, hours: range) -> None:
        loud = [hour for hour in hours if not self._is_calm(hour)]
        rows = {track.name: self._rows(track.name, loud) for track in self._in_step}
        for hour in hours:
            if hour in loud:
                found = [rows[track.name][hour] for track in self._in_step]
                after = [self._after(track.name, hour, rows[track.name]) for track in self._in_step]
                self._step_minutes(hour, found, after)
            else:
                self._step_hour(hour)

    def _is_calm(self, hour: int) -> bool:
        """Whether no bound of a meter, nor of a sum, can have been crossed in an hour that all of them cover."""
        totals = [self.totals[hour].get(track.name) for track in self._in_step]
        for track, total in zip(self._in_step, totals, strict=True):
            if total is None or total.peak_milliw is None or self._is_loud(track, hour):
                return False
        found = dict(self.totals[hour])
        for each in self._sums:
            low = sum(found[name].low_milliw or 0 for name in each.members) / 1000
            peak = sum(found[name].peak_milliw or 0 for name in each.members) / 1000
            if each.band(low) != each.band(peak):
                return False
        return True

    def _step_hour(self, hour: int) -> None:
        found = [(track, self.totals[hour][track.name]) for track in self._in_step]
        means = [1000 * (total.in_uwh - total.out_uwh) * WMS_PER_UWH / HOUR_MS for _, total in found]
        told = any(not track.low <= mean < track.high for (track, _), mean in zip(found, means, strict=True))
        for places, low, high in self._bands():
            told = told or not low <= sum(means[at] for at in places) < high
        for track, total in found:
            track.quiet_hour(hour, total, told=told)

    def _bands(self) -> Iterable[tuple[Sequence[int], float, float]]:
        """Of each sum, which meters it has, and the bounds (mW) between which it was told to be; none if not known."""
        for each, places in zip(self._sums, self._places, strict=True):
            watts = [self._in_step[at].watts for at in places]
            known = [part for part in watts if part is not None]
            yield places, *(each.band(sum(known)) if len(known) == len(watts) else (INF, -INF))

    def _step_minutes(self, hour: int, rows: Sequence[list[Row]], after: Sequence[Row | None]) -> None:
        tracks = self._in_step
        for track, found in zip(tracks, rows, strict=True):
            track.begin_hour(hour, found)
        whole = all(len(found) == 60 for found in rows) and all(
            row[3] == MINUTE_MS and row[4] is not None for found in rows for row in found
        )
        if not whole:
            self._step_ragged(hour, rows, after)
            return
        done, bands = 0, list(self._bands())
        for index in range(60):
            minute = [found[index] for found in rows]
            if self._stays(minute, bands):
                continue
            for track, found, behind in zip(tracks, rows, after, strict=True):
                track.run(found, done, index, behind)
                track.take(found[index], found[index + 1] if index < 59 else behind, told=True)
            done, bands = index + 1, list(self._bands())
        for track, found, behind in zip(tracks, rows, after, strict=True):
            track.run(found, done, 60, behind)

    def _stays(self, minute: Sequence[Row], bands: Iterable[tuple[Sequence[int], float, float]]) -> bool:
        """Whether in a minute every meter and every sum stays within the bounds in which it was told to be."""
        for track, row in zip(self._in_step, minute, strict=True):
            if not (track.low <= row[5] and row[4] < track.high):  # type: ignore[operator] # known, as all of them
                return False
        for places, low, high in bands:
            if sum(minute[at][5] or 0 for at in places) < low or sum(minute[at][4] or 0 for at in places) >= high:
                return False
        return True

    def _step_ragged(self, hour: int, rows: Sequence[list[Row]], after: Sequence[Row | None]) -> None:
        """An hour that is not whole for all of them: every minute is told."""
        by_minute = [{row[0]: row for row in found} for found in rows]
        for minute in range(hour * 60, hour * 60 + 60):
            for track, found, behind in zip(self._in_step, by_minute, after, strict=True):
                if minute in found:
                    following = behind if minute == hour * 60 + 59 else found.get(minute + 1)
                    track.take(found[minute], following, told=True)


def _runs(hours: Sequence[int]) -> list[tuple[int, int]]:
    """Begin and end of each run of hours that follow one another."""
    found: list[tuple[int, int]] = []
    for hour in hours:
        if found and found[-1][1] == hour:
            found[-1] = (found[-1][0], hour + 1)
        else:
            found.append((hour, hour + 1))
    return found
