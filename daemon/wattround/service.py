"""Composition: builds the parts, starts them, watches them, stops them."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

from wattround import __version__
from wattround.clock import Clock
from wattround.config.load import WrongSettings, load
from wattround.config.model import Settings
from wattround.control import ControlServer
from wattround.core.inbox import Inbox
from wattround.core.loop import Core
from wattround.ingest.broker import BrokerLink
from wattround.ingest.session import most_unacknowledged
from wattround.ledger.opening import suspect
from wattround.letter.desk import Desk
from wattround.notify.outlets import Outlets
from wattround.systemd import Notifier
from wattround.threads import Supervised
from wattround.upkeep import Calendar

log = structlog.get_logger("service")

STOP_BUDGET_S = 4.5
"""All of a stop; systemd and the person at the terminal are told 5 s."""
PATIENCE_S = 120.0
REPLACE_S = 3.0
IDLE_S, GATHER_S = 0.5, 0.02


class Service:
    """The whole daemon. `run` returns the process's exit status."""

    def __init__(self, settings: Settings, clock: Clock, file: Path | None = None, idle_s: float = IDLE_S) -> None:
        self.settings, self._file, self._idle_s = settings, file, idle_s
        self.failed = threading.Event()
        self.inbox = Inbox()
        self.outlets = Outlets(self._delivered)
        self.core = Core(
            settings, clock, self.inbox, self.outlets,
            lambda acks: self.link.acknowledge(acks), most_unacknowledged(settings),
        )  # fmt: skip
        self.link = BrokerLink(
            settings, self.core.house.router.subscriptions(), self.inbox, clock, self._delivered,
            self.core.session_filters, self._filters_changed,
        )  # fmt: skip
        self.core.health = lambda: {"broker": self.link.state, "broker_trouble": self.link.trouble or None}
        self.control = ControlServer(Path(settings.ledger.folder), self.inbox.ask)
        self.calendar = Calendar(settings.house.time_zone, lambda: self.inbox.ask("upkeep"))
        self._beat_s = time.monotonic()
        self._notifier = Notifier(os.environ)
        self._fed_s = 0.0
        self._core_thread = self._thread("core", self._run_core, lambda: self._beat_s)
        self._link_thread = self._thread("broker", self.link.run, lambda: self.link.beat_s)
        control = self._thread("control", self.control.run, lambda: self.control.beat_s)
        self._others = [control, *self._channel_threads(), *self._archive_threads(), *self._page_threads()]
        self._others += self._letter_threads()

    @property
    def _replaceable(self) -> tuple[tuple[str, Callable[[], list[Supervised]]], ...]:
        """Parts that are made anew when their section of the settings has changed."""
        return (
            ("archive", self._archive_threads), ("page", self._page_threads), ("letter", self._letter_threads)
        )  # fmt: skip

    def _thread(self, name: str, run: Any, beat: Any) -> Supervised:
        return Supervised(name, run, beat, PATIENCE_S, self.failed)

    def _channel_threads(self) -> list[Supervised]:
        fresh = self.outlets.configure(self.settings, self.link)
        return [self._thread("channel", outlet.run, lambda outlet=outlet: outlet.beat_s) for outlet in fresh]

    def _archive_threads(self) -> list[Supervised]:
        if self.settings.archive is None:
            return []
        from wattround.archive.shipper import Shipper  # noqa: PLC0415 - with what it brings, only where configured

        shipper = Shipper(self.settings.archive, self.inbox.ask)
        return [self._thread("archive", shipper.run, lambda: shipper.beat_s)]

    def _page_threads(self) -> list[Supervised]:
        place = self.settings.page.place
        if place is None:
            return []
        from wattround.page.doorway import Doorway  # noqa: PLC0415 - only where there is to be a page

        doorway = Doorway(lambda: self.settings, self.inbox.ask, place, self._file)
        return [self._thread("page", doorway.run, lambda: doorway.beat_s)]

    def _letter_threads(self) -> list[Supervised]:
        desk = Desk(lambda: self.settings, self.inbox.ask)
        self.calendar.weekly(self.settings.letter, self.settings.house.time_zone, desk.knock)
        return [self._thread("letter", desk.run, lambda: desk.beat_s)] if self.settings.letter is not None else []

    def _filters_changed(self, filters: dict[str, int]) -> None:
        self.inbox.ask("filters", filters=filters)

    def _delivered(self, number: int, sent: bool, trouble: str) -> None:
        self.inbox.ask("delivered", number=number, sent=sent, trouble=trouble)

    # -- life -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start every thread; we are ready when the core has the ledger and the broker's thread runs."""
        for thread in (self._core_thread, self._link_thread, *self._others):
            thread.start()
        self.calendar.start()
        self.inbox.ask("upkeep")
        self._notifier.say(READY="1", STATUS=f"measuring {len(self.settings.meters)} meters")
        log.info("started", version=__version__, house=self.settings.house.id, meters=len(self.core.house.meters))

    def _run_core(self, stop: threading.Event) -> None:
        try:
            self._turn_core(stop)
        except Exception:
            suspect(Path(self.settings.ledger.folder))
            raise

    def _turn_core(self, stop: threading.Event) -> None:
        self.core.run(stop, self._alive, self._idle_s, GATHER_S if self._idle_s >= IDLE_S else 0.0)

    def _alive(self) -> None:
        """The core has turned once. It feeds the watchdog, and only while every other thread gets on too."""
        self._beat_s = time.monotonic()
        if self._notifier.watchdog_ms and self._beat_s - self._fed_s > self._notifier.watchdog_ms / 3000:
            stuck = [thread.name for thread in (self._link_thread, *self._others) if not thread.alive]
            if stuck:
                log.error("threads are stuck, the watchdog is not fed", threads=stuck)
            else:
                self._notifier.say(WATCHDOG="1")
                self._fed_s = self._beat_s

    def reload(self) -> bool:
        """Read the file again; a wrong one changes nothing."""
        if self._file is None:
            return False
        try:
            settings = load(self._file).settings
        except WrongSettings as wrong:
            log.error(
                "the file is wrong, the old settings stay",
                problems=[problem.text(str(self._file)) for problem in wrong.problems],
            )
            return False
        fixed = (
            ("id", settings.house.id, self.settings.house.id),
            ("folder", settings.ledger.folder, self.settings.ledger.folder),
        )
        if changed := [name for name, new, old in fixed if new != old]:
            log.error("this needs a restart, the old settings stay", changed=changed)
            return False
        most_acks = most_unacknowledged(settings)
        wanted = self.inbox.ask("settings", settings=settings, most_acks=most_acks).result(timeout=30)
        changed_parts = [
            (name, threads)
            for name, threads in self._replaceable
            if getattr(settings, name) != getattr(self.settings, name)
        ]
        self.settings = settings
        self.link.reload(settings, wanted)
        fresh = self._channel_threads()
        for name, threads in changed_parts:
            for thread in [thread for thread in self._others if thread.name == name]:
                thread.stop.set()
                thread.join(time.monotonic() + REPLACE_S)  # what it holds, such as a port, is wanted by the next one
                self._others.remove(thread)
            fresh += threads()
        for thread in fresh:
            thread.start()
        self._others += fresh
        log.info("settings reloaded", meters=len(settings.meters), rules=len(settings.rules))
        return True

    def stop(self) -> bool:
        """Stop within the budget; True if every thread has ended.

        The core goes first: what has arrived is written, and acknowledged while the broker is still there.
        """
        self._notifier.say(STOPPING="1")
        until_s = time.monotonic() + STOP_BUDGET_S
        self.calendar.stop()
        self._core_thread.stop.set()
        self.inbox.wake.set()
        for thread in self._others:
            thread.stop.set()
        ended = [self._core_thread.join(until_s - 1.5)]
        self._link_thread.stop.set()
        self.link.wake()
        ended += [thread.join(until_s) for thread in (self._link_thread, *self._others)]
        log.info("stopped", clean=all(ended))
        return all(ended)
