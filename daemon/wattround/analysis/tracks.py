"""All meters that rules look at, through the past together: hours by their totals, minutes only where something moved.

Meters that a rule adds up (by watts) go in step: whenever one of them or a sum may have crossed a bound, all of them
tell their watts, so that the engine never adds a fresh value to a stale one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import NamedTuple

from wattround.analysis.stretches import Minutes, Stretches, Totals, Wanted
from wattround.analysis.track import HOUR_MS, Change, Track, Ways
from wattround.ledger.past import HourTotal, Past, Row
from wattround.metering.minute import WMS_PER_UWH

INF = float("inf")
NONE: Mapping[int, Mapping[int, Row]] = {}


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
        self.covered_ms: dict[str, int] = {}
        self._stretches = Stretches(past, Wanted(self.by_name, self._single, names, self._is_loud, self._is_calm))

    def close(self) -> None:
        """No more is read."""
        self._stretches.close()

    def _fetch(self, name: str, hour: int) -> Sequence[Row]:
        return self._past.rows(name, hour, hour + 1)

    def through(self, from_hour: int, to_hour: int) -> list[Change]:
        """Changes in [from_hour, to_hour), in order of time."""
        tracks = self.by_name.values()
        for track in tracks:
            track.forget(from_hour - 1)  # somebody may ask for what was just before
        hours = range(from_hour, to_hour)
        found = self._stretches.get(hours)
        self.totals = found.totals
        self._count(hours)
        for track in self._single:
            self._go(track, hours, found.singles[track.name])
        if self._in_step:
            self._step(hours, found.stepping)
        changes: list[Change] = []
        for track in tracks:
            track.flush(to_hour * HOUR_MS)
            changes += track.changes
            track.changes.clear()
        changes.sort(key=itemgetter(0))
        return changes

    def _count(self, hours: range) -> None:
        for hour in hours:
            for name, total in self.totals[hour].items():
                self.covered_ms[name] = self.covered_ms.get(name, 0) + total.covered_ms

    def _go(self, track: Track, hours: range, found: Minutes) -> None:
        """Take one meter's hours: by their outlines, else by all of their minutes, else by their totals."""
        for hour in hours:
            total = self.totals[hour].get(track.name)
            after = self._after(track.name, hour, found.rows, found.picked)
            if hour in found.outlines and total is not None and track.follows(hour):
                track.outlined_hour(hour, total, found.outlines[hour], found.picked[hour], after)
            elif hour in found.outlines or hour in found.rows:
                track.loud_hour(hour, total, found.rows.get(hour) or self._fetch(track.name, hour), after)
            else:
                track.quiet_hour(hour, total)

    def _is_loud(self, track: Track, hour: int, totals: Totals) -> bool:
        return hour > self._newest or not track.is_quiet(totals[hour].get(track.name))

    def _after(
        self, name: str, hour: int, rows: Mapping[int, Sequence[Row]], picked: Mapping[int, Mapping[int, Row]] = NONE
    ) -> Row | None:
        """The minute after an hour; if the next hour is quiet, that stands for its first minute."""
        if hour + 1 in picked:
            return picked[hour + 1][0]
        if hour + 1 in rows:
            return rows[hour + 1][0] if rows[hour + 1] else None
        total = self.totals.get(hour + 1, {}).get(name)
        return None if total is None or total.covered_ms < HOUR_MS else ((hour + 1) * 60, *total)

    # -- meters in step ---------------------------------------------------------------------------

    def _step(self, hours: range, rows: Mapping[str, Mapping[int, Sequence[Row]]]) -> None:
        names = [track.name for track in self._in_step]
        for hour in hours:
            if hour in rows[names[0]]:
                found = [rows[name][hour] for name in names]
                self._step_minutes(hour, found, [self._after(name, hour, rows[name]) for name in names])
            else:
                self._step_hour(hour)

    def _is_calm(self, hour: int, totals: Totals) -> bool:
        """Whether no bound of a meter, nor of a sum, can have been crossed in an hour that all of them cover."""
        found = totals[hour]
        for track in self._in_step:
            total = found.get(track.name)
            if total is None or total.peak_milliw is None or self._is_loud(track, hour, totals):
                return False
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

    def _step_minutes(self, hour: int, rows: Sequence[Sequence[Row]], after: Sequence[Row | None]) -> None:
        tracks = self._in_step
        for track, found in zip(tracks, rows, strict=True):
            track.begin_hour(hour, found)
        totals = [self.totals[hour].get(track.name) for track in tracks]
        if not all(
            track.is_whole(hour, total, found) for track, total, found in zip(tracks, totals, rows, strict=True)
        ):
            self._step_ragged(hour, rows, after)
            return
        lows = [[row[5] or 0 for row in found] for found in rows]
        peaks = [[row[4] or 0 for row in found] for found in rows]
        for places in self._places:
            lows.append([sum(each) for each in zip(*(lows[at] for at in places), strict=True)])
            peaks.append([sum(each) for each in zip(*(peaks[at] for at in places), strict=True)])
        spans = [*zip(lows, peaks, strict=True)]
        index = 0
        while (index := self._first_moved(spans, index)) < 60:
            for track, found, behind in zip(tracks, rows, after, strict=True):
                track.take_one(found, index, behind, told=True)
            index += 1
        for track, total in zip(tracks, totals, strict=True):
            track.end_hour(hour, total)

    def _first_moved(self, spans: Sequence[tuple[Sequence[int], Sequence[int]]], first: int) -> int:
        """The first minute in which some meter or sum leaves the bounds in which it was told to be; 60 if none does."""
        bands = [(track.low, track.high) for track in self._in_step] + [(low, high) for _, low, high in self._bands()]
        found = 60
        for (lows, peaks), (low, high) in zip(spans, bands, strict=True):
            found = next((at for at in range(first, found) if not (low <= lows[at] and peaks[at] < high)), found)
        return found

    def _step_ragged(self, hour: int, rows: Sequence[Sequence[Row]], after: Sequence[Row | None]) -> None:
        """An hour that is not whole for all of them: every minute is told."""
        by_minute = [{row[0]: row for row in found} for found in rows]
        for minute in range(hour * 60, hour * 60 + 60):
            for track, found, behind in zip(self._in_step, by_minute, after, strict=True):
                if minute in found:
                    following = behind if minute == hour * 60 + 59 else found.get(minute + 1)
                    track.take(found[minute], following, told=True)
