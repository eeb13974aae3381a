"""The page's thread: holds the door open, and brings in what serves the page only when somebody comes."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from traceback import extract_tb, format_list

import structlog

from wattround.config.model import Settings
from wattround.config.page import Place
from wattround.config.secrets import MissingSecret
from wattround.page.live import Ask

log = structlog.get_logger("page")

RETRY_S = 10.0
LOOK_S = 0.5
WAITING = 64
NEEDED = ("fastapi", "uvicorn")


class Doorway:
    """Whatever is wrong with the page, measuring goes on: it is told, and tried again."""

    def __init__(
        self, settings: Callable[[], Settings], ask: Ask, place: Place, file: Path | None = None
    ) -> None:  # fmt: skip
        self._settings, self._ask, self._place, self._file = settings, ask, place, file
        self._told = ""
        self.beat_s = time.monotonic()

    def run(self, stop: threading.Event) -> None:
        """Serve until told to stop."""
        missing = [name for name in NEEDED if find_spec(name) is None]
        if missing:
            log.warning(
                "no page: a library is not installed", missing=missing,
                how="pip install -c deploy/constraints.txt '.[page]' in wattround's folder, or page.listen = \"off\"",
            )  # fmt: skip
        while not stop.is_set():
            if not missing:
                self._try(stop)
            self._wait(stop, RETRY_S)

    def _wait(self, stop: threading.Event, seconds: float) -> None:
        until_s = time.monotonic() + seconds
        while not stop.is_set() and time.monotonic() < until_s:
            self.beat_s = time.monotonic()
            stop.wait(LOOK_S)

    def _try(self, stop: threading.Event) -> None:
        try:
            self._serve(stop)
        except OSError as error:
            self._tell(f"{self._place.authority}: {error.strerror or error}")
        except MissingSecret as error:
            self._tell(str(error))
        except Exception as error:  # noqa: BLE001 - the page must not end the daemon
            where = "".join(format_list(extract_tb(error.__traceback__)[-3:]))
            self._tell(f"{type(error).__name__} at {where}")

    def _tell(self, trouble: str) -> None:
        if trouble != self._told:
            log.error("no page for now, it will be tried again", trouble=trouble)
            self._told = trouble

    def _serve(self, stop: threading.Event) -> None:
        with _listening(self._place) as door:
            log.info("the page waits", address=f"http://{self._place.authority}{self._settings().page.prefix}/")
            self._told = ""
            while not stop.is_set():
                self.beat_s = time.monotonic()
                if select.select([door], [], [], LOOK_S)[0]:
                    break
            if stop.is_set():
                return
            from wattround.page.server import serve  # noqa: PLC0415 - 20 MB that a house that nobody looks at is spared

            serve(door, self._settings, self._ask, self._place, stop, self._beat, self._file)

    def _beat(self) -> None:
        self.beat_s = time.monotonic()


def _listening(place: Place) -> socket.socket:
    family = socket.AF_INET6 if ":" in place.address else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind((place.address, place.port))
        door.listen(WAITING)
        door.setblocking(False)
    except OSError:
        door.close()
        raise
    return door
