"""A small house with its core, its ledger and its page, all of them real; only the broker is left out."""

from __future__ import annotations

import http.client
import json
import threading
import urllib.parse
from pathlib import Path
from typing import Any, Self

from ports import free_port
from support.house import HouseRun
from support.servers import until
from wattround.config.page import place_of
from wattround.ingest.delivery import LIVE, RETAINED
from wattround.page.doorway import Doorway

MINUTE_MS = 60_000
HEAD = """
[house]
id = "testhouse"
name = "{name}"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
"""
METERS = """
[[meters]]
name = "supply"
label = "Supply"
role = "supply"
power = {{ topic = "t/supply" }}
[[meters]]
name = "tv"
label = "{label}"
role = "appliance"
within = "supply"
standby_w = 1
active_w = 40
power = {{ topic = "t/tv" }}
[[meters]]
name = "freezer"
label = "Freezer"
role = "appliance"
within = "supply"
active_w = 30
power = {{ topic = "t/freezer" }}
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "tv-nobody-home"
load = "tv"
occupancy = "empty"
lasting = "10m"
release = "{release}"
[[rules]]
name = "day-spent"
spent = {{ over_wh = 900000 }}
[[channels]]
name = "phone"
mqtt = true
raw = false
[page]
listen = "127.0.0.1:{port}"
"""
BEGIN_MS = 1_780_300_800_000
"""A noon in Berlin less two hours: 2026-06-01 08:00 UTC."""
TURN_S = 0.05


class Answer:
    """What came back."""

    def __init__(self, found: http.client.HTTPResponse) -> None:
        self.status, self.headers, self.body = found.status, found.headers, found.read()

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Paper:
    """Lives some hours by hand, then in real time, served on a free port."""

    def __init__(
        self, folder: Path, *, page: str = "", more: str = "", label: str = "Television", name: str = "Test House",
        hours: int = 3, wait: bool = True, release: str = "2m", broker_port: int = 1883,
    ) -> None:  # fmt: skip
        self.port, self._wait = free_port(), wait
        text = METERS.format(port=self.port, label=label, release=release) + page + more
        head = HEAD.format(name=name)
        self.run = HouseRun(folder, text, BEGIN_MS, head)
        self.file = folder / "wattround.toml"
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n'
        self.file.write_text(f'{head}[ledger]\nfolder = "{self.run.folder}"\n{text}{broker}')
        self.run.core.health = lambda: {"broker": "connected", "broker_trouble": None}
        self.run.core.begin()
        self._watts = {"supply": 420.0, "tv": 120.0, "freezer": 80.0}
        self.say("p/imre", "away", RETAINED)
        for minute in range(hours * 60):
            self.run.clock.pass_ms(MINUTE_MS)
            self._watts["freezer"] = 80.0 if minute % 40 < 15 else 2.0
            self._publish()
            self.run.core.turn()
        self.run.core.commit(self.run.clock.now_ms)
        self.settings = self.run.settings
        self._stop = threading.Event()
        place = self.settings.page.place
        assert place is not None
        self.doorway = Doorway(
            lambda: self.settings, self.run.inbox.ask, place_of(self.settings.page.listen), self.file
        )
        self._threads = [
            threading.Thread(target=self._turn, daemon=True),
            threading.Thread(target=self.doorway.run, args=(self._stop,), daemon=True),
        ]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        if self._wait:
            until(self._listens)
        return self

    def _listens(self) -> bool:
        try:
            return self.get("/health").status in (200, 421, 503)
        except OSError:
            return False

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(10)
            assert not thread.is_alive()
        self.run.close()

    def say(self, topic: str, payload: object, timing: int = LIVE) -> None:
        """Somebody publishes."""
        self.run.inbox.put((topic, str(payload).encode(), self.run.clock.mono_ms(), timing, None))

    def draw(self, meter: str, watts: float) -> None:
        """A load draws something else from now on."""
        self._watts[meter] = watts
        self.say(f"t/{meter}", watts)

    def _publish(self) -> None:
        for meter, watts in self._watts.items():
            self.say(f"t/{meter}", watts)

    def _turn(self) -> None:
        turns = 0
        while not self._stop.is_set():
            self._stop.wait(TURN_S)
            self.run.clock.pass_ms(round(TURN_S * 1000))
            turns += 1
            if turns % 100 == 0:
                self._publish()
            self.run.core.turn()

    # -- asking -----------------------------------------------------------------------------------

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, body, headers or {})
            return Answer(connection.getresponse())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, headers={key.replace("_", "-"): value for key, value in headers.items()})

    def post(self, path: str, fields: dict[str, str], **headers: str) -> Answer:
        body = urllib.parse.urlencode(fields).encode()
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, body, form | {key.replace("_", "-"): value for key, value in headers.items()})
