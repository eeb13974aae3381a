"""What each value on the broker is, from its unit, its name and what it does; with the evidence, and how surely."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from wattround.analysis.scout.beats import is_time
from wattround.analysis.scout.behaviour import is_clockwork, is_register
from wattround.analysis.scout.heard import Field, Topic
from wattround.analysis.scout.homie import Property
from wattround.analysis.scout.units import Unit, unit_of
from wattround.analysis.scout.words import Hint, hint, own_words

Surety = Literal["sure", "likely", "open"]
OURS = "wattround's own"
FLOOR_SHARE = 0.2
FLOOR_TIMES = 4.0
ENOUGH_VALUES = 20


@dataclass(slots=True)
class Value:
    """One value of one topic, and what it is taken for.

    `segments` are its name from the outside in, `own` what of it does not say what is measured: the meter it is of.
    """

    topic: str
    of: Field
    segments: tuple[str, ...]
    own: tuple[str, ...]
    hint: Hint
    prop: Property | None = None
    quantity: str = ""
    unit: Unit | None = None
    stated: Unit | None = None
    surety: Surety = "open"
    because: list[str] = field(default_factory=list)
    question: str = ""
    refused: str = ""

    @property
    def is_wanted(self) -> bool:
        """Whether it is power or energy that may feed a meter."""
        return self.quantity in ("power", "energy") and not self.refused

    @property
    def fault(self) -> str:
        """Why the daemon cannot read it where and as it is; empty if it can."""
        where = self.of.where
        if where.way in ("column", "pair"):
            return "several values in a line of text" if where.way == "column" else "keys and values in a line of text"
        if self.of.writing.fault:
            return self.of.writing.fault
        if self.of.renamed:
            return "an entry of a list whose order changes"
        if where.way == "senml" and self.unit is not None and self.unit.name not in SENML_UNITS:
            return "a SenML unit that is not read"
        return ""


SENML_UNITS = ("W", "kW", "mW", "J", "Wh", "kWh")


def values(topics: Mapping[str, Topic], described: Mapping[str, Property]) -> list[Value]:
    """Every value that is a number, or a word where its name says power or energy; what each may be by itself."""
    found = []
    for topic in topics.values():
        if topic.name.rpartition("/")[2].startswith("$"):
            continue
        several = len(topic.fields) > 1
        for of in topic.fields.values():
            value = _value(topic, of, described.get(topic.name), several=several)
            _judge_alone(value)
            value.refused = OURS if is_ours(topic.name) else value.refused
            found.append(value)
    return found


def is_ours(topic: str) -> bool:
    """Whether the daemon itself publishes it: wattround/HOUSE/status and so on."""
    levels = topic.split("/")
    return levels[0] == "wattround" and len(levels) == 3


def _value(topic: Topic, of: Field, prop: Property | None, *, several: bool) -> Value:
    levels = topic.name.split("/")
    keys = _keys(of, several=several)
    segments = (*levels, *keys)
    own = tuple(" ".join(words) for segment in segments if (words := own_words(segment)))
    return Value(topic.name, of, segments, own, hint(segments), prop)


def _keys(of: Field, *, several: bool) -> list[str]:
    """What a payload calls a value; of a SenML record that is alone in its topic the last part only."""
    if of.where.way == "pointer":
        tokens = [token.replace("~1", "/").replace("~0", "~") for token in of.where.at.split("/")[1:]]
        plain = [token for token in tokens if not token.isdigit()]
        return [of.name, *plain] if of.name else plain
    if of.where.way == "senml":
        parts = [part for part in of.where.at.replace("/", ":").split(":") if part]
        return parts[-2:] if several else parts[-1:]
    return [of.where.at] if of.where.way == "pair" else []


def _judge_alone(value: Value) -> None:
    of = value.of
    value.stated, origin = _stated(value)
    said = value.hint
    if said.refused:
        value.refused = said.refused
    if not of.is_number:
        _judge_words(value)
        return
    if value.stated is None and is_time(of):
        value.quantity = "time"
        return
    if value.stated is not None:
        value.quantity, value.unit, value.surety = value.stated.quantity, value.stated, "sure"
        value.because.append(f"{value.stated.name} {origin}")
    elif said.quantity is not None:
        value.quantity, value.surety = _either(said, of), "open" if said.weak else "likely"
        if said.quantity == "either" and value.quantity == "energy" and of.rises:
            value.surety = "likely"  # a word for registers, and it rises as one
        value.because.append(f'its name says "{said.word}"')
    else:
        _judge_nameless(value)
    if value.quantity == "energy" and not value.refused:
        _judge_register(value)


def _stated(value: Value) -> tuple[Unit | None, str]:
    """The unit that is said, and where. One in the payload or its description goes before one in the name."""
    of = value.of
    if value.prop is not None:
        return (unit_of(value.prop.unit) if value.prop.unit else None), "in the device's own description (Homie)"
    if of.unit is not None:
        return unit_of(of.unit), "in SenML" if of.where.way == "senml" else "in the payload"
    return value.hint.unit, "in its name"


def _either(said: Hint, of: Field) -> str:
    if said.quantity != "either":
        return said.quantity or ""
    if of.falls > of.rises * 0.1 or of.negative:
        return "power"
    return "energy" if is_register(of) or (said.word in REGISTERS and not of.falls) else ""


REGISTERS = ("register", "counter", "index")


def _judge_words(value: Value) -> None:
    if value.hint.quantity in ("power", "energy", "either") and not value.refused:
        texts = set(value.of.words)
        switch = texts <= SWITCH_WORDS or value.of.form == "true or false"
        value.refused = "a switch, not a number" if switch else "text, not a number"
        value.quantity = "switch" if switch else "text"


SWITCH_WORDS = {"on", "off", "ON", "OFF", "On", "Off", "true", "false", "TRUE", "FALSE", "yes", "no", "0", "1"}


def _judge_register(value: Value) -> None:
    of = value.of
    if of.falls and not is_register(of):
        value.refused = "it falls again and again: energy of intervals, not a register"
    elif of.low < 0:
        value.refused = "below zero: not a register"


def _judge_nameless(value: Value) -> None:
    """Neither a unit nor a name: what it does may still be worth a question."""
    of = value.of
    if of.count < ENOUGH_VALUES:
        return
    if is_register(of) and not is_clockwork(of):
        value.quantity = "energy"
        value.because.append(f"it never falls, and rose {of.rises} times, by {of.high - of.low:g} in all")
    elif _has_floor(of):
        value.quantity = "power"
        value.because.append(f"it comes back to {of.low:g}, and goes up to {of.high:g}, as a load with a standby does")


def _has_floor(of: Field) -> bool:
    """A load is at rest for a good part of the time, and then draws several times as much."""
    if of.falls < 2 or of.rises < 2 or of.high < FLOOR_TIMES * max(abs(of.low), 1.0):
        return False
    near = of.low + 0.1 * (of.high - of.low)
    resting = sum(value <= near for value in of.values)
    return FLOOR_SHARE * len(of.values) <= resting < len(of.values)


def by_place(found: Iterable[Value]) -> dict[str, list[Value]]:
    """Values that may belong together: those of one topic, and of topics side by side."""
    places: dict[str, list[Value]] = defaultdict(list)
    for value in found:
        outer = value.topic.rpartition("/")[0]
        places[f"in {value.topic}"].append(value)
        if outer:
            places[f"below {outer}"].append(value)
        places["of " + "/".join(value.own)].append(value)
    return places


def numbers(found: Sequence[Value], quantity: str) -> list[Value]:
    """Those of a quantity that are numbers and came live."""
    return [value for value in found if value.quantity == quantity and value.of.is_number and value.of.count > 0]
