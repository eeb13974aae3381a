"""The invented house's meters: which loads each sees, how it publishes, what goes wrong with it."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from simulated.day import HOUR_MS, MINUTE_MS, Day, Steps, at

Shape = Literal["number", "json", "senml", "counter"]


@dataclass(frozen=True)
class SimMeter:
    """A meter of the house: the loads it sees, its topic, its payload's shape and its noise (share of its watts)."""

    name: str
    label: str
    role: str
    loads: tuple[str, ...]
    shape: Shape
    within: str | None = None
    noise: float = 0.004
    active_w: float | None = None
    standby_w: float = 0.5

    @property
    def topic(self) -> str:
        """Where it publishes."""
        ends = {"number": "watts", "json": "reading", "senml": "senml", "counter": "register"}
        return f"quince/{'plugs' if self.role == 'appliance' else 'board'}/{self.name}/{ends[self.shape]}"


def _circuit(name: str, label: str, *loads: str, shape: Shape = "json") -> SimMeter:
    return SimMeter(name, label, "circuit", loads, shape, "supply")


def _plug(name: str, label: str, within: str, active_w: float, standby_w: float = 0.5) -> SimMeter:
    return SimMeter(name, label, "appliance", (name,), "senml", within, 0.002, active_w, standby_w)


CIRCUITS = (
    _circuit("kitchen-sockets", "Kitchen sockets", "kettle", "coffee-maker"),
    _circuit("oven", "Oven", "oven"),
    _circuit("hob", "Hob", "hob"),
    _circuit("dishwasher", "Dishwasher", "dishwasher", shape="counter"),
    _circuit("refrigerator", "Refrigerator", "refrigerator"),
    _circuit("freezer", "Freezer", "freezer"),
    _circuit("living-sockets", "Living room sockets", "television", "amplifier"),
    _circuit("study-sockets", "Study sockets", "computer", "printer", "study-lamp"),
    _circuit("bedroom-sockets", "Bedroom sockets", "bedroom-cooler"),
    _circuit("lights-below", "Lights, ground floor", "lights-below", shape="number"),
    _circuit("lights-above", "Lights, upper floor", "lights-above", shape="number"),
    _circuit("washer", "Washing machine", "washer"),
    _circuit("dryer", "Dryer", "dryer"),
    _circuit("water-heater", "Water heater", "water-heater"),
    _circuit("heat-pump", "Heat pump", "heat-pump"),
    _circuit("pool-pump", "Pool pump", "pool-pump"),
    _circuit("garage", "Garage", "garage-door", "dehumidifier"),
    _circuit("bathroom", "Bathroom fan", "bathroom-fan"),
    _circuit("network", "Network cupboard", "network-cupboard"),
    _circuit("outside", "Lamps outside", "lamps-outside", shape="number"),
)
PLUGS = (
    _plug("television", "Television", "living-sockets", 40, 0.8),
    _plug("amplifier", "Amplifier", "living-sockets", 15, 1),
    _plug("computer", "Computer", "study-sockets", 35, 1),
    _plug("printer", "Printer", "study-sockets", 50, 1),
    _plug("kettle", "Kettle", "kitchen-sockets", 200),
    _plug("bedroom-cooler", "Bedroom cooler", "bedroom-sockets", 100),
    _plug("dehumidifier", "Dehumidifier", "garage", 60, 1),
)
ROOF = SimMeter("roof", "Roof panels", "generation", ("roof",), "json", "supply")
SUPPLY = SimMeter(
    "supply",
    "Supply",
    "supply",
    (*(load for circuit in CIRCUITS for load in circuit.loads), "roof"),
    "json",
    None,
    0.002,
)
METERS = (SUPPLY, ROOF, *CIRCUITS, *PLUGS)
CADENCE_MS = MINUTE_MS
FREEZER_SILENT = (at(11.0), at(12.0))
REGISTER_RESET = at(14.0)
JUNK = ((at(9.9), b"NaN"), (at(13.2), b'{"power": "a lot"}'), (at(16.4), b"\xff\xfe\x00"))


