"""SenML against RFC 8428's own examples, sections 5.1.2 to 5.1.4, and RFC 8798's units."""

import json

import pytest

from wattround.ingest.payload import BadPayload
from wattround.ingest.senml import resolve, senml_number

# RFC 8428, 5.1.2
VOLTAGE_AND_CURRENTS = [
    {
        "bn": "urn:dev:ow:10e2073a0108006:",
        "bt": 1.276020076001e9,
        "bu": "A",
        "bver": 5,
        "n": "voltage",
        "u": "V",
        "v": 120.1,
    },
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]
# RFC 8428, 5.1.3: to be resolved as in 5.1.4
HUMIDITY = [
    {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e9, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
    {"u": "lon", "t": 180, "v": 24.30628},
    {"u": "lat", "t": 180, "v": 60.07967},
]


def test_base_name_unit_and_time_are_resolved():
    records = list(resolve(VOLTAGE_AND_CURRENTS, 0.0))

    assert records[0] == ("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1)
    currents = records[1:]
    assert [record.value for record in currents] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert [record.unit for record in currents] == ["A"] * 6
    assert [round(record.time_s - 1276020076.001, 3) for record in currents] == [-5, -4, -3, -2, -1, 0]
    assert {record.name for record in currents} == {"urn:dev:ow:10e2073a0108006:current"}


def test_the_resolved_form_of_section_5_1_4():
    humidity = [record for record in resolve(HUMIDITY, 0.0) if record.unit == "%RH"]
    electricity = [record for record in resolve(HUMIDITY, 0.0) if record.unit == "%EL"]

    assert [(record.time_s, record.value) for record in humidity] == [
        (1320067464.0, 20), (1320067524.0, 20.3), (1320067584.0, 20.7), (1320067644.0, 21.2),
    ]  # fmt: skip
    assert [(record.time_s, record.value) for record in electricity] == [(1320067614.0, 98)]


def test_a_time_below_two_to_the_28_is_relative_to_now():
    (record,) = resolve([{"n": "a", "t": -10, "v": 1}], 1_780_000_000.0)

    assert record.time_s == 1_779_999_990.0


def test_a_base_value_is_added():
    assert [record.value for record in resolve([{"bn": "a", "bv": 20, "v": 1}, {"v": 2}], 0.0)] == [21, 22]


def test_base_fields_stay_in_force_until_they_are_stated_anew():
    records = list(resolve([{"bn": "a", "bu": "W", "v": 1}, {"bn": "b", "v": 2}, {"bu": "kW", "v": 3}], 0.0))

    assert [(record.name, record.unit) for record in records] == [("a", "W"), ("b", "W"), ("b", "kW")]


@pytest.mark.parametrize(("kind", "unit", "value", "expected"), [
    ("power", "W", 5, 5.0), ("power", "kW", 5, 5000.0),       # RFC 8798: kW = 1000 W
    ("counter", "J", 3600, 1.0), ("counter", "Wh", 5, 5.0),   # Wh = 3600 J
    ("counter", "kWh", 2, 2000.0),                            # kWh = 3.6e6 J
])  # fmt: skip
def test_power_and_energy_in_primary_and_secondary_units(kind, unit, value, expected):
    payload = json.dumps([{"n": "x", "u": unit, "v": value, "t": 1_700_000_000}]).encode()

    assert senml_number("x", kind)(payload, 1_780_000_000_000) == [(expected, 1_700_000_000_000)]


def test_other_units_and_other_names_are_refused():
    for record in ({"n": "x", "u": "A", "v": 1}, {"n": "y", "u": "W", "v": 1}, {"n": "x", "v": 1}):
        with pytest.raises(BadPayload):
            senml_number("x", "power")(json.dumps([record]).encode(), 1_780_000_000_000)


def test_several_records_of_one_name_are_several_readings():
    pack = [{"bn": "x", "bu": "W", "bt": 1_700_000_000, "v": 1}, {"t": 10, "v": 2}]

    assert senml_number("x", "power")(json.dumps(pack).encode(), 1_780_000_000_000) == [
        (1.0, 1_700_000_000_000), (2.0, 1_700_000_010_000),
    ]  # fmt: skip
