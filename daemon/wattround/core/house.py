"""One house: arrivals go in, a batch for the ledger and messages for people come out. No thread, no clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import structlog

from wattround.config.model import Channel, Meter, Settings
from wattround.core.telling import House, tell
from wattround.core.wiring import meter_spec, rule_specs, tariff_of, tree_of
from wattround.ingest.delivery import LIVE, RETAINED, Ack, Arrival
from wattround.ingest.feed import Feed, Health, Router, feeds_of
from wattround.ingest.payload import BadPayload
from wattround.ledger.batch import Batch, EpisodeRow, Message
from wattround.metering.house import Metering
from wattround.metering.meter import Meter as Integrator
from wattround.metering.minute import MINUTE_MS
from wattround.rules.engine import Engine, EpisodeNews
from wattround.rules.marks import midnight_ms
from wattround.rules.occupancy import Presence

log = structlog.get_logger("house")

CLOCK_IS_SET_MS = 1_704_067_200_000  # 2024-01-01
KnownReading = Callable[[str, int], float | None]
"""Watts of the ledger's stamped reading of a meter at an instant, if it is kept."""


class Today(NamedTuple):
    """Energy since local midnight by meter, in microwatt-hours: in, out."""

    midnight_ms: int
    sums: dict[str, tuple[int, int]]


