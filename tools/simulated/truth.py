"""What was really wasted in the month: labelled spans, from what people meant to do and what the loads did.

Nothing here looks at messages, levels or rules at work: a label has the purpose of a rule (left on in the empty
house, on when all were in bed) and its stated waits. What comes within two minutes of those is not judged, nor is
what nobody could have noticed because the meter, phone or sensor was silent then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from simulated.habits import Household
from simulated.life import HOUR_MS, MINUTE_MS, PEOPLE, Calendar
from simulated.machines import Steps, above, energy_wh, summed
from simulated.spans import Spans, both, settled, total_ms, union, without
from simulated.wire import Wire

BORDER_MS = 2 * MINUTE_MS
SUN_MS = 4 * MINUTE_MS
WHEN = {"bedtime": (23.0, 23.0, 23.0, 23.0, 24.5, 24.5, 23.0), "rising": (6.5, 6.5, 6.5, 6.5, 6.5, 8.5, 8.5)}
"""Marks by weekday, from Monday."""


class Label(NamedTuple):
    """A load was wasting from then to then; a watcher who knew all would have said so at `due_ms`."""

    rule: str
    load: str
    from_ms: int
    due_ms: int
    to_ms: int
    why: str


@dataclass
class Truth:
    """What there was to tell of, and the spans that are not judged."""

    labels: list[Label] = field(default_factory=list)
    doubtful: dict[tuple[str, str], Spans] = field(default_factory=dict)

    def doubt(self, rule: str, load: str, begin: int, end: int) -> None:
        """Do not judge what overlaps with this."""
        self.doubtful.setdefault((rule, load), []).append((begin, end))


class Teller:
    """Makes labels."""

    def __init__(self, house: Household, watts: dict[str, Steps], wire: Wire) -> None:
        self.house, self.life, self.watts, self.wire = house, house.life, watts, wire
        self.calendar: Calendar = house.life.calendar
        self.truth = Truth()

    def hidden(self, loads: Iterable[str], others: Iterable[str] = ()) -> Spans:
        """When one of these could not be heard."""
        return union(self.wire.deaf, *(self.wire.silent.get(name, []) for name in (*loads, *others)))

    def judge(self, rule: str, load: str, spans: Spans, wait_ms: int, why: str, hidden: Spans) -> None:
        """Spans longer than the wait are labels; about as long, or mostly hidden, are not judged."""
        for begin, end in spans:
            longer_ms = end - begin - wait_ms
            if longer_ms < -BORDER_MS:
                continue
            seen = without([(begin, end)], hidden)
            enough = any(high - low > wait_ms + BORDER_MS for low, high in seen)
            if longer_ms <= BORDER_MS or not enough:
                self.truth.doubt(rule, load, begin, end)
            else:
                self.truth.labels.append(Label(rule, load, begin, begin + wait_ms, end, why))

    def between(self, begins: str, ends: str) -> Spans:
        """From a mark in the evening to one in the morning."""
        calendar = self.calendar
        return [
            (calendar.at(day, WHEN[begins][calendar.weekday(day)]),
             calendar.at(day + 1, WHEN[ends][calendar.weekday(day + 1)]))
            for day in range(-1, calendar.days)
        ]  # fmt: skip


def tell_truth(house: Household, watts: dict[str, Steps], wire: Wire) -> Truth:
    """All labels of a month."""
    teller = Teller(house, watts, wire)
    for part in (_empty_house, _bedtime, _hours, _sensors, _daylight, _oversight):
        part(teller)
    _counted(teller)
    return teller.truth


def _empty_house(teller: Teller) -> None:
    empty = settled(teller.life.empty, 10 * MINUTE_MS)
    for rule, loads, wait in (
        ("nobody-home", ("television", "bedroom-cooler", "lights-below", "lights-above"), 10),
        ("hot-nobody-home", ("fan-heater", "iron", "oven"), 5),
    ):
        for load in loads:
            left = both(teller.house.meant(load), empty)
            hidden = teller.hidden([load], PEOPLE)
            teller.judge(rule, load, left, wait * MINUTE_MS, "left on in the empty house", hidden)


def _bedtime(teller: Teller) -> None:
    nobody_up = without(teller.calendar.whole, teller.life.up)
    dark = teller.between("bedtime", "rising")
    for rule, load, still, sensor in (
        ("computer-past-bedtime", "computer", 5, "study-motion"),
        ("living-past-bedtime", "television", 15, "living-motion"),
        ("living-past-bedtime", "lights-below", 15, "living-motion"),
    ):
        # nobody there for so long, and past bedtime
        room = ("computer", "study-lights") if sensor == "study-motion" else ("television", "lights-below")
        alone = without(teller.calendar.whole, teller.house.attended(*room))
        left = both(both(both(teller.house.meant(load), settled(alone, still * MINUTE_MS)), dark), nobody_up)
        teller.judge(rule, load, left, 35 * MINUTE_MS, "on, and all in bed", teller.hidden([load], [sensor]))
    for begin, end in both(teller.house.meant("amplifier"), dark):
        for low, high in both([(begin, end)], nobody_up):
            _amplifier(teller, begin, low, high)


def _amplifier(teller: Teller, begin: int, low: int, high: int) -> None:
    """On from `begin` past bedtime; from `low` to `high` nobody was up. The rule waits for a long night to end."""
    due, hidden = begin + 150 * MINUTE_MS, teller.hidden(["amplifier"])
    seen = max((part[1] - part[0] for part in without([(begin, high)], hidden)), default=0)
    if abs(high - due) <= BORDER_MS or (high > due and seen <= 150 * MINUTE_MS + BORDER_MS):
        teller.truth.doubt("amplifier-past-bedtime", "amplifier", begin, high)
    elif high > due:
        teller.truth.labels.append(
            Label("amplifier-past-bedtime", "amplifier", low, max(low, due), high, "on, and all in bed")
        )


def _hours(teller: Teller) -> None:
    calendar = teller.calendar
    by_day = [(calendar.at(day, 10.0), calendar.at(day, 16.0)) for day in range(calendar.days)]
    peak = [
        (calendar.at(day, 18.0), calendar.at(day, 22.0)) for day in range(calendar.days) if calendar.weekday(day) < 5
    ]
    outside = without(teller.house.meant("pool-pump"), by_day)
    teller.judge("pump-outside-its-hours", "pool-pump", outside, 20 * MINUTE_MS, "outside its hours",
                 teller.hidden(["pool-pump"]))  # fmt: skip
    boosts = both(teller.house.meant("water-heater"), peak)
    teller.judge("water-heater-at-the-peak", "water-heater", boosts, 10 * MINUTE_MS, "at the dearest hours",
                 teller.hidden(["water-heater"]))  # fmt: skip


def _sensors(teller: Teller) -> None:
    cooled = both(teller.house.meant("bedroom-cooler"), settled(teller.house.window, 10 * MINUTE_MS))
    teller.judge("cooler-with-window-open", "bedroom-cooler", cooled, 10 * MINUTE_MS, "the window was open",
                 teller.hidden(["bedroom-cooler"], ["bedroom-window"]))  # fmt: skip
    alone = without(teller.calendar.whole, teller.house.attended("computer", "study-lights"))
    lit = both(teller.house.meant("study-lights"), settled(alone, 5 * MINUTE_MS))
    teller.judge("study-lights-without-motion", "study-lights", lit, 35 * MINUTE_MS, "nobody in the room",
                 teller.hidden(["study-lights"], ["study-motion"]))  # fmt: skip


def _daylight(teller: Teller) -> None:
    """Lamps of more than 60 W together while it is light; the sun's times are known to some minutes only."""
    rule, load, calendar = "lights-by-day", "lights-by-day+", teller.calendar
    lights = ("study-lights", "lights-below", "lights-above")
    lit = above(summed([teller.watts[name] for name in lights]), 60.0, calendar.end_ms)
    nearly = above(summed([teller.watts[name] for name in lights]), 56.0, calendar.end_ms)
    sure, perhaps = [], []
    for day in range(calendar.days):
        rise, fall = _sun(calendar, day)
        sure.append((rise + 2 * HOUR_MS + SUN_MS, fall - 2 * HOUR_MS - SUN_MS))
        perhaps.append((rise + 2 * HOUR_MS - SUN_MS, fall - 2 * HOUR_MS + SUN_MS))
    home = teller.life.occupied
    hidden = teller.hidden(lights, PEOPLE)
    before = len(teller.truth.labels)
    teller.judge(rule, load, both(both(lit, sure), home), 30 * MINUTE_MS, "by daylight", hidden)
    told = [(label.from_ms, label.to_ms) for label in teller.truth.labels[before:]]
    for begin, end in both(both(nearly, perhaps), home):
        if end - begin > 26 * MINUTE_MS and not both([(begin, end)], told):
            teller.truth.doubt(rule, load, begin, end)


