"""Supervised threads: one that ends before it is told to ends the daemon, so that systemd starts it afresh."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable

import structlog

log = structlog.get_logger("threads")

Run = Callable[[threading.Event], None]
Beat = Callable[[], float]


class Supervised:
    """A thread with a heartbeat. `beat` gives the monotonic second of its last progress."""

    def __init__(self, name: str, run: Run, beat: Beat, patience_s: float, failed: threading.Event) -> None:
        self.name, self._run, self._beat, self._patience_s = name, run, beat, patience_s
        self._failed = failed
        self.stop = threading.Event()
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def _guarded(self) -> None:
        trouble: Exception | None = None
        try:
            self._run(self.stop)
        except Exception as error:  # noqa: BLE001 - told below
            trouble = error
        if trouble is None and self.stop.is_set():
            return
        self._failed.set()  # first: whatever hinders the telling, the daemon must not stay without this thread
        if trouble is None:
            log.critical("thread ended by itself", thread=self.name)
        else:
            # without the error's own text: a library may have put a secret into it
            where = traceback.format_list(traceback.extract_tb(trouble.__traceback__))
            log.critical("thread failed", thread=self.name, error=type(trouble).__name__, where="".join(where))

    @property
    def alive(self) -> bool:
        """Whether it runs and has made progress lately."""
        return self._thread.is_alive() and time.monotonic() - self._beat() < self._patience_s

    def join(self, until_s: float) -> bool:
        """Wait for it to end, until a monotonic second; False if it has not."""
        self._thread.join(max(0.0, until_s - time.monotonic()))
        return not self._thread.is_alive()
