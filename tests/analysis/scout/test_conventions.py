"""Open conventions by their own examples: SenML (RFC 8428, section 5; RFC 8798), Homie 4 and 5.

The Homie examples are after the convention's own super-car (from memory), with the units that its lists have.
"""

import json

import pytest

from wattround.analysis.scout.capture import Edge, message
from wattround.analysis.scout.draft import Broker, draft
from wattround.analysis.scout.scouting import scouted
from wattround.analysis.scout.shapes import shape
from wattround.config.load import examine_text

BEGIN_MS = 1_781_064_000_000


def heard(*said, lasting_s=300):
    """What is made of (second, topic, payload[, retained])."""
    found = [
        message(BEGIN_MS + round(at * 1000), topic, payload.encode(), retained=bool(retained))
        for at, topic, payload, *retained in said
    ]
    return scouted([*sorted(found, key=lambda each: each.at_ms), Edge(BEGIN_MS + lasting_s * 1000)])


def value(found, topic, at=""):
    return next(each for each in found.values if (each.topic, each.of.where.at) == (topic, at))


# RFC 8428, 5.1.1
SINGLE = [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}]
# RFC 8428, 5.1.2
ELECTRIC = [
    {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
    {"n": "current", "t": -5, "v": 1.2}, {"n": "current", "t": -4, "v": 1.3}, {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5}, {"n": "current", "t": -1, "v": 1.6}, {"n": "current", "v": 1.7},
]  # fmt: skip
# RFC 8428, 5.3, from memory: multiple data types
TYPES = [
    {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1}, {"n": "label", "vs": "Machine Room"},
    {"n": "open", "vb": False}, {"n": "nfc-reader", "vd": "aGkgCg"},
]  # fmt: skip


@pytest.mark.parametrize(
    ("pack", "leaves"),
    [
        (SINGLE, [("urn:dev:ow:10e2073a01080063", 23.1, "Cel")]),
        (
            ELECTRIC,
            [("urn:dev:ow:10e2073a0108006:voltage", 120.1, "V"), ("urn:dev:ow:10e2073a0108006:current", 1.7, "A")],
        ),
        (TYPES, [("urn:dev:ow:10e2073a01080063:temp", 23.1, "Cel")]),
    ],
)
def test_senml_packs_are_their_records_with_their_units(pack, leaves):
    payload = json.dumps(pack).encode()
    found = shape(payload, len(payload))

    assert found.kind == "senml"
    assert [(leaf.where.at, leaf.number, leaf.unit) for leaf in found.leaves] == leaves


def test_a_list_of_objects_that_is_no_senml_is_json():
    payload = b'[{"name": "kitchen", "power": 4}]'

    assert shape(payload, len(payload)).kind == "json"


def test_senml_power_and_energy_are_sure_and_voltages_are_left_out():
    packs = [
        (at, "a/b", json.dumps([
            {"bn": "urn:dev:x:", "n": "p", "u": "W", "v": 100.0 + at % 7}, {"n": "e", "u": "kWh", "v": 3 + at / 36e3},
            {"n": "u", "u": "V", "v": 231.0},
        ]))
        for at in range(0, 300, 10)
    ]  # fmt: skip
    found = heard(*packs)

    assert [(each.power.surety, each.counter.unit.name) for each in found.meters] == [("sure", "kWh")]
    assert [row.reason for row in found.left_out] == ["voltage"]
    text = draft(found, Broker(), "UTC")
    assert 'senml = "urn:dev:x:p"' in text
    assert examine_text(text)[0] == []


def homie_four(power_unit="W", datatype="float"):
    """homie/super-car with a node engine: retained attributes, then values."""
    said = {
        "$homie": "4.0.0", "$name": "Super car", "$nodes": "wheels,engine,lights", "$state": "ready",
        "engine/$name": "Car engine", "engine/$type": "V8", "engine/$properties": "speed,direction,temperature",
        "engine/temperature/$name": "Engine temperature", "engine/temperature/$settable": "false",
        "engine/temperature/$unit": "°C", "engine/temperature/$datatype": "float",
        "engine/power/$name": "Power", "engine/power/$datatype": datatype, "engine/power/$settable": "true",
    }  # fmt: skip
    if power_unit:
        said["engine/power/$unit"] = power_unit
    return [(0, f"homie/super-car/{key}", text, True) for key, text in said.items()]


def test_homie_4_units_are_trusted():
    values = [(at, "homie/super-car/engine/power", f"{100 + at % 9}") for at in range(0, 300, 10)]
    temps = [(at, "homie/super-car/engine/temperature", "21.5") for at in range(0, 300, 60)]
    found = heard(*homie_four(), *values, *temps)
    (made,) = found.meters

    assert (made.power.surety, made.power.unit.name) == ("sure", "W")
    assert made.label == "Super car"
    assert (made.gone.topic, made.gone.words) == ("homie/super-car/$state", ("disconnected", "lost"))
    assert [sign.kind for sign in found.signs] == ["temperature"]
    text = draft(found, Broker(), "UTC")
    assert 'availability = { topic = "homie/super-car/$state", offline = ["disconnected", "lost"] }' in text
    assert examine_text(text)[0] == []


def test_homie_4_a_property_called_power_that_is_a_switch_is_no_meter():
    values = [(at, "homie/super-car/engine/power", "true") for at in range(0, 300, 10)]
    found = heard(*homie_four("", "boolean"), *values)

    assert found.meters == []
    assert "a switch, not a number" in [row.reason for row in found.left_out]


def homie_five(unit):
    description = {
        "homie": "5.0", "version": 7, "name": "Supercar",
        "nodes": {"engine": {"name": "Car engine", "properties": {
            "draw": {"name": "Drawn", "datatype": "float", "unit": unit, "settable": False},
            "speed": {"name": "Engine speed", "datatype": "integer", "unit": "rpm"},
        }}},
    }  # fmt: skip
    return [
        (0, "homie/5/super-car/$description", json.dumps(description), True),
        (0, "homie/5/super-car/$state", "ready", True),
    ]


@pytest.mark.parametrize(("unit", "quantity"), [("W", "power"), ("kW", "power"), ("kWh", "energy")])
def test_homie_5_units_are_trusted_whatever_the_property_is_called(unit, quantity):
    values = [(at, "homie/5/super-car/engine/draw", f"{1 + at / 1000}") for at in range(0, 300, 10)]
    speeds = [(at, "homie/5/super-car/engine/speed", "900") for at in range(0, 300, 60)]
    found = heard(*homie_five(unit), *values, *speeds)
    (made,) = found.meters

    assert (made.main.quantity, made.main.unit.name, made.main.surety) == (quantity, unit, "sure")
    assert made.gone.topic == "homie/5/super-car/$state"
    assert examine_text(draft(found, Broker(), "UTC"))[0] == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"homie": 5}', '{"homie": "5.0", "nodes": [1]}', "\xff"])
def test_a_broken_description_is_no_description(text):
    found = heard((0, "homie/5/a/$description", text, True), *[(at, "homie/5/a/b/c", "1") for at in range(9)])

    assert value(found, "homie/5/a/b/c").prop is None


# IEC 62056-6-1 (OBIS), from memory: 1.8.0 energy taken, 2.8.0 given, 16.7.0 the sum drawn now, 32.7.0 a voltage
def test_obis_codes_say_what_a_value_is():
    payloads = [
        (at, "m", json.dumps({"1-0:1.8.0*255": 8123.4, "1-0:2.8.0*255": 11.2, "1-0:16.7.0*255": 0.4 + at % 20 / 100,
                              "1-0:32.7.0*255": 231.0}))
        for at in range(0, 300, 10)
    ]  # fmt: skip
    found = heard(*payloads)
    said = {each.of.where.at: (each.quantity, each.hint.outward) for each in found.values}

    assert said == {
        "/1-0:1.8.0*255": ("energy", False), "/1-0:2.8.0*255": ("energy", True),
        "/1-0:16.7.0*255": ("power", False), "/1-0:32.7.0*255": ("voltage", False),
    }  # fmt: skip
