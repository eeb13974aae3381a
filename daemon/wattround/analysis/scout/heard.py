"""What was heard, kept small: for each topic its beat, for each value in it what it does. Never grows without bound.

Anything may be on a broker: millions of topics, payloads of any shape and size. What is beyond the bounds is counted.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from wattround.analysis.scout.capture import Edge, Message
from wattround.analysis.scout.shapes import Form, Leaf, Where, shape
from wattround.ingest.payload import MAX_PAYLOAD_BYTES

MOST_TOPICS = 20_000
MOST_FIELDS = 40_000
MOST_FIELDS_OF_A_TOPIC = 300
MOST_POINTS = 500_000
FIELD_POINTS, LEAST_POINTS = 512, 32
MOST_GAPS = 256
MOST_WORDS = 12
MOST_BEHIND = 2
THOUSANDS = 3
LONGEST_TOPIC = 512
MOST_METADATA_BYTES = 16_000_000
TOO_LONG = f"payloads of more than {MAX_PAYLOAD_BYTES} bytes"
SAME_MS = 50
"""The same payload on the same topic within this time came twice by some loop or bridge."""


class Writing(NamedTuple):
    """How a value's numbers are written where they are text.

    `behind`: texts behind them, and whether some have none; `after_comma`: how many digits follow commas; whether some
    have points, or neither.
    """

    behind: tuple[str, ...] = ()
    alone: bool = False
    after_comma: tuple[int, ...] = ()
    points: bool = False
    whole: bool = False

    def and_of(self, leaf: Leaf) -> Writing:
        """With one more."""
        number, behind, after_comma = leaf.text, self.behind, self.after_comma
        if leaf.form == "with unit" and leaf.unit:
            number = number.removesuffix(leaf.unit).rstrip()
            behind += (leaf.unit,) if leaf.unit not in behind and len(behind) < MOST_BEHIND else ()
        _, comma, decimals = number.partition(",")
        after_comma += (len(decimals),) if comma and len(decimals) not in after_comma else ()
        has_point = not comma and "." in number
        return Writing(
            behind, self.alone or leaf.form != "with unit", after_comma, self.points or has_point,
            self.whole or not (comma or has_point),
        )  # fmt: skip

    @property
    def fault(self) -> str:
        """Why the daemon could not read them all in one way; empty if it could."""
        if len(self.behind) > 1 or (self.behind and self.alone):
            return "a number whose unit behind it changes"
        if self.after_comma and self.points:
            return "numbers with commas and with points"
        if self.after_comma == (THOUSANDS,) and self.whole:
            return "a number with a comma that may divide thousands"
        return ""


BARE = Writing()


@dataclass(slots=True)
class Field:
    """One value of a topic's payloads, as it was when it came.

    `late_ms`: by how much the last one's own time was behind its arrival. `taken` and `given` are value times hours
    since the first: what was above zero, and what was below. Points are thinned where there are many.
    """

    where: Where
    form: Form
    unit: str | None = None
    name: str = ""
    count: int = 0
    retained: str = ""
    forms: Counter[Form] = field(default_factory=Counter)
    words: Counter[str] = field(default_factory=Counter)
    other_words: int = 0
    renamed: bool = False
    writing: Writing = BARE
    low: float = 0.0
    high: float = 0.0
    first: float = 0.0
    last: float = 0.0
    rises: int = 0
    falls: int = 0
    whole: int = 0
    negative: int = 0
    taken_vh: float = 0.0
    given_vh: float = 0.0
    last_ms: int = 0
    every: int = 1
    at_ms: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    taken: array[float] = field(default_factory=lambda: array("d"))
    given: array[float] = field(default_factory=lambda: array("d"))
    gaps_ms: array[int] = field(default_factory=lambda: array("q"))
    longest_gap_ms: int = 0
    late_ms: float | None = None

    @property
    def is_number(self) -> bool:
        """Whether it was a number nearly always."""
        numbers = sum(self.forms[form] for form in ("number", "comma", "with unit"))
        return numbers > 0 and numbers >= 0.9 * self.forms.total()


@dataclass(slots=True)
class Topic:
    """One topic: how often it was heard, and what its payloads are made of."""

    name: str
    live: int = 0
    retained: int = 0
    duplicates: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    fields: dict[Where, Field] = field(default_factory=dict)
    cut: bool = False
    last: tuple[int, int] = (0, 0)
    text: bytes = b""

    @property
    def is_counted(self) -> bool:
        """Whether there was nothing on it but payloads that are counted apart."""
        return not self.kinds.keys() - {"binary", "too long"}


class Heard:
    """All of it, message by message."""

    def __init__(self) -> None:
        self.topics: dict[str, Topic] = {}
        self.fields = 0
        self.messages = self.retained = self.duplicates = 0
        self.beyond: Counter[str] = Counter()
        """What was left out, by reason: messages of further topics, further values, payloads that are too long."""
        self.first_ms = self.last_ms = self._kept = 0
        self._idle: list[str] = []

    @classmethod
    def of(cls, found: Iterable[Message | Edge]) -> Heard:
        """Everything in a recording."""
        heard = cls()
        for each in found:
            heard.add(each)
        return heard

    @property
    def lasting_ms(self) -> int:
        """How long it was listened."""
        return self.last_ms - self.first_ms

    def add(self, message: Message | Edge) -> None:
        """Take one message, or an end of the recording."""
        self.first_ms = self.first_ms or message.at_ms
        self.last_ms = max(self.last_ms, message.at_ms)
        if isinstance(message, Edge):
            return
        self.messages += 1
        topic = self._topic(message)
        if topic is None:
            return
        if message.retained:
            self.retained += 1
            topic.retained += 1
        elif self._is_twice(topic, message):
            self.duplicates += 1
            topic.duplicates += 1
            return
        else:
            topic.live += 1
            topic.last = (message.at_ms, hash(message.payload))
        found = shape(message.payload, message.size)
        topic.kinds[found.kind] += 1
        topic.cut |= found.cut
        if is_metadata(topic.name):
            self._keep(topic, message.payload)
        if found.kind in ("too long", "binary"):
            self.beyond["binary payloads" if found.kind == "binary" else TOO_LONG] += 1
        for leaf in found.leaves:
            self._value(topic, leaf, message)

    def _topic(self, message: Message) -> Topic | None:
        topic = self.topics.get(message.topic)
        if topic is None:
            is_full = len(self.topics) == MOST_TOPICS and (message.retained or not self._make_room())
            if is_full or len(message.topic) > LONGEST_TOPIC:
                self.beyond[f"messages of topics beyond the first {MOST_TOPICS}"] += 1
                return None
            topic = self.topics[message.topic] = Topic(message.topic)
            if message.retained and not is_metadata(message.topic):
                self._idle.append(message.topic)
        return topic

    def _make_room(self) -> bool:
        """Forget a topic that is only retained, for one that speaks; whether there was one."""
        while self._idle:
            topic = self.topics[self._idle.pop()]
            if not topic.live:
                del self.topics[topic.name]
                self.fields -= len(topic.fields)
                self.beyond["messages of topics that are only retained"] += topic.retained
                return True
        return False

    def _keep(self, topic: Topic, text: bytes) -> None:
        if self._kept + len(text) - len(topic.text) <= MOST_METADATA_BYTES:
            self._kept += len(text) - len(topic.text)
            topic.text = text
        else:
            self.beyond["descriptions beyond 16 MB"] += 1

    @staticmethod
    def _is_twice(topic: Topic, message: Message) -> bool:
        at_ms, last = topic.last
        soon = topic.live > 0 and message.at_ms - at_ms <= SAME_MS
        return message.duplicate or (soon and last == hash(message.payload))

    def _value(self, topic: Topic, leaf: Leaf, message: Message) -> None:
        known = topic.fields.get(leaf.where)
        if known is None:
            is_full = self.fields == MOST_FIELDS and (message.retained or not self._make_room())
            if is_full or len(topic.fields) == MOST_FIELDS_OF_A_TOPIC:
                self.beyond["values beyond those of the first messages"] += 1
                return
            self.fields += 1
            known = topic.fields[leaf.where] = Field(leaf.where, leaf.form, leaf.unit, leaf.name)
        known.forms[leaf.form] += 1
        known.renamed |= known.name != leaf.name
        known.unit = leaf.unit or known.unit
        if leaf.is_number and leaf.text:
            known.writing = known.writing.and_of(leaf)
        if not leaf.is_number and leaf.form != "time":
            _word(known, leaf.text)
            if not message.retained:
                _beat(known, message.at_ms)
        elif message.retained:
            known.retained = leaf.text or repr(leaf.number)
        else:
            _number(known, leaf.number, message.at_ms)
            known.late_ms = None if leaf.stamp_s is None else message.at_ms - leaf.stamp_s * 1000
            self._thin(known)

    def _thin(self, of: Field) -> None:
        """Every second point goes where there are too many."""
        most = max(LEAST_POINTS, min(FIELD_POINTS, MOST_POINTS // max(1, self.fields)))
        if len(of.values) > most:
            of.every *= 2
            of.at_ms, of.values, of.taken, of.given = of.at_ms[::2], of.values[::2], of.taken[::2], of.given[::2]


def is_metadata(topic: str) -> bool:
    """Whether a convention describes something by that topic."""
    return topic.rpartition("/")[2].startswith("$")


def _word(of: Field, text: str) -> None:
    if text in of.words or len(of.words) < MOST_WORDS:
        of.words[text] += 1
    else:
        of.other_words += 1


def _beat(of: Field, at_ms: int) -> None:
    if of.count:
        gap_ms = at_ms - of.last_ms
        of.longest_gap_ms = max(of.longest_gap_ms, gap_ms)
        if len(of.gaps_ms) < MOST_GAPS:
            of.gaps_ms.append(gap_ms)
    of.count += 1
    of.last_ms = at_ms


def _number(of: Field, value: float, at_ms: int) -> None:
    if of.count:
        of.rises += value > of.last
        of.falls += value < of.last
        passed_vh = of.last * (at_ms - of.last_ms) / 3_600_000
        of.taken_vh += max(0.0, passed_vh)
        of.given_vh += max(0.0, -passed_vh)
        of.low, of.high = min(of.low, value), max(of.high, value)
    else:
        of.low = of.high = of.first = value
    _beat(of, at_ms)
    of.last = value
    of.whole += value == int(value)
    of.negative += value < 0
    if of.count % of.every == 0:
        of.at_ms.append(at_ms)
        of.values.append(value)
        of.taken.append(of.taken_vh)
        of.given.append(of.given_vh)
