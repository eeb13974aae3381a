"""How often a value comes, for how long it may stand, and whether its payload tells a time that can be believed."""

from __future__ import annotations

from statistics import median
from typing import Literal, NamedTuple

from wattround.analysis.scout.heard import Field, Topic

DEFAULT_HOLD_S = 90
HOLDS_S = (5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 300, 420, 600, 900, 1200, 1800, 2700, 3600, 7200, 14_400, 43_200)
ENOUGH_GAPS = 5
FIRST_S, LAST_S = 946_684_800.0, 4.2e9
"""Times since 1970 that can be meant: from 2000 to 2103, in seconds or in milliseconds."""
MOST_LATE_MS, MOST_EARLY_MS = 120_000, 10_000
PACE = 0.02
CLOCK_PACES = (1.0, 1000.0, 1 / 60)
"""A number that rises so much a second is a clock of some kind: seconds, milliseconds, minutes."""


class Beat(NamedTuple):
    """Seconds from one value to the next: in the middle, of nearly all (95 %), and the longest of `times` - 1."""

    times: int
    median_s: float
    most_s: float
    longest_s: float

    @property
    def known(self) -> bool:
        """Whether it came often enough to tell."""
        return self.times > ENOUGH_GAPS

    @property
    def hold_s(self) -> int:
        """The shortest usual hold that is longer than nearly all gaps, with room for one that is missed."""
        if not self.known:
            return DEFAULT_HOLD_S
        wanted_s = max(2.2 * self.median_s, 1.5 * self.most_s)
        return next((hold for hold in HOLDS_S if hold >= wanted_s), 86_400)

    @property
    def text(self) -> str:
        """In words."""
        if not self.known:
            return f"came {self.times} time{'' if self.times == 1 else 's'} only"
        steady = self.most_s <= 1.3 * self.median_s
        middle = f"every {_seconds(self.median_s)}"
        return middle if steady else f"{middle}, sometimes after {_seconds(self.most_s)}"


def _seconds(seconds: float) -> str:
    if seconds < 10:
        return f"{seconds:.2g} s"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def beat(of: Field) -> Beat:
    """How often a value came while it was listened; retained ones say nothing of that."""
    gaps = sorted(of.gaps_ms)
    if not gaps:
        return Beat(of.count, 0.0, 0.0, 0.0)
    most = gaps[min(len(gaps) - 1, int(0.95 * len(gaps)))]
    return Beat(of.count, median(gaps) / 1000, most / 1000, of.longest_gap_ms / 1000)


def hold_text(seconds: int) -> str:
    """As it is written in the settings."""
    for size, letter in ((3600, "h"), (60, "m")):
        if seconds > 90 and seconds % size == 0:
            return f"{seconds // size}{letter}"
    return f"{seconds}s"


# -- times in payloads --------------------------------------------------------------------------------


class Stamp(NamedTuple):
    """Where a payload has the time of its values, and how it is written; or why it cannot be used."""

    pointer: str
    unit: Literal["s", "ms", "rfc3339"]
    trouble: str = ""


def is_time(of: Field) -> bool:
    """Whether a number is a time since 1970, or goes on as a clock does."""
    if of.count and _unit(of) is not None and of.falls <= 0.1 * of.count and of.rises:
        return True
    if of.count < ENOUGH_GAPS or of.falls or of.rises < 0.9 * (of.count - 1):
        return False
    passed_s = (of.at_ms[-1] - of.at_ms[0]) / 1000
    pace = (of.values[-1] - of.values[0]) / passed_s if passed_s > 0 else 0.0
    return any(abs(pace / each - 1) <= PACE for each in CLOCK_PACES) and of.whole == of.count


def _unit(of: Field) -> Literal["s", "ms", "rfc3339"] | None:
    if of.form == "time":
        return "rfc3339"
    if of.low >= FIRST_S and of.high <= LAST_S:
        return "s"
    return "ms" if of.low >= FIRST_S * 1000 and of.high <= LAST_S * 1000 else None


def stamp(topic: Topic) -> Stamp | None:
    """The time in a topic's JSON payloads, if there is one that goes along with them."""
    found = []
    for of in topic.fields.values():
        unit = _unit(of) if of.where.way == "pointer" and of.count >= 3 else None
        if unit is None or of.rises < 0.8 * (of.count - 1):
            continue
        found.append((of, unit))
    for of, unit in found:
        trouble = _trouble(of, 1000.0 if unit == "s" else 1.0)
        if not trouble or len(found) == 1:
            return Stamp(of.where.at, unit, trouble)
    return None


def _trouble(of: Field, to_ms: float) -> str:
    late = sorted(at_ms - value * to_ms for at_ms, value in zip(of.at_ms, of.values, strict=True))
    middle = late[len(late) // 2]
    if -MOST_EARLY_MS <= middle <= MOST_LATE_MS and late[-1] - late[0] <= MOST_LATE_MS:
        return ""
    passed_ms = of.at_ms[-1] - of.at_ms[0]
    pace = (of.values[-1] - of.values[0]) * to_ms / passed_ms if passed_ms else 1.0
    if abs(pace - 1) > PACE:
        return f"its own time goes {pace:.3g} times as fast as ours"
    return lateness(middle)


def lateness(late_ms: float) -> str:
    """How wrong a clock is, in words; empty if it is not."""
    if -MOST_EARLY_MS <= late_ms <= MOST_LATE_MS:
        return ""
    return f"its own time is {abs(late_ms) / 1000:.0f} s {'behind' if late_ms > 0 else 'ahead of'} ours"
