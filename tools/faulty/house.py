"""The house: settings, what its meters say at each step, and what is true."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field
from pathlib import Path

STEP_MS = 30_000
"""House time between two steps, at which meters publish."""
PLAIN_W, BOTH_W, LOAD_W = 600, 900, 120
HOLD_MS, STAMPED_HOLD_MS = 600_000, 90_000
CHECKPOINT_MS = 300_000
SETTINGS = """
[house]
id = "{house}"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.25

[broker]
port = {broker_port}
keepalive = "5s"

[ledger]
folder = "{folder}"
checkpoint = "5m"

[archive]
url = "http://127.0.0.1:{store_port}"
amended = "newest"

[page]
listen = "127.0.0.1:{page_port}"

[manners]
gather = "1m"
reminders = 0
most_a_day = 1000

[templates.raised]
body = "{lines}"
[templates.settled]
body = "{lines}"
[templates.digest]
body = "{lines}"

[[channels]]
name = "hub"
mqtt = true

[[channels]]
name = "hook"
url = "json://127.0.0.1:{hook_port}"

[[meters]]
name = "stamped"
power = {{ topic = "f/stamped", pointer = "/w", time_pointer = "/t", time_unit = "ms" }}

[[meters]]
name = "register"
hold = "5m"
counter = {{ topic = "f/register", pointer = "/wh", unit = "Wh", time_pointer = "/t", time_unit = "ms" }}

[[meters]]
name = "pulses"
hold = "5m"
counter = {{ topic = "f/pulses", unit = "Wh" }}

[[meters]]
name = "both"
hold = "10m"
power = {{ topic = "f/both/w" }}
counter = {{ topic = "f/both/wh", unit = "Wh" }}

[[meters]]
name = "plain"
hold = "10m"
power = {{ topic = "f/plain" }}

[[meters]]
name = "load"
hold = "10m"
active_w = 50
power = {{ topic = "f/load" }}

[[meters]]
name = "sum"
sum_of = ["stamped", "register"]

[[rules]]
name = "left-on"
load = "load"
level = "active"
lasting = "3m"
release = "1m"

[[rules]]
name = "own-troubles"
trouble = ["archive", "broker", "ledger"]
lasting = "2m"
release = "1m"
"""
ONE_MORE_METER = '\n[[meters]]\nname = "one-more"\npower = { topic = "f/one-more" }\n'
LINES = "{% for line in lines %}{{ line.event }} {{ line.rule }} {{ line.load }} {{ line.began }}\\n{% endfor %}"


def settings_text(house: str, folder: Path, broker_port: int, store_port: int, hook_port: int, page_port: int) -> str:
    """The settings of a run."""
    return SETTINGS.format(
        house=house,
        folder=folder,
        broker_port=broker_port,
        store_port=store_port,
        hook_port=hook_port,
        page_port=page_port,
        lines=LINES,
    )


@dataclass(frozen=True)
class Said:
    """A message of the house. `qos` 0 for watts stamped on arrival, 1 for the rest."""

    topic: str
    payload: str
    qos: int = 1


@dataclass
class Truth:
    """What the house drew, and what its meters said of it, by house time in milliseconds."""

    readings: dict[int, int] = field(default_factory=dict)
    registers: dict[int, int] = field(default_factory=dict)
    pulses: list[float] = field(default_factory=list)
    both: list[float] = field(default_factory=list)
    switched: list[tuple[int, int]] = field(default_factory=list)


class House:
    """What is published step by step. The same seed says the same."""

    def __init__(self, seed: int, begin_ms: int) -> None:
        self._random = random.Random(seed)
        self._begin_ms = begin_ms
        self._held_back: list[tuple[int, Said]] = []
        self._register_wh = 50_000
        self._toggle_step = 0
        self.truth = Truth()

    def step(self, number: int, now_ms: int) -> list[Said]:
        """What is said at step `number`; `now_ms` is when that really is, late or not."""
        stamp_ms = self._begin_ms + number * STEP_MS
        said = [*self._stamped(number, stamp_ms), Said("f/plain", str(PLAIN_W), 0), Said("f/both/w", str(BOTH_W), 0)]
        if number % 2 == 0:
            said += self._counted(stamp_ms, now_ms)
        said.append(Said("f/load", str(self._load(number, now_ms)), 0))
        return said

    def last_words(self) -> list[Said]:
        """What had been held back until now."""
        held, self._held_back = self._held_back, []
        return [message for _, message in held]

    def _stamped(self, number: int, stamp_ms: int) -> list[Said]:
        """A reading of its own time, some late and out of order, some twice."""
        watts = 300 + number * 37 % 900
        self.truth.readings[stamp_ms] = watts
        reading = Said("f/stamped", json.dumps({"w": watts, "t": stamp_ms}))
        draw = self._random.random()
        if draw < 0.15:
            self._held_back.append((number + self._random.randint(1, 6), reading))
        due = [message for at, message in self._held_back if at <= number]
        self._held_back = [(at, message) for at, message in self._held_back if at > number]
        if draw < 0.15:
            return due
        return [*due, reading, reading] if draw < 0.2 else [*due, reading]

    def _counted(self, stamp_ms: int, now_ms: int) -> list[Said]:
        self._register_wh += self._random.randint(1, 40)
        self.truth.registers[stamp_ms] = self._register_wh
        passed_ms = now_ms - self._begin_ms
        pulses = round(1_000 + passed_ms * 1_200 / 3_600_000, 3)
        both = round(9_000 + passed_ms * BOTH_W / 3_600_000, 3)
        self.truth.pulses.append(pulses)
        self.truth.both.append(both)
        return [
            Said("f/register", json.dumps({"wh": self._register_wh, "t": stamp_ms})),
            Said("f/pulses", str(pulses)),
            Said("f/both/wh", str(both)),
        ]

    def _load(self, number: int, now_ms: int) -> int:
        switched = self.truth.switched
        if number >= self._toggle_step:
            self._toggle_step = number + self._random.randint(10, 24)
            watts = 0 if switched and switched[-1][1] else LOAD_W
            switched.append((now_ms, watts))
        return switched[-1][1]