class HouseCore:
    """State of one house and what happens to it. Every method is told the time."""

    def __init__(self, settings: Settings, now_ms: int, known_reading: KnownReading) -> None:
        self.batch = Batch()
        self.acks: list[Ack] = []
        self.new_meters: dict[str, str] = {}
        self.today = Today(now_ms, {})
        self._known_reading = known_reading
        self.metering = Metering(())
        self.presence = Presence({})
        self.engine = Engine(self._above)
        self.unmatched = Health()
        self.configure(settings, now_ms)

    def configure(self, settings: Settings, now_ms: int) -> None:
        """Take up settings, the first or changed ones; what stayed the same goes on as it was."""
        self.settings = settings
        self.zone = ZoneInfo(settings.house.time_zone)
        self.tariff = tariff_of(settings)
        self.house = House(settings.house.id, settings.house.name or settings.house.id, self.zone, self.tariff)
        old_names = [name for name in self.metering.meters if name not in {meter.name for meter in settings.meters}]
        self.router = Router(settings)
        # topics that carry nothing but one meter's watts, which most messages are about
        self._plain: dict[str, tuple[Feed, Integrator]] = {}
        self.meters: dict[str, Meter] = dict(self.router.meters)
        for name in old_names:  # names that a pattern captured before the change
            self._meet(name)
        for name, meter in self.meters.items():
            self._add_meter(name, meter)
        self.tree = tree_of(self.meters)
        self.presence = _renewed(self.presence, {person.name: person.believable for person in settings.people})
        self.rules = {rule.name: rule for rule in settings.rules}
        levels = {name: meter.level if meter.announced else None for name, meter in self.metering.meters.items()}
        self.engine.configure(rule_specs(settings, self.presence), now_ms, levels)
        self._watched = self.engine.loads
        # last: an episode that settles because its load is gone still needs to know what it wasted
        self.metering.retire(self.meters)
        self.batch.late = {name: late for name, late in self.batch.late.items() if name in self.meters}
        self.collect(now_ms)

    def _add_meter(self, name: str, meter: Meter) -> None:
        integrator = self.metering.add(meter_spec(meter, name))
        self.new_meters[name] = meter.role
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

    def _above(self, load: str, at_ms: int) -> float:
        meter = self.metering.meters.get(load)
        return meter.above_at(at_ms) if meter is not None else 0.0

    # -- arrivals ---------------------------------------------------------------------------------

    def take(self, arrival: Arrival, at_ms: int) -> None:
        """Take one message. Whatever is wrong with it is counted and goes no further."""
        topic, payload, _, timing, ack = arrival
        if ack is not None:
            self.acks.append(ack)
        if at_ms >= self.engine.next_ms:
            self.engine.advance(at_ms)
            self.collect(at_ms)
        pair = self._plain.get(topic)
        if pair is not None and timing == LIVE:
            feed, meter = pair
            try:
                meter.hear_power(at_ms, feed.plain_value(payload))
                feed.health.good += 1
            except BadPayload as trouble:
                self._refuse(feed, str(trouble), at_ms)
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
            self._add_meter(name, self.meters[name])
            self.tree = tree_of(self.meters)
        return self.router.exact.get(topic, ())

    def _decode(self, feed: Feed, payload: bytes, at_ms: int, timing: int) -> None:
        if feed.kind == "presence":
            is_home = feed.decode_word(payload) in feed.words
            self.presence.hear(feed.name, at_ms, is_home=is_home, retained=timing == RETAINED)
            self.engine.signals_changed(at_ms)
            self.collect(at_ms)
        elif feed.kind == "availability":
            if feed.decode_word(payload) in feed.words:
                self._gone(feed.name, at_ms)
        else:
            meter = self.metering.meters[feed.name]
            for value, stamp in feed.values(payload, at_ms):
                if feed.kind == "power":
                    self._power(meter, value, stamp, at_ms, timing)
                else:
                    self._counter(meter, value, stamp, at_ms, timing)

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
        if verdict in ("reset", "rollover"):
            log.info("counter began again", meter=meter.spec.name, how=verdict, value_wh=value_wh)
        if verdict == "implausible":
            raise BadPayload("a counter that moved further than the load could draw: taken as another register")

    # -- time -------------------------------------------------------------------------------------

    def tick(self, now_ms: int) -> bool:
        """Let time pass to `now_ms`; True when a minute has been closed."""
        # rules first, at their own instants: what metering has integrated must not be ahead of them
        self.metering.fade(self._watched, now_ms)
        if self.metering.out.levels:
            self._levels(now_ms)
        if now_ms >= self.engine.next_ms:
            self.engine.advance(now_ms)
        closed = self.metering.tick(now_ms)
        self.collect(now_ms)
        return closed

    def jump(self, expected_ms: int, now_ms: int, occupied: Mapping[str, set[int]]) -> None:
        """The wall clock was set."""
        self.metering.jump(expected_ms, now_ms, occupied)
        self.presence.clock_was_set(now_ms - expected_ms)
        self.engine.clock_was_set(now_ms - expected_ms, now_ms)
        self.collect(now_ms)
        self.begin_day(now_ms, {})

    def _levels(self, at_ms: int) -> None:
        changes, self.metering.out.levels = self.metering.out.levels, []
        for change in changes:
            self.engine.level(min(change.at_ms, at_ms), change.meter, change.level)
        self.collect(at_ms)

    def collect(self, at_ms: int) -> None:
        """Move what metering and rules had to say into the batch."""
        if rows := self.metering.out.rows:
            self.batch.rows += rows
            self._count_today()
            rows.clear()
        if news := self.engine.news:
            self.engine.news = []
            for item in news:
                self._news(item, at_ms)

    def _news(self, news: EpisodeNews, at_ms: int) -> None:
        rule = self.rules.get(news.rule)
        settled_ms = news.at_ms if news.what == "settled" else None
        cost = str(self.tariff.cost(news.waste_uwh))
        self.batch.episodes.append(
            EpisodeRow(
                news.rule,
                news.load,
                news.began_ms,
                news.raised_ms,
                settled_ms,
                news.waste_uwh,
                cost,
                news.reason,
            )
        )
        integrator = self.metering.meters.get(news.load)
        meter = self.meters.get(news.load)
        label = meter.label if meter is not None and meter.label else news.load
        watts = integrator.watts if integrator is not None and news.what == "raised" else None
        told = tell(news, rule, label, watts, self.house)
        log.info("episode", what=news.what, rule=news.rule, load=news.load, waste_wh=round(news.waste_uwh / 1e6, 3))
        self.say(told.title, told.body, told.facts, at_ms, rule.tell if rule is not None else None)

    def say(self, title: str, body: str, facts: str, at_ms: int, channels: tuple[str, ...] | None = None) -> None:
        """Put a message for each of the named channels (None: all) into the batch."""
        for channel in self.settings.channels:
            if channels is None or channel.name in channels:
                self.batch.messages.append(Message(channel.name, at_ms, title, body, facts))

    def channel(self, name: str) -> Channel | None:
        """A channel's settings."""
        return next((channel for channel in self.settings.channels if channel.name == name), None)

    # -- today ------------------------------------------------------------------------------------

    def begin_day(self, now_ms: int, sums: Mapping[str, tuple[int, int]]) -> None:
        """Start the day's sums from what the ledger has since local midnight."""
        self.today = Today(midnight_ms(now_ms, self.zone), dict(sums))

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
            "rules": self.engine.snapshot(),
            "presence": self.presence.snapshot(),
            "patterns": [name for name, meter in self.meters.items() if meter.captured],
        }

    def restore(self, state: Mapping[str, Any], saved_ms: int, now_ms: int, occupied: Mapping[str, set[int]]) -> None:
        """Take up a saved state. One that lies in the future was saved by a clock that has been set back since."""
        for name in state["patterns"]:
            self._meet(name)
            if name in self.meters:
                self._add_meter(name, self.meters[name])
        self.tree = tree_of(self.meters)
        self.metering.restore(state["meters"], saved_ms)
        self.presence.restore(state["presence"])
        # before that year it has not been set yet after a start, and what was saved says more than it does
        back_ms = min(0, now_ms - saved_ms) if now_ms > CLOCK_IS_SET_MS else 0
        if back_ms:
            self.metering.jump(saved_ms, now_ms, occupied)
            self.presence.clock_was_set(back_ms)
        self.engine.restore(state["rules"], saved_ms, now_ms, back_ms)
        self.collect(now_ms)

    def open_minute(self, name: str) -> tuple[int, int]:
        """A meter's open minute and hold, for amending closed ones."""
        meter = self.metering.meters[name]
        return meter.minute, meter.spec.hold_ms


def _renewed(old: Presence, believable_ms: dict[str, int]) -> Presence:
    fresh = Presence(believable_ms)
    fresh.restore(old.snapshot())
    return fresh
