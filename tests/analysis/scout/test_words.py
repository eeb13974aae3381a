"""What names say. The words are the trade's, in the languages that are listed; codes are of IEC 62056-6-1."""

import pytest

from wattround.analysis.scout.units import unit_of
from wattround.analysis.scout.words import hint, own_words, words_of


@pytest.mark.parametrize(
    ("name", "quantity", "unit"),
    [
        ("home/oven/watts", "power", "W"), ("home/oven/activePower", "power", None), ("x/power_kw", "power", "kW"),
        ("x/powerW", "power", "W"), ("x/Leistung", "power", None), ("x/potencia", "power", None),
        ("x/Wirkleistung_L1", "power", None), ("x/current_power", "power", None), ("x/power/value", "power", None),
        ("x/totalEnergyKWh", "energy", "kWh"), ("x/kwh", "energy", "kWh"), ("x/zaehlerstand", "energy", None),
        ("x/consumption_kwh", "energy", "kWh"), ("x/energie_wh", "energy", "Wh"), ("power/energy", "energy", None),
        ("x/power_factor", "power factor", None), ("x/apparent_power", "apparent power", None), ("x/va", "apparent power", "VA"),
        ("x/reactive_energy", "reactive power", None), ("x/voltage", "voltage", None), ("x/current", "current", None),
        ("x/power_on_count", "count", None), ("x/energy_price", "money", None), ("x/Netzspannung", "voltage", None),
        ("x/consumption", "either", None), ("x/p", "power", None), ("x/temperature", "temperature", None),
        ("home/television/standby", None, None), ("a/b/c", None, None),
    ],
)  # fmt: skip
def test_a_name_says_what_is_measured(name, quantity, unit):
    found = hint(name.split("/"))

    assert (found.quantity, found.unit.name if found.unit else None) == (quantity, unit)


@pytest.mark.parametrize(
    "name",
    ["a/power/set", "a/power_limit", "a/max_power", "a/energy/yesterday", "a/power_forecast", "a/average_power",
     "a/power/config", "a/co2_per_kwh", "a/rated_power_w", "a/powerThresholdW"],
)  # fmt: skip
def test_what_is_no_reading_of_now_is_refused_with_a_reason(name):
    assert hint(name.split("/")).refused


@pytest.mark.parametrize(
    ("name", "outward"),
    [("grid/export/power", True), ("grid/power_returned", True), ("grid/import/power", False), ("a/power", False),
     ("m/2.8.0", True), ("m/1.8.0", False)],
)  # fmt: skip
def test_which_way_energy_goes(name, outward):
    assert hint(name.split("/")).outward is outward


@pytest.mark.parametrize(
    ("segment", "words"),
    [("activePower", ["active", "power"]), ("ACTIVE-POWER", ["active", "power"]), ("power1", ["power", "1"]),
     ("l1", ["l1"]), ("energyKWh", ["energy", "kwh"]), ("tv-set", ["tv", "set"]), ("NOW", ["now"])],
)  # fmt: skip
def test_words_of_a_name(segment, words):
    assert words_of(segment) == words


@pytest.mark.parametrize(
    ("segment", "own"),
    [("power", []), ("total_energy_kwh", []), ("kitchen_power", ["kitchen"]), ("phase_a_power", ["phase", "a"]),
     ("total", ["total"]), ("1.8.0", []), ("living-sockets", ["living", "sockets"])],
)  # fmt: skip
def test_what_is_left_of_a_name_is_what_it_is_of(segment, own):
    assert own_words(segment) == own


@pytest.mark.parametrize(
    ("text", "name", "factor"),
    [("W", "W", 1.0), ("kW", "kW", 1000.0), ("mW", "mW", 0.001), ("MW", "MW", 1e6), ("kwh", "kWh", 1000.0),
     ("Wh", "Wh", 1.0), ("J", "J", 1 / 3600), ("kWh ", "kWh", 1000.0), ("Watt", "W", 1.0)],
)  # fmt: skip
def test_units_as_they_are_written(text, name, factor):
    """RFC 8798: kW = 1000 W, Wh = 3600 J, kWh = 3.6e6 J."""
    found = unit_of(text)

    assert (found.name, found.factor) == (name, pytest.approx(factor))


def test_letters_that_could_be_two_units_are_none():
    assert unit_of("mw") is None
    assert unit_of("furlong") is None
