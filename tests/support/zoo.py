"""Payloads as they are found in the wild, modelled generically: layouts x names x units, of simulated loads.

No device's or product's own layout is imitated: the words are the trade's, the layouts those that any author of a bridge
might choose. Each shape comes with its truth: which of its values are power and energy, and their factors to W and Wh.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from wattround.analysis.scout.capture import Edge, Message, message

BEGIN_MS = 1_781_064_000_000
LASTING_S = 1200
WATTS = {"W": 1.0, "kW": 1e3, "mW": 1e-3}
WATT_HOURS = {"Wh": 1.0, "kWh": 1e3}
DEVICES = ("kitchen", "desk", "cellar", "laundry")


class True_(NamedTuple):
    """What a value is: its quantity, and its factor to W or Wh."""

    quantity: str
    factor: float


@dataclass
class Shape:
    """One kind of payloads: twenty minutes of messages, and what is to be found, by topic and place."""

    name: str
    messages: list[Message | Edge] = field(default_factory=list)
    truth: dict[tuple[str, str], True_] = field(default_factory=dict)

    def say(self, at_s: float, topic: str, payload: str | bytes, *, retained: bool = False) -> None:
        raw = payload if isinstance(payload, bytes) else payload.encode()
        self.messages.append(message(BEGIN_MS + round(at_s * 1000), topic, raw, retained=retained))


class Load:
    """A load by the second, its register, and what else its meter says."""

    def __init__(self, rng: random.Random) -> None:
        kind = rng.choice(("cycle", "cycle", "steps", "drift"))
        high, rest = rng.choice((95.0, 240.0, 620.0, 1400.0, 2300.0)), rng.choice((0.6, 2.1, 12.0, 40.0))
        self.watts: list[float] = []
        on, until = rng.random() < 0.7, rng.randrange(20, 200)
        for second in range(LASTING_S):
            if second >= until:
                on, until = not on, second + rng.randrange(40, 260)
            level = high if on else rest
            if kind == "drift":
                level = high * (0.75 + 0.25 * ((second % 600) / 600))
            if kind == "steps" and on:
                level = high * (0.4 if second % 120 < 40 else 1.0)
            self.watts.append(level * rng.uniform(0.995, 1.005))
        self.sum_wh = [0.0]
        for watts in self.watts:
            self.sum_wh.append(self.sum_wh[-1] + watts / 3600)
        self.start_wh = rng.uniform(200_000, 9_000_000)
        self.volts, self.factor = rng.uniform(226, 236), rng.uniform(0.82, 0.99)

    def at(self, second: float) -> tuple[float, float]:
        """Watts, and watt-hours on the register."""
        index = min(LASTING_S - 1, int(second))
        return self.watts[index], self.start_wh + self.sum_wh[index] + self.watts[index] * (second - index) / 3600

    def amps(self, second: float) -> float:
        return self.at(second)[0] / self.volts / self.factor


class Names(NamedTuple):
    """How an author calls power and energy, and in which units."""

    power: str
    energy: str
    power_unit: str
    energy_unit: str


NAMES = (
    Names("power", "energy", "W", "kWh"), Names("activePower", "totalEnergy", "W", "kWh"),
    Names("power_w", "energy_kwh", "W", "kWh"), Names("powerW", "energyWh", "W", "Wh"),
    Names("watts", "kwh", "W", "kWh"), Names("ActivePower_kW", "EnergyImport_kWh", "kW", "kWh"),
    Names("leistung", "zaehlerstand", "W", "kWh"), Names("potencia", "energia", "W", "Wh"),
    Names("puissance_w", "energie_wh", "W", "Wh"), Names("current_power", "energy_total", "kW", "kWh"),
    Names("consumption_w", "consumption_kwh", "W", "kWh"), Names("ACTIVE-POWER", "ENERGY-TOTAL", "W", "Wh"),
    Names("kw", "kwh", "kW", "kWh"), Names("real power", "energy register", "W", "kWh"),
    Names("Wirkleistung", "Wirkenergie_kWh", "W", "kWh"), Names("power", "energy", "mW", "Wh"),
)  # fmt: skip
DIGITS = {"W": 1, "kW": 4, "mW": 0, "Wh": 2, "kWh": 5}


@dataclass
class Author:
    """One invented author: names, units, beat, and the loads that are metered."""

    rng: random.Random
    names: Names
    every_s: float
    loads: dict[str, Load]

    @classmethod
    def of(cls, seed: int, count: int = 2) -> Author:
        rng = random.Random(seed)
        names = rng.choice(NAMES)
        devices = rng.sample(DEVICES, count)
        return cls(rng, names, rng.choice((1.0, 2.0, 5.0, 7.5, 10.0)), {name: Load(rng) for name in devices})

    def beats(self) -> Iterator[float]:
        at = self.rng.uniform(0, self.every_s)
        while at < LASTING_S - 1:
            yield at
            at += self.every_s * self.rng.uniform(0.97, 1.03)

    def power(self, load: Load, at_s: float) -> float:
        return round(load.at(at_s)[0] / WATTS[self.names.power_unit], DIGITS[self.names.power_unit])

    def energy(self, load: Load, at_s: float) -> float:
        return round(load.at(at_s)[1] / WATT_HOURS[self.names.energy_unit], DIGITS[self.names.energy_unit])

    @property
    def true_power(self) -> True_:
        return True_("power", WATTS[self.names.power_unit])

    @property
    def true_energy(self) -> True_:
        return True_("energy", WATT_HOURS[self.names.energy_unit])


Layout = Callable[[Author, Shape], None]


def _each(author: Author) -> Iterator[tuple[float, str, Load]]:
    for name, load in author.loads.items():
        for at_s in author.beats():
            yield at_s, name, load


# -- one value a topic --------------------------------------------------------------------------------


def plain_topics(
    author: Author, shape: Shape, text: Callable[[float, str], str] = lambda value, _unit: repr(value)
) -> None:
    """home/kitchen/power 118.5"""
    names = author.names
    for at_s, device, load in _each(author):
        for key, value, unit, truth in (
            (names.power, author.power(load, at_s), names.power_unit, author.true_power),
            (names.energy, author.energy(load, at_s), names.energy_unit, author.true_energy),
        ):
            topic = f"home/{device}/{key}"
            shape.say(at_s, topic, text(value, unit))
            shape.truth[topic, ""] = truth
        shape.say(at_s, f"home/{device}/voltage", f"{load.volts + author.rng.uniform(-1, 1):.1f}")
        shape.say(at_s, f"home/{device}/rssi", str(author.rng.randrange(-80, -50)))


def kind_before_device(author: Author, shape: Shape) -> None:
    """meters/power/kitchen 118.5"""
    names = author.names
    for at_s, device, load in _each(author):
        shape.say(at_s, f"meters/{names.power}/{device}", repr(author.power(load, at_s)))
        shape.say(at_s, f"meters/{names.energy}/{device}", repr(author.energy(load, at_s)))
        shape.truth[f"meters/{names.power}/{device}", ""] = author.true_power
        shape.truth[f"meters/{names.energy}/{device}", ""] = author.true_energy
        shape.say(at_s, f"meters/temperature/{device}", f"{author.rng.uniform(20, 24):.1f}")


def number_with_unit(author: Author, shape: Shape) -> None:
    """home/kitchen/power 118.5 W"""
    between = author.rng.choice((" ", ""))
    plain_topics(author, shape, lambda value, unit: f"{value}{between}{unit}")


def comma_decimals(author: Author, shape: Shape) -> None:
    """home/kitchen/power 118,5"""
    plain_topics(author, shape, lambda value, _unit: f"{value:.3f}".replace(".", ","))


def value_and_unit(author: Author, shape: Shape) -> None:
    """home/kitchen/power {"value": 118.5, "unit": "W"}"""
    key = author.rng.choice(("value", "val", "reading"))
    plain_topics(author, shape, lambda value, unit: json.dumps({key: value, "unit": unit, "quality": 192}))
    shape.truth = {(topic, f"/{key}"): truth for (topic, _), truth in shape.truth.items()}


# -- JSON -------------------------------------------------------------------------------------------


def _facts(author: Author, load: Load, at_s: float) -> dict[str, Any]:
    """What a meter says beside power and energy, some of it misleading."""
    rng = author.rng
    return {
        "voltage": round(load.volts + rng.uniform(-1, 1), 1), "current": round(load.amps(at_s), 3),
        "frequency": round(rng.uniform(49.95, 50.05), 2), "uptime": 40_000 + int(at_s),
        "power_factor": round(load.factor, 2), "apparent_power": round(load.at(at_s)[0] / load.factor, 1),
        "on": load.at(at_s)[0] > 50, "power_limit": 3680, "price_per_kwh": 0.28, "firmware": "2.4.1",
        "max_power_w": 2300.0, "energy_yesterday_kwh": 3.71, "grams_co2_per_kwh": 312, "power_average_w": 118.2,
        "powerThresholdW": 20, "forecast_kwh": 4.1,
    }  # fmt: skip


def flat_json(author: Author, shape: Shape) -> None:
    """home/kitchen {"power": 118.5, "energy": 4711.2, "voltage": 231.0}"""
    names = author.names
    said = {
        device: author.rng.sample(sorted(_facts(author, load, 0.0)), author.rng.randrange(2, 12))
        for device, load in author.loads.items()
    }
    for at_s, device, load in _each(author):
        facts = _facts(author, load, at_s)
        payload = {names.power: author.power(load, at_s), names.energy: author.energy(load, at_s)}
        shape.say(at_s, f"home/{device}", json.dumps(payload | {key: facts[key] for key in said[device]}))
        shape.truth[f"home/{device}", f"/{names.power}"] = author.true_power
        shape.truth[f"home/{device}", f"/{names.energy}"] = author.true_energy


def nested_json(author: Author, shape: Shape) -> None:
    """devices/kitchen {"data": {"power": {"value": 118.5, "unit": "W"}, "energy": {...}}, "ts": ...}"""
    names = author.names
    for at_s, device, load in _each(author):
        payload = {
            "ts": BEGIN_MS + round(at_s * 1000),
            "data": {
                names.power: {"value": author.power(load, at_s), "unit": names.power_unit},
                names.energy: {"value": author.energy(load, at_s), "unit": names.energy_unit},
                "voltage": {"value": round(load.volts, 1), "unit": "V"},
            },
        }
        shape.say(at_s, f"devices/{device}", json.dumps(payload))
        shape.truth[f"devices/{device}", f"/data/{names.power}/value"] = author.true_power
        shape.truth[f"devices/{device}", f"/data/{names.energy}/value"] = author.true_energy


def units_beside(author: Author, shape: Shape) -> None:
    """state/kitchen {"power": 118.5, "power_unit": "W", ...}"""
    names = author.names
    for at_s, device, load in _each(author):
        payload = {
            names.power: author.power(load, at_s), f"{names.power}_unit": names.power_unit,
            names.energy: author.energy(load, at_s), f"{names.energy}_unit": names.energy_unit, "current": 0.5,
        }  # fmt: skip
        shape.say(at_s, f"state/{device}", json.dumps(payload))
        shape.truth[f"state/{device}", f"/{names.power}"] = author.true_power
        shape.truth[f"state/{device}", f"/{names.energy}"] = author.true_energy


def quoted_numbers(author: Author, shape: Shape) -> None:
    """home/kitchen {"power": "118.5", "energy": "4711.2", "state": "ON"}"""
    names = author.names
    for at_s, device, load in _each(author):
        payload = {
            names.power: str(author.power(load, at_s)),
            names.energy: str(author.energy(load, at_s)),
            "state": "ON",
        }
        shape.say(at_s, f"home/{device}", json.dumps(payload))
        shape.truth[f"home/{device}", f"/{names.power}"] = author.true_power
        shape.truth[f"home/{device}", f"/{names.energy}"] = author.true_energy


def meters_by_key(author: Author, shape: Shape) -> None:
    """board/all {"kitchen": {"power": 118.5, ...}, "desk": {...}}"""
    names = author.names
    for at_s in author.beats():
        payload = {
            device: {names.power: author.power(load, at_s), names.energy: author.energy(load, at_s), "pf": load.factor}
            for device, load in author.loads.items()
        }
        shape.say(at_s, "board/all", json.dumps(payload))
    for device in author.loads:
        shape.truth["board/all", f"/{device}/{names.power}"] = author.true_power
        shape.truth["board/all", f"/{device}/{names.energy}"] = author.true_energy


def meters_in_list(author: Author, shape: Shape) -> None:
    """board/channels {"channels": [{"id": "kitchen", "power": 118.5}, ...]}"""
    names = author.names
    for at_s in author.beats():
        entries = [
            {"id": device, names.power: author.power(load, at_s), names.energy: author.energy(load, at_s)}
            for device, load in author.loads.items()
        ]
        shape.say(at_s, "board/channels", json.dumps({"channels": entries, "count": len(entries)}))
    for index in range(len(author.loads)):
        shape.truth["board/channels", f"/channels/{index}/{names.power}"] = author.true_power
        shape.truth["board/channels", f"/channels/{index}/{names.energy}"] = author.true_energy


def three_phases(author: Author, shape: Shape) -> None:
    """supply/meter {"l1": {"power": ...}, "l2": ..., "l3": ..., "total": {"power": ..., "energy": ...}}"""
    names, loads = author.names, [Load(author.rng) for _ in range(3)]
    for at_s in author.beats():
        powers = [author.power(load, at_s) for load in loads]
        total = round(sum(powers), DIGITS[names.power_unit])
        register = round(
            sum(load.at(at_s)[1] for load in loads) / WATT_HOURS[names.energy_unit], DIGITS[names.energy_unit]
        )
        payload = {f"l{number}": {names.power: power, "voltage": 231.2} for number, power in enumerate(powers, 1)}
        payload["total"] = {names.power: total, names.energy: register}
        shape.say(at_s, "supply/meter", json.dumps(payload))
    for key in ("l1", "l2", "l3", "total"):
        shape.truth["supply/meter", f"/{key}/{names.power}"] = author.true_power
    shape.truth["supply/meter", f"/total/{names.energy}"] = author.true_energy


def exporter(author: Author, shape: Shape) -> None:
    """supply/grid {"power": -812.0, "import_energy": ..., "export_energy": ...}"""
    names = author.names
    load, roof = Load(author.rng), Load(author.rng)
    bought = sold = 0.0
    totals = []
    for second in range(LASTING_S):
        net = load.watts[second] - 1.3 * roof.watts[second]
        bought, sold = bought + max(0.0, net) / 3600, sold + max(0.0, -net) / 3600
        totals.append((net, 812_345.6 + bought, 99_123.4 + sold))
    for at_s in author.beats():
        net, into, out = totals[int(at_s)]
        payload = {
            names.power: round(net / WATTS[names.power_unit], DIGITS[names.power_unit]),
            "import_energy": round(into / WATT_HOURS[names.energy_unit], 5),
            "export_energy": round(out / WATT_HOURS[names.energy_unit], 5),
        }
        shape.say(at_s, "supply/grid", json.dumps(payload))
    shape.truth["supply/grid", f"/{names.power}"] = author.true_power
    shape.truth["supply/grid", "/import_energy"] = author.true_energy
    shape.truth["supply/grid", "/export_energy"] = author.true_energy


def obis_codes(author: Author, shape: Shape) -> None:
    """meter/obis {"1-0:16.7.0": 0.412, "1-0:1.8.0": 8123.4} (IEC 62056-6-1)"""
    load = Load(author.rng)
    mark = author.rng.choice(("1-0:16.7.0*255", "16.7.0", "1-0:1.7.0"))
    total = author.rng.choice(("1-0:1.8.0*255", "1.8.0"))
    for at_s in author.beats():
        watts, register = load.at(at_s)
        payload = {mark: round(watts / 1000, 4), total: round(register / 1000, 5), "1-0:32.7.0*255": 231.0}
        shape.say(at_s, "meter/obis", json.dumps(payload))
    shape.truth["meter/obis", f"/{mark}"] = True_("power", 1e3)
    shape.truth["meter/obis", f"/{total}"] = True_("energy", 1e3)


def single_letters(author: Author, shape: Shape) -> None:
    """mains/kitchen {"u": 231.0, "i": 0.52, "p": 118.5}"""
    for at_s, device, load in _each(author):
        payload = {
            "u": round(load.volts, 1),
            "i": round(load.amps(at_s), 3),
            "p": round(load.at(at_s)[0], 1),
            "f": 50.0,
        }
        shape.say(at_s, f"mains/{device}", json.dumps(payload))
        shape.truth[f"mains/{device}", "/p"] = True_("power", 1.0)


def no_names(author: Author, shape: Shape) -> None:
    """node/7 {"a": 118.5, "b": 4711.2, "c": 21.4}"""
    for number, load in enumerate(author.loads.values(), 3):
        for at_s in author.beats():
            payload = {
                "a": author.power(load, at_s),
                "b": author.energy(load, at_s),
                "c": round(author.rng.uniform(20, 22), 1),
            }
            shape.say(at_s, f"node/{number}", json.dumps(payload))
        shape.truth[f"node/{number}", "/a"] = author.true_power
        shape.truth[f"node/{number}", "/b"] = author.true_energy


# -- lines of text ----------------------------------------------------------------------------------


def key_value_lines(author: Author, shape: Shape) -> None:
    """rx/kitchen power=118.5;energy=4711.2;voltage=231.0"""
    names = author.names
    keys = [key.replace(" ", "_") for key in (names.power, names.energy)]
    mark, sign = author.rng.choice((";", ", ", " ", "&")), author.rng.choice(("=", ":"))
    for at_s, device, load in _each(author):
        values = (author.power(load, at_s), author.energy(load, at_s), round(load.volts, 1))
        shape.say(
            at_s,
            f"rx/{device}",
            mark.join(f"{key}{sign}{value}" for key, value in zip((*keys, "voltage"), values, strict=True)),
        )
        shape.truth[f"rx/{device}", keys[0]] = author.true_power
        shape.truth[f"rx/{device}", keys[1]] = author.true_energy


def bare_columns(author: Author, shape: Shape) -> None:
    """rx/kitchen 231.0;0.523;118.5;4711.2 (nothing says which is which but what they do)"""
    mark = author.rng.choice((";", ",", "\t"))
    for at_s, device, load in _each(author):
        values = (round(load.volts, 1), round(load.amps(at_s), 3), author.power(load, at_s), author.energy(load, at_s))
        shape.say(at_s, f"rx/{device}", mark.join(f"{value}" for value in values))
        shape.truth[f"rx/{device}", "3"] = author.true_power
        shape.truth[f"rx/{device}", "4"] = author.true_energy


# -- conventions ------------------------------------------------------------------------------------


def senml_packs(author: Author, shape: Shape) -> None:
    """things/kitchen [{"bn": "urn:dev:home:kitchen:", "n": "power", "u": "W", "v": 118.5}, ...] (RFC 8428, 8798)"""
    for at_s, device, load in _each(author):
        watts, register = load.at(at_s)
        pack = [
            {"bn": f"urn:dev:home:{device}:", "bt": BEGIN_MS / 1000 + at_s, "n": "power", "u": "W", "v": round(watts, 1)},
            {"n": "energy", "u": "kWh", "v": round(register / 1000, 5)}, {"n": "temp", "u": "Cel", "v": 21.5},
        ]  # fmt: skip
        shape.say(at_s, f"things/{device}", json.dumps(pack))
        shape.truth[f"things/{device}", f"urn:dev:home:{device}:power"] = True_("power", 1.0)
        shape.truth[f"things/{device}", f"urn:dev:home:{device}:energy"] = True_("energy", 1e3)


def homie_four(author: Author, shape: Shape) -> None:
    """homie/kitchen/meter/power 118.5, with retained $unit, $datatype, $name"""
    for device in author.loads:
        base = f"homie/{device}"
        said = {
            "$homie": "4.0.0", "$name": device.title(), "$state": "ready", "$nodes": "meter,relay",
            "meter/$name": "Meter", "meter/$properties": "a,b", "relay/$name": "Relay", "relay/$properties": "power",
            "meter/a/$name": "Draw", "meter/a/$datatype": "float", "meter/a/$unit": "W",
            "meter/b/$name": "Register", "meter/b/$datatype": "float", "meter/b/$unit": "kWh",
            "relay/power/$name": "Power", "relay/power/$datatype": "boolean", "relay/power/$settable": "true",
        }  # fmt: skip
        for key, text in said.items():
            shape.say(0, f"{base}/{key}", text, retained=True)
        shape.truth[f"{base}/meter/a", ""] = True_("power", 1.0)
        shape.truth[f"{base}/meter/b", ""] = True_("energy", 1e3)
    for at_s, device, load in _each(author):
        watts, register = load.at(at_s)
        shape.say(at_s, f"homie/{device}/meter/a", f"{watts:.1f}")
        shape.say(at_s, f"homie/{device}/meter/b", f"{register / 1000:.4f}")
        shape.say(at_s, f"homie/{device}/relay/power", "true")


def homie_five(author: Author, shape: Shape) -> None:
    """homie/5/kitchen/meter/draw 0.118, with one retained $description"""
    for device in author.loads:
        description = {
            "homie": "5.0", "version": 3, "name": device.title(),
            "nodes": {
                "meter": {"name": "Meter", "properties": {
                    "draw": {"name": "Draw", "datatype": "float", "unit": "kW"},
                    "total": {"name": "Total", "datatype": "float", "unit": "kWh"},
                }},
                "relay": {"name": "Relay", "properties": {"power": {"datatype": "boolean", "settable": True}}},
            },
        }  # fmt: skip
        shape.say(0, f"homie/5/{device}/$description", json.dumps(description), retained=True)
        shape.say(0, f"homie/5/{device}/$state", "ready", retained=True)
        shape.truth[f"homie/5/{device}/meter/draw", ""] = True_("power", 1e3)
        shape.truth[f"homie/5/{device}/meter/total", ""] = True_("energy", 1e3)
    for at_s, device, load in _each(author):
        watts, register = load.at(at_s)
        shape.say(at_s, f"homie/5/{device}/meter/draw", f"{watts / 1000:.4f}")
        shape.say(at_s, f"homie/5/{device}/meter/total", f"{register / 1000:.4f}")
        shape.say(at_s, f"homie/5/{device}/relay/power", "false")


# -- mistakes ---------------------------------------------------------------------------------------


def wrong_power_unit(author: Author, shape: Shape) -> None:
    """home/kitchen {"power_kw": 1185.0, "energy_kwh": ...}: it says kW, and these are watts"""
    _mistaken(author, shape, "power_kw", "energy_kwh", 1.0, 1e3)


def wrong_energy_unit(author: Author, shape: Shape) -> None:
    """home/kitchen {"power_w": 1185.0, "energy_kwh": ...}: it says kWh, and these are watt-hours"""
    _mistaken(author, shape, "power_w", "energy_kwh", 1.0, 1.0)


def _mistaken(author: Author, shape: Shape, power: str, energy: str, watts: float, watt_hours: float) -> None:
    for at_s, device, load in _each(author):
        drawn, register = load.at(at_s)
        payload = {power: round(drawn / watts, 2), energy: round(register / watt_hours, 5)}
        shape.say(at_s, f"home/{device}", json.dumps(payload))
        shape.truth[f"home/{device}", f"/{power}"] = True_("power", watts)
        shape.truth[f"home/{device}", f"/{energy}"] = True_("energy", watt_hours)


LAYOUTS: tuple[Layout, ...] = (
    plain_topics, kind_before_device, number_with_unit, comma_decimals, value_and_unit, flat_json, nested_json,
    units_beside, quoted_numbers, meters_by_key, meters_in_list, three_phases, exporter, obis_codes, single_letters,
    no_names, key_value_lines, bare_columns, senml_packs, homie_four, homie_five, wrong_power_unit, wrong_energy_unit,
)  # fmt: skip
AUTHORS = 10


def zoo() -> Iterator[Shape]:
    """Every layout by every author: 230 shapes."""
    for layout in LAYOUTS:
        for seed in range(AUTHORS):
            author = Author.of(1000 * LAYOUTS.index(layout) + seed)
            shape = Shape(f"{layout.__name__} {seed}")
            layout(author, shape)
            shape.messages.sort(key=lambda each: each.at_ms)
            shape.messages.append(Edge(BEGIN_MS + LASTING_S * 1000))
            yield shape