def _sun(calendar: Calendar, day: int) -> tuple[int, int]:
    """Sunrise and sunset near Valencia, by an almanac's times (UTC) for the first and last of either month."""
    share = day / 30
    if calendar.first.month == 3:
        rise, fall = 6.61 - 0.81 * share, 17.87 + 0.52 * share
    else:
        rise, fall = 5.94 + 0.5 * share, 17.74 - 0.74 * share
    midnight = calendar.at(day, 12.0) // (24 * HOUR_MS) * 24 * HOUR_MS
    return midnight + int(rise * HOUR_MS), midnight + int(fall * HOUR_MS)


def _oversight(teller: Teller) -> None:
    truth, wire, calendar = teller.truth, teller.wire, teller.calendar
    running = above(teller.watts["freezer"], 5.0, calendar.end_ms)
    stopped = without(calendar.whole, running)
    teller.judge("freezer-does-not-start", "freezer", stopped, 2 * HOUR_MS, "its compressor stood still",
                 teller.hidden(["freezer"]))  # fmt: skip
    for load in ("freezer", "supply", "heat-pump", "television"):
        for begin, end in wire.silent[load]:
            deaf = both(wire.deaf, [(begin, end)])
            wait = 45 * MINUTE_MS
            if end - begin < wait - BORDER_MS:
                continue
            # listening begins anew after we could not hear: then only what comes after counts
            seen = max((part[1] - part[0] for part in without([(begin, end)], deaf)), default=0)
            if abs(end - begin - wait) <= BORDER_MS or seen < wait + BORDER_MS:
                truth.doubt("meter-silent", load, begin - MINUTE_MS, end + MINUTE_MS)
            else:
                truth.labels.append(Label("meter-silent", load, begin, begin + wait, end, "nothing was published"))
    down = [span for span, _ in wire.down]
    teller.judge("broker-away", "house", wire.away, 15 * MINUTE_MS, "the broker was away", down)


