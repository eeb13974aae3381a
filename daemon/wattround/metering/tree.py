"""Nesting: which meter is within which, and what a meter measured beyond those within it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from wattround.metering.minute import MINUTE_MS, Minute


class Tree:
    """Parents and children of a house's meters; the order is that of the settings."""

    def __init__(self, within: Mapping[str, str | None]) -> None:
        self.children: dict[str, list[str]] = {name: [] for name in within}
        self.roots: list[str] = []
        for name, parent in within.items():
            if parent in self.children and parent is not None:
                self.children[parent].append(name)
            else:
                self.roots.append(name)

    def walk(self) -> list[tuple[int, str]]:
        """Every meter once, parents before their children, with its depth."""
        found: list[tuple[int, str]] = []

        def visit(name: str, depth: int) -> None:
            found.append((depth, name))
            for child in self.children[name]:
                visit(child, depth + 1)

        for root in self.roots:
            visit(root, 0)
        return found


class Remainder(NamedTuple):
    """Net energy (in less out) that a meter measured beyond its children, in one fully covered minute.

    Negative where the children exceed the parent: a finding for a person, not something to hide.
    """

    minute: int
    net_uwh: int


def remainder(parent: Minute | None, children: list[Minute | None]) -> Remainder | None:
    """The remainder of one minute; None unless parent and every child cover all of it."""
    rows = [parent, *children]
    if any(row is None or row.covered_ms < MINUTE_MS for row in rows) or parent is None:
        return None
    within = sum(child.in_uwh - child.out_uwh for child in children if child is not None)
    return Remainder(parent.minute, parent.in_uwh - parent.out_uwh - within)
