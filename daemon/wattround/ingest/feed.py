"""Feeds: a topic made ready to be read, and how healthy it has been."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from wattround.config.model import CounterSource, Meter, PowerSource, Settings, Source
from wattround.ingest.payload import (
    MAX_NUMBER_BYTES,
    BadPayload,
    Decode,
    json_number,
    plain_number,
    plain_text,
    word,
    written_number,
)
from wattround.ingest.senml import senml_number
from wattround.ingest.topics import FilterTrie, captured, subscription

REPORT_EVERY_MS = 60_000
MAX_NAME = 64
AHEAD_MS = 600_000
"""A stamp further in the future than this is a wrong clock."""
_POWER_W = {"W": 1.0, "kW": 1e3, "mW": 1e-3}
_ENERGY_WH = {"Wh": 1.0, "kWh": 1e3}

Kind = Literal["power", "counter", "availability", "presence", "signal"]


@dataclass(slots=True)
class Health:
    """Counts of one feed since the daemon started; `unreported` bad payloads wait for the next log line."""

    good: int = 0
    bad: int = 0
    last_bad: str = ""
    unreported: int = 0
    reported_ms: int = -REPORT_EVERY_MS

    def refuse(self, reason: str, at_ms: int) -> bool:
        """Count a bad payload; True when it is time for a log line (at most one a minute)."""
        self.bad += 1
        self.unreported += 1
        self.last_bad = reason
        if at_ms < self.reported_ms + REPORT_EVERY_MS:
            return False
        self.reported_ms = at_ms
        return True


class Range(NamedTuple):
    """Values that can be true."""

    low: float
    high: float


def effective_meters(settings: Settings) -> dict[str, Meter]:
    """Every meter known by name before anything is heard.

    One without a source of its own is fed by the first pattern: what it states itself goes before that.
    """
    pattern = next((meter for meter in settings.meters if meter.captured), None)
    found = {}
    for meter in settings.meters:
        if meter.captured:
            continue
        if meter.power is None and meter.counter is None and not meter.computed and pattern is not None:
            stated = {key: getattr(meter, key) for key in meter.model_fields_set}
            found[meter.name] = pattern.model_copy(update=stated)
        else:
            found[meter.name] = meter
    return found


@dataclass(slots=True)
class Feed:
    """One topic of one meter or person. value = (decoded * scale + offset) * sign, in W or Wh."""

    kind: Kind
    name: str
    topic: str
    decode: Decode
    decode_word: Callable[[bytes], str]
    words: frozenset[str]
    scale: float
    offset: float
    sign: int
    possible: Range
    stamped: bool
    health: Health

    @property
    def plain(self) -> bool:
        """Whether it is watts as a plain number, stamped on arrival: the usual case, with a path of its own."""
        return self.kind == "power" and self.decode is plain_number

    def plain_value(self, payload: bytes) -> float:
        """Watts of a plain number.

        Raises:
            BadPayload: as `values` does.
        """
        try:
            value = (float(payload) * self.scale + self.offset) * self.sign
        except ValueError:
            raise BadPayload("no number") from None
        # NaN and infinity lie in no range; float() also takes underscores and any amount of space
        if not self.possible.low <= value <= self.possible.high or b"_" in payload or len(payload) > MAX_NUMBER_BYTES:
            self.values(payload, 0)  # says what is wrong
        return value

    @property
    def kept(self) -> bool:
        """Whether the broker keeps its messages for us and we acknowledge them only once they are on disk.

        A watt value stamped on arrival is worthless when late: it is taken at QoS 0. A counter, a stamped
        reading, a presence or an availability message is not.
        """
        return self.stamped or self.kind != "power"

    def values(self, payload: bytes, arrival_ms: int, behind_ms: int = 0) -> list[tuple[float, int | None]]:
        """Values in W or Wh with their stamps. `behind_ms`: by how much our clock may be behind.

        Raises:
            BadPayload: for a payload that is not what was configured, a value no house can have, or a future time.
        """
        found = [
            ((raw * self.scale + self.offset) * self.sign, at_ms) for raw, at_ms in self.decode(payload, arrival_ms)
        ]
        for value, at_ms in found:
            if at_ms is not None and at_ms > arrival_ms + behind_ms + AHEAD_MS:
                raise BadPayload("a time in the future: the sender's clock, or time_unit, is wrong")
            if not self.possible.low <= value <= self.possible.high:
                raise BadPayload(f"a value outside {self.possible.low:g} to {self.possible.high:g}")
        return found


def _decoder(source: Source, kind: Literal["power", "counter"]) -> Decode:
    if source.senml is not None:
        return senml_number(source.senml, kind)
    is_bare = source.behind is None and not source.decimal_comma
    read = None if is_bare else written_number(source.behind, decimal_comma=source.decimal_comma)
    if source.pointer is not None:
        return json_number(source.pointer, source.time_pointer, source.time_unit, read)
    return plain_number if read is None else plain_text(read)


def is_stamped(meter: Meter) -> bool:
    """Whether a meter's readings carry their own time."""
    sources: list[Source] = [source for source in (meter.power, meter.counter) if source is not None]
    return any(source.stamped for source in sources)


