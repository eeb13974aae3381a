"""One house: arrivals go in, a batch for the ledger and messages for people come out. No thread, no clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import structlog

from wattround.config.model import Meter, Settings
from wattround.core.computing import Computing
from wattround.core.facts import HouseFacts
from wattround.core.hearsay import Hearsay
from wattround.core.ownclock import CLOCK_IS_SET_MS, OwnClock, set_meanwhile_ms
from wattround.core.purse import Drawers, Purse
from wattround.core.requests import answer_request
from wattround.core.rulebook import Parts, rulebook
from wattround.core.saved import FORMAT, upgraded
from wattround.core.telling import House
from wattround.core.voice import Figures, Voice
from wattround.core.wiring import meter_spec, tree_of
from wattround.ingest.delivery import LIVE, RETAINED, Ack, Arrival
from wattround.ingest.feed import Feed, Health, Router, feeds_of
from wattround.ingest.payload import BadPayload
from wattround.ledger.batch import Batch
from wattround.metering.house import Metering
from wattround.metering.meter import Meter as Integrator
from wattround.metering.minute import MINUTE_MS
from wattround.rules.engine import Engine
from wattround.rules.load import Drawn
from wattround.rules.marks import midnight_ms
from wattround.rules.nights import Nights
from wattround.rules.usage import Spending

log = structlog.get_logger("house")

KnownReading = Callable[[str, int], float | None]
"""Watts of the ledger's stamped reading of a meter at an instant, if it is kept."""


class Today(NamedTuple):
    """Energy since local midnight by meter, in microwatt-hours: in, out; `written` as the ledger has it."""

    midnight_ms: int
    sums: dict[str, tuple[int, int]]
    written: Mapping[str, tuple[int, int]]


