"""Readings as a series of equal bins, as the moves want them: each held until the next, but no longer than so."""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from contextlib import suppress
from math import inf, nan

from wattround.analysis.scout.capture import Message
from wattround.config.model import Settings
from wattround.ingest.feed import Feed, Router, feeds_of
from wattround.ingest.payload import BadPayload
from wattround.ledger.survey import Series

WIDTHS_MS = (5_000, 10_000, 15_000, 20_000, 30_000, 60_000)
HOUR_MS = 3_600_000
LONG_MS = 6 * HOUR_MS
"""Beyond this the bins are minutes, as the ledger's are."""
COVERED = 0.98
FINE_W = 30.0
"""A register whose last digit is more than that in one bin shows its own digits rather than steps."""
MOST_BINS = 100_000
MOST_METERS = 300


class Bins:
    """One meter's. Readings must come in order of time; one that comes late is left out."""

    def __init__(self, begin_ms: int, end_ms: int, width_ms: int, hold_ms: int) -> None:
        count = min(MOST_BINS, -(-(end_ms - begin_ms) // width_ms))
        self._begin_ms, self._width_ms, self._hold_ms = begin_ms, width_ms, hold_ms
        self._sums = array("d", [0.0]) * count
        self._covered = array("q", [0]) * count
        self._last: tuple[int, float] | None = None

    def add(self, at_ms: int, watts: float) -> None:
        """A reading."""
        if self._last is not None and at_ms < self._last[0]:
            return
        self.close(at_ms)
        self._last = at_ms, watts

    def close(self, at_ms: int) -> None:
        """Hold the last reading until then."""
        if self._last is None:
            return
        since_ms, watts = self._last
        self.spread(since_ms, min(at_ms, since_ms + self._hold_ms), watts)

    def spread(self, from_ms: int, to_ms: int, watts: float) -> None:
        """So many watts between two instants."""
        begin, end = from_ms - self._begin_ms, to_ms - self._begin_ms
        for bin_ in range(max(0, begin // self._width_ms), min(len(self._sums), -(-end // self._width_ms))):
            share = min(end, (bin_ + 1) * self._width_ms) - max(begin, bin_ * self._width_ms)
            self._sums[bin_] += watts * share
            self._covered[bin_] += share

    def series(self) -> Series:
        """Mean watts of each bin; NaN where it was not covered."""
        least = COVERED * self._width_ms
        return array("d", [
            total / covered if covered >= least else nan
            for total, covered in zip(self._sums, self._covered, strict=True)
        ])  # fmt: skip


def width_ms(lasting_ms: int, beats_s: Iterable[float]) -> int:
    """The narrowest bins in which nearly all meters are heard each time; minutes for what lasts long."""
    slowest_ms = 1000 * max(beats_s, default=60.0)
    if lasting_ms > LONG_MS:
        return WIDTHS_MS[-1]
    return next((width for width in WIDTHS_MS if width >= slowest_ms), WIDTHS_MS[-1])


class Ticks:
    """A register's readings as watts: what it rose by, over the time from one reading to the next."""

    def __init__(self, bins: Bins, hold_ms: int, sign: int) -> None:
        self.bins = bins
        self._hold_ms, self._sign = hold_ms, sign
        self._last: tuple[int, float] | None = None
        self.tick_wh = inf

    def add(self, at_ms: int, wh: float) -> None:
        """A reading, in watt-hours; one that is less, or comes after a silence, begins anew."""
        if self._last is not None:
            before_ms, before_wh = self._last
            rise_wh, passed_ms = wh - before_wh, at_ms - before_ms
            if passed_ms <= 0:
                return
            if rise_wh >= 0 and passed_ms <= self._hold_ms:
                self.bins.spread(before_ms, at_ms, self._sign * rise_wh * HOUR_MS / passed_ms)
            if rise_wh > 0:
                self.tick_wh = min(self.tick_wh, rise_wh)
        self._last = at_ms, wh


class Replay:
    """Readings of a recording, decoded as the daemon would, as a series of each meter.

    One that has a register alone is taken if that is fine enough to show steps.
    """

    def __init__(self, settings: Settings, span: tuple[int, int], width: int) -> None:
        self._router = Router(settings)
        self._meters = dict(self._router.meters)
        self._span, self._width = span, width
        self._bins: dict[str, Bins] = {}
        self._ticks: dict[str, Ticks] = {}

    def take(self, message: Message) -> None:
        """One message; what is retained, sent again, or cannot be decoded, makes nothing."""
        if message.retained or message.duplicate:
            return
        for feed in self._router.exact.get(message.topic) or self._newcomers(message.topic):
            if feed.kind == "power":
                into: Bins | Ticks = self._bins_of(feed.name)
            elif feed.kind == "counter" and self._meters[feed.name].power is None:
                into = self._ticks_of(feed.name)
            else:
                continue
            with suppress(BadPayload):
                for value, at_ms in feed.values(message.payload, message.at_ms):
                    into.add(message.at_ms if at_ms is None else at_ms, value)

    def _newcomers(self, topic: str) -> tuple[Feed, ...]:
        for pattern, name in self._router.newcomers(topic):
            if name not in self._meters and len(self._meters) < MOST_METERS:
                self._meters[name] = pattern
                for feed in feeds_of(pattern, name):
                    self._router.add(feed)
        return self._router.exact.get(topic, ())

    def _bins_of(self, name: str) -> Bins:
        if name not in self._bins:
            self._bins[name] = Bins(*self._span, self._width, self._meters[name].hold)
        return self._bins[name]

    def _ticks_of(self, name: str) -> Ticks:
        if name not in self._ticks:
            meter = self._meters[name]
            sign = meter.counter.sign if meter.counter is not None else 1
            self._ticks[name] = Ticks(Bins(*self._span, self._width, meter.hold), meter.hold, sign)
        return self._ticks[name]

    def series(self) -> dict[str, Series]:
        """All of them, to the end of the span."""
        for bins in self._bins.values():
            bins.close(self._span[1])
        fine_wh = FINE_W * self._width / HOUR_MS
        fine = {name: ticks.bins for name, ticks in self._ticks.items() if ticks.tick_wh <= fine_wh}
        return {name: bins.series() for name, bins in {**self._bins, **fine}.items()}
