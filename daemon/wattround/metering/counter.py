"""A cumulative register: what it gained between two values, whatever it did in between."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from wattround.metering.minute import MINUTE_MS

Verdict = Literal["first", "same", "gained", "reset", "rollover", "implausible", "exchanged", "late"]
SETTLE_MS = 15 * MINUTE_MS
"""A counter settles power-shaped minutes over at least this span: the sampling jitter of its two ends is small then."""
MS_PER_HOUR = 3_600_000
MOST_SCALE = 3.0
"""One clamp on a balanced two-leg circuit reads half; beyond three times too little it reads something else."""
LONGEST_GAP_MS = 400 * 86_400_000
"""What a counter says of a longer time is not spread over it: some clock was wrong."""
OLD_NEWS_MS = 10 * MINUTE_MS
"""A value that the register had within this time (or twice as long, of time in which it was heard) may be an old one
that was overtaken."""
KEPT_SLICES = 2880
"""A counter that has not moved for so many measured minutes settles nothing any more."""


@dataclass(slots=True)
class Register:
    """State of one counter: its last value, and the span since it last moved.

    `slices` holds, for each closed minute of that span, the watt-milliseconds and covered milliseconds
    that power readings gave it; `open_*` is what the open minute held when the span began. `untimed_wh` is
    the highest value heard since `last_ms` whose time is unknown. `before_wh` is the value that a fall at
    `fell_ms` ended, and `since_fall_wh` what was counted after it: it may prove to have been a stutter.

    `suspect_wh` at `suspect_ms` is a value that no load can have counted: a broken one, or the first of another
    register. `late_wh` is what a load could have drawn before the span and did not: values that were held up on
    their way come all at once. `old_wh` is what it showed some time ago, and `since_wh` at `since_ms` will be that
    next. `ahead_wh` is what power measured after the last value, in a span that has been closed. Until `doubt_ms` a
    clock that is behind `last_ms` is not believed.
    """

    last_wh: float | None = None
    last_ms: int = 0
    anchor_ms: int = 0
    exact: bool = False
    gained_wh: float = 0.0
    open_wms: float = 0.0
    open_covered_ms: int = 0
    untimed_wh: float | None = None
    before_wh: float | None = None
    fell_ms: int = 0
    since_fall_wh: float = 0.0
    late_wh: float = 0.0
    suspect_wh: float | None = None
    suspect_ms: int = 0
    old_wh: float = 0.0
    since_wh: float = 0.0
    since_ms: int = 0
    ahead_wh: float = 0.0
    doubt_ms: int = 0
    slices: dict[int, tuple[float, int]] = field(default_factory=dict)

    def stale(self, at_ms: int, now_wh: float) -> Verdict | None:
        """Whether a value is no news: of an instant that is past, or one that was overtaken on its way.

        The latter is lower than the last one, but one that the register had lately.
        """
        if at_ms <= self.last_ms:
            return "late" if at_ms < self.last_ms else "same"
        last_wh = self.last_wh if self.last_wh is not None else now_wh
        passed_ms = at_ms - self.since_ms
        if not 0 <= passed_ms < OLD_NEWS_MS:
            self.old_wh = self.since_wh if self.since_ms else last_wh
            self.since_wh, self.since_ms = last_wh, at_ms
        return "late" if self.old_wh <= now_wh < last_wh else None

    def advance(self, at_ms: int, now_wh: float, highest_w: float, rollover_wh: float | None) -> tuple[float, Verdict]:
        """Move to a value heard at `at_ms`; the energy gained since the last one, at most `highest_w` all along."""
        self.anchor_ms = max(self.anchor_ms, at_ms - LONGEST_GAP_MS)
        own_wh = highest_w * (at_ms - self.anchor_ms) / MS_PER_HOUR
        gained, verdict = self._advance(at_ms, now_wh, highest_w, own_wh + self.late_wh, rollover_wh)
        if verdict == "implausible":
            return self._suspect(at_ms, now_wh, highest_w)
        self.suspect_wh = None
        if verdict in ("reset", "rollover"):
            self.old_wh = self.since_wh = 0.0
        if gained > 0:
            # for as long again as it took: what was not drawn in this span may come late, and no more than that
            self.late_wh = max(0.0, min(own_wh + self.late_wh - gained, max(own_wh, self.late_wh - own_wh)))
        return gained, verdict

    def _suspect(self, at_ms: int, now_wh: float, highest_w: float) -> tuple[float, Verdict]:
        """A value that cannot be: the next one that follows from it tells that there is another register now."""
        if self.suspect_wh is not None:
            gained = now_wh - self.suspect_wh
            if 0 < gained <= highest_w * (at_ms - self.suspect_ms) / MS_PER_HOUR:
                return gained, "exchanged"
        self.suspect_wh, self.suspect_ms = now_wh, at_ms
        return 0.0, "implausible"

    def take_up(self, at_ms: int, now_wh: float) -> None:
        """Begin with a register that is not known: what it counted before is nobody's."""
        self.last_wh, self.last_ms = now_wh, at_ms
        self.old_wh = self.since_wh = now_wh
        self.since_ms = at_ms
        self.suspect_wh = self.untimed_wh = self.before_wh = None
        self.late_wh = self.ahead_wh = 0.0

    def allow_late(self, until_ms: int, highest_w: float) -> None:
        """The span ends here without a value: what a load could have drawn in it will come with the next one."""
        self.late_wh = max(self.late_wh, highest_w * max(0, until_ms - self.anchor_ms) / MS_PER_HOUR)

    def _advance(
        self, at_ms: int, now_wh: float, highest_w: float, most_wh: float, rollover_wh: float | None
    ) -> tuple[float, Verdict]:
        before = self.last_wh if self.last_wh is not None else now_wh
        extra = 0.0
        if self.untimed_wh is not None and 0 < self.untimed_wh - before <= most_wh and now_wh < self.untimed_wh:
            # what was counted before it fell again, known only from a value of unknown time
            extra, before = self.untimed_wh - before, self.untimed_wh
        if self.before_wh is not None and self._is_back(now_wh, highest_w * (at_ms - self.fell_ms) / MS_PER_HOUR):
            gained = max(0.0, now_wh - self.before_wh - self.since_fall_wh)
            self.before_wh = self.untimed_wh = None
            return gained, "gained"
        gained, verdict = gain(before, now_wh, most_wh - extra, rollover_wh)
        if verdict == "implausible":
            return 0.0, verdict
        self.untimed_wh = None
        if verdict == "reset":
            self.before_wh, self.fell_ms, self.since_fall_wh = before, at_ms, gained
        else:
            self.since_fall_wh += max(0.0, now_wh - before)
        return gained + extra, verdict

    def _is_back(self, now_wh: float, most_wh: float) -> bool:
        """Whether a register that fell is back where it was, by a step no load can make: it only stuttered."""
        step, rise = now_wh - (self.last_wh or 0.0), now_wh - (self.before_wh or 0.0)
        return step > most_wh and 0 <= rise <= most_wh

    def restart(self, at_ms: int, open_wms: float, open_covered_ms: int, *, exact: bool) -> None:
        """Begin a new span at `at_ms`."""
        self.anchor_ms, self.exact, self.gained_wh = at_ms, exact, 0.0
        self.open_wms, self.open_covered_ms = open_wms, open_covered_ms
        self.slices = {}

    def note_closed(self, minute: int, wms: float, covered_ms: int) -> None:
        """Remember what power readings gave a minute that is being closed."""
        if len(self.slices) >= KEPT_SLICES:
            self.restart((minute + 1) * MINUTE_MS, 0.0, 0, exact=False)
            return
        self.slices[minute] = (wms - self.open_wms, covered_ms - self.open_covered_ms)
        self.open_wms, self.open_covered_ms = 0.0, 0


