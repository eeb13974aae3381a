"""A small house with its ledger, its control socket's answers and its page, in one thread and without a network.

What is made up is said to it, and its core must be as well afterwards as before. After some thousands it is made anew.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
import threading
from collections.abc import MutableMapping
from concurrent.futures import Future
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from structlog.testing import capture_logs

from wattround.config.load import examine_text
from wattround.config.page import place_of
from wattround.control import ControlServer
from wattround.core.inbox import Inbox
from wattround.core.loop import Core
from wattround.ingest.delivery import LIVE
from wattround.ledger.batch import Waiting
from wattround.page.app import application
from wattround.page.gate import Gate
from wattround.page.rooms import Rooms

BEGIN_MS = 1_780_000_000_000
MINUTE_MS = 60_000
MOST_ASKED = 3_000
"""Requests before the house is made anew: what they enter would slow it down, more and more."""
ADDRESSES = count(1)
SEEN = range(0x21, 0x7F)
"""Bytes of an address (RFC 9112, 3.2); the server refuses all others before the page hears of them."""
SERVED = """
[archive]
url = "http://127.0.0.1:9"
[page]
listen = "127.0.0.1:8077"
"""


class Still:
    """Clocks that stand until they are moved."""

    def __init__(self) -> None:
        self.passed_ms = 0

    def wall_ms(self) -> int:
        return BEGIN_MS + self.passed_ms

    def mono_ms(self) -> int:
        return self.passed_ms


class Nobody:
    """Channels that lead nowhere."""

    def submit(self, _waiting: Waiting) -> bool:
        return True

    def reply(self, _topic: str, payload: bytes) -> None:
        json.loads(payload)

    def retain(self, _topic: str, _text: str) -> int | None:
        return -1


class Household:
    """Lives two hours, then answers."""

    def __init__(self, text: str) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="wattround-fuzzed-")
        problems, settings = examine_text(f'{text}{SERVED}[ledger]\nfolder = "{self._folder.name}"\n')
        assert settings is not None, problems
        self.clock, self.inbox, self.asked = Still(), Inbox(), 0
        self.core = Core(settings, self.clock, self.inbox, Nobody(), lambda _acks: None, 1_000_000)
        self.core.health = lambda: {"broker": "connected", "broker_trouble": None}
        self.core.begin()
        self.say("t/imre", b"away")
        for minute in range(120):
            self.clock.passed_ms += MINUTE_MS
            self.say("t/plain", b"%d" % (3 + minute % 40 // 15 * 60))
            self.core.turn()
        self.control = ControlServer(Path(self._folder.name), self.ask)
        self.rooms = Rooms(lambda: settings, self.ask, Gate(settings.page, place_of(settings.page.listen)))
        self.page = application(self.rooms)

    def ask(self, what: str, **facts: Any) -> Future[Any]:
        """The core's answer, at once."""
        answer = self.inbox.ask(what, **facts)
        self.core.turn()
        return answer

    def say(self, topic: str, payload: bytes, timing: int = LIVE) -> None:
        """Somebody publishes."""
        self.inbox.put((topic, payload, self.clock.mono_ms(), timing, None))

    def live_on(self) -> None:
        """A second and a commit later it is as well as before, or this raises."""
        self.clock.passed_ms += 1_000
        self.core.turn()
        assert self.core.commit(self.clock.wall_ms()), self.core.keeper.trouble

    def close(self) -> None:
        """Leave nothing behind; nothing more is written."""
        self.rooms.close()
        stop = threading.Event()
        stop.set()
        self.control.run(stop)
        self.core.writer.close()
        self._folder.cleanup()


class Kept:
    """The house of now: made when it is asked for, the same one for a while."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._house: Household | None = None

    def house(self) -> Household:
        """It, asked once more."""
        if self._house is not None and self._house.asked >= MOST_ASKED:
            self.leave()
        self._house = self._house or Household(self._text)
        self._house.asked += 1
        return self._house

    def leave(self) -> None:
        """Go on with another: after a failure it may be in any state."""
        if self._house is not None:
            self._house.close()
        self._house = None


@cache
def _runner() -> asyncio.Runner:
    return asyncio.Runner()


def command(kept: Kept, line: bytes) -> None:
    """What a program says at the control socket: it is answered, and the core goes on."""
    house = kept.house()
    answer = json.loads(house.control.answer(line, threading.Event()))
    assert set(answer) in ({"ok", "answer"}, {"ok", "trouble"}), answer
    _go_on(kept, house)


def heard(kept: Kept, topic: str, payload: bytes, timing: int) -> None:
    """What anybody publishes: what comes of it can be written down."""
    house = kept.house()
    house.say(topic, payload, timing)
    _go_on(kept, house)


def _go_on(kept: Kept, house: Household) -> None:
    try:
        house.live_on()
    except BaseException:
        kept.leave()
        raise


def visit(kept: Kept, data: bytes) -> int:
    """A request to the page: `GET /path?query` or `POST /path`, a line break, a body; the status of its answer.

    Whatever is asked, nothing unforeseen happens: neither status 500 nor an error in the log.
    """
    house = kept.house()
    head, _, body = data.partition(b"\n")
    method, _, target = head.partition(b" ")
    path, _, query = bytes(each for each in target if each in SEEN).partition(b"?")
    verb = "POST" if method.startswith(b"P") else "GET"
    headers = [(b"host", b"localhost"), (b"content-length", b"%d" % len(body))]
    kind = b"application/json" if body.startswith(b"{") else b"application/x-www-form-urlencoded"
    scope = {
        "type": "http", "asgi": {"version": "3.0", "spec_version": "2.3"}, "http_version": "1.1", "method": verb,
        "scheme": "http", "path": unquote(path.decode("ascii")), "raw_path": path, "query_string": query,
        "headers": [*headers, (b"content-type", kind)], "root_path": "",
        "client": (f"client{next(ADDRESSES)}", 1), "server": ("localhost", 80),
    }  # fmt: skip
    with capture_logs() as logs:
        status = _runner().run(_answered(house, scope, body))
    assert status is not None, "no answer"
    assert status != 500, logs
    assert not [each for each in logs if each["event"] == "a request failed"], logs
    _go_on(kept, house)
    return status


async def _answered(house: Household, scope: MutableMapping[str, Any], body: bytes) -> int | None:
    told: list[int] = []
    asked = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> MutableMapping[str, Any]:
        if not asked:
            await asyncio.sleep(0)
            return {"type": "http.disconnect"}
        return asked.pop()

    async def send(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            told.append(int(message["status"]))

    await asyncio.wait_for(house.page(scope, receive, send), 20)
    return told[0] if told else None
