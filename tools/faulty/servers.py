"""The servers of a run, as child processes: mosquitto for each, one victoria-metrics for all."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ports import free_port, listening

PLACES = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
MOSQUITTO = shutil.which("mosquitto", path=PLACES)
VICTORIA = shutil.which("victoria-metrics", path=PLACES)
CONFIG = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval 1
max_queued_messages 0
"""


class Stuck(Exception):  # noqa: N818 - reads as what it is
    """Something that must come about did not."""


def until(what: str, answer: Callable[[], Any], seconds: float) -> Any:
    """Wait for an answer that is true.

    Raises:
        Stuck: if none came in so many seconds.
    """
    end_s = time.monotonic() + seconds
    while not (found := answer()):
        if time.monotonic() > end_s:
            raise Stuck(f"{what}: not within {seconds:g} s")
        time.sleep(0.02)
    return found


class Server:
    """A child process that listens on a port."""

    def __init__(self, command: list[str], port: int, log: Path) -> None:
        self._command, self.port, self._log = command, port, log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        until(f"{self._command[0]} listens", lambda: listening(self.port), 30)

    def send(self, number: int) -> None:
        """Send it a signal."""
        if self.process is not None:
            self.process.send_signal(number)

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End it, and wait for that."""
        if self.process is None:
            return
        self.process.send_signal(number)
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)
        self.process = None


def mosquitto(folder: Path) -> Server:
    """A broker that writes down what it keeps every second."""
    folder.mkdir()
    port, config = free_port(), folder / "mosquitto.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    config.write_text(CONFIG.format(port=port, folder=folder) + user)
    return Server([str(MOSQUITTO), "-c", str(config)], port, folder / "mosquitto.log")


class Database(Server):
    """A time-series database; of samples within a second it keeps the newest."""

    def __init__(self, folder: Path, port: int = 0) -> None:
        folder.mkdir(exist_ok=True)
        port = port or free_port()
        command = [
            str(VICTORIA), f"-storageDataPath={folder}/data", f"-httpListenAddr=127.0.0.1:{port}",
            "-retentionPeriod=100y", "-dedup.minScrapeInterval=1s", "-loggerLevel=ERROR",
        ]  # fmt: skip
        super().__init__(command, port, folder / "victoria.log")

    def get(self, path: str) -> str:
        """What it answers."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=30) as answer:
            return str(answer.read().decode())
