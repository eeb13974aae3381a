"""From what was heard to what is proposed: all steps, one after the other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from wattround.analysis.scout.capture import Edge, Message
from wattround.analysis.scout.grouping import Group, grouped
from wattround.analysis.scout.heard import Heard
from wattround.analysis.scout.homie import properties
from wattround.analysis.scout.leftout import LeftOut, left_out
from wattround.analysis.scout.meters import Found, meters
from wattround.analysis.scout.recognise import Value, values
from wattround.analysis.scout.settle import settle
from wattround.analysis.scout.signs import Sign, homie_states, signs
from wattround.analysis.scout.tree import Wiring

BRACES = "a topic with braces in it, which the settings keep for captured levels"


@dataclass(slots=True)
class Scouted:
    """What a broker has: meters in groups and alone, those that are only guessed, other facts, and what is left."""

    heard: Heard
    values: list[Value]
    groups: list[Group] = field(default_factory=list)
    alone: list[Found] = field(default_factory=list)
    maybe: list[Found] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    wiring: Wiring | None = None

    @property
    def meters(self) -> list[Found]:
        """Every meter that stands in the draft."""
        return [*(made for group in self.groups for made in group.members), *self.alone]


def scouted(found: Iterable[Message | Edge]) -> Scouted:
    """Recognise what there is in a recording."""
    heard = Heard.of(found)
    described = properties(heard.topics)
    known = values(heard.topics, described)
    pairs = settle(known)
    facts = list(signs(heard.topics, known))
    by_topic = dict(homie_states(heard.topics, described))
    gone = [sign for sign in facts if sign.kind == "availability"]
    made = meters(known, pairs, heard.topics, gone)
    for each in made.found:
        each.gone = by_topic.get(each.main.topic, each.gone)
    into = Scouted(heard, known)
    usable = list(_usable(made.found, made.left_out))
    into.maybe = [each for each in usable if each.main.surety == "open"]
    into.groups, into.alone = grouped([each for each in usable if each.main.surety != "open"])
    used = {each.gone for each in usable}
    into.signs = [sign for sign in facts if sign.kind != "availability" and not _has_braces(sign.topic)]
    stamps = {(value.topic, each.stamp.pointer) for each in usable if each.stamp for value in each.values}
    taken = {(sign.topic, sign.pointer or "") for sign in facts if sign in used or sign in into.signs}
    into.left_out = left_out(heard, known, made.left_out, taken | stamps)
    return into


def _usable(found: Sequence[Found], refused: list[tuple[Value, str]]) -> Iterator[Found]:
    """Meters that can be written down: without doubtful registers beside sure powers, and without braces."""
    for made in found:
        if made.power is not None and made.counter is not None and made.counter.surety == "open":
            refused.append((made.counter, "beside a power, and not sure what it is"))
            made.counter = None
        if any(_has_braces(value.topic) for value in made.values):
            refused += [(value, BRACES) for value in made.values]
        else:
            yield made


def _has_braces(topic: str) -> bool:
    return "{" in topic or "}" in topic
