"""SenML (RFC 8428) with the secondary units of RFC 8798: packs to resolved records."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from wattround.ingest.payload import BadPayload, Decode, Value, as_ms, as_number, checked_stamp, finite, parse_json

RELATIVE_BELOW_S = 2**28
"""Times below this many seconds are relative to now (RFC 8428, section 4.5.3)."""
NEWEST_VERSION = 10
WATTS = {"W": 1.0, "kW": 1e3, "mW": 1e-3}
WATT_HOURS = {"J": 1 / 3600, "Wh": 1.0, "kWh": 1e3}
_KNOWN = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}


class Record(NamedTuple):
    """A resolved record: full name, unit, time in seconds since the epoch, numeric value or None."""

    name: str
    unit: str | None
    time_s: float
    value: float | None


def resolve(pack: Any, now_s: float) -> Iterator[Record]:
    """Resolve a pack's base values (RFC 8428, section 4.6).

    Raises:
        BadPayload: if it is no SenML that we understand.
    """
    if not isinstance(pack, list):
        raise BadPayload("no SenML pack: a list of records was expected")
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0}
    for entry in pack:
        if not isinstance(entry, dict):
            raise BadPayload("no SenML record")
        _must_understand(entry)
        base.update({key: entry[key] for key in base if key in entry})
        time_s = as_number(base["bt"]) + as_number(entry.get("t", 0))
        value = as_number(base["bv"]) + as_number(entry["v"]) if "v" in entry else None
        unit = entry.get("u", base["bu"])
        if unit is not None and not isinstance(unit, str):
            raise BadPayload("a unit that is no text")
        yield Record(
            str(base["bn"]) + str(entry.get("n", "")),
            unit,
            now_s + time_s if time_s < RELATIVE_BELOW_S else time_s,
            value,
        )


def _must_understand(entry: dict[str, Any]) -> None:
    if as_number(entry.get("bver", NEWEST_VERSION)) > NEWEST_VERSION:
        raise BadPayload("a newer SenML version than we know")
    unknown = [key for key in entry if key.endswith("_") and key not in _KNOWN]
    if unknown:
        raise BadPayload("a SenML field that must be understood and is not")


def senml_number(name: str, kind: Literal["power", "counter"]) -> Decode:
    """Decode the records of one full name to watts or watt-hours; each carries its own time."""
    units = WATTS if kind == "power" else WATT_HOURS

    def decode(payload: bytes, arrival_ms: int) -> list[Value]:
        found: list[Value] = []
        for record in resolve(parse_json(payload), arrival_ms / 1000):
            if record.name != name or record.value is None:
                continue
            if record.unit not in units:
                raise BadPayload(f"a unit other than {', '.join(units)}")
            at_ms = checked_stamp(as_ms(record.time_s))
            found.append((finite(record.value * units[str(record.unit)]), at_ms))
        if not found:
            raise BadPayload("no record of the configured name")
        return found

    return decode
