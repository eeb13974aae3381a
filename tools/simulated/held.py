"""What wattround made of the invented house, held against what the house is in truth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from simulated.house import METERS, SimMeter
from wattround.config.model import Meter, Settings
from wattround.ingest.feed import effective_meters, feeds_of

MOST_OFF, MOST_OFF_WH = 0.01, 5.0
"""An energy is right within one per cent and so much; meters are read once a minute, with up to 0.4 % of noise."""
PEOPLE = ("quince/people/imre", "quince/people/odile")
UNITS = {"number": "W", "json": "W", "senml": "W", "counter": "Wh"}


class Line(NamedTuple):
    """How many of something are right, and what is not. `least`: as many must be."""

    what: str
    right: int
    of: int
    least: int
    wrong: Sequence[str] = ()

    @property
    def is_enough(self) -> bool:
        """Whether as many are right as must be."""
        return self.right >= self.least


def of_settings(settings: Settings) -> Iterator[Line]:
    """Names, topics, units, times, roles, places, people."""
    found = {
        meter.name: (meter, {feed.kind: feed for feed in feeds_of(meter, name)})
        for name, meter in ((name, _named(meter, name)) for name, meter in effective_meters(settings).items())
    }
    topics = {feed.topic: name for name, (_, feeds) in found.items() for feed in feeds.values()}
    for title, is_right in (
        ("topics that are read", lambda meter: meter.topic in topics),
        ("names", lambda meter: topics.get(meter.topic) == meter.name),
        ("units and factors", lambda meter: _is_scaled(meter, found, topics)),
        ("where the value and its time stand", lambda meter: _is_read(meter, found, topics)),
        ("roles", lambda meter: meter.name in found and found[meter.name][0].role == meter.role),
    ):
        wrong = [meter.name for meter in METERS if not is_right(meter)]
        yield Line(title, len(METERS) - len(wrong), len(METERS), len(METERS), wrong)
    yield _places({name: meter.within for name, (meter, _) in found.items()})
    people = [topic for topic in PEOPLE if topic in {person.topic for person in settings.people}]
    yield Line("people", len(people), len(PEOPLE), len(PEOPLE))
    more = [name for name in found if name not in {meter.name for meter in METERS}]
    yield Line("meters, none invented", len(found) - len(more), len(found), len(found), more)


def _named(meter: Meter, name: str) -> Meter:
    return meter.model_copy(update={"name": name})


Found = Mapping[str, tuple[Meter, Mapping[str, Any]]]


def _is_scaled(meter: SimMeter, found: Found, topics: Mapping[str, str]) -> bool:
    """One unit in the payload must come to what it is in W or Wh: registers are in kWh, all else is in W."""
    if meter.topic not in topics:
        return False
    feed = found[topics[meter.topic]][1]["counter" if meter.shape == "counter" else "power"]
    return (feed.scale, feed.offset, feed.sign) == (1000.0 if meter.shape == "counter" else 1.0, 0.0, 1)


def _is_read(meter: SimMeter, found: Found, topics: Mapping[str, str]) -> bool:
    if meter.topic not in topics:
        return False
    entry = found[topics[meter.topic]][0]
    source = entry.counter if meter.shape == "counter" else entry.power
    if source is None:
        return False
    stands = source.pointer, source.senml, source.time_pointer, source.time_unit
    return stands == {
        "json": ("/power", None, "/at_ms", "ms"),
        "senml": (None, f"urn:dev:quince:{meter.name}:power", None, "s"),
    }.get(meter.shape, (None, None, None, "s"))


def _places(within: Mapping[str, str | None]) -> Line:
    """None may be wrong, 95 of 100 must be right; the others are not said."""
    nested = [meter for meter in METERS if meter.within is not None]
    wrong = [
        f"{name} in {parent}" for name, parent in within.items()
        if parent is not None and parent != {meter.name: meter.within for meter in METERS}.get(name)
    ]  # fmt: skip
    right = sum(within.get(meter.name) == meter.within for meter in nested)
    silent = [f"{meter.name} not said" for meter in nested if within.get(meter.name) is None]
    least = len(nested) + 1 if wrong else -(-95 * len(nested) // 100)
    return Line("places, none of them wrong", right, len(nested), least, [*wrong, *silent])


def of_energies(truth_wh: Mapping[str, float], report: Mapping[str, Any]) -> Line:
    """The report's energy of every meter against the true energy that it saw."""
    found_wh = {row["name"]: 1000 * row["energy_kwh"] for row in report["rows"] if row["kind"] == "load"}
    sources = report["sources"]
    found_wh["supply"] = 1000 * (sources["bought_kwh"] - sources["given_back_kwh"])
    found_wh["roof"] = 1000 * sources["generated_kwh"]
    wrong = [
        f"{name} {found_wh.get(name, 0.0):.1f} Wh, in truth {true:.1f}"
        for name, true in truth_wh.items()
        if abs(found_wh.get(name, 0.0) - true) > MOST_OFF * abs(true) + MOST_OFF_WH
    ]
    return Line("energies in the report", len(truth_wh) - len(wrong), len(truth_wh), len(truth_wh), wrong)
