"""A house without threads: its core and a real ledger, driven by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Self

from wattround.config.load import examine_text
from wattround.config.model import Settings
from wattround.core.house import HouseCore
from wattround.core.inbox import Inbox
from wattround.core.keeper import Keeper
from wattround.core.loop import Core
from wattround.ingest.delivery import LIVE, Ack
from wattround.ledger.batch import Waiting
from wattround.ledger.reader import Reader
from wattround.metering.minute import Minute

HEAD = """
[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
"""
TV_RULE = """
[[meters]]
name = "tv"
label = "Television"
role = "appliance"
active_w = 40
power = { topic = "t/tv" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "tv-nobody-home"
load = "tv"
occupancy = "empty"
lasting = "1s"
release = "1s"
"""
STAMPED = """
[[meters]]
name = "m"
hold = "90s"
power = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }
"""


def settings_of(text: str, folder: Path | None = None, head: str = HEAD) -> Settings:
    """Settings of a text, which must be right."""
    ledger = f'[ledger]\nfolder = "{folder}"\n' if folder else ""
    problems, settings = examine_text(head + ledger + text)
    errors = [problem for problem in problems if problem.severity == "error"]
    assert settings is not None, errors
    assert not errors
    return settings


def stamped_settings() -> str:
    """One meter with stamped readings."""
    return STAMPED


class HandClock:
    """Clocks moved by hand."""

    def __init__(self, now_ms: int) -> None:
        self.now_ms = now_ms
        self.mono = 5_000_000

    def wall_ms(self) -> int:
        return self.now_ms

    def mono_ms(self) -> int:
        return self.mono

    def pass_ms(self, span_ms: int) -> None:
        """Time goes by."""
        self.now_ms += span_ms
        self.mono += span_ms

    def set_ms(self, now_ms: int) -> None:
        """Somebody sets the wall clock."""
        self.now_ms = now_ms


class Mailbox:
    """Channels that take every message; `told` has them all."""

    def __init__(self) -> None:
        self.told: list[Waiting] = []
        self.replies: list[tuple[str, bytes]] = []
        self.retained: list[tuple[int, str, str]] = []
        self.open = True

    def submit(self, waiting: Waiting) -> bool:
        if self.open:
            self.told.append(waiting)
        return self.open

    def reply(self, topic: str, payload: bytes) -> None:
        self.replies.append((topic, payload))

    def retain(self, topic: str, text: str) -> int | None:
        if not self.open:
            return None
        self.retained.append((-1 - len(self.retained), topic, text))
        return self.retained[-1][0]


class HouseRun:
    """Core and ledger of a house, with arrivals handed in at given times."""

    def __init__(self, folder: Path, text: str, now_ms: int = 1_780_000_000_000, head: str = HEAD) -> None:
        self.folder = folder / "ledger"
        self.settings = settings_of(text, self.folder, head)
        self.clock = HandClock(now_ms)
        self.acked: list[Ack] = []
        self.mail = Mailbox()
        self.inbox = Inbox()
        self.core = Core(self.settings, self.clock, self.inbox, self.mail, self.acked.extend, 1_000_000)

    @property
    def house(self) -> HouseCore:
        return self.core.house

    @property
    def keeper(self) -> Keeper:
        return self.core.keeper

    def inbox_answer(self, what: str, **facts: object) -> object:
        """What the core answers to a request."""
        reply = self.inbox.ask(what, **facts)
        self.core.turn()
        return reply.result(timeout=0)

    def take(self, topic: str, payload: object, at_ms: int, timing: int = LIVE, ack: Ack | None = None) -> None:
        """A message arrives."""
        raw = payload if isinstance(payload, bytes) else str(payload).encode()
        self.house.take((topic, raw, 0, timing, ack), at_ms)

    def stamped(self, meter: str, at_ms: int, watts: float, arrival_ms: int) -> None:
        """A stamped reading arrives."""
        self.take(f"t/{meter}", json.dumps({"w": watts, "t": at_ms}), arrival_ms)

    def live(self, topic: str, watts: int, turns: int, every_ms: int = 10_000) -> None:
        """Time passes by the clock, with a reading and a turn of the core each so many milliseconds."""
        for _ in range(turns):
            self.clock.pass_ms(every_ms)
            self.inbox.put((topic, str(watts).encode(), self.clock.mono_ms(), LIVE, None))
            self.core.turn()

    def silence(self, meter: str, now_ms: int) -> None:
        """The meter has been silent for long."""
        integrator = self.house.metering.meters[meter]
        integrator.follow_clock(max(now_ms, integrator.held_until_ms, integrator.ends_ms) + 60_000)
        self.house.tick(now_ms)

    def tick(self, now_ms: int) -> None:
        self.house.tick(now_ms)

    def commit(self, now_ms: int) -> bool:
        return self.core.commit(now_ms)

    def row(self, meter: str, minute: int) -> Minute:
        return next(row for row in self._all() if row.meter == meter and row.minute == minute)

    def rows(self, meter: str) -> dict[int, tuple[int, ...]]:
        """What the ledger has of a meter: in, out, covered, peak, low by minute."""
        return {row.minute: tuple(row[2:7]) for row in self._all() if row.meter == meter}

    def energy_uwh(self, meter: str) -> int:
        return sum(row.in_uwh for row in self._all() if row.meter == meter)

    def _all(self) -> list[Minute]:
        reader = Reader(self.folder, "testhouse")
        rows = list(reader.minutes(0, 1 << 31))
        reader.close()
        return rows

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def kill(self) -> None:
        """The process dies: what was not committed is gone."""
        self.core.writer.close()

    def close(self) -> None:
        self.core.writer.close()