def gain(before_wh: float, now_wh: float, most_wh: float, rollover_wh: float | None) -> tuple[float, Verdict]:
    """Energy between two values of a register that never counts down by itself.

    A value that falls has rolled over (only where `rollover_wh` is configured and the gain is plausible) or
    was reset, in which case what it shows now is what it counted since; RFC 8428 section 4.5.2 on sums.
    `most_wh` is what the load could have drawn in that time: more is a register exchanged, not energy.
    """
    step = now_wh - before_wh
    if 0 <= step <= most_wh:
        return step, "gained" if step else "same"
    if step > 0:
        return 0.0, "implausible"
    if rollover_wh is not None and step + rollover_wh <= most_wh and before_wh <= rollover_wh:
        return step + rollover_wh, "rollover"
    if now_wh <= most_wh:
        return now_wh, "reset"
    return 0.0, "implausible"


class Share(NamedTuple):
    """What settling adds to one minute."""

    minute: int
    wms: float
    covered_ms: int


def settle(from_ms: int, to_ms: int, total_wms: float, slices: dict[int, tuple[float, int]]) -> list[Share]:
    """Additions that make the minutes of a span sum to what the counter gained in it.

    Power readings keep their shape. Time they do not cover is filled evenly with the difference, but not
    above the busiest measured minute's mean power: what remains then (a meter that reads a few per cent
    off) scales the measured minutes. Where that would more than treble them, power readings tell nothing of
    the shape, and the whole is spread evenly.

    Args:
        from_ms: begin of the span.
        to_ms: its end.
        total_wms: what the counter gained, in watt-milliseconds.
        slices: measured (watt-milliseconds, covered milliseconds) by minute. What lies outside the span was measured
            while the clock was wrong; it is part of what the counter gained, and stays where it is.
    """
    first, last = from_ms // MINUTE_MS, (to_ms - 1) // MINUTE_MS
    total_wms = max(0.0, total_wms - sum(wms for minute, (wms, _) in slices.items() if not first <= minute <= last))
    slices = {minute: values for minute, values in slices.items() if first <= minute <= last}
    measured = sum(wms for wms, _ in slices.values())
    covered = sum(ms for _, ms in slices.values())
    gap_ms = (to_ms - from_ms) - covered
    difference = total_wms - measured
    if measured <= 0:
        return _evenly(from_ms, to_ms, total_wms, slices)
    gap_w = 0.0
    if gap_ms > 0 and difference > 0:
        busiest = max(wms / ms for wms, ms in slices.values() if ms > 0)
        gap_w = min(difference / gap_ms, busiest)
    scale = (total_wms - gap_w * gap_ms) / measured
    if scale > MOST_SCALE:
        return _evenly(from_ms, to_ms, total_wms, slices)
    shares = []
    for minute, span_ms in _minutes(from_ms, to_ms):
        wms, ms = slices.get(minute, (0.0, 0))
        missing = max(0, span_ms - ms)
        shares.append(Share(minute, wms * (scale - 1.0) + gap_w * missing, missing))
    return shares


def _evenly(from_ms: int, to_ms: int, total_wms: float, slices: dict[int, tuple[float, int]]) -> list[Share]:
    watts = total_wms / (to_ms - from_ms)
    shares = []
    for minute, span_ms in _minutes(from_ms, to_ms):
        wms, ms = slices.get(minute, (0.0, 0))
        shares.append(Share(minute, watts * span_ms - wms, max(0, span_ms - ms)))
    return shares


def _minutes(from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """Each minute that [from, to) touches, with the milliseconds of it that lie inside."""
    return [
        (minute, min(to_ms, (minute + 1) * MINUTE_MS) - max(from_ms, minute * MINUTE_MS))
        for minute in range(from_ms // MINUTE_MS, (to_ms - 1) // MINUTE_MS + 1)
    ]
