"""One meter's way through the past: from hours and minutes to changes of its level, and its waste up to any instant.

A minute says only how far its watts went and what they came to. Where they crossed a bound that somebody looks at,
the crossing is placed inside the minute so that the energy fits: the load stays as it was before for the share of
the minute that the mean leaves it, and is as after for the rest.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from typing import NamedTuple

from wattround.analysis.outline import first_outside
from wattround.ledger.past import HourTotal, Outline, Row
from wattround.metering.level import NO_BAND, RELEASE_SHARE, Level, Thresholds, band_of
from wattround.metering.minute import MINUTE_MS, WMS_PER_UWH
from wattround.rules.load import Drawn

HOUR_MS = 3_600_000
BRIEF_MS = 1_000
"""The live daemon looks once a second: what is missing for less is not noticed."""

Fetch = Callable[[str, int], Sequence[Row]]
"""Minutes of a meter in an hour."""
Parts = tuple[tuple[float, float], ...]
"""Shares of a minute with the watts of each, in order."""


class Change(NamedTuple):
    """A meter draws something else from an instant on."""

    at_ms: int
    meter: str
    drawn: Drawn


class Ways(NamedTuple):
    """What is looked at: thresholds, watts that rules name, and whether off and standby must be told apart.

    `counted`: a counter alone feeds the meter.
    """

    limits: Thresholds
    edges_w: tuple[float, ...] = ()
    apart: bool = True
    counted: bool = False

    def cuts(self) -> list[float]:
        """Watts at which something may change, sorted."""
        limits = self.limits
        found = {*self.edges_w}
        if limits.active_w is not None and limits.release_w is not None:
            found |= {limits.active_w, limits.release_w}
        if self.apart:
            found |= {limits.standby_w, RELEASE_SHARE * limits.standby_w}
        return sorted(found)


class _Hour(NamedTuple):
    """Watt-milliseconds above standby at an hour's begin; its minutes, if they were at hand."""

    above: float
    rows: Sequence[Row] | None


