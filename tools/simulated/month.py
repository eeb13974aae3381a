"""A month of the invented house: made from a seed, and driven through the real core and ledger in its own time."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import NamedTuple

from simulated.habits import Household, keep_house
from simulated.life import HOUR_MS, MINUTE_MS, Calendar, live
from simulated.machines import Steps, run_machines, summed, watts_of
from simulated.month_house import METERS, OF_OCCUPANCY_METERS, month_settings
from simulated.spans import holds
from simulated.truth import Truth, tell_truth
from simulated.wire import Presence, Wire, readings, wire_up
from wattround.config.load import examine_text
from wattround.config.model import Settings
from wattround.core.inbox import Inbox
from wattround.core.loop import Core
from wattround.ingest.delivery import LIVE, RETAINED
from wattround.ledger.batch import Waiting

BOOTED_MS = 86_400_000
"""How long the machine had been running when the month began: its other clock starts there."""


@dataclass
class Month:
    """What happened, what was published of it, and what was really forgotten."""

    seed: int
    presence: Presence
    calendar: Calendar
    house: Household
    watts: dict[str, Steps]
    wire: Wire
    truth: Truth


def first_day(seed: int) -> date:
    """The months in which clocks change, in turn."""
    return date(2026, 10, 1) if seed % 2 else date(2027, 3, 1)


def make_month(seed: int, days: int = 30, presence: Presence = "known", first: date | None = None) -> Month:
    """Everything that follows from a seed; how presence is told changes nothing else."""
    calendar = Calendar(first or first_day(seed), days)
    house = keep_house(random.Random(seed * 7 + 1), live(random.Random(seed * 7), calendar))
    run_machines(random.Random(seed * 7 + 2), house)
    watts = watts_of(random.Random(seed * 7 + 3), house)
    wire = wire_up(random.Random(seed * 7 + 4), house, presence)
    return Month(seed, presence, calendar, house, watts, wire, tell_truth(house, watts, wire))


# -- driving ------------------------------------------------------------------------------------------


class Episode(NamedTuple):
    """An episode as the ledger has it."""

    rule: str
    load: str
    began_ms: int
    raised_ms: int
    settled_ms: int | None
    reason: str | None


class Bulletin(NamedTuple):
    """A message that a person got, and the episodes (rule, load, begin) that it spoke of."""

    sent_ms: int
    kind: str
    body: str
    rules: tuple[tuple[str, str, str], ...]


@dataclass
class Heard:
    """What came of a month."""

    episodes: list[Episode] = field(default_factory=list)
    bulletins: list[Bulletin] = field(default_factory=list)


class MonthClock:
    """The machine's clocks, moved by the driver."""

    def __init__(self, now_ms: int) -> None:
        self.begin_ms = self.now_ms = now_ms

    def wall_ms(self) -> int:
        return self.now_ms

    def mono_ms(self) -> int:
        return self.mono_of(self.now_ms)

    def mono_of(self, at_ms: int) -> int:
        """The other clock's reading at an instant."""
        return at_ms - self.begin_ms + BOOTED_MS


class Phone:
    """A channel that delivers at once, or fails for some hours."""

    def __init__(self, inbox: Inbox, clock: MonthClock, broken: tuple[int, int]) -> None:
        self._inbox, self._clock, self._broken = inbox, clock, broken

    def submit(self, waiting: Waiting) -> bool:
        sent = not self._broken[0] <= self._clock.now_ms < self._broken[1]
        self._inbox.ask("delivered", number=waiting.id, sent=sent, trouble="" if sent else "no route")
        return True

    def reply(self, _topic: str, _payload: bytes) -> None:
        """Nobody asks."""

    def retain(self, _topic: str, _text: str) -> int | None:
        """No trial is run."""


