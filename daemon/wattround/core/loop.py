"""The core thread: takes what has arrived, lets time pass, answers, commits; feeds the watchdog last."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import Any, Protocol

import structlog

from wattround.clock import Clock, Jump, Timekeeper
from wattround.config.model import Settings
from wattround.core.archiving import ArchiveCursor, last_minute
from wattround.core.board import Board
from wattround.core.book import entered, entries
from wattround.core.entry import Household
from wattround.core.house import HouseCore
from wattround.core.inbox import Inbox, Request
from wattround.core.keeper import Acknowledge, Keeper
from wattround.core.letters import KIND as LETTER
from wattround.core.letters import Due, Letters
from wattround.core.outbox import Outbox
from wattround.core.outdoor import outdoor_words
from wattround.core.purse import LiveLook
from wattround.core.recomputing import Recomputing
from wattround.core.rounds import Rounds
from wattround.core.trial import Trial
from wattround.core.view import view
from wattround.core.watched import Watched
from wattround.ledger.batch import Waiting
from wattround.ledger.writer import Writer
from wattround.metering.minute import MINUTE_MS
from wattround.rules.marks import local_date

log = structlog.get_logger("core")

DAY_MS = 86_400_000
MANY_MESSAGES = 5_000
"""Messages taken before time and requests get their turn."""


class Outlets(Protocol):
    """The channels' threads."""

    def submit(self, waiting: Waiting) -> bool:
        """Offer a message to its channel; False if it cannot take it now."""
        ...

    def reply(self, topic: str, payload: bytes) -> None:
        """Answer a request that came by MQTT."""
        ...

    def retain(self, topic: str, text: str) -> int | None:
        """Leave a text with the broker; the number under which it is answered for, None while that cannot be."""
        ...


