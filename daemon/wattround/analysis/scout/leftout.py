"""What is not in the draft, and why: nothing that was heard goes unmentioned."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from wattround.analysis.scout.heard import Heard, Topic
from wattround.analysis.scout.recognise import OURS, Value, is_ours

MOST_EXAMPLES = 3


class LeftOut(NamedTuple):
    """So many values or topics for one reason, with some of them by name. `ours` were recognised all the same."""

    reason: str
    number: int
    examples: tuple[str, ...]
    recognised: bool


def left_out(
    heard: Heard, found: Sequence[Value], refused: Iterable[tuple[Value, str]], taken: Collection[tuple[str, str]]
) -> list[LeftOut]:
    """By reason: first what is power or energy all the same, then the rest, most first.

    `taken`: other values that are in the draft, by topic and place.
    """
    wanted: dict[str, list[str]] = defaultdict(list)
    for value, reason in refused:
        unit = value.unit.name if value.unit else "?"
        wanted[f"{value.quantity} in {unit}, but {reason}"].append(place(value))
    others: dict[str, list[str]] = defaultdict(list)
    for value in found:
        if (value.topic, value.of.where.at) not in taken and not (value.is_wanted and value.of.is_number):
            others[_why(value)].append(place(value))
    for topic in heard.topics.values():
        if (not topic.fields and not topic.is_counted) or topic.name.rpartition("/")[2].startswith("$"):
            others[_why_topic(topic)].append(topic.name)
    rows = [LeftOut(reason, len(names), tuple(names[:MOST_EXAMPLES]), True) for reason, names in wanted.items()]
    for reason, names in sorted(others.items(), key=lambda item: -len(item[1])):
        rows.append(LeftOut(reason, len(names), tuple(names[:MOST_EXAMPLES]), False))
    rows += [LeftOut(reason, count, (), False) for reason, count in heard.beyond.items()]
    return rows


def place(value: Value) -> str:
    """Where a value is, as a person reads it."""
    at = value.of.where.at
    return f"{value.topic} {at}" if at else value.topic


def _why(value: Value) -> str:
    if value.refused:
        return value.refused
    if value.quantity in ("", "either"):
        words = "a number, but neither its name nor its unit nor what it does says of what"
        return words if value.of.is_number else "words that are nobody's presence and no contact"
    return value.quantity


def _why_topic(topic: Topic) -> str:
    if is_ours(topic.name):
        return OURS
    if topic.name.rpartition("/")[2].startswith("$"):
        return "what devices say of themselves"
    return "empty payloads" if topic.kinds["empty"] else "longer texts"