class Driver:
    """Hands a month's messages to a core, minute by minute, with its restarts and broken connections."""

    def __init__(self, month: Month, settings: Settings) -> None:
        self.month, self.settings = month, settings
        self.clock = MonthClock(month.calendar.begin_ms)
        self.retained: dict[str, bytes] = {}
        self.core: Core | None = None
        self.connected = False
        rng = random.Random(month.seed * 7 + 5)
        at = month.calendar.at(rng.randrange(month.calendar.days), rng.uniform(8, 20))
        self._broken = at, at + 2 * HOUR_MS

    def run(self) -> None:
        """The whole month."""
        calendar = self.month.calendar
        for day in range(calendar.days):
            self.day(calendar.at(day, 0.0), calendar.at(day + 1, 0.0))
        self._stop(clean=True)

    def day(self, begin: int, end: int) -> None:
        """All of [begin, end), which is a day or the begin of one."""
        messages = sorted(self._published(begin, end))
        at = 0
        for minute in range(begin + MINUTE_MS, end + 1, MINUTE_MS):
            self._stand(minute)
            while at < len(messages) and messages[at][0] < minute:
                self._hand_over(*messages[at])
                at += 1
            self.clock.now_ms = minute
            if self.core is not None:
                if minute == end:
                    self.core.inbox.ask("upkeep")
                self.core.turn()

    def _published(self, begin: int, end: int) -> Iterator[tuple[int, str, bytes, bool]]:
        wire, watts = self.month.wire, self.month.watts
        rng = random.Random(self.month.seed * 7 + 6 + begin // HOUR_MS)
        # without presence only what rules of occupancy look at is of interest
        for meter in METERS if self.month.presence == "known" else OF_OCCUPANCY_METERS:
            steps = self.supply if meter.name == "supply" else watts[meter.name]
            for at, topic, payload in readings(rng, meter, steps, wire.silent[meter.name], (begin, end)):
                yield at, topic, payload, False
        for word in wire.words:
            if begin <= word.at_ms < end:
                yield word.at_ms, word.topic, word.payload.encode(), True

    @property
    def supply(self) -> Steps:
        """What the whole house draws."""
        if not hasattr(self, "_supply"):
            self._supply = summed(list(self.month.watts.values()))
        return self._supply

    def _stand(self, minute: int) -> None:
        """Start, stop, connect or lose the connection, as it was in this minute."""
        wire, before = self.month.wire, minute - MINUTE_MS
        fallen = next((clean for span, clean in wire.down if span[0] <= before < span[1]), None)
        if fallen is not None:
            self._stop(clean=fallen)
            return
        if self.core is None:
            self._start()
        connected = not holds(wire.away, before)
        if connected and not self.connected:
            for topic, payload in self.retained.items():
                self._put(before, topic, payload, RETAINED)
        self.connected = connected

    def _start(self) -> None:
        inbox = Inbox()
        phone = Phone(inbox, self.clock, self._broken)
        self.core = Core(self.settings, self.clock, inbox, phone, lambda _acks: None, 100_000)
        self.core.health = lambda: {"broker": "connected" if self.connected else "lost"}
        self.core.begin()

    def _stop(self, *, clean: bool) -> None:
        if self.core is not None:
            self.core.close() if clean else self.core.writer.close()
        self.core, self.connected = None, False

    def _hand_over(self, at: int, topic: str, payload: bytes, retained: bool) -> None:
        if retained:
            self.retained[topic] = payload
        if self.connected:
            self._put(at, topic, payload, LIVE)

    def _put(self, at: int, topic: str, payload: bytes, timing: int) -> None:
        if self.core is not None:
            self.core.inbox.put((topic, payload, self.clock.mono_of(at), timing, None))


def drive(month: Month, folder: Path) -> Heard:
    """Run a month through core and ledger in a folder of its own; what the ledger has of it then."""
    problems, settings = examine_text(month_settings(folder))
    if settings is None or problems:
        raise SystemExit(f"the month's settings: {problems}")
    Driver(month, settings).run()
    return heard(folder)


def heard(folder: Path) -> Heard:
    """Episodes and messages of a ledger."""
    ledger = sqlite3.connect(f"file:{folder / 'ledger.sqlite3'}?mode=ro", uri=True)
    found = Heard()
    for row in ledger.execute(
        "SELECT rule, load, began_ms, raised_ms, settled_ms, reason FROM episode ORDER BY raised_ms"
    ):
        found.episodes.append(Episode(*row))
    for sent_ms, body, facts in ledger.execute(
        "SELECT sent_ms, body, facts FROM outbox WHERE sent_ms IS NOT NULL ORDER BY sent_ms"
    ):
        told = json.loads(facts)
        items = tuple((item["rule"], item["load"], item["began"]) for item in told.get("episodes", ()))
        found.bulletins.append(Bulletin(sent_ms, told["event"], body, items))
    ledger.close()
    return found
