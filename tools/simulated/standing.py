"""The invented house as it stands after some days: its core goes on, and its page is served."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

from simulated.life import HOUR_MS
from simulated.month import Driver, Month
from wattround.config.model import Settings
from wattround.config.page import place_of
from wattround.page.doorway import Doorway

TURN_S = 0.1


class Standing:
    """Drives a month up to an hour of a day, then lets time pass as it does, and serves the page."""

    def __init__(
        self, month: Month, settings: Settings, day: int, hour: float, file: Path | None = None
    ) -> None:  # fmt: skip
        self.settings = settings
        self._driver = Driver(month, settings)
        for each in range(day):
            self._driver.day(month.calendar.at(each, 0.0), month.calendar.at(each + 1, 0.0))
        self._driver.day(month.calendar.at(day, 0.0), month.calendar.at(day, 0.0) + round(hour * HOUR_MS))
        core = self._driver.core
        if core is None:
            raise SystemExit("the invented daemon is down at this hour: choose another")
        core.health = lambda: {"broker": "connected", "broker_trouble": None}
        self._core = core
        self._stop = threading.Event()
        doorway = Doorway(lambda: self.settings, core.inbox.ask, place_of(settings.page.listen), file)
        self._threads = [
            threading.Thread(target=self._turn, daemon=True),
            threading.Thread(target=doorway.run, args=(self._stop,), daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def ask(self, what: str, **facts: Any) -> Any:
        """Ask the core for something."""
        return self._core.inbox.ask(what, **facts).result(timeout=20)

    @property
    def now_ms(self) -> int:
        return self._driver.clock.now_ms

    def _turn(self) -> None:
        last = time.monotonic()
        while not self._stop.is_set():
            self._stop.wait(TURN_S)
            now = time.monotonic()
            self._driver.clock.now_ms += round(1000 * (now - last))
            last = now
            self._core.turn()

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(10)
        self._core.close()
