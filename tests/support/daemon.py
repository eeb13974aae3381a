"""The real daemon as a child process."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from support.servers import until
from wattround.control import NoDaemon, ask_daemon

COMMAND = [sys.executable, "-m", "wattround"]


class Daemon:
    """`wattround run FILE`, its log and its control socket."""

    def __init__(self, folder: Path, text: str) -> None:
        self.folder = folder / "ledger"
        self.file = folder / "wattround.toml"
        self.file.write_text(text.replace("{ledger}", str(self.folder)))
        self.log = folder / "daemon.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *, connected: bool = True, env: dict[str, str] | None = None) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen([*COMMAND, "run", str(self.file)], stdout=log, stderr=log, env=env)
        if connected:
            until(lambda: self.connected)

    @property
    def connected(self) -> bool:
        self.assert_running()
        try:
            return bool(self.now()["daemon"]["broker"] == "connected")
        except NoDaemon:
            return False

    def assert_running(self) -> None:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()

    def now(self) -> dict[str, Any]:
        return dict(ask_daemon(self.folder, "now"))

    def meter(self, name: str) -> dict[str, Any]:
        return next(dict(meter) for meter in self.now()["meters"] if meter["name"] == name)

    def heard_ms(self, name: str) -> float:
        """Time of the newest reading of a meter; 0 before the first."""
        facts = self.now()
        age_s = next(meter["age_s"] for meter in facts["meters"] if meter["name"] == name)
        return 0.0 if age_s is None else facts["now_ms"] - age_s * 1000

    def stop(self, number: int = signal.SIGTERM) -> int:
        if self.process is None:
            return 0
        self.process.send_signal(number)
        status = self.process.wait(20)
        self.process = None
        return status

    def events(self) -> list[dict[str, Any]]:
        """Log lines so far."""
        found = []
        for text in self.log.read_text().splitlines():
            try:
                found.append(json.loads(text))
            except ValueError:
                found.append({"event": text})
        return found
