"""What the month's house publishes, with the faults of meters, phones, sensors, broker and daemon."""

from __future__ import annotations

import random
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from simulated.habits import Household
from simulated.life import HOUR_MS, MINUTE_MS, PEOPLE, Life
from simulated.machines import Steps
from simulated.month_house import METERS, MonthMeter
from simulated.spans import Span, Spans, both, holds, union, without

Presence = Literal["known", "none", "stale"]
HEARTBEAT_MS = 30 * MINUTE_MS
SENSOR_HEARTBEAT_MS = 15 * MINUTE_MS
CLEARS_AFTER_MS = 3 * MINUTE_MS
DRY_MS = 27 * HOUR_MS
"""In a month of stale presence, the phones are silent from then on."""


class Word(NamedTuple):
    """A message that the broker retains: presence or a signal."""

    at_ms: int
    topic: str
    payload: str


@dataclass
class Wire:
    """Everything published, and what was not heard of it."""

    words: list[Word] = field(default_factory=list)
    silent: dict[str, Spans] = field(default_factory=dict)
    """By meter, person or sensor: when it published nothing."""
    away: Spans = field(default_factory=list)
    """The broker cannot be reached."""
    down: list[tuple[Span, bool]] = field(default_factory=list)
    """The daemon does not run, and whether it was stopped cleanly."""

    @property
    def deaf(self) -> Spans:
        """Nothing at all was heard."""
        return union(self.away, [span for span, _ in self.down])


def wire_up(rng: random.Random, house: Household, presence: Presence) -> Wire:
    """All faults and all words of a month."""
    life, wire = house.life, Wire()
    begin, end = life.calendar.begin_ms, life.calendar.end_ms
    months = (end - begin) / (30 * 24 * HOUR_MS)
    for meter in METERS:
        bursts = [_span(rng, begin, end, 1.5, 14) for _ in range(round(9 * months))]
        long = [_span(rng, begin, end, 55, 700)] if rng.random() < 0.5 * months else []
        short = [_span(rng, begin, end, 20, 40)] if rng.random() < 0.5 * months else []
        wire.silent[meter.name] = union(bursts, long, short)
    wire.away = union([_span(rng, begin, end, 0.5, 45) for _ in range(max(2, round(5 * months)))])
    for _ in range(max(1, round(3 * months))):
        wire.down.append((_span(rng, begin, end, 0.3, 20), rng.random() < 0.5))
    wire.down.sort()
    wire.silent["imre"] = union([_span(rng, begin, end, 180, 840) for _ in range(max(1, round(2 * months)))])
    wire.silent["odile"] = union([_span(rng, begin, end, 60, 600)])
    for sensor in ("study-motion", "bedroom-window"):
        wire.silent[sensor] = union([_span(rng, begin, end, 200, 700)]) if rng.random() < months else []
    for person in PEOPLE:
        wire.words += _presence(rng, life, person, wire.silent.get(person, []), presence)
    wire.words += _signals(rng, house, wire)
    wire.words.sort()
    return wire


def _span(rng: random.Random, begin: int, end: int, least_min: float, most_min: float) -> Span:
    at = rng.randrange(begin + 2 * HOUR_MS, end - 13 * HOUR_MS)
    return at, at + int(rng.uniform(least_min, most_min) * MINUTE_MS)


# -- presence -----------------------------------------------------------------------------------------


def _presence(rng: random.Random, life: Life, person: str, silent: Spans, presence: Presence) -> list[Word]:
    calendar, topic = life.calendar, f"quince/people/{person}"
    changes = _phone(rng, life, person)
    beats = [(at, "") for at in range(calendar.begin_ms, calendar.end_ms, HEARTBEAT_MS)] if person == "imre" else []
    back = [(end + 20_000, "") for _, end in silent]
    times = [at for at, _ in changes]
    heard = []
    for at, word in sorted([*changes, *beats, *back]):
        known = word or changes[max(0, bisect_left(times, at + 1) - 1)][1]
        if not holds(silent, at):
            heard.append(Word(at, topic, known))
    if presence == "none":
        return []
    return [word for word in heard if word.at_ms < calendar.begin_ms + DRY_MS] if presence == "stale" else heard