class Track:
    """Goes through hours in order; `changes` collects until the caller empties it. Bands are in milliwatts."""

    def __init__(self, name: str, ways: Ways, fetch: Fetch) -> None:
        self.name, self.ways = name, ways
        self.changes: list[Change] = []
        self.stretches: list[tuple[int, int]] = [(0, 0)]
        self.watts: float | None = None
        self.low, self.high = NO_BAND.low, NO_BAND.high
        self._cuts = [1000 * cut for cut in ways.cuts()]
        self._fetch = fetch
        self.standby = 1000 * ways.limits.standby_w
        self.sides = sorted({*self._cuts, self.standby})
        self._level: Level | None = None
        self._until_ms = 0
        self._above = 0.0
        self._hours: dict[int, _Hour] = {}
        self._parts: dict[int, Parts] = {}

    # -- hours ------------------------------------------------------------------------------------

    def forget(self, before_hour: int) -> None:
        """Drop what lies before an hour: time only moves on."""
        self._hours = {hour: found for hour, found in self._hours.items() if hour >= before_hour}
        self._parts = {minute: parts for minute, parts in self._parts.items() if minute >= before_hour * 60}
        del self.stretches[:-1]

    def is_quiet(self, total: HourTotal | None) -> bool:
        """Whether an hour's total says all there is to know of it."""
        if total is None:
            return True
        if total.covered_ms < HOUR_MS:
            return False
        if total.peak_milliw is None or total.low_milliw is None:
            return self.ways.counted and total.in_uwh == total.out_uwh == 0
        return not self.crossed(total.low_milliw, total.peak_milliw)

    def crossed(self, low: float, peak: float) -> bool:
        """Whether a bound that is looked at lies between these milliwatts."""
        cuts = self._cuts
        return bisect_right(cuts, low) != bisect_right(cuts, peak)

    def quiet_hour(self, hour: int, total: HourTotal | None, *, told: bool = False) -> None:
        """Take an hour by its total; with `told`, its mean watts are told even if they change nothing."""
        self._hours[hour] = _Hour(self._above, () if total is None else None)
        if total is None:
            return
        begin = self._meet(hour * HOUR_MS, HOUR_MS, HOUR_MS)
        mean = (total.in_uwh - total.out_uwh) * WMS_PER_UWH * 1000 / total.covered_ms
        if told or not self.low <= mean < self.high:
            self._draw(begin, mean / 1000)
        self._above += self._waste(total[:3], total.peak_milliw, total.low_milliw)

    def loud_hour(self, hour: int, total: HourTotal | None, rows: Sequence[Row], after: Row | None) -> None:
        """Take an hour minute by minute; `after` stands for the minute that follows it, if it is known."""
        self.begin_hour(hour, rows)
        if not self.is_whole(hour, total, rows):
            self.run(rows, 0, len(rows), after)
            return
        index = 0
        while True:
            low, high = self.low, self.high
            # most minutes stay within the band: those that do not are picked out as fast as may be
            index = next((at for at in range(index, 60) if not (low <= rows[at][5] and rows[at][4] < high)), 60)  # type: ignore[operator]
            if index == 60:
                break
            self.take_one(rows, index, after)
            index += 1
        self.end_hour(hour, total)

    def follows(self, hour: int) -> bool:
        """Whether an hour follows at once what was taken last."""
        return hour * HOUR_MS - self._until_ms < BRIEF_MS

    def outlined_hour(
        self, hour: int, total: HourTotal, outline: Outline, rows: dict[int, Row], after: Row | None
    ) -> None:
        """Take a whole hour by its outline and the rows, by their place in it, of minutes in which something moved."""
        self._hours[hour] = _Hour(self._above, None)
        index = 0
        while (index := first_outside(outline, self.low, self.high, index)) < 60:
            if not rows.keys() >= {index, min(index + 1, 59)}:
                rows |= enumerate(self._fetch(self.name, hour))
            self._until_ms = rows[index][0] * MINUTE_MS
            self.take(rows[index], rows[index + 1] if index < 59 else after)
            index += 1
        mixed = outline.peaks[self.standby] & ~outline.lows[self.standby]
        waste = outline.above_uwh * WMS_PER_UWH - outline.above_minutes * self.standby * (MINUTE_MS / 1000)
        self._end(hour, total, waste + sum(self._waste_of(row) for index, row in rows.items() if mixed >> index & 1))

    def is_whole(self, hour: int, total: HourTotal | None, rows: Sequence[Row]) -> bool:
        """Whether every minute of an hour is there, covered, follows the last, and has its watts."""
        return (
            total is not None and total.covered_ms == HOUR_MS and len(rows) == 60
            and self.follows(hour) and None not in [row[4] for row in rows]
        )  # fmt: skip

    def take_one(self, rows: Sequence[Row], index: int, after: Row | None, *, told: bool = False) -> None:
        """Take one minute of a whole hour, the ones before it being as they were told."""
        self._until_ms = rows[index][0] * MINUTE_MS
        self.take(rows[index], rows[index + 1] if index + 1 < len(rows) else after, told=told)

    def end_hour(self, hour: int, total: HourTotal | None) -> None:
        """A whole hour, taken by its minutes, is over."""
        self._end(hour, total, None)

    def _end(self, hour: int, total: HourTotal | None, waste: float | None) -> None:
        """A whole hour is over: its waste is that of its total where that says it, else as given or of its minutes."""
        begun = self._hours[hour]
        self._until_ms = (hour + 1) * HOUR_MS
        self.stretches[-1] = (self.stretches[-1][0], self._until_ms)
        low, peak = (None, None) if total is None else (total.low_milliw, total.peak_milliw)
        if total is not None and low is not None and peak is not None and not low < self.standby < peak:
            self._above = begun.above + self._waste(total[:3], peak, low)
        elif waste is not None:
            self._above = begun.above + waste
        else:
            self._above = begun.above + sum(map(self._waste_of, begun.rows or ()))

    def begin_hour(self, hour: int, rows: Sequence[Row]) -> None:
        """Go on to an hour whose minutes are at hand."""
        self._hours[hour] = _Hour(self._above, rows)

    def flush(self, to_ms: int) -> None:
        """Nothing more comes before `to_ms`: what was not covered until then is not known."""
        if self._until_ms <= to_ms - BRIEF_MS:
            self._lose()

    # -- minutes ----------------------------------------------------------------------------------

    def run(self, rows: Sequence[Row], first: int, stop: int, after: Row | None) -> None:
        """Take rows [first, stop): quickly those in which nothing moves, which most are."""
        until, low_bound, high_bound, standby = self._until_ms, self.low, self.high, self.standby
        energy = count = 0
        for index in range(first, stop):
            row = rows[index]
            minute, in_uwh, _, covered, peak, low = row
            if (
                covered == MINUTE_MS and minute * MINUTE_MS == until
                and peak is not None and low_bound <= low and peak < high_bound  # type: ignore[operator]
            ):  # fmt: skip
                until += MINUTE_MS
                if low >= standby:  # type: ignore[operator]
                    energy += in_uwh
                    count += 1
                elif peak > standby:
                    self._above += self._waste(row[1:4], peak, low)
                continue
            self._until_ms = until
            self.take(row, rows[index + 1] if index + 1 < len(rows) else after)
            until, low_bound, high_bound = self._until_ms, self.low, self.high
        self._until_ms = until
        self.stretches[-1] = (self.stretches[-1][0], until)
        self._above += energy * WMS_PER_UWH - count * standby * (MINUTE_MS / 1000)

    def take(self, row: Row, following: Row | None, *, told: bool = False) -> None:
        """Take the next minute; with `told`, its watts are told even if they change nothing."""
        minute, in_uwh, out_uwh, covered_ms, peak, low = row
        if covered_ms <= 0:
            return
        begin = self._meet(minute * MINUTE_MS, MINUTE_MS, covered_ms)
        mean = (in_uwh - out_uwh) * WMS_PER_UWH * 1000 / covered_ms
        if peak is None or low is None:
            if not self.ways.counted:
                # only a counter knew of this minute afterwards: there is energy, but no level
                self._until_ms = begin
                self._lose()
                return
            peak, low = round(mean), round(mean)
        parts: Parts = ((1.0, mean),)
        if self.crossed(low, peak) or (told and peak > 1.5 * low + 3000):
            parts = self._split(low, peak, mean, self._steady(following, minute + 1))
            self._parts[minute] = parts
        at_ms = begin
        for share, milliw in parts:
            span_ms = round(share * covered_ms)
            if span_ms > 0 and (told or not self.low <= milliw < self.high):
                self._draw(at_ms, milliw / 1000)
            at_ms += span_ms
        self._above += self._waste_of(row)

    def _meet(self, begin_ms: int, span_ms: int, covered_ms: int) -> int:
        """Where the covered part begins: at once where the time before is covered, else it ends with the span."""
        if begin_ms - self._until_ms >= BRIEF_MS:
            self._lose()
            self.stretches[-1] = (self.stretches[-1][0], self._until_ms)
            begin_ms += span_ms - covered_ms
            self.stretches.append((begin_ms, begin_ms))
        self._until_ms = begin_ms + covered_ms
        if begin_ms % span_ms == 0 and span_ms - covered_ms < BRIEF_MS:
            self._until_ms = begin_ms + span_ms
        self.stretches[-1] = (self.stretches[-1][0], self._until_ms)
        return begin_ms

    def _split(self, low: float, peak: float, mean: float, after: float | None) -> Parts:
        """Shares of a minute in which the watts moved, each with its milliwatts, in order."""
        index = bisect_right(self._cuts, peak) - 1
        middle = self._cuts[index] if index >= 0 and self._cuts[index] > low else (low + peak) / 2
        before = None if self.watts is None else 1000 * self.watts
        if before is None:
            falls = after is not None and after < middle
        elif (self.low <= low) != (peak < self.high):  # the band that it is in has one end of it
            falls = peak < self.high
        else:
            falls = before >= middle
        ends = (peak, low) if falls else (low, peak)
        first, last = ends
        # what it drew on either side says more than a peak that lasted an instant
        if before is not None and low <= before <= peak and (before >= middle) == falls:
            first = before
        if after is not None and low <= after <= peak and (after >= middle) != falls:
            last = after
        if not min(first, last) <= mean <= max(first, last):
            first, last = ends
        share = min(1.0, max(0.0, (mean - first) / (last - first))) if last != first else 1.0
        return (1.0 - share, first), (share, last)

    def _steady(self, row: Row | None, minute: int) -> float | None:
        """Mean milliwatts of a minute that follows at once and in which nothing is crossed."""
        if row is None or row[0] != minute or row[3] <= 0 or row[4] is None or row[5] is None:
            return None
        return None if self.crossed(row[5], row[4]) else (row[1] - row[2]) * WMS_PER_UWH * 1000 / row[3]

    # -- levels -----------------------------------------------------------------------------------

    def _draw(self, at_ms: int, watts: float) -> None:
        """As `metering.meter.Meter` judges a reading, but that bounds nobody looks at end no band."""
        band = band_of(watts, self._level, self.ways.limits)
        low, high = band.low, band.high
        if not self.ways.apart and band.level != "active":
            active_w = self.ways.limits.active_w
            low, high = float("-inf"), float("inf") if active_w is None else active_w
        for edge_w in self.ways.edges_w:
            low, high = (max(low, edge_w), high) if watts >= edge_w else (low, min(high, edge_w))
        self.low, self.high = 1000 * low, 1000 * high
        self._level, self.watts = band.level, watts
        self.changes.append(Change(at_ms, self.name, Drawn(band.level, watts)))

    def _lose(self) -> None:
        self.low, self.high = NO_BAND.low, NO_BAND.high
        self._level = None
        if self.watts is not None:
            self.watts = None
            self.changes.append(Change(self._until_ms, self.name, Drawn(None, None)))

    # -- waste ------------------------------------------------------------------------------------

    def _waste(self, energy: tuple[int, int, int], peak: int | None, low: int | None) -> float:
        """Watt-milliseconds above standby of a stretch in which no bound was crossed: in, out, covered."""
        in_uwh, out_uwh, covered_ms = energy
        if peak is not None and peak <= self.standby:
            return 0.0
        gone = 0 if low is not None and low >= 0 else out_uwh
        return max(0.0, (in_uwh - gone) * WMS_PER_UWH - self.standby / 1000 * covered_ms)

    def _waste_of(self, row: Row) -> float:
        """The same of a minute, whether or not a bound was crossed in it."""
        parts = self._parts.get(row[0])
        if parts is None or row[5] is None or row[4] is None or not row[5] < self.standby < row[4]:
            return self._waste(row[1:4], row[4], row[5])
        return sum(share * max(0.0, milliw - self.standby) for share, milliw in parts) * row[3] / 1000

    def had(self, at_ms: int) -> float:
        """Watt-milliseconds above standby up to an instant."""
        hour = at_ms // HOUR_MS
        found = self._hours.get(hour)
        if found is None or at_ms % HOUR_MS == 0:
            return self._above if found is None else found.above
        if found.rows is None:
            found = self._hours[hour] = found._replace(rows=self._fetch(self.name, hour))
        above, minute, standby = found.above, at_ms // MINUTE_MS, self.standby
        for row in found.rows or ():
            if row[0] >= minute:
                return above + (self._share_of(row, at_ms) * self._waste_of(row) if row[0] == minute else 0.0)
            _, in_uwh, _, covered_ms, peak, low = row
            if low is not None and low >= standby:  # as most are
                above += in_uwh * WMS_PER_UWH - standby / 1000 * covered_ms
            elif peak is None or peak > standby:
                above += self._waste_of(row)
        return above

    def _share_of(self, row: Row, at_ms: int) -> float:
        """How much of a minute's waste lies before an instant in it."""
        passed = (at_ms - row[0] * MINUTE_MS) / MINUTE_MS
        whole = before = begin = 0.0
        for share, milliw in self._parts.get(row[0], ((1.0, 1.0),)):
            waste = max(0.0, milliw - self.standby) if row[0] in self._parts else milliw
            whole += share * waste
            before += min(share, max(0.0, passed - begin)) * waste
            begin += share
        return before / whole if whole > 0 else 0.0

    def watts_at(self, at_ms: int) -> float | None:
        """Mean watts of the minute, or of the first part of one, that begins or runs; None if it is not covered."""
        if not any(begin <= at_ms < end for begin, end in self.stretches):
            return None
        hour, minute = at_ms // HOUR_MS, at_ms // MINUTE_MS
        found = self._hours.get(hour)
        if found is None:
            return None
        if found.rows is None:
            found = self._hours[hour] = found._replace(rows=self._fetch(self.name, hour))
        row = next((row for row in found.rows or () if row[0] == minute), None)
        if row is None or row[3] <= 0:
            return None
        if minute in self._parts:
            return self._parts[minute][0][1] / 1000
        return (row[1] - row[2]) * WMS_PER_UWH / row[3]