@dataclass(frozen=True)
class Published:
    """A message of the house: when (milliseconds since the day's begin), what, and the watts behind it."""

    at_ms: int
    topic: str
    payload: bytes
    retain: bool = False
    meter: str | None = None
    watts: float | None = None


def true_steps(meter: SimMeter, day: Day) -> Steps:
    """Steps of the true power that a meter sees."""
    instants = sorted({start for load in meter.loads for start, _ in day.loads[load]})
    sign = -1.0 if meter.role == "supply" else 1.0  # the supply delivers what the roof does not
    return [
        (start, sum((sign if load == "roof" else 1.0) * day.watts(load, start) for load in meter.loads))
        for start in instants
    ]


def messages(day: Day, begin_ms: int, seed: int) -> list[Published]:
    """Everything the house publishes in a day that begins at `begin_ms`, in order of time."""
    rng = random.Random(seed)
    found: list[Published] = []
    for meter in METERS:
        found += _meter_messages(meter, day, begin_ms, rng)
    for person, moves in day.people.items():
        found += [
            Published(max(0, when), f"quince/people/{person}", b"home" if home else b"away", retain=True)
            for when, home in moves
        ]
    found += [Published(when, _topic("oven"), junk) for when, junk in JUNK]
    return sorted(found, key=lambda message: message.at_ms)


def _topic(name: str) -> str:
    return next(meter.topic for meter in METERS if meter.name == name)


def _meter_messages(meter: SimMeter, day: Day, begin_ms: int, rng: random.Random) -> Iterator[Published]:
    steps = true_steps(meter, day)
    offset = rng.randrange(CADENCE_MS)
    instants = sorted({start for start, _ in steps} | set(range(offset, day.length_ms, CADENCE_MS)))
    shape = payloads(meter, begin_ms)
    index, energy_wh, last = 0, 0.0, 0
    for now in instants:
        energy_wh += steps[index][1] * (now - last) / HOUR_MS
        last = now
        while index + 1 < len(steps) and steps[index + 1][0] <= now:
            index += 1
        if meter.name == "freezer" and FREEZER_SILENT[0] <= now < FREEZER_SILENT[1]:
            continue
        true_w = steps[index][1]
        watts = round(true_w + rng.gauss(0, abs(true_w) * meter.noise), 1)
        yield Published(now, meter.topic, shape(now, watts, energy_wh), meter=meter.name, watts=watts)


def payloads(meter: SimMeter, begin_ms: int) -> Callable[[int, float, float], bytes]:
    """How a meter writes: milliseconds since the begin, watts and the watt-hours since then, to a payload."""
    return _SHAPES[meter.shape](meter, begin_ms)


def _number(_meter: SimMeter, _begin_ms: int) -> Callable[[int, float, float], bytes]:
    return lambda _now, watts, _energy: f"{watts}".encode()


def _json(_meter: SimMeter, begin_ms: int) -> Callable[[int, float, float], bytes]:
    return lambda now, watts, _energy: json.dumps({"power": watts, "at_ms": begin_ms + now}).encode()


def _senml(meter: SimMeter, begin_ms: int) -> Callable[[int, float, float], bytes]:
    name = f"urn:dev:quince:{meter.name}:power"
    return lambda now, watts, _energy: json.dumps(
        [{"bn": name, "bt": (begin_ms + now) / 1000, "u": "W", "v": watts}]
    ).encode()


def _register(_meter: SimMeter, _begin_ms: int) -> Callable[[int, float, float], bytes]:
    before: list[float] = []

    def payload(now: int, _watts: float, energy_wh: float) -> bytes:
        if now >= REGISTER_RESET and not before:
            before.append(energy_wh)  # the meter restarts and forgets
        register_kwh = (energy_wh - before[0] if before else 4_711_500.0 + energy_wh) / 1000
        return f"{register_kwh:.4f}".encode()

    return payload


_SHAPES = {"number": _number, "json": _json, "senml": _senml, "counter": _register}
