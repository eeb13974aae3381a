"""Keeps the daemon running as systemd would, and kills it at a known point of what it has written."""

from __future__ import annotations

import json
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from faulty.clock import HouseClock
from faulty.servers import until
from wattround.control import NoDaemon, ask_daemon

TOOLS = Path(__file__).parents[1]
RESTART_S = 0.3
WRONG_SETTINGS = 78


class Death(NamedTuple):
    """A kill: when, and the time of the last commit in the ledger (both what the house's wall clock showed)."""

    at_s: float
    at_ms: int
    saved_ms: int | None


class Ended(NamedTuple):
    """The daemon ended without being asked to."""

    at_s: float
    status: int


class Keeper:
    """One daemon, started again when it ends."""

    def __init__(self, settings: Path, ledger: Path, clock: HouseClock, clock_file: Path, log: Path) -> None:
        self._settings, self.ledger, self._clock, self._clock_file, self.log = settings, ledger, clock, clock_file, log
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._wanted = threading.Event()
        self._over = threading.Event()
        self.deaths: list[Death] = []
        self.ended: list[Ended] = []
        self.started_s: list[float] = []
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def start(self) -> None:
        """Start, and go on starting."""
        self._wanted.set()
        self._thread.start()

    def _spawn(self) -> None:
        environment = {**os.environ, "PYTHONPATH": str(TOOLS)}
        command = [sys.executable, "-m", "faulty.child", str(self._settings), str(self._clock_file)]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, env=environment)
        self.started_s.append(time.monotonic())

    def _watch(self) -> None:
        while not self._over.is_set():
            with self._lock:
                if self._process is not None and (status := self._process.poll()) is not None:
                    self.ended.append(Ended(time.monotonic(), status))
                    self._process = None
                if self._process is None and self._wanted.is_set() and self._rested:
                    self._spawn()
            self._over.wait(0.05)

    @property
    def _rested(self) -> bool:
        last_s = max([0.0, *(each.at_s for each in (*self.deaths, *self.ended))])
        return time.monotonic() - last_s > RESTART_S

    def hold_down(self) -> None:
        """Do not start it again until `let_up`."""
        self._wanted.clear()

    def let_up(self) -> None:
        """Start it again."""
        self._wanted.set()

    def kill(self) -> bool:
        """End it with SIGKILL wherever it is; what it has written until then is looked up while it stands still."""
        with self._lock:
            process = self._process
            if process is None or process.poll() is not None:
                return False
            process.send_signal(signal.SIGSTOP)
            at_ms = self._clock.wall_ms()
            death = Death(time.monotonic(), at_ms, self._saved_ms())
            process.kill()
            process.wait(10)
            self._process = None
            self.deaths.append(death)
        return True

    def _saved_ms(self) -> int | None:
        with suppress(sqlite3.Error):
            file = (self.ledger / "ledger.sqlite3").absolute().as_uri()
            connection = sqlite3.connect(f"{file}?mode=ro", uri=True, timeout=0.2)
            try:
                row = connection.execute("SELECT saved_ms FROM state WHERE kind = 'house'").fetchone()
                return int(row[0]) if row else None
            finally:
                connection.close()
        return None

    def hang_up(self) -> None:
        """Have it read its settings again."""
        with self._lock:
            if self._process is not None:
                self._process.send_signal(signal.SIGHUP)

    def limit_files(self, most_bytes: int) -> None:
        """Let every write beyond so many bytes of a file fail (EFBIG); -1: none."""
        with self._lock, suppress(OSError):
            if self._process is not None:
                resource.prlimit(self._process.pid, resource.RLIMIT_FSIZE, (most_bytes, -1))

    def facts(self) -> dict[str, Any] | None:
        """What it says of itself; None while it does not answer."""
        try:
            return dict(ask_daemon(self.ledger, "now"))
        except (NoDaemon, ValueError):
            return None

    @property
    def connected(self) -> bool:
        """Whether it runs and has its broker."""
        facts = self.facts()
        return facts is not None and facts["daemon"]["broker"] == "connected"

    def shipped(self) -> bool:
        """Whether the archive has all that the ledger has."""
        try:
            facts = ask_daemon(self.ledger, "archive-status")
        except (NoDaemon, ValueError):
            return False
        return bool(facts["rows_waiting"] == facts["amended_waiting"] == 0 and facts["cursor_minute"] is not None)

    def stop(self) -> int:
        """Stop it properly; its exit status."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join(5)
        process, self._process = self._process, None
        if process is None:
            return -1
        process.send_signal(signal.SIGTERM)
        try:
            return process.wait(12)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)
            return -2

    def events(self) -> list[dict[str, Any]]:
        """Its log."""
        found: list[dict[str, Any]] = []
        for line in self.log.read_text(errors="replace").splitlines():
            try:
                found.append(json.loads(line))
            except ValueError:
                found.append({"event": line, "level": "raw"})
        return [each if isinstance(each, dict) else {"event": str(each), "level": "raw"} for each in found]

    def wait_connected(self, seconds: float) -> None:
        """Wait until it runs and is connected.

        Raises:
            Stuck: if it is not in time.
        """
        until("the daemon runs and is connected", lambda: self.connected, seconds)