def _counted(teller: Teller) -> None:
    """What rules count: hours of a day, starts of an hour, energy of a day."""
    calendar, truth, watts = teller.calendar, teller.truth, teller.watts
    days = [(calendar.at(day, 0.0), calendar.at(day + 1, 0.0)) for day in range(calendar.days)]
    supply = summed(list(watts.values()))
    ran = above(watts["dehumidifier"], 60.0, calendar.end_ms)
    unmetered, unheard = teller.hidden(["supply"]), teller.hidden(["dehumidifier"])
    for day in days:
        _crossing(truth, "dehumidifier-all-day", "dehumidifier", day, unheard, 10 * HOUR_MS, 5 * MINUTE_MS,
                  lambda spans: total_ms(both(ran, spans)), "ran for more than ten hours")  # fmt: skip
        _crossing(truth, "day-spent", "house", day, unmetered, 29_500.0, 750.0,
                  lambda spans: energy_wh(supply, spans), "more than 29.5 kWh in a day")  # fmt: skip
    _starts(teller)


def _crossing(
    truth: Truth, rule: str, load: str, day: tuple[int, int], hidden: Spans, limit: float, near: float,
    measure: Callable[[Spans], float], why: str,
) -> None:  # fmt: skip
    """A day in which more than a limit was reached, and when; unless that hangs by what was not metered."""
    most, least = measure([day]), measure(without([day], hidden))
    if most < limit - near:
        return
    low, high = day
    while high - low > MINUTE_MS and most >= limit:
        middle = (low + high) // 2
        low, high = (low, middle) if measure([(day[0], middle)]) >= limit else (middle, high)
    if least < limit + near or high > day[1] - 20 * MINUTE_MS:
        truth.doubt(rule, load, day[0], day[1])
    else:
        truth.labels.append(Label(rule, load, high, high, day[1], why))


def _starts(teller: Teller) -> None:
    """More than five starts of the heat pump within an hour."""
    steps = teller.watts["heat-pump"]
    starts = [at for (_, before), (at, watts) in pairwise(steps) if before < 200 <= watts]
    often: Spans = []
    for index in range(5, len(starts)):
        until = starts[index - 5] + HOUR_MS
        if starts[index] < until:
            often.append((starts[index], until))
    hidden = teller.hidden(["heat-pump"])
    for begin, end in union(often, gap_ms=30 * MINUTE_MS):
        # a start that was not heard, or two that were heard as one, moves the count by one
        if end - begin < 30 * MINUTE_MS or both([(begin - HOUR_MS, end)], hidden):
            teller.truth.doubt("heat-pump-short-cycling", "heat-pump", begin - 5 * MINUTE_MS, end + 5 * MINUTE_MS)
        else:
            teller.truth.labels.append(
                Label("heat-pump-short-cycling", "heat-pump", begin, begin, end, "it cycled too often")
            )
