"""Times of the household's day, as stretches of minutes; and when nobody was home."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.whatif.load import Stretch
from wattround.analysis.words import Ears
from wattround.config.model import Settings
from wattround.core.rulebook import occupancy_ways
from wattround.ledger.past import Past
from wattround.metering.minute import MINUTE_MS
from wattround.rules.marks import Edges, instant_ms, local_date, window_at
from wattround.rules.occupancy import Presence
from wattround.rules.signals import FOREVER_MS, Signals

WELL_KNOWN = 0.98
"""Where who was home is known for less of the time than this, it is said."""


class Day(NamedTuple):
    """What there is of a day, and how long all of it is, in milliseconds."""

    from_ms: int
    to_ms: int
    length_ms: int


def local_days(from_ms: int, to_ms: int, zone: ZoneInfo) -> list[Day]:
    """Every local day of [from_ms, to_ms), the first and the last one cut to it."""
    found, begin, day = [], from_ms, local_date(from_ms, zone)
    while begin < to_ms:
        midnight, day = instant_ms(day, 0, zone), day + timedelta(days=1)
        following = instant_ms(day, 0, zone)
        found.append(Day(begin, min(to_ms, following), following - midnight))
        begin = following
    return found


def days_between(cuts: Sequence[int], from_ms: int, to_ms: int) -> list[Day]:
    """[from_ms, to_ms) cut at these minutes, in order: what comes before the first and after the last is no day."""
    inner = [cut * MINUTE_MS for cut in cuts if from_ms < cut * MINUTE_MS < to_ms]
    edges = [from_ms, *inner, to_ms]
    return [
        Day(begin, end, end - begin if begin in inner and end in inner else FOREVER_MS)
        for begin, end in pairwise(edges)
    ]


def windows(edges: Edges, from_ms: int, to_ms: int, zone: ZoneInfo) -> tuple[Stretch, ...]:
    """The windows between two edges of the day that have a part of [from_ms, to_ms), in order.

    An edge within a minute counts from the next one. One that had begun before is cut to the begin.
    """
    return tuple(_windows(edges, from_ms, to_ms, zone))


def _windows(edges: Edges, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Stretch]:
    at_ms = from_ms
    while at_ms < to_ms:
        window = window_at(at_ms, edges, zone)
        if window is None or window.from_ms >= to_ms:
            return
        begin, end = (-(-edge // MINUTE_MS) for edge in (max(window.from_ms, at_ms), window.to_ms))
        if begin < end:
            yield begin, end
        at_ms = max(window.to_ms, at_ms + 1)


class Away(NamedTuple):
    """When the house was known to be empty, and when it was not known who was home, to the minute."""

    stretches: tuple[Stretch, ...]
    unknown: tuple[Stretch, ...]
    known_share: float

    def notes(self) -> Iterator[str]:
        """What that leaves open."""
        if self.known_share < WELL_KNOWN:
            share = f"{100 * self.known_share:.0f} %"
            yield f"who was home is known for {share} of the time; the rest counts as if somebody was"


def empty_times(past: Past, settings: Settings, from_ms: int, to_ms: int) -> Away:
    """When the house was empty, as the rules would have had it."""
    ways = occupancy_ways(settings)
    claims = [] if ways.guests is None else [ways.guests]
    heard = {claim.signal for claim in claims}
    signals = Signals({signal.name: signal.believable for signal in settings.signals}, claims)
    presence = Presence.of(ways, signals)
    asked = {("person", person.name): person.believable for person in settings.people}
    asked |= {("signal", each.name): each.believable for each in settings.signals if each.name in heard}
    ears = Ears(presence, signals, claims)
    at_ms, unknown_ms = from_ms - max(asked.values(), default=0), 0
    found, unknown = list[Stretch](), list[Stretch]()
    words = past.words(asked, at_ms, to_ms)
    for until_ms, word in [*((word[0], word) for word in words), (to_ms, None)]:
        while at_ms < until_ms:
            end_ms = min(until_ms, presence.next_change_ms(at_ms))
            occupancy, begin_ms = presence.occupancy(at_ms), max(at_ms, from_ms)
            if occupancy == "unknown":
                unknown_ms += max(0, end_ms - begin_ms)
                _add(unknown, begin_ms // MINUTE_MS, -(-end_ms // MINUTE_MS))
            elif occupancy == "empty" and begin_ms < end_ms:
                _add(found, -(-begin_ms // MINUTE_MS), end_ms // MINUTE_MS)
            at_ms = end_ms
        if word is not None:
            ears.hear(word)
    return Away(tuple(found), tuple(unknown), 1 - unknown_ms / (to_ms - from_ms))


def _add(found: list[Stretch], begin: int, end: int) -> None:
    if found and found[-1][1] >= begin:
        found[-1] = (found[-1][0], max(found[-1][1], end))
    elif begin < end:
        found.append((begin, end))


def shares(stretches: Sequence[Stretch], hours: range) -> list[float]:
    """Which share of each hour lies within the stretches, which do not overlap."""
    found = [0.0] * len(hours)
    for begin, end in stretches:
        for hour in range(max(hours.start, begin // 60), min(hours.stop, -(-end // 60))):
            found[hour - hours.start] += (min(end, hour * 60 + 60) - max(begin, hour * 60)) / 60
    return found


def day_numbers(days: Sequence[Day], hours: range) -> list[int]:
    """Which of the local days each hour begins in; the last one, beyond them."""
    found, at = [], 0
    for hour in hours:
        while at + 1 < len(days) and hour * 60 * MINUTE_MS >= days[at].to_ms:
            at += 1
        found.append(at)
    return found