class HouseCore:
    """State of one house and what happens to it. Every method is told the time."""

    def __init__(self, settings: Settings, now_ms: int, known_reading: KnownReading) -> None:
        self.batch = Batch()
        self.acks: list[Ack] = []
        self.new_meters: dict[str, str] = {}
        self.today = Today(now_ms, {}, {})
        self.replies: list[tuple[str, bytes]] = []
        self._known_reading = known_reading
        self._clock = OwnClock()
        self.metering = Metering(())
        self.computing = Computing(self.metering)
        self.meters: dict[str, Meter] = {}
        self.tree = tree_of({})
        self.facts = HouseFacts(self.metering, self.computing, lambda: self.tree)
        self.zone = ZoneInfo(settings.house.time_zone)
        self.nights = Nights()
        self.hearsay = Hearsay(settings)
        self.spending = Spending(self.facts.energy, self.zone)
        self.engine = Engine(self.facts.above, self.zone)
        self.purse = Purse(settings, drawers=lambda: Drawers.of(self.meters, self.tree))
        self.voice = Voice(settings, self._figures())
        self.unmatched = Health()
        self.configure(settings, now_ms)

    def _figures(self) -> Figures:
        def watts(name: str) -> float | None:
            meter = self.metering.meters.get(name) or self.computing.meters.get(name)
            return meter.watts if meter is not None else None

        return Figures(
            watts,
            lambda load: self.facts.excess_w(load, self.engine.now_ms),
            lambda rule, load: self.spending.spent_uwh(load, rule.spent.per, self.engine.now_ms) if rule.spent else 0,
            lambda: (self.nights.base_w(), self.nights.creep_w(), self.nights.culprits()),
            self.facts.troubles,
            lambda load: self.facts.watches.lost(load),
        )

    def configure(self, settings: Settings, now_ms: int) -> None:
        """Take up settings, the first or changed ones; what stayed the same goes on as it was."""
        self.settings = settings
        self.zone = ZoneInfo(settings.house.time_zone)
        self._request_topic = f"{settings.topic_root}/request"
        self.purse.configure(settings)
        self.house = House(settings.house.id, settings.house.name or settings.house.id, self.zone, self.purse)
        old_names = [name for name in self.metering.meters if name not in {meter.name for meter in settings.meters}]
        self.router = Router(settings)
        # topics that carry nothing but one meter's watts, which most messages are about
        self._plain: dict[str, tuple[Feed, Integrator]] = {}
        self.meters = dict(self.router.meters)
        for name in old_names:  # names that a pattern captured before the change
            self._meet(name)
        self.hearsay.configure(settings)
        self.voice.configure(settings, self.house, self.meters)
        self._take_up_rules(now_ms)
        # last: an episode that settles because its load is gone still needs to know what it wasted
        self.metering.retire(self.meters)
        self.batch.late = {name: late for name, late in self.batch.late.items() if name in self.meters}
        self.collect()

    def _take_up_rules(self, now_ms: int) -> None:
        """Rules for the meters there are, and meters that watch for what the rules need to know."""
        self.spending.watched.clear()
        heard = self.hearsay
        parts = Parts(heard.presence, heard.signals, self.spending, self.nights, self.facts, self.purse.share_cost)
        self._book = rulebook(self.settings, self.meters, parts)
        self.facts.members = self._book.members
        self.computing.configure(self.meters, now_ms)
        for name, meter in self.meters.items():
            self._add_meter(name, meter)
        self.tree = tree_of(self.meters)
        drawn = {
            name: Drawn(meter.level, None if meter.lost else meter.watts)
            for name, meter in self.metering.meters.items()
        } | self.computing.drawn()
        self.engine.configure(self._book.specs, now_ms, drawn)
        self._watched = self.computing.watched(self.engine.meters)

    def _add_meter(self, name: str, meter: Meter) -> None:
        self.new_meters[name] = meter.role
        if meter.computed:
            return
        edges_w = tuple(sorted(self._book.edges_w.get(name, ())))
        every_change = name in self._book.every_change or name in self.computing.parts
        integrator = self.metering.add(meter_spec(meter, name, edges_w, every_change=every_change))
        for feed in self.router.of_meter(name):
            if feed.plain and len(self.router.exact[feed.topic]) == 1:
                self._plain[feed.topic] = (feed, integrator)

    def _meet(self, name: str) -> None:
        """A meter that a pattern has captured once: route its topics exactly from now on."""
        for pattern in self.settings.meters:
            if pattern.captured and name not in self.meters:
                self.meters[name] = pattern
                for feed in feeds_of(pattern, name):
                    self.router.add(feed)

    # -- arrivals ---------------------------------------------------------------------------------

    def take(self, arrival: Arrival, at_ms: int) -> None:
        """Take one message. Whatever is wrong with it is counted and goes no further."""
        topic, payload, _, timing, ack = arrival
        if at_ms < CLOCK_IS_SET_MS and self._clock.holds_back(arrival, at_ms, self.router):
            return
        if ack is not None:
            self.acks.append(ack)
        if at_ms > self.engine.next_ms:
            self.engine.advance(at_ms)
            self.collect()
        pair = self._plain.get(topic)
        if pair is not None and timing == LIVE:
            feed, meter = pair
            try:
                meter.hear_power(at_ms, feed.plain_value(payload))
                feed.health.good += 1
            except BadPayload as trouble:
                self._refuse(feed, str(trouble), at_ms)
        elif topic == self._request_topic:
            self._request(payload, at_ms, timing)
        else:
            for feed in self.router.exact.get(topic) or self._newcomers(topic, at_ms):
                self._take_slowly(feed, topic, payload, at_ms, timing)
        if self.metering.out.levels:
            self._levels(at_ms)

    def _take_slowly(self, feed: Feed, topic: str, payload: bytes, at_ms: int, timing: int) -> None:
        try:
            self._decode(feed, payload, at_ms, timing)
            feed.health.good += 1
        except BadPayload as trouble:
            self._refuse(feed, str(trouble), at_ms)
        except Exception:
            # a second wall: whatever anybody can publish, it must not end the daemon
            log.exception("a payload could not be taken", topic=topic, meter=feed.name)
            self._refuse(feed, "could not be taken", at_ms)

    def _refuse(self, feed: Feed, reason: str, at_ms: int) -> None:
        health = feed.health
        if health.refuse(reason, at_ms):
            log.warning("bad payload", topic=feed.topic, meter=feed.name, reason=reason, count=health.unreported)
            health.unreported = 0

    def _newcomers(self, topic: str, at_ms: int) -> tuple[Feed, ...]:
        for pattern, name in self.router.newcomers(topic):
            captured = sum(1 for meter in self.meters.values() if meter is pattern)
            if name in self.meters:
                continue
            if captured >= pattern.at_most:
                if self.unmatched.refuse("too many names", at_ms):
                    log.warning(
                        "more names than at_most allows",
                        pattern=pattern.name,
                        at_most=pattern.at_most,
                        topic=topic,
                    )
                continue
            log.info("new meter", meter=name, pattern=pattern.name, topic=topic)
            self._meet(name)
            if any(rule.tag is not None for rule in self.settings.rules):
                self._take_up_rules(at_ms)  # it may have a tag that rules go by
            else:
                self._add_meter(name, self.meters[name])
                self.tree = tree_of(self.meters)
        return self.router.exact.get(topic, ())

    def _decode(self, feed: Feed, payload: bytes, at_ms: int, timing: int) -> None:
        if feed.kind in ("presence", "signal"):
            self.engine.advance(at_ms)
            row = self.hearsay.take(feed, payload, at_ms, retained=timing == RETAINED)
            if row is not None:
                self.batch.signals.append(row)
            self.engine.signals_changed(at_ms)
            self.collect()
        elif feed.kind == "availability":
            if feed.decode_word(payload) in feed.words:
                self._gone(feed.name, at_ms)
        else:
            meter = self.metering.meters[feed.name]
            for value, stamp in feed.values(payload, at_ms, self._clock.behind_ms):
                if feed.kind == "power":
                    self._power(meter, value, stamp, at_ms, timing)
                else:
                    self._counter(meter, value, stamp, at_ms, timing)

    def _request(self, payload: bytes, at_ms: int, timing: int) -> None:
        """Somebody asks by MQTT; the answer goes out with the next turn."""
        answer = answer_request(
            payload, lambda facts: self.voice.hush(facts, at_ms, self.batch), retained=timing == RETAINED
        )
        self.replies.append((f"{self.settings.topic_root}/reply", answer))

    def _gone(self, name: str, at_ms: int) -> None:
        meter = self.metering.meters[name]
        meter.go_offline(at_ms)
        if meter.spec.stamped and meter.spec.has_power:
            self.batch.journal.setdefault((name, at_ms), None)

    def _power(self, meter: Integrator, watts: float, stamp: int | None, at_ms: int, timing: int) -> None:
        if stamp is None:
            if timing == LIVE:
                meter.hear_power(at_ms, watts)
            else:
                meter.prime(watts)
        elif meter.hear_power(stamp, watts):
            self._journal(meter.spec.name, stamp, watts)
        else:
            self._late(meter, watts, stamp, at_ms)

    def _journal(self, name: str, stamp: int, watts: float) -> None:
        known = self.batch.journal.get((name, stamp))
        self.batch.journal[name, stamp] = watts if known is None else max(known, watts)

    def _late(self, meter: Integrator, watts: float, stamp: int, at_ms: int) -> None:
        """A stamped reading older than the newest: known already, or its minutes are recomputed at the next commit."""
        name = meter.spec.name
        if stamp < at_ms - self.settings.ledger.keep_readings:
            raise BadPayload("late by more than ledger.keep_readings")
        if meter.spec.has_counter:
            raise BadPayload("late: for this time the counter has the last word")
        known = self.batch.journal.get((name, stamp)) or self._known_reading(name, stamp)
        if known is not None and known >= watts:
            return
        self._journal(name, stamp, watts)
        self.batch.late.setdefault(name, set()).add(stamp)

    def _counter(self, meter: Integrator, value_wh: float, stamp: int | None, at_ms: int, timing: int) -> None:
        if stamp is None and timing != LIVE:
            verdict = meter.hear_counter_untimed(value_wh)
        else:
            verdict = meter.hear_counter(at_ms if stamp is None else stamp, value_wh)
        if verdict in ("reset", "rollover", "exchanged"):
            log.info("counter began again", meter=meter.spec.name, how=verdict, value_wh=value_wh)
        if verdict == "implausible":
            raise BadPayload("a counter that moved further than the load could draw: broken, or another register")

    # -- time -------------------------------------------------------------------------------------

    def tick(self, now_ms: int) -> bool:
        """Let time pass to `now_ms`; True when a minute has been closed."""
        # rules first, at their own instants: what metering has integrated must not be ahead of them
        self.metering.fade(self._watched, now_ms)
        if self.metering.out.levels:
            self._levels(now_ms)
        if now_ms > self.engine.next_ms:
            self.engine.advance(now_ms)
        closed = self.metering.tick(now_ms)
        if closed:
            self.batch.signals += self.hearsay.held_back(now_ms)
        self.collect()
        self.voice.speak(now_ms, self.engine, self.batch)
        return closed

    def jump(self, expected_ms: int, now_ms: int, occupied: Mapping[str, set[int]]) -> None:
        """The wall clock was set."""
        self.metering.jump(expected_ms, now_ms, occupied)
        self.computing.clock_was_set(now_ms)
        self.hearsay.clock_was_set(now_ms - expected_ms)
        self.voice.manners.clock_was_set(now_ms - expected_ms, now_ms)
        self.engine.clock_was_set(now_ms - expected_ms, now_ms)
        self.collect()
        self.begin_day(now_ms, {})
        self._clock.was_set(now_ms - expected_ms)
        for arrival in self._clock.release(now_ms):
            self.take(arrival, now_ms)

    def _levels(self, at_ms: int) -> None:
        changes, self.metering.out.levels = self.metering.out.levels, []
        for change in self.computing.along(changes):
            if change.level in ("off", "standby"):
                self.voice.manners.load_is_off(change.meter, self._book.rules_of.get(change.meter, ()))
            self.engine.drawn(min(change.at_ms, at_ms), change.meter, Drawn(change.level, change.watts))
        self.collect()

    def collect(self) -> None:
        """Move what metering and rules had to say into the batch."""
        if rows := self.metering.out.rows:
            self.batch.rows += rows
            self._count_today()
            rows.clear()
        if news := self.engine.news:
            self.engine.news = []
            for item in news:
                self.voice.hear(item, self.batch)

    # -- today ------------------------------------------------------------------------------------

    def begin_day(self, now_ms: int, sums: Mapping[str, tuple[int, int]]) -> None:
        """Start the day's sums from what the ledger has since local midnight."""
        self.today = Today(midnight_ms(now_ms, self.zone), dict(sums), sums)

    def _count_today(self) -> None:
        first_minute = self.today.midnight_ms // MINUTE_MS
        sums = self.today.sums
        for row in self.metering.out.rows:
            if row.minute >= first_minute:
                into, out = sums.get(row.meter, (0, 0))
                sums[row.meter] = (into + row[2], out + row[3])

    def midnight_ms(self, now_ms: int) -> int:
        """The last local midnight."""
        return midnight_ms(now_ms, self.zone)

    # -- saved state ------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """The whole state as plain values."""
        return {
            "meters": self.metering.snapshot(),
            "computed": self.computing.snapshot(self.engine.now_ms),
            "rules": self.engine.snapshot(),
            "hearsay": self.hearsay.snapshot(),
            "manners": self.voice.manners.snapshot(),
            "behind_ms": self._clock.known_ms,
            "format": FORMAT,
            "patterns": [name for name, meter in self.meters.items() if meter.captured],
        }

    def restore(self, state: Mapping[str, Any], saved_ms: int, now_ms: int, occupied: Mapping[str, set[int]]) -> None:
        """Take up a saved state. One that lies in the future was saved by a clock that has been set back since."""
        state = upgraded(state)
        for name in state["patterns"]:
            self._meet(name)
        self._take_up_rules(now_ms)
        self.metering.restore(state["meters"], saved_ms)
        self.computing.restore(state.get("computed", {}))  # none from before there were any
        self.hearsay.restore(state["hearsay"])
        self.voice.manners.restore(state["manners"])
        step_ms = set_meanwhile_ms(saved_ms, now_ms)
        self._clock.begin(state.get("behind_ms", 0), step_ms)
        if step_ms:
            self.metering.jump(saved_ms, now_ms, occupied, known=False)
            self.hearsay.clock_was_set(step_ms)
            self.voice.manners.clock_was_set(step_ms, now_ms)
        self.engine.restore(state["rules"], max(saved_ms, saved_ms + step_ms), now_ms, step_ms)
        self.collect()

    def open_minute(self, name: str) -> tuple[int, int]:
        """A meter's open minute and hold, for amending closed ones."""
        meter = self.metering.meters[name]
        return meter.minute, meter.spec.hold_ms
