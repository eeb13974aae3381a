"""Units as people and payloads write them: which quantity, and how many of its base units."""

from __future__ import annotations

from typing import NamedTuple


class Unit(NamedTuple):
    """`name` as it is written properly; `factor` to the base unit of the quantity (W, Wh, V, A, ...)."""

    name: str
    quantity: str
    factor: float


def _units(quantity: str, **factors: float) -> dict[str, Unit]:
    return {name: Unit(name, quantity, factor) for name, factor in factors.items()}


_PROPER = {
    **_units("power", W=1.0, kW=1e3, mW=1e-3, MW=1e6),
    **_units("energy", Wh=1.0, kWh=1e3, MWh=1e6, mWh=1e-3, J=1 / 3600, kJ=1 / 3.6, MJ=1e3 / 3.6, Ws=1 / 3600),
    **_units("voltage", V=1.0, mV=1e-3, kV=1e3),
    **_units("current", A=1.0, mA=1e-3),
    **_units("apparent power", VA=1.0, kVA=1e3),
    **_units("reactive power", var=1.0, kvar=1e3),
    **_units("apparent energy", VAh=1.0, kVAh=1e3),
    **_units("reactive energy", varh=1.0, kvarh=1e3),
    **_units("frequency", Hz=1.0, mHz=1e-3),
    **_units("temperature", Cel=1.0, K=1.0),
    **_units("signal strength", dBm=1.0, dB=1.0),
    **_units("illuminance", lx=1.0),
    **_units("pressure", Pa=1.0, hPa=100.0, bar=1e5),
    **_units("charge", Ah=1.0, mAh=1e-3),
}
_OTHER = {
    "watt": "W", "watts": "W", "kilowatt": "kW", "kilowatts": "kW", "milliwatt": "mW", "milliwatts": "mW",
    "watthour": "Wh", "watthours": "Wh", "watt-hour": "Wh", "watt-hours": "Wh", "watt hours": "Wh", "w·h": "Wh",
    "kilowatthour": "kWh", "kilowatthours": "kWh", "kilowatt-hour": "kWh", "kilowatt-hours": "kWh",
    "kilowatt hours": "kWh", "kw·h": "kWh", "kw-h": "kWh", "joule": "J", "joules": "J",
    "volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "hertz": "Hz",
    "°c": "Cel", "degc": "Cel", "celsius": "Cel", "lux": "lx", "voltampere": "VA",
}  # fmt: skip
_PLAIN = {
    "%": Unit("%", "share", 1.0), "%rh": Unit("%RH", "humidity", 1.0), "°f": Unit("°F", "temperature", 1.0),
    "fahrenheit": Unit("°F", "temperature", 1.0), "eur": Unit("EUR", "money", 1.0), "usd": Unit("USD", "money", 1.0),
    "eur/kwh": Unit("EUR/kWh", "price", 1.0), "ct/kwh": Unit("ct/kWh", "price", 1.0),
    "usd/kwh": Unit("USD/kWh", "price", 1.0), "€/kwh": Unit("EUR/kWh", "price", 1.0), "€": Unit("EUR", "money", 1.0),
    "m³": Unit("m3", "volume", 1.0), "m3": Unit("m3", "volume", 1.0), "min": Unit("min", "duration", 1.0),
    "ppm": Unit("ppm", "concentration", 1.0), "s": Unit("s", "duration", 1.0), "ms": Unit("ms", "duration", 1.0),
}  # fmt: skip
_ONE_CASE_ONLY = {"mw", "mv", "ma", "mwh", "mj", "k", "mhz"}
"""In lower case these could be two units: milli and mega, kelvin and kilo."""
_LOWER = {name.lower(): unit for name, unit in _PROPER.items() if name.lower() not in _ONE_CASE_ONLY}
_ONLY_IN_NAMES = {
    "w": "W", "kw": "kW", "wh": "Wh", "kwh": "kWh", "va": "VA", "kva": "kVA", "var": "var", "kvar": "kvar",
    "hz": "Hz", "mwh": "MWh", "watts": "W", "watt": "W", "volts": "V", "volt": "V", "amps": "A", "amp": "A",
    "kilowatts": "kW", "kilowatt": "kW", "milliwatts": "mW", "watthours": "Wh", "kilowatthours": "kWh", "joules": "J",
    "milliwatt": "mW", "ampere": "A", "amperes": "A", "varh": "varh", "kvarh": "kvarh", "celsius": "Cel", "vah": "VAh",
}  # fmt: skip


def unit_of(text: str) -> Unit | None:
    """The unit that a payload or its metadata names; None if it is none that we know."""
    written = text.strip()
    if written in _PROPER:
        return _PROPER[written]
    lower = written.lower()
    if lower in _OTHER:
        return _PROPER[_OTHER[lower]]
    return _PLAIN.get(lower) or _LOWER.get(lower)


def unit_in_name(word: str) -> Unit | None:
    """The unit that a word of a name is, in whatever case; single letters other than w are no units there."""
    found = _ONLY_IN_NAMES.get(word.lower())
    return _PROPER[found] if found is not None else None