def feeds_of(meter: Meter, name: str) -> list[Feed]:
    """The feeds of a meter called `name`, which stands in for the captured level of its topics, if there is one."""

    def fill(topic: str) -> str:
        return "/".join(name if part.startswith("{") else part for part in topic.split("/"))

    feeds: list[Feed] = []
    if meter.power is not None:
        scale, possible = _power_scale(meter.power), Range(meter.floor_w, meter.highest_w)
        feeds.append(
            _number_feed("power", name, fill(meter.power.topic), meter.power, scale, meter.power.offset_w, possible)
        )
    if meter.counter is not None:
        scale, possible = _counter_scale(meter.counter), Range(0.0, 1e12)
        feeds.append(
            _number_feed(
                "counter",
                name,
                fill(meter.counter.topic),
                meter.counter,
                scale,
                0.0,
                possible,
            )
        )
    if meter.availability is not None:
        gone = meter.availability
        feeds.append(_word_feed("availability", name, fill(gone.topic), gone.pointer, frozenset(gone.offline)))
    return feeds


def _power_scale(source: PowerSource) -> float:
    return source.factor if source.senml is not None else source.factor * _POWER_W[source.unit]


def _counter_scale(source: CounterSource) -> float:
    if source.senml is not None:
        return source.factor
    if source.unit == "pulses":
        return source.factor * 1000.0 / (source.pulses_per_kwh or 1.0)
    return source.factor * _ENERGY_WH[source.unit]


def _number_feed(
    kind: Literal["power", "counter"],
    name: str,
    topic: str,
    source: Source,
    scale: float,
    offset: float,
    possible: Range,
) -> Feed:
    # a counter never counts down: its sign only says which way the energy goes
    sign = source.sign if kind == "power" else 1
    return Feed(
        kind, name, topic, _decoder(source, kind), word(None), frozenset(),
        scale, offset, sign, possible, source.stamped, Health(),
    )  # fmt: skip


def _word_feed(kind: Kind, name: str, topic: str, pointer: str | None, words: frozenset[str]) -> Feed:
    return Feed(
        kind, name, topic, plain_number, word(pointer), words,
        1.0, 0.0, 1, Range(0.0, 0.0), False, Health(),
    )  # fmt: skip


class Pattern(NamedTuple):
    """A meter entry whose topics capture a name."""

    meter: Meter
    topic: str


class Router:
    """From a topic to its feeds: exact topics by a dictionary, captured ones by a trie and then by the dictionary."""

    def __init__(self, settings: Settings) -> None:
        self.meters = effective_meters(settings)
        self.exact: dict[str, tuple[Feed, ...]] = {}
        self.feeds: list[Feed] = []
        self._by_name: dict[str, list[Feed]] = {}
        self._patterns: FilterTrie[Pattern] = FilterTrie()
        self._open_topics: list[tuple[str, bool]] = []
        for meter in settings.meters:
            if meter.captured:
                self._add_pattern(meter)
        for name, meter in self.meters.items():
            for feed in feeds_of(meter, name):
                self.add(feed)
        for person in settings.people:
            self.add(_word_feed("presence", person.name, person.topic, person.pointer, frozenset(person.home)))
        for signal in settings.signals:
            self.add(_word_feed("signal", signal.name, signal.topic, signal.pointer, frozenset()))
        self._request_topic = f"{settings.topic_root}/request"

    def add(self, feed: Feed) -> None:
        """Route a feed's topic to it."""
        self.feeds.append(feed)
        self._by_name.setdefault(feed.name, []).append(feed)
        self.exact[feed.topic] = (*self.exact.get(feed.topic, ()), feed)

    def _add_pattern(self, meter: Meter) -> None:
        for part in (meter.power, meter.counter, meter.availability):
            if part is not None:
                self._patterns.add(subscription(part.topic), Pattern(meter, part.topic))
                plain = part is meter.power and not is_stamped(meter)
                self._open_topics.append((subscription(part.topic), not plain))

    def of_meter(self, name: str) -> list[Feed]:
        """The feeds of a meter."""
        return [feed for feed in self._by_name.get(name, ()) if feed.kind not in ("presence", "signal")]

    def newcomers(self, topic: str) -> list[tuple[Meter, str]]:
        """Patterns that a topic matches, with the captured name: a meter not heard before."""
        found = []
        for pattern in self._patterns.match(topic):
            value = captured(pattern.topic, topic)
            if value and len(value) <= MAX_NAME and value.isprintable() and "\\" not in value:
                found.append((pattern.meter, value))
        return found

    def subscriptions(self) -> dict[str, int]:
        """Topic filters and the QoS wanted for each."""
        wanted = {topic: int(any(feed.kept for feed in feeds)) for topic, feeds in self.exact.items()}
        wanted.update({topic_filter: int(kept) for topic_filter, kept in self._open_topics})
        return {**wanted, self._request_topic: 0}