def _phone(rng: random.Random, life: Life, person: str) -> list[tuple[int, str]]:
    """What a phone thinks: late, and now and then wrong for some minutes."""
    calendar = life.calendar
    spans: Spans = []  # when it says away
    for begin, end in life.out[person]:
        late_home = rng.uniform(3, 8) if rng.random() < 0.05 else rng.uniform(0.2, 1.5)
        told = begin + int(rng.uniform(0.7, 6.0) * MINUTE_MS), end + int(late_home * MINUTE_MS)
        if told[1] - told[0] > 30_000:
            spans.append(told)
    at_home = without(calendar.whole, union(life.out[person]))
    for day in range(calendar.days):
        if rng.random() < 0.5:  # it sleeps, and is thought to have gone
            begin = calendar.at(day, rng.uniform(0.2, 23.6))
            minutes = min(40.0, rng.uniform(0.5, 3) + rng.expovariate(0.25))  # seldom longer than people wait for it
            wrong = begin, begin + int(minutes * MINUTE_MS)
            spans += both([wrong], at_home)
    spans = union(spans)
    if rng.random() < 0.8:  # it is seen at home in passing, while its owner is out
        begin = rng.choice(life.out[person])[0] + int(rng.uniform(60, 180) * MINUTE_MS)
        spans = without(spans, [(begin, begin + int(rng.uniform(1, 4) * MINUTE_MS))])
    changes = [(calendar.begin_ms, "home")]
    for begin, end in spans:
        changes += [(begin, "not_home"), (end, "home")]
    return changes


# -- sensors ------------------------------------------------------------------------------------------


def _signals(rng: random.Random, house: Household, wire: Wire) -> list[Word]:
    calendar, words = house.life.calendar, []
    guests = [
        (begin + rng.randrange(150_000), end + int(rng.uniform(0, 15) * MINUTE_MS)) for begin, end in house.life.guests
    ]
    words += _told(guests, "quince/house/guests", ("yes", "no"), calendar.begin_ms)
    study = _moved(rng, house.attended("computer", "study-lights"), calendar.whole)
    living = _moved(rng, house.attended("television", "lights-below"), calendar.whole)
    glasses = [(use.from_ms, use.to_ms) for use in house.uses["lights-below"] if use.why == "flicker"]
    for name, spans, pair in (
        ("study-motion", study, ("motion", "clear")),
        ("living-motion", union(living, glasses), ("motion", "clear")),
        ("bedroom-window", house.window, ("open", "closed")),
    ):
        topic = f"quince/sensors/{name}"
        told = _told(spans, topic, pair, calendar.begin_ms)
        again = range(calendar.begin_ms + 17_000, calendar.end_ms, SENSOR_HEARTBEAT_MS)
        told += [Word(at, topic, pair[0] if holds(spans, at) else pair[1]) for at in again]
        words += [word for word in told if not holds(wire.silent.get(name, []), word.at_ms)]
    return words


def _told(spans: Spans, topic: str, pair: tuple[str, str], begin_ms: int) -> list[Word]:
    words = [Word(begin_ms, topic, pair[1])]
    for begin, end in spans:
        words += [Word(begin, topic, pair[0]), Word(end, topic, pair[1])]
    return words


def _moved(rng: random.Random, room: Spans, whole: Spans) -> Spans:
    """When a room's sensor sees motion: people sit still for a while, and sometimes it sees what is nothing."""
    seen: Spans = []
    for begin, end in room:
        at = begin
        while at < end:
            seen.append((at, at + CLEARS_AFTER_MS))
            still = rng.uniform(10, 24) if rng.random() < 0.04 else rng.expovariate(0.4)
            at += int((still + 0.3) * MINUTE_MS)
        seen.append((end, end + CLEARS_AFTER_MS))
    for begin, end in whole:
        for _ in range((end - begin) // (72 * HOUR_MS)):
            at = rng.randrange(begin, end)
            seen.append((at, at + CLEARS_AFTER_MS))
    return union(seen)


# -- readings -----------------------------------------------------------------------------------------


def readings(
    rng: random.Random, meter: MonthMeter, steps: Steps, silent: Spans, span: Span
) -> Iterator[tuple[int, str, bytes]]:
    """A meter's messages within a span: each minute, and from plugs at once when the load changes."""
    begin, end = span
    times = [at + rng.randrange(1500) for at in range(begin + meter.phase_ms, end, meter.every_ms)]
    if meter.role == "appliance":
        times += _changes(rng, steps, begin, end)
        times.sort()
    step = max(0, bisect_left(steps, begin, key=lambda step: step[0]) - 1)
    for at in times:
        while step + 1 < len(steps) and steps[step + 1][0] <= at:
            step += 1
        if rng.random() < 0.008 or (silent and holds(silent, at)):
            continue
        watts = steps[step][1]
        seen = watts + rng.gauss(0.0, meter.floor_w + 0.003 * watts)
        if meter.stamped:
            yield at + 300, meter.topic, b'{"power": %.1f, "at_ms": %d}' % (seen, at)
        else:
            yield at, meter.topic, b"%.1f" % (max(seen, 0.0) if meter.role == "appliance" else seen)


def _changes(rng: random.Random, steps: Steps, begin: int, end: int) -> list[int]:
    first = max(1, bisect_left(steps, begin, key=lambda step: step[0]))
    found = []
    for index in range(first, len(steps)):
        at, watts = steps[index]
        if at >= end - 4000:
            break
        if abs(watts - steps[index - 1][1]) > max(3.0, 0.08 * watts):
            found.append(at + rng.randrange(300, 3000))
    return found
