"""The month's people: who is out when, when the house sleeps, when guests are in it. All of it true, from a seed."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from simulated.spans import Span, Spans, union, without

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
PEOPLE = ("imre", "odile")
ZONE = ZoneInfo("Europe/Madrid")


@dataclass(frozen=True)
class Calendar:
    """The month's days, by local time."""

    first: date
    days: int

    def at(self, day: int, hour: float) -> int:
        """The instant of a local hour of a day, counted from 0; 24.5 is half past midnight after it."""
        seconds = round(hour * 3600)
        later = self.first + timedelta(days=day + seconds // 86_400)
        seconds %= 86_400
        moment = datetime(later.year, later.month, later.day, tzinfo=ZONE) + timedelta(seconds=seconds)
        return int(moment.timestamp()) * 1000

    @property
    def begin_ms(self) -> int:
        return self.at(0, 0)

    @property
    def end_ms(self) -> int:
        return self.at(self.days, 0)

    @property
    def whole(self) -> Spans:
        return [(self.begin_ms, self.end_ms)]

    def weekday(self, day: int) -> int:
        return (self.first + timedelta(days=day)).weekday()


@dataclass
class Life:
    """Who was where, in truth."""

    calendar: Calendar
    out: dict[str, Spans] = field(default_factory=lambda: {person: [] for person in PEOPLE})
    guests: Spans = field(default_factory=list)
    nights: Spans = field(default_factory=list)
    careless: set[int] = field(default_factory=set)
    """Days of the week in which much is forgotten."""

    @property
    def occupied(self) -> Spans:
        """Somebody is in the house, guests included."""
        home = [without(self.calendar.whole, self.out[person]) for person in PEOPLE]
        return union(*home, self.guests)

    @property
    def empty(self) -> Spans:
        return without(self.calendar.whole, self.occupied)

    @property
    def up(self) -> Spans:
        """Somebody is in the house and awake."""
        return without(self.occupied, self.nights)


def live(rng: random.Random, calendar: Calendar) -> Life:
    """A month of two people with jobs, a trip, guests who have the house to themselves, and one careless week."""
    life = Life(calendar)
    saturdays = [day for day in range(calendar.days) if calendar.weekday(day) == 5]
    trip = saturdays[-1] if len(saturdays) > 2 else None
    lent = saturdays[1] - 2 if len(saturdays) > 2 else max(0, saturdays[0] - 2)
    mondays = [day for day in range(calendar.days) if calendar.weekday(day) == 0 and day != lent - 3]
    if len(mondays) > 2:  # less than three weeks are all normal
        worst = rng.choice(mondays[:-1])
        life.careless = set(range(worst, worst + 7))
    _night(rng, life, -1)
    for day in range(calendar.days):
        if calendar.weekday(day) < 5:
            _weekday(rng, life, day)
        else:
            _weekend(rng, life, day)
        _night(rng, life, day)
    if trip is not None:
        _both_out(life, calendar.at(trip, rng.gauss(9.4, 0.3)), calendar.at(trip + 1, rng.gauss(18.0, 0.5)))
    _lend(rng, life, lent)
    for person in PEOPLE:
        life.out[person] = union(life.out[person])
    life.nights = [_after_return(rng, life, night) for night in life.nights]
    return life


def _both_out(life: Life, begin: int, end: int, apart_ms: int = 0) -> None:
    life.out["imre"].append((begin, end))
    life.out["odile"].append((begin + apart_ms, end + apart_ms))


def _weekday(rng: random.Random, life: Life, day: int) -> None:
    at, weekday = life.calendar.at, life.calendar.weekday(day)
    if weekday != 4:  # on Fridays Imre works at home
        life.out["imre"].append((at(day, rng.gauss(8.2, 0.2)), at(day, rng.gauss(17.5, 0.4))))
    if weekday != 2:  # and Odile on Wednesdays
        life.out["odile"].append((at(day, rng.gauss(8.7, 0.2)), at(day, rng.gauss(18.2, 0.5))))
    if weekday in (2, 4):  # whoever works at home goes out at noon
        person, begin = PEOPLE[weekday == 2], at(day, rng.gauss(12.8, 0.4))
        life.out[person].append((begin, begin + int(rng.uniform(7, 55) * MINUTE_MS)))
    if weekday == 1:  # somebody comes to clean while both are out, and is let in by a code
        life.guests.append((at(day, rng.gauss(10.2, 0.2)), at(day, rng.gauss(13.3, 0.3))))
    _evening(rng, life, day, 0.35 if weekday == 4 else 0.1)


def _weekend(rng: random.Random, life: Life, day: int) -> None:
    at = life.calendar.at
    if rng.random() < 0.7:  # to the baker's, both of them
        begin = at(day, rng.uniform(9.3, 10.3))
        _both_out(life, begin, begin + int(rng.uniform(5, 28) * MINUTE_MS), rng.randrange(40_000))
    if life.calendar.weekday(day) == 5:
        begin = at(day, rng.gauss(11.2, 0.3))
        _both_out(life, begin, begin + int(rng.uniform(0.8, 2.2) * HOUR_MS), rng.randrange(90_000))
    elif rng.random() < 0.5:
        begin = at(day, rng.gauss(13.4, 0.3))
        _both_out(life, begin, begin + int(rng.uniform(2.5, 4.5) * HOUR_MS), rng.randrange(90_000))
    _evening(rng, life, day, 0.4 if life.calendar.weekday(day) == 5 else 0.1)


def _evening(rng: random.Random, life: Life, day: int, out_to_eat: float) -> None:
    at = life.calendar.at
    if rng.random() < out_to_eat:
        begin = at(day, rng.gauss(20.6, 0.3))
        _both_out(life, begin, begin + int(rng.uniform(1.8, 3.6) * HOUR_MS), rng.randrange(90_000))
    elif rng.random() < 0.3:  # a walk round the block with the television left on, on purpose
        begin = at(day, rng.uniform(21.2, 21.9))
        _both_out(life, begin, begin + int(rng.uniform(4, 16) * MINUTE_MS), rng.randrange(20_000))
    elif rng.random() < 0.25:
        begin = at(day, rng.gauss(19.4, 0.2))
        person = rng.choice(PEOPLE)
        life.out[person].append((begin, begin + int(rng.uniform(0.9, 1.8) * HOUR_MS)))


def _night(rng: random.Random, life: Life, day: int) -> None:
    at, weekday = life.calendar.at, life.calendar.weekday(day)
    if weekday in (4, 5):
        bed = rng.gauss(26.2, 0.4) if rng.random() < 0.2 else rng.gauss(24.4, 0.4)
    else:
        bed = rng.gauss(23.9, 0.3) if rng.random() < 0.12 else rng.gauss(22.9, 0.25)
    rise = rng.gauss(8.8, 0.3) if weekday in (4, 5) else rng.gauss(6.75, 0.12)
    life.nights.append((at(day, bed), at(day + 1, rise)))


def _after_return(rng: random.Random, life: Life, night: Span) -> Span:
    """Nobody goes to bed before they are home."""
    later = max(
        (end for spans in life.out.values() for begin, end in spans if begin < night[0] < end), default=night[0]
    )
    if later > night[0] and later < night[1] - HOUR_MS:
        return later + int(rng.uniform(8, 50) * MINUTE_MS), night[1]
    return night


def _lend(rng: random.Random, life: Life, day: int) -> None:
    """Both go away for two days, and lend the house to guests, who go out themselves once."""
    at = life.calendar.at
    _both_out(life, at(day, rng.gauss(8.0, 0.2)), at(day + 2, rng.gauss(20.0, 0.4)))
    out, back = at(day + 1, rng.gauss(10.5, 0.3)), at(day + 1, rng.gauss(13.5, 0.5))
    life.guests += [(at(day, rng.gauss(17.0, 0.3)), out), (back, at(day + 2, rng.gauss(11.5, 0.3)))]
    life.guests = union(life.guests)
