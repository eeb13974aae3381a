"""One meter: readings in, closed minutes out.

Power is held from a reading to the next, at most `hold_ms` long. A meter whose readings carry their own
time moves only by them; a meter stamped on arrival also moves with the clock. Time is whole milliseconds
UTC, energy is summed in watt-milliseconds.
"""

from __future__ import annotations

from wattround.metering.clockset import believe
from wattround.metering.counter import LONGEST_GAP_MS, SETTLE_MS, Register, Verdict, settle
from wattround.metering.level import NO_BAND, Band, Level, band_of
from wattround.metering.minute import (
    COUNTED,
    ESTIMATED,
    MINUTE_MS,
    POWERED,
    WMS_PER_WH,
    Minute,
    Patch,
    uwh,
)
from wattround.metering.spec import LevelChange, MeterSpec, Output

LATE_GRACE_MS = 5_000
"""How long after its hold a stamped meter's silence is taken as final for now."""


class Meter:
    """Integrator of one meter. Its whole state is `snapshot()`."""

    __slots__ = (
        "above_wms",
        "announced",
        "band_high",
        "band_low",
        "blocked",
        "closed_in_wms",
        "closed_out_wms",
        "covered_ms",
        "done_ms",
        "emitted",
        "ends_ms",
        "gone_ms",
        "heard_ms",
        "held_until_ms",
        "in_wms",
        "level",
        "lost",
        "low_w",
        "minute",
        "occupied",
        "origin",
        "out",
        "out_wms",
        "peak_w",
        "register",
        "spec",
        "standby_w",
        "watts",
    )  # fmt: skip

    def __init__(self, spec: MeterSpec, out: Output) -> None:
        self.spec = spec
        self.standby_w = spec.thresholds.standby_w
        self.out = out
        self.register = Register()
        self.watts: float | None = None
        self.heard_ms = self.held_until_ms = self.done_ms = self.gone_ms = -1
        self.above_wms = 0.0
        self.occupied: set[int] = set()
        self.level: Level | None = None
        self.announced = False
        self.lost = True
        self.closed_in_wms = self.closed_out_wms = 0.0
        self.in_wms = self.out_wms = 0.0
        self.emitted: Minute | None = None
        self.band_low, self.band_high = NO_BAND.low, NO_BAND.high
        self.minute = -1
        self.ends_ms = 0
        self._clear()

    def _clear(self) -> None:
        self.closed_in_wms += self.in_wms
        self.closed_out_wms += self.out_wms
        self.in_wms = self.out_wms = 0.0
        self.covered_ms = self.origin = 0
        self.peak_w, self.low_w = float("-inf"), float("inf")
        self.blocked = self.minute in self.occupied

    # -- power ------------------------------------------------------------------------------------

    def hear_power(self, at_ms: int, watts: float) -> bool:
        """Take a power reading; False if it is late: about time that is integrated already, which must be redone."""
        if at_ms < self.done_ms or at_ms <= self.heard_ms:
            if self.spec.stamped:
                return self._hear_late(at_ms, watts)
            at_ms = max(at_ms, self.done_ms)
        if at_ms <= self.ends_ms and at_ms <= self.held_until_ms:
            # within the open minute and the hold: the usual case, kept flat for speed
            span, held = at_ms - self.done_ms, self.watts
            if span > 0 and held is not None:
                if held >= 0.0:
                    self.in_wms += held * span
                    if held > self.standby_w:
                        self.above_wms += (held - self.standby_w) * span
                else:
                    self.out_wms -= held * span
                self.peak_w = max(self.peak_w, held)
                self.low_w = min(self.low_w, held)
                self.covered_ms += span
                self.origin |= POWERED
                self.done_ms = at_ms
        else:
            self.advance(at_ms)
        self.watts = watts
        self.heard_ms = at_ms
        self.held_until_ms = at_ms + self.spec.hold_ms
        if not self.band_low <= watts < self.band_high:
            self._relevel(at_ms, watts)
        return True

    def _hear_late(self, at_ms: int, watts: float) -> bool:
        """Of two values for one instant the larger stands, so that the order of arrival does not matter."""
        newest = at_ms > self.heard_ms or (at_ms == self.heard_ms and (self.watts is None or watts > self.watts))
        if newest:
            self.watts, self.heard_ms, self.held_until_ms = watts, at_ms, at_ms + self.spec.hold_ms
            if at_ms < self.gone_ms:
                self.held_until_ms = min(self.held_until_ms, self.gone_ms)
            else:
                self._relevel(at_ms, watts)
        return at_ms >= self.done_ms and (newest or at_ms == self.heard_ms)

    def prime(self, watts: float) -> None:
        """Show a value of unknown time (retained, queued); it makes no energy."""
        if self.watts is None:
            self.watts = watts

    def go_offline(self, at_ms: int) -> None:
        """The source says that it is gone: its hold ends at once."""
        if self.spec.has_power:
            self.advance(at_ms)
        self.gone_ms = at_ms
        self.held_until_ms = min(self.held_until_ms, max(self.done_ms, at_ms))
        self.lose_level(at_ms)

    def advance(self, to_ms: int) -> None:
        """Integrate the held power up to `to_ms`, closing minutes on the way."""
        start = self.done_ms
        end = min(to_ms, self.held_until_ms) if self.watts is not None and self.spec.has_power else start
        while start < end:
            if start >= self.ends_ms:
                self._roll(start)
            stop = min(end, self.ends_ms)
            self._add(self.watts or 0.0, stop - start, POWERED)
            start = stop
        if to_ms >= self.ends_ms:
            self._roll(to_ms)
        self.done_ms = max(self.done_ms, to_ms)

    def _add(self, watts: float, span_ms: int, origin: int) -> None:
        if watts >= 0.0:
            self.in_wms += watts * span_ms
        else:
            self.out_wms -= watts * span_ms
        self.above_wms += max(0.0, watts - self.standby_w) * span_ms
        if origin & POWERED:
            self.peak_w, self.low_w = max(self.peak_w, watts), min(self.low_w, watts)
        self.covered_ms += span_ms
        self.origin |= origin

    def _roll(self, at_ms: int) -> None:
        """Close the open minute and open the one that holds `at_ms`."""
        self.close()
        if self.spec.has_counter and self.spec.has_power and self.minute >= 0:
            shaped = self.out_wms if self.spec.counts_out else self.in_wms
            written = (0.0, 0) if self.blocked else (shaped, self.covered_ms)
            self.register.note_closed(self.minute, *written)
        self.open_minute(at_ms)

    def open_minute(self, at_ms: int) -> None:
        """Begin the minute that holds `at_ms`."""
        self.minute = at_ms // MINUTE_MS
        self.ends_ms = (self.minute + 1) * MINUTE_MS
        self._clear()

    def close(self) -> None:
        """Hand out the open minute for good; to one that another clock has filled, a counter's energy is added."""
        if not self.blocked:
            self.emit()
        elif self.spec.has_counter and not self.spec.has_power and self.covered_ms:
            into, out = uwh(self.in_wms), uwh(self.out_wms)
            self.out.rows.append(Patch(self.spec.name, self.minute, into, out, self.covered_ms, self.origin))

    def emit(self) -> None:
        """Hand out the open minute's row as it stands, if it has anything new to say."""
        if self.covered_ms and not self.blocked:
            row = self.row()
            if row != self.emitted:
                self.emitted = row
                self.out.rows.append(row)

    def row(self) -> Minute:
        """The open minute as a row."""
        powered = self.peak_w >= self.low_w
        return Minute(
            self.spec.name, self.minute, uwh(self.in_wms), uwh(self.out_wms), min(self.covered_ms, MINUTE_MS),
            round(self.peak_w * 1000) if powered else None, round(self.low_w * 1000) if powered else None,
            self.origin,
        )  # fmt: skip

    def follow_clock(self, now_ms: int) -> None:
        """Move with the clock: integrate to now if stamped on arrival, else give up waiting after the hold."""
        if self.by_arrival:
            self.advance(now_ms)
        elif now_ms > max(self.held_until_ms, self.ends_ms) + LATE_GRACE_MS and self.minute >= 0:
            if self.spec.has_power and self.watts is not None and self.done_ms < self.held_until_ms:
                self.advance(self.held_until_ms)
            self.emit()

    @property
    def by_arrival(self) -> bool:
        """Whether it is stamped on arrival, and so moves with the clock."""
        return self.spec.has_power and not self.spec.stamped

    # -- counter ----------------------------------------------------------------------------------

    def hear_counter(self, at_ms: int, value_wh: float) -> Verdict:
        """Take a counter's value at a known time; says what became of it."""
        register = self.register
        if self.by_arrival:
            at_ms = max(at_ms, self.done_ms)
            self.advance(at_ms)
        elif self.spec.has_power:
            at_ms = max(at_ms, self.done_ms)
        if register.last_wh is None or at_ms - register.last_ms > LONGEST_GAP_MS:
            self._take_up(at_ms, value_wh, exact=False)
            return "first"
        if register.doubt_ms:
            believe(self, at_ms)
        if (stale := register.stale(at_ms, value_wh)) is not None:
            return stale
        gained, verdict = register.advance(at_ms, value_wh, self.spec.highest_w, self.spec.rollover_wh)
        if verdict == "implausible":
            if register.exact:
                return verdict
            self._take_up(at_ms, value_wh, exact=True)  # coarse: some of its first step was counted before we came
            return "first"
        if verdict == "exchanged":
            self._take_up(register.suspect_ms, register.suspect_wh or 0.0, exact=True)
        silent = at_ms - register.last_ms > self.spec.hold_ms
        register.last_wh, register.last_ms = value_wh, at_ms
        register.gained_wh += gained - register.ahead_wh
        register.ahead_wh = 0.0
        if self.spec.has_power:
            self._settle_shaped(at_ms)
        else:
            self._spread(at_ms, silent=silent)
        return verdict

    def _take_up(self, at_ms: int, value_wh: float, *, exact: bool) -> None:
        self.anchor(at_ms, exact=exact)
        self.register.take_up(at_ms, value_wh)
        if not self.spec.has_power:
            self._begin_at(at_ms)

    def hear_counter_untimed(self, value_wh: float) -> Verdict:
        """Keep a counter's value of unknown time for the next timed one. A lower one may be an old one come again."""
        register = self.register
        if register.last_wh is None:
            return "first"
        if value_wh <= max(register.last_wh, register.untimed_wh or 0.0):
            return "late"
        register.untimed_wh = value_wh
        return "gained"

    def anchor(self, at_ms: int, *, exact: bool) -> None:
        """Begin a new span of the register."""
        same_minute = at_ms < self.ends_ms and at_ms >= self.ends_ms - MINUTE_MS
        wms = (self.out_wms if self.spec.counts_out else self.in_wms) if same_minute else 0.0
        self.register.restart(at_ms, wms, self.covered_ms if same_minute else 0, exact=exact)

    def _begin_at(self, at_ms: int) -> None:
        """A counter-only meter covers time from here on; what lies before stays uncovered."""
        if at_ms >= self.ends_ms:
            self._roll(at_ms)
        self.done_ms = max(self.done_ms, at_ms)
        self.heard_ms = at_ms

    def _spread(self, at_ms: int, *, silent: bool) -> None:
        """Counter only: the gain is spread evenly since the register last moved; without one, zero is measured."""
        register, span = self.register, at_ms - self.register.anchor_ms
        if register.gained_wh > 0:
            origin = COUNTED | (ESTIMATED if span > self.spec.hold_ms else 0)
            watts = register.gained_wh * WMS_PER_WH / span
            self._place_before(register.anchor_ms, min(self.done_ms, at_ms), watts, origin)
            self._cover(at_ms, watts, origin)
            self.watts = watts
            self.anchor(at_ms, exact=True)
        else:
            self._cover(at_ms, 0.0, COUNTED | (ESTIMATED if silent else 0))
            if span > self.spec.hold_ms:
                self.watts = 0.0
        self.heard_ms, self.held_until_ms = at_ms, at_ms + self.spec.hold_ms
        if self.watts is not None and not self.band_low <= self.watts < self.band_high:
            self._relevel(at_ms, self.watts)

    def _place_before(self, from_ms: int, to_ms: int, watts: float, origin: int) -> None:
        """Add energy to time that is covered already."""
        self.above_wms += max(0.0, watts - self.standby_w) * max(0, to_ms - from_ms)
        for minute in range(from_ms // MINUTE_MS, (to_ms - 1) // MINUTE_MS + 1 if to_ms > from_ms else 0):
            inside = min(to_ms, (minute + 1) * MINUTE_MS) - max(from_ms, minute * MINUTE_MS)
            self.patch(minute, watts * inside, 0, origin)

    def _cover(self, to_ms: int, watts: float, origin: int) -> None:
        start = self.done_ms
        signed = -watts if self.spec.counts_out else watts
        while start < to_ms:
            if start >= self.ends_ms:
                self._roll(start)
            stop = min(to_ms, self.ends_ms)
            self._add(signed, stop - start, origin)
            start = stop
        self.done_ms = max(self.done_ms, to_ms)

    def _settle_shaped(self, at_ms: int) -> None:
        """Power and counter: when the register has moved over a long enough span, it has the last word."""
        register = self.register
        if register.gained_wh <= 0:
            return
        slices = dict(register.slices)
        shaped = self.out_wms if self.spec.counts_out else self.in_wms
        slices[self.minute] = (shaped - register.open_wms, self.covered_ms - register.open_covered_ms)
        gap_ms = at_ms - register.anchor_ms - sum(ms for _, ms in slices.values())
        if gap_ms < MINUTE_MS and not register.exact:
            self.anchor(at_ms, exact=True)  # the register's first move: from here on its span is known
            return
        if gap_ms < MINUTE_MS and at_ms - register.anchor_ms < SETTLE_MS:
            return
        for share in settle(register.anchor_ms, at_ms, register.gained_wh * WMS_PER_WH, slices):
            filled = ESTIMATED if share.covered_ms else 0
            self.patch(share.minute, share.wms, share.covered_ms, COUNTED | filled)
        self.anchor(at_ms, exact=True)

    def patch(self, minute: int, wms: float, covered_ms: int, origin: int) -> None:
        """Add to a minute, open or closed, what the counter says."""
        if minute == self.minute:
            if self.spec.counts_out:
                self.out_wms = max(0.0, self.out_wms + wms)
            else:
                self.in_wms = max(0.0, self.in_wms + wms)
            self.covered_ms += covered_ms
            self.origin |= origin
            return
        if self.spec.counts_out:
            self.closed_out_wms += wms
        else:
            self.closed_in_wms += wms
        energy = uwh(wms)
        into, outof = (0, energy) if self.spec.counts_out else (energy, 0)
        self.out.rows.append(Patch(self.spec.name, minute, into, outof, covered_ms, origin))

    # -- levels -----------------------------------------------------------------------------------

    def _relevel(self, at_ms: int, watts: float) -> None:
        band: Band = band_of(watts, self.level, self.spec.thresholds)
        spec = self.spec
        low, high = band.low, band.high
        for edge_w in spec.edges_w:
            low, high = (max(low, edge_w), high) if watts >= edge_w else (low, min(high, edge_w))
        self.band_low, self.band_high = (NO_BAND.low, NO_BAND.high) if spec.every_change else (low, high)
        if band.level != self.level or not self.announced or self.lost or spec.edges_w or spec.every_change:
            self.level, self.announced, self.lost = band.level, True, False
            self.out.levels.append(LevelChange(at_ms, spec.name, band.level, watts))

    def lose_level(self, at_ms: int) -> None:
        """Nothing is known of the load any more."""
        self.band_low, self.band_high = NO_BAND.low, NO_BAND.high
        self.level = None
        if not self.lost:
            self.lost = True
            self.out.levels.append(LevelChange(at_ms, self.spec.name, None, None))

    def above_at(self, now_ms: int) -> float:
        """Watt-milliseconds above standby since the meter began, as measured up to `now_ms`."""
        ahead = min(now_ms, self.held_until_ms) - self.done_ms
        if self.watts is None or ahead <= 0 or not self.spec.has_power:
            return self.above_wms
        return self.above_wms + max(0.0, self.watts - self.standby_w) * ahead

    def energy_at(self, now_ms: int) -> tuple[float, float]:
        """Watt-milliseconds in and out since the meter began, as measured up to `now_ms`."""
        into, out = self.closed_in_wms + self.in_wms, self.closed_out_wms + self.out_wms
        ahead = min(now_ms, self.held_until_ms) - self.done_ms
        if self.watts is None or ahead <= 0 or not self.spec.has_power:
            return into, out
        return into + max(0.0, self.watts) * ahead, out + max(0.0, -self.watts) * ahead
