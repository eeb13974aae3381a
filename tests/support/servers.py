"""Real servers on free loopback ports, in folders of their own; started and stopped by the tests."""

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

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
VICTORIA = shutil.which("victoria-metrics")


def until(what: Callable[[], Any], seconds: float = 60.0, every: float = 0.02) -> Any:
    """Wait until `what` gives something true; fails with its last answer otherwise."""
    end = time.monotonic() + seconds
    while True:
        found = what()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"still {found!r} after {seconds} s: {what}")
        time.sleep(every)


class Server:
    """A child process that listens on a port."""

    def __init__(self, command: list[str], port: int, log: Path) -> None:
        self.command, self.port, self.log = command, port, log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        until(lambda: listening(self.port))

    def stop(self, number: int = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(20)
            self.process = None


class Mosquitto(Server):
    """An MQTT broker that keeps what it must, as the example in deploy/ does."""

    def __init__(self, folder: Path, port: int | None = None, *lines: str) -> None:
        port = port or free_port()
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        config = folder / "mosquitto.conf"
        basics = ["persistence true", f"persistence_location {folder}/", "max_queued_messages 0", "autosave_interval 1"]
        basics += ["user root"] if os.geteuid() == 0 else []
        own = list(lines) or [f"listener {port} 127.0.0.1", "allow_anonymous true"]
        config.write_text("\n".join([*basics, *own]) + "\n")
        super().__init__([str(MOSQUITTO), "-c", str(config)], port, folder / "mosquitto.log")


class VictoriaMetrics(Server):
    """A time-series database that speaks the InfluxDB v2 write API."""

    def __init__(self, folder: Path, *flags: str) -> None:
        port = free_port()
        folder.mkdir(parents=True, exist_ok=True)
        command = [
            str(VICTORIA), f"-storageDataPath={folder}/data", f"-httpListenAddr=127.0.0.1:{port}",
            "-retentionPeriod=100y", "-loggerLevel=WARN", *flags,
        ]  # fmt: skip
        super().__init__(command, port, folder / "victoria.log")

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def get(self, path: str) -> str:
        with urllib.request.urlopen(self.url + path, timeout=20) as answer:
            return answer.read().decode()