class Core:
    """Everything that the core thread owns."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        inbox: Inbox,
        outlets: Outlets,
        acknowledge: Acknowledge,
        most_acks: int,
    ) -> None:
        self.time = Timekeeper(clock)
        now_ms = self.time.now()
        self.inbox, self._outlets = inbox, outlets
        self.writer = Writer(Path(settings.ledger.folder), settings.house.id, now_ms)
        try:
            self._begin(settings, acknowledge, most_acks, now_ms)
        except BaseException:
            self.writer.close()
            raise

    def _begin(self, settings: Settings, acknowledge: Acknowledge, most_acks: int, now_ms: int) -> None:
        self.house = HouseCore(settings, now_ms, self._known_reading)
        self.keeper = Keeper(self.house, self.writer, acknowledge, most_acks, now_ms)
        self.outbox = Outbox()
        self.rounds = Rounds(self.house, self.writer, Path(settings.ledger.folder))
        self.recomputing = Recomputing(self.writer)
        self.house.voice.withdraw = self._withdraw
        self.house.purse.look = LiveLook(self.writer.energies, lambda: self.house.batch.signals)
        self._restore(now_ms)
        self.recomputing.configure(self.house.computing.formulas, self.house.batch, now_ms)
        saved = self.writer.state("archive")
        self.archive = ArchiveCursor(saved[1] if saved else None)
        self.writer.ship_mark = self._shipped_upto(settings, now_ms)
        self.session_filters: dict[str, int] = self._saved("filters")
        self.health: Callable[[], Mapping[str, Any]] = dict
        saved = self.writer.state(LETTER)
        self.letters = Letters(saved[1] if saved else None)
        topics = self._saved("trials").get("topics", ())
        self.board = Board(self._trials, self._outlets.retain, self._note_topics, topics)
        self.rounds.begin(now_ms)
        if self.writer.set_aside is not None:
            self._tell_set_aside(self.writer.set_aside, now_ms)

    def _shipped_upto(self, settings: Settings, now_ms: int) -> int:
        """The newest minute that the archive may have; before a kill it may have got more than was written down."""
        mark = max(self.archive.done[0], self.archive.mark)
        if settings.archive is None:
            return mark
        saved = self.writer.state("house")  # after a clock was set back, later than now
        unsaved = settings.ledger.checkpoint // MINUTE_MS + 1
        return max(mark, last_minute(settings, max(now_ms, saved[0] if saved else 0)) + unsaved)

    def _saved(self, kind: str) -> dict[str, Any]:
        found = self.writer.state(kind)
        return dict(found[1]) if found else {}

    def _known_reading(self, meter: str, at_ms: int) -> float | None:
        found = self.writer.readings(meter, at_ms, at_ms + 1)
        return found[0].watts if found else None

    def _restore(self, now_ms: int) -> None:
        house, writer = self.house, self.writer
        writer.register(house.new_meters)
        saved = writer.state("house")
        occupied = self.rounds.rows_ahead(now_ms)
        if saved is not None:
            house.restore(saved[1], saved[0], now_ms, occupied)
            writer.register(house.new_meters)
            self._rebuild_open()
        house.new_meters = {}
        house.metering.occupy(occupied)
        midnight = house.midnight_ms(now_ms) // MINUTE_MS
        sums = writer.sums(midnight, now_ms // MINUTE_MS + 1)
        house.begin_day(now_ms, {name: (total.in_uwh, total.out_uwh) for name, total in sums.items()})
        self.outbox.load(writer.waiting(0), now_ms)

    def _rebuild_open(self) -> None:
        """A late reading may have been journalled after the open minute was saved."""
        for name, meter in self.house.metering.meters.items():
            if meter.spec.stamped and meter.spec.has_power and not meter.spec.has_counter and meter.minute >= 0:
                begin = meter.minute * MINUTE_MS
                readings = self.writer.readings(name, begin - meter.spec.hold_ms, begin + MINUTE_MS)
                self.house.metering.rebuild_open(name, readings)

    def _tell_set_aside(self, where: Path, now_ms: int) -> None:
        log.error("ledger was damaged: set aside, a new one begun", set_aside=str(where))
        self.house.voice.say(
            "The ledger was damaged",
            f"wattround found its ledger damaged and set it aside as {where.name}. Measuring goes on in a new ledger; "
            "what the old one held is missing from reports until somebody recovers it.",
            '{"event": "ledger-set-aside"}', now_ms, self.house.batch,
        )  # fmt: skip

    # -- one turn ---------------------------------------------------------------------------------

    def turn(self) -> None:
        """Take what is there, let time pass, answer, commit if due, offer messages."""
        now_ms, jump = self.time.sample()
        if jump is not None:
            log.warning("the clock was set", by_s=(jump.now_ms - jump.expected_ms) / 1000)
            self._take_before(jump)
            self.commit(jump.expected_ms)
            self.house.jump(jump.expected_ms, jump.now_ms, self.rounds.rows_ahead(jump.now_ms))
            self.keeper.clock_was_set(jump.now_ms)
            self.outbox.clock_was_set(jump.now_ms)
            self.rounds.begin(jump.now_ms)
        house, take, at = self.house, self.house.take, self.time.at
        for arrival in self.inbox.drain(MANY_MESSAGES):
            take(arrival, at(arrival[2]))
        if waiting := self.inbox.arrivals:  # time must not overtake what has arrived already
            now_ms = min(now_ms, at(waiting[0][2]))
        closed = house.tick(now_ms)
        self.rounds.look(now_ms, self.health(), self.outbox.attempts(), self.keeper.trouble, self.archive.trouble)
        self._answer_all(now_ms)
        if self.keeper.due(now_ms, minute_closed=closed):
            self.commit(now_ms)
        if not house.new_meters:
            self.recomputing.go_on(house.batch, now_ms)
        self.outbox.offer(self._outlets.submit, now_ms)
        self.board.look(now_ms, house.settings.topic_root, house.zone)
        for topic, payload in house.replies:
            self._outlets.reply(topic, payload)
        house.replies.clear()

    def _take_before(self, jump: Jump) -> None:
        """What had arrived before the clock was set, and was not taken yet: many messages may have been waiting."""
        arrivals = self.inbox.arrivals
        while arrivals and arrivals[0][2] <= jump.mono_ms:
            for arrival in self.inbox.drain(1):
                self.house.take(arrival, jump.before(arrival[2]))

    def _withdraw(self, channel: str, ref: int) -> bool:
        """Take back a bulletin that was not sent: one not even written yet, or one that waits for its channel."""
        messages = self.house.batch.messages
        for message in messages:
            if (message.channel, message.ref) == (channel, ref):
                messages.remove(message)
                return True
        gone = self.outbox.withdraw(channel, ref, self.time.now())
        if gone is not None:
            self.house.batch.deliveries.append(gone)
        return gone is not None

    def _trials(self) -> list[Trial]:
        try:
            return list(entries(self.writer.book, Trial).values())
        except ValueError as trouble:
            log.error("trials cannot be read: nothing is said of them", trouble=str(trouble))
            return []

    def _note_topics(self, topics: list[str], now_ms: int) -> None:
        """On disk before anything is published there: whoever takes a trial out may do so while no daemon runs."""
        self.house.batch.states["trials"] = {"topics": topics}
        self.commit(now_ms)

    def commit(self, now_ms: int) -> bool:
        """Write what there is; then take up the messages that the commit has put into the outbox."""
        batch = self.house.batch  # time passes in the commit, too: it may bring messages
        if not self.keeper.commit(now_ms):
            return False
        if batch.messages:
            self.outbox.load(self.writer.waiting(self.outbox.newest_id), now_ms)
        return True

    def close(self) -> None:
        """Take the rest, write it, mark the stop as clean."""
        now_ms = self.time.now()
        while self.inbox.arrivals:
            for arrival in self.inbox.drain(MANY_MESSAGES):
                self.house.take(arrival, self.time.at(arrival[2]))
        self.house.batch.states["stopped"] = {"at_ms": now_ms}
        self.keeper.commit(now_ms)
        self.writer.close()

    def begin(self) -> None:
        """First commit: from here on an end is unclean until `close` says otherwise."""
        self.house.batch.states["stopped"] = None
        self.commit(self.time.now())

    def run(self, stop: threading.Event, alive: Callable[[], None], idle_s: float, gather_s: float) -> None:
        """Turn until told to stop. `alive` is called each time round, after the work: it feeds the watchdog."""
        self.begin()
        while not stop.is_set():
            self.inbox.wake.wait(idle_s)
            if gather_s and not stop.is_set():
                self.inbox.asked.wait(gather_s)  # let a few messages gather: one turn for all of them
            self.inbox.asked.clear()
            self.inbox.wake.clear()
            self.turn()
            alive()
        self.close()

    # -- requests ---------------------------------------------------------------------------------

    def _answer_all(self, now_ms: int) -> None:
        while self.inbox.requests:
            request = self.inbox.requests.popleft()
            try:
                request.reply.set_result(self._answer(request, now_ms))
            except Exception as error:  # noqa: BLE001 - the asker gets it; the core goes on
                if isinstance(request.reply, Future) and not request.reply.done():
                    request.reply.set_exception(error)

    def _answer(self, request: Request, now_ms: int) -> Any:  # noqa: C901, PLR0912 - one answer a case
        facts = request.facts
        match request.what:
            case "now":
                return {**view(self.house, now_ms), "daemon": self.daemon_facts(now_ms)}
            case "delivered":
                self.board.delivered(facts["number"], sent=facts["sent"], trouble=facts["trouble"], now_ms=now_ms)
                message = self.outbox.message(facts["number"])
                done = self.outbox.delivered(
                    facts["number"], sent=facts["sent"], trouble=facts["trouble"], now_ms=now_ms
                )
                if done is not None:
                    self.house.batch.deliveries.append(done)
                    if message is not None and (done.sent or done.given_up):
                        self.house.voice.manners.delivered(message.channel, message.ref)
                return None
            case "archive-rows":
                following = facts.get("following")
                return self.archive.hand_out(self.writer, self.house.batch, self.house.settings, now_ms, following)
            case "archive-arrived":
                return self.archive.arrived(facts["parcel"], self.house.batch, now_ms)
            case "archive-trouble":
                self.archive.trouble = facts["trouble"]
                self.archive.trouble_ms = self.archive.trouble_ms or now_ms
                return None
            case "archive-status":
                return {**self.archive.status(self.writer, self.house.settings, now_ms), "running": True}
            case "archive-refill":
                minute = facts["from_minute"]
                if type(minute) is not int or not 0 <= minute < 1 << 31:
                    raise ValueError("from_minute: expected a whole number of minutes since 1970")
                self.archive.refill(minute, self.house.batch)
                return self.commit(now_ms)
            case "settings":
                self.commit(now_ms)
                self.house.configure(facts["settings"], now_ms)
                self.recomputing.configure(self.house.computing.formulas, self.house.batch, now_ms)
                self.rounds.begin(now_ms)
                self.board.book_changed()
                self.keeper.most_acks = facts["most_acks"]
                return self.house.router.subscriptions()
            case "hush":
                return self.house.voice.hush(facts["request"], now_ms, self.house.batch)
            case "book":
                return self._enter(facts["request"], now_ms)
            case "outdoor":
                return self._outdoor(facts["rows"], now_ms)
            case "filters":  # asked at each new connection
                self.board.connected()
                self.house.batch.states["filters"] = facts["filters"]
                return None
            case "upkeep":
                return self._upkeep(now_ms)
            case "letter-due":
                return self._letter_due(now_ms)
            case "letter":
                return self._letter(facts["letter"], now_ms, scheduled=facts.get("scheduled", False))
        raise ValueError(f"unknown request {request.what!r}")

    def _outdoor(self, rows: Any, now_ms: int) -> int:
        """Take up imported outdoor temperatures; how many, once they are on disk."""
        words = outdoor_words(rows)
        self.house.batch.signals += words
        if not self.commit(now_ms):  # they stay in the batch: to write them twice changes nothing
            raise ValueError(f"the ledger cannot be written ({self.keeper.trouble}): import again")
        return len(words)

    def _enter(self, request: Mapping[str, Any], now_ms: int) -> int:
        """Carry out a request about the book; its entry's number, once it is on disk."""
        household = Household.at(now_ms, self.house.zone, self.house.meters)
        row = entered(self.writer.book, request, household, now_ms)
        batch = self.house.batch
        batch.entries.append(row)
        written = False
        try:
            written = self.commit(now_ms)
        finally:
            if not written:  # who asked is told so: it must not come about later
                batch.entries.remove(row)
        if not written:
            raise ValueError(f"the ledger cannot be written ({self.keeper.trouble}): nothing was entered")
        if row.kind == Watched.kind:
            self.rounds.watch(now_ms)
        elif row.kind == Trial.kind:
            self.board.book_changed()
        return row.number

    def _letter_due(self, now_ms: int) -> tuple[Due, int] | None:
        """The letter that is to be written now, and now; all that it is about is on disk."""
        due = self.letters.due(self.house.settings, now_ms, self.house.batch)
        return (due, now_ms) if due is not None and self.commit(now_ms) else None

    def _letter(self, letter: Any, now_ms: int, *, scheduled: bool) -> list[str]:
        """Put a letter into the outbox, now or with the next commit that succeeds; the channels it goes to."""
        channels = self.letters.put(letter, self.house.settings, now_ms, self.house.batch, scheduled=scheduled)
        self.commit(now_ms)
        return channels

    def _upkeep(self, now_ms: int) -> int:
        """Once a local day: delete what is older than it is to be kept."""
        today = local_date(now_ms, self.house.zone).isoformat()
        last = self.writer.state("upkeep")
        if last is not None and last[1]["day"] == today:
            return 0
        kept = self.house.settings.ledger
        # a day more than a late reading may be old: it is recomputed from what lies around it
        gone = self.writer.prune(now_ms - kept.keep_readings - DAY_MS, (now_ms - kept.keep_minutes) // MINUTE_MS)
        self.house.batch.states["upkeep"] = {"day": today}
        log.info("upkeep", rows_deleted=gone)
        return gone

    def daemon_facts(self, now_ms: int) -> dict[str, Any]:
        """The daemon's own troubles, for those who look."""
        return {
            **self.health(),
            "ledger_trouble": self.keeper.trouble or None,
            "messages_dropped": self.inbox.dropped,
            "names_refused": self.house.unmatched.bad,
            "messages_waiting": len(self.outbox),
            "now_ms": now_ms,
        }
