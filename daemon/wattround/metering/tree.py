"""Nesting: which meter is within which, and what a meter measured beyond those within it."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import NamedTuple

from wattround.metering.minute import MINUTE_MS, Minute


class Tree:
    """Parents and children of a house's meters; the order is that of the settings."""

    def __init__(self, within: Mapping[str, str | None], generators: Container[str] = ()) -> None:
        self.generators = {name for name in within if name in generators}
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
    """Net energy (in less out) that a meter measured beyond those within it, in one fully covered minute.

    A generator within it delivers what the others draw, so what it generated is added to what the parent measured.

    Negative where the children exceed the parent: a finding for a person, not something to hide.
    """

    minute: int
    net_uwh: int


def remainder(tree: Tree, parent: str, rows: Mapping[str, Minute]) -> Remainder | None:
    """The remainder of one minute, of which `rows` has the meters; None unless parent and children cover all of it."""
    found = [rows.get(name) for name in (parent, *tree.children[parent])]
    whole = [row for row in found if row is not None and row.covered_ms >= MINUTE_MS]
    if len(whole) < len(found):
        return None
    net = {row.meter: row.in_uwh - row.out_uwh for row in whole}
    within = sum(-net[name] if name in tree.generators else net[name] for name in tree.children[parent])
    return Remainder(whole[0].minute, net[parent] - within)
