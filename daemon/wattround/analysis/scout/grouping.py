"""Meters whose topics differ in one level only become one entry with that level captured."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from wattround.analysis.scout.meters import Found
from wattround.config.kinds import placeholder

ENOUGH = 3
"""Meters that are worth a pattern."""
DEFAULT_AT_MOST = 64


class Group(NamedTuple):
    """Meters that one pattern feeds: what stands in the place of their level, and where that is."""

    word: str
    level: int
    members: tuple[Found, ...]

    def open(self, topic: str) -> str:
        """A topic with its level captured."""
        levels = topic.split("/")
        levels[self.level] = f"{{{self.word}}}"
        return "/".join(levels)


def grouped(found: Sequence[Found]) -> tuple[list[Group], list[Found]]:
    """The groups, the largest first, and the meters that remain alone.

    The names of captured meters are the levels of their topics; no two meters may come to have the same.
    """
    by_shape: dict[tuple[int, tuple[object, ...]], list[Found]] = defaultdict(list)
    for made in found:
        for level in range(len(made.main.topic.split("/"))):
            shape = _shape(made, level)
            if shape is not None:
                by_shape[level, shape].append(made)
    groups: list[Group] = []
    left = list(found)
    for (level, _), alike in sorted(by_shape.items(), key=lambda item: -len(item[1])):
        members = [made for made in alike if any(made is other for other in left)]
        if len(members) < ENOUGH:
            continue
        names = [_level(made, level) for made in members]
        others = {made.name for made in left if not any(made is member for member in members)}
        others |= {member.name for group in groups for member in group.members}
        if len(set(names)) < len(names) or set(names) & others:
            continue
        for made, name in zip(members, names, strict=True):
            made.name = name
        word = _word(members[0].main.topic, level)
        alike_words = sum(group.word.rstrip("0123456789-") == word for group in groups)
        groups.append(Group(f"{word}-{alike_words + 1}" if alike_words else word, level, tuple(members)))
        left = [made for made in left if not any(made is member for member in members)]
    return groups, left


def _level(made: Found, level: int) -> str:
    return made.main.topic.split("/")[level]


def _shape(made: Found, level: int) -> tuple[object, ...] | None:
    """All that must be the same for one entry to feed several meters; None where that level cannot be captured."""
    name = _level(made, level)
    if not _may_be_name(name):
        return None
    parts: list[object] = [made.role if made.role == "appliance" else "", made.sign]
    for value in (made.power, made.counter):
        if value is None:
            parts.append(None)
            continue
        rest = _without(value.topic, level, name)
        if rest is None or value.of.where.way == "senml":
            return None
        writing = value.of.writing
        parts.append((rest, value.of.where, value.unit, writing.behind, bool(writing.after_comma)))
    parts.append(None if made.stamp is None else made.stamp[:2])
    if made.gone is not None:
        rest = _without(made.gone.topic, level, name)
        if rest is None:
            return None
        parts.append((rest, made.gone.pointer))
    return tuple(parts)


def _may_be_name(name: str) -> bool:
    plain = 0 < len(name) <= 64 and name.isprintable() and not set(name) & set('+#{}\\"')
    return plain and placeholder(name) is None


def _without(topic: str, level: int, name: str) -> str | None:
    levels = topic.split("/")
    if level >= len(levels) or levels[level] != name:
        return None
    return "/".join([*levels[:level], "+", *levels[level + 1 :]])


def _word(topic: str, level: int) -> str:
    """What to call the level: one of what the level before it is many of."""
    before = topic.split("/")[level - 1].lower() if level else ""
    plural = before.isascii() and before.isalpha() and before.endswith("s") and not before.endswith("ss")
    return before[:-1] if plural and len(before) > 3 else "meter"
