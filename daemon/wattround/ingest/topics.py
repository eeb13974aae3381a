"""Topic filters after MQTT 3.1.1 and 5.0, section 4.7, in a trie: a look-up costs the topic's levels only."""

from __future__ import annotations

from typing import Generic, TypeVar

T = TypeVar("T")


def filter_fault(topic_filter: str) -> str | None:
    """Why a filter is not valid, or None."""
    if not topic_filter:
        return "empty"
    levels = topic_filter.split("/")
    for index, level in enumerate(levels):
        if "#" in level and (level != "#" or index != len(levels) - 1):
            return "# stands alone and last"
        if "+" in level and level != "+":
            return "+ stands alone in its level"
    return None


class _Node(Generic[T]):
    __slots__ = ("below", "here", "rest")

    def __init__(self) -> None:
        self.below: dict[str, _Node[T]] = {}
        self.here: list[T] = []
        self.rest: list[T] = []


class FilterTrie(Generic[T]):
    """Values filed under topic filters."""

    def __init__(self) -> None:
        self._root: _Node[T] = _Node()

    def add(self, topic_filter: str, value: T) -> None:
        """File a value.

        Raises:
            ValueError: if the filter is not valid.
        """
        if fault := filter_fault(topic_filter):
            raise ValueError(f"{topic_filter}: {fault}")
        node = self._root
        for level in topic_filter.split("/"):
            if level == "#":
                node.rest.append(value)
                return
            node = node.below.setdefault(level, _Node())
        node.here.append(value)

    def match(self, topic: str) -> list[T]:
        """Values of every filter that matches a topic name."""
        found: list[T] = []
        levels = topic.split("/")
        # 4.7.2: a filter that starts with a wildcard does not match topics that start with $
        wild_first = not topic.startswith("$")
        nodes: list[_Node[T]] = [self._root]
        for index, level in enumerate(levels):
            wild = index > 0 or wild_first
            following: list[_Node[T]] = []
            for node in nodes:
                if wild:
                    found += node.rest
                    if plus := node.below.get("+"):
                        following.append(plus)
                if exact := node.below.get(level):
                    following.append(exact)
            nodes = following
        for node in nodes:
            found += node.here
            found += node.rest  # "sport/#" also matches "sport"
        return found


def subscription(open_topic: str) -> str:
    """The MQTT filter of a topic with a level in braces."""
    return "/".join("+" if level.startswith("{") else level for level in open_topic.split("/"))


def captured(open_topic: str, topic: str) -> str | None:
    """What a topic has in the place of the level in braces; None where there is none."""
    for pattern, level in zip(open_topic.split("/"), topic.split("/"), strict=False):
        if pattern.startswith("{"):
            return level
    return None
