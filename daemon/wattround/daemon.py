"""`wattround run FILE`: settings, signals, supervision, exit status."""

from __future__ import annotations

import gc
import os
import select
import signal
import socket
import sqlite3
import sys
from contextlib import suppress
from pathlib import Path
from types import FrameType

import structlog

from wattround.clock import Clock, SystemClock
from wattround.config.load import WrongSettings, load
from wattround.ledger.opening import LedgerBusy, LedgerUnusable, suspect
from wattround.ledger.schema import NewerLedger
from wattround.logs import configure_logs
from wattround.service import Service

OK, FAILED, CONFIG = 0, 1, 78
"""Exit statuses: stopped as asked; something failed, start again; the settings are wrong (EX_CONFIG of sysexits.h)."""

TURN_S = 0.5

log = structlog.get_logger("daemon")


class Signals:
    """Handlers only note what was asked; the second request to stop ends the process at once.

    They take no lock (a handler runs in the middle of the main thread, which may hold that very lock); what wakes the
    main thread is a byte that the interpreter writes for each signal.
    """

    def __init__(self) -> None:
        self.stop = self.reload = False
        self._rang, ring = socket.socketpair()
        self._rang.setblocking(False)
        ring.setblocking(False)
        self._ring = ring  # kept open
        signal.set_wakeup_fd(ring.fileno(), warn_on_full_buffer=False)
        signal.signal(signal.SIGHUP, self._on_reload)

    def heed_stops(self) -> None:
        """From now on there is something to be stopped properly."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_stop)

    def wait(self, seconds: float) -> None:
        """Until a signal has come, or some seconds are over."""
        if select.select([self._rang], [], [], seconds)[0]:
            self._rang.recv(4096)

    def _on_stop(self, _number: int, _frame: FrameType | None) -> None:
        if self.stop:
            os._exit(FAILED)
        self.stop = True

    def _on_reload(self, _number: int, _frame: FrameType | None) -> None:
        self.reload = True


def run(file: str, clock: Clock | None = None) -> None:
    """Run until told to stop, then exit."""
    configure_logs()
    signals = Signals()  # before the file is read: what is changed after that is read again
    path = Path(file)
    try:
        loaded = load(path)
    except WrongSettings as wrong:
        with suppress(OSError):
            sys.stderr.write(f"{wrong}\n")
        sys.exit(CONFIG)
    for warning in loaded.warnings:
        log.warning("settings", problem=warning.text(file))
    try:
        service = Service(loaded.settings, clock or SystemClock(), path)
    except (LedgerBusy, LedgerUnusable, NewerLedger) as error:
        log.critical("cannot start", reason=str(error))
        sys.exit(CONFIG if isinstance(error, NewerLedger) else FAILED)
    except sqlite3.OperationalError as error:
        folder = loaded.settings.ledger.folder
        log.critical("cannot start: the ledger cannot be written", reason=str(error), folder=folder)
        sys.exit(FAILED)
    except Exception:
        # what the ledger holds may be damaged in a way that a quick look does not see
        suspect(Path(loaded.settings.ledger.folder))
        log.exception("cannot start")
        sys.exit(FAILED)
    signals.heed_stops()
    gc.collect()
    gc.freeze()  # what is here by now stays for good: the collector need not look through it again and again
    service.start()
    while not signals.stop and not service.failed.is_set():
        signals.wait(TURN_S)
        if signals.reload:
            signals.reload = False
            service.reload()
    status = FAILED if service.failed.is_set() else OK
    service.stop()
    with suppress(OSError):
        sys.stderr.flush()
    # not by way of the interpreter's own end: a delivery that hangs, or a library's worker, must not keep us; what is
    # to be on the disk is there, and a message that was on its way goes out again at the next start
    os._exit(status)
