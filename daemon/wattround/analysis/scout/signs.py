"""Facts that are no meter's: who is home, contacts, motion, temperatures, and whether a source is there at all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Literal, NamedTuple

from wattround.analysis.scout.heard import Field, Topic
from wattround.analysis.scout.homie import GONE, Property
from wattround.analysis.scout.recognise import OURS, Value
from wattround.analysis.scout.words import words_of

Kind = Literal["presence", "contact", "motion", "temperature", "availability"]
_HOME, _AWAY = {"home", "at_home", "at home"}, {"not_home", "away", "not home", "gone", "out"}
_OPEN, _CLOSED = {"open", "opened"}, {"closed", "close", "shut"}
_MOTION, _CLEAR = {"motion", "detected", "movement"}, {"clear", "no_motion", "no motion", "none", "idle"}
_THERE = {"online", "available", "connected", "alive", "reachable"}
_NOT_THERE = {"offline", "unavailable", "disconnected", "dead", "unreachable", "lost"}
_YES, _NO = {"true", "on", "yes", "1", "present", "in"}, {"false", "off", "no", "0", "absent", "out"}
_PLACES: Mapping[Kind, frozenset[str]] = {
    "presence": frozenset({"person", "people", "presence", "phone", "resident", "residents", "family", "persons"}),
    "contact": frozenset({"contact", "door", "window", "gate", "lid", "tür", "fenster", "puerta", "ventana"}),
    "motion": frozenset({"motion", "pir", "movement", "occupancy"}),
    "availability": frozenset(
        {"online", "available", "availability", "connected", "reachable", "alive", "lwt", "connection", "status"}
    ),
}
_SETS: tuple[tuple[Kind, set[str], set[str]], ...] = (
    ("presence", _HOME, _AWAY), ("availability", _THERE, _NOT_THERE), ("contact", _OPEN, _CLOSED),
    ("motion", _MOTION, _CLEAR),
)  # fmt: skip


class Sign(NamedTuple):
    """A fact and where it is said. `words` are those heard that say yes (home, open, motion) or, of availability, no.

    `sure`: its words mean nothing else.
    """

    kind: Kind
    topic: str
    pointer: str | None
    words: tuple[str, ...]
    sure: bool
    own: tuple[str, ...] = ()


def signs(topics: Mapping[str, Topic], found: Iterable[Value]) -> Iterator[Sign]:
    """Everything of the kind."""
    for value in found:
        topic, of = topics[value.topic], value.of
        if of.where.way not in ("plain", "pointer") or (not topic.live and not topic.retained):
            continue
        pointer = of.where.at if of.where.way == "pointer" else None
        if value.quantity == "temperature" and of.is_number and of.form == "number":
            yield Sign("temperature", value.topic, pointer, (), value.stated is not None, value.own)
        elif not value.is_wanted and value.refused != OURS and (told := _told(of, value.segments)) is not None:
            kind, words, sure = told
            yield Sign(kind, value.topic, pointer, words, sure, value.own)


def _told(of: Field, segments: tuple[str, ...]) -> tuple[Kind, tuple[str, ...], bool] | None:
    heard = set(of.words)
    if not heard or of.other_words:
        return None
    lower = {word.lower() for word in heard}
    for kind, yes, no in _SETS:
        if lower <= yes | no:
            wanted = no if kind == "availability" else yes
            return kind, _kept(heard, wanted, yes if kind == "availability" else no), True
    if lower <= _YES | _NO:
        return _by_name(heard, segments)
    return None


def _kept(heard: set[str], wanted: set[str], others: set[str]) -> tuple[str, ...]:
    """The words wanted that were heard; if none was, the opposite of what was heard."""
    found = sorted(word for word in heard if word.lower() in wanted)
    if found:
        return tuple(found)
    other = next(iter(sorted(heard)))
    pairs = {"online": "offline", "available": "unavailable", "connected": "disconnected", "alive": "dead"}
    opposite = pairs.get(other.lower()) or _opposite(other.lower(), wanted, others)
    return (opposite.upper() if other.isupper() else opposite.title() if other.istitle() else opposite,)


def _opposite(word: str, wanted: set[str], others: set[str]) -> str:
    usual = {"true": "false", "on": "off", "yes": "no", "1": "0", "present": "absent", "in": "out", "away": "home"}
    turned = {other: each for each, other in usual.items()}
    fixed = {"not_home": "home", "closed": "open", "clear": "motion", "reachable": "unreachable"}
    for table in (fixed, usual, turned):
        if table.get(word) in wanted:
            return table[word]
    return min(wanted - others)


def _by_name(heard: set[str], segments: tuple[str, ...]) -> tuple[Kind, tuple[str, ...], bool] | None:
    """Yes and no mean what the innermost level says that means something."""
    for segment in reversed(segments):
        words = set(words_of(segment))
        for kind, names in _PLACES.items():
            if words & names:
                wanted, others = (_NO, _YES) if kind == "availability" else (_YES, _NO)
                return kind, _kept(heard, wanted, others), False
    return None


def homie_states(topics: Mapping[str, Topic], described: Mapping[str, Property]) -> Iterator[tuple[str, Sign]]:
    """The state of a device, by the topics of its values."""
    for topic, prop in described.items():
        if prop.state_topic in topics:
            yield topic, Sign("availability", prop.state_topic, None, GONE, True)
