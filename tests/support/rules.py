"""An engine on a bench: loads whose watts are set by hand, and whose energy above standby is known exactly."""

from __future__ import annotations

import json
from bisect import bisect_right
from datetime import datetime
from zoneinfo import ZoneInfo

from wattround.rules.engine import Engine, EpisodeNews, RuleSpec
from wattround.rules.load import Drawn
from wattround.rules.marks import ByWeekday

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
WATTS = 100.0
"""What an active load draws above its standby."""
ON, STANDBY, OFF = Drawn("active", WATTS), Drawn("standby", 0.0), Drawn("off", 0.0)


def ms(text, zone=BERLIN):
    """The instant of a local time such as "2025-03-30 01:30"."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * 1000


def daily(clock):
    """The same time each day, "24:30" being after midnight."""
    hours, minutes = clock.split(":")
    return ByWeekday((int(hours) * 60 + int(minutes),) * 7)


def spec(*conditions, name="r", load="tv", lasting=10 * MINUTE, release=2 * MINUTE, stated="", members=(), rehear=0):
    """A rule ready to run."""
    known_by = stated or repr((name, load, lasting, release))
    return RuleSpec(name, load, conditions, lasting, release, known_by, members, rehear)


class Meters:
    """Watt-milliseconds of loads that draw so many watts from some instants on."""

    def __init__(self):
        self.steps = {}

    def put(self, at_ms, name, watts):
        times, rates, sums = self.steps.setdefault(name, ([0], [0.0], [0.0]))
        sums.append(sums[-1] + rates[-1] * (at_ms - times[-1]))
        times.append(at_ms)
        rates.append(watts)

    def energy(self, name, at_ms):
        if name not in self.steps:
            return 0.0
        times, rates, sums = self.steps[name]
        at = bisect_right(times, at_ms) - 1
        return sums[at] + rates[at] * (at_ms - times[at])


class Bench:
    """An engine with some rules. `specs` makes them anew, as a restart does."""

    def __init__(self, specs, zone=BERLIN, at_ms=0):
        self.specs, self.zone = specs, zone
        self.meters = Meters()
        self.last: dict[str, Drawn] = {}
        self.engine = self.fresh(at_ms)

    def fresh(self, at_ms):
        engine = Engine(self.meters.energy, self.zone)
        engine.configure(self.specs(), at_ms, {})
        return engine

    def draw(self, at_ms, load, drawn):
        """A load draws so from now on; an active one WATTS above standby."""
        self.meters.put(at_ms, load, WATTS if drawn.level == "active" else 0.0)
        self.last[load] = drawn
        self.engine.drawn(at_ms, load, drawn)

    def on(self, at_ms, load="tv"):
        self.draw(at_ms, load, ON)

    def off(self, at_ms, load="tv"):
        self.draw(at_ms, load, OFF)

    def restart(self, at_ms, *, heard=True):
        """Through JSON, as the ledger's checkpoint does; `heard`: every load is heard again at once."""
        self.engine.advance(at_ms)
        saved = json.loads(json.dumps(self.engine.snapshot()))
        news = self.engine.news
        self.engine = self.fresh(at_ms)
        self.engine.restore(saved, at_ms, at_ms)
        self.engine.news = [*news, *self.engine.news]
        if heard:
            for load, drawn in self.last.items():
                self.engine.drawn(at_ms, load, drawn)

    def news(self, until_ms=None) -> list[EpisodeNews]:
        """What has happened before `until_ms`, told once."""
        if until_ms is not None:
            self.engine.advance(until_ms)
        found, self.engine.news = self.engine.news, []
        return found

    def story(self, until_ms=None):
        """The news in short: what, when."""
        return [(item.what, item.at_ms) for item in self.news(until_ms)]
