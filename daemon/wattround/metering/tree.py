"""Nesting: which meter is within which, and what a meter measured beyond those within it."""

from __future__ import annotations

from collections.abc import Collection, Container, Iterator, Mapping
from typing import NamedTuple

from wattround.config.places import Places, Recipe
from wattround.metering.minute import MINUTE_MS, Minute


class Tree:
    """Parents and children of a house's meters; the order is that of the settings.

    `children` are those that count within a meter, so that each watt-hour counts once. `parts` and `aside`: see
    `Places`.
    """

    def __init__(
        self,
        within: Mapping[str, str | None],
        generators: Container[str] = (),
        storages: Container[str] = (),
        supplies: Container[str] = (),
        recipes: Mapping[str, Recipe] | None = None,
    ) -> None:
        self.generators = {name for name in within if name in generators}
        self.storages = {name for name in within if name in storages}
        self.supplies = {name for name in within if name in supplies}
        sets = {"generation": self.generators, "storage": self.storages, "supply": self.supplies}
        self._places = Places(within, recipes or {}, {name: kind for kind, names in sets.items() for name in names})
        self.parts, self.aside = self._places.parts, self._places.aside
        children = self._places.children()
        self.roots = children.pop(None)
        self.children: dict[str, list[str]] = {name: found for name, found in children.items() if name is not None}

    def ancestors(self, name: str) -> Iterator[str]:
        """What a meter is within, from the inside out."""
        return self._places.ancestors(name)

    def walk(self) -> list[tuple[int, str]]:
        """Every meter once, parents before their children, with its depth; those that stand aside come last."""
        found: list[tuple[int, str]] = []

        def visit(name: str, depth: int) -> None:
            found.append((depth, name))
            for child in (*self.parts.get(name, ()), *self.children[name]):
                visit(child, depth + 1)

        for root in (*self.roots, *self.aside):
            visit(root, 0)
        return found

    def sign(self, child: str) -> int:
        """Which way a meter within another counts: a generator delivers what the others draw."""
        return -1 if child in self.generators else 1


class Remainder(NamedTuple):
    """Net energy (in less out) that a meter measured beyond those within it, in one fully covered minute.

    A generator within it delivers what the others draw, so what it generated is added to what the parent measured.

    Negative where the children exceed the parent: a finding for a person, not something to hide.
    """

    minute: int
    net_uwh: int


class Rest(NamedTuple):
    """The same over a stretch of time: net microwatt-hours of so many minutes that all of them cover."""

    net_uwh: int
    minutes: int


def remainder(tree: Tree, parent: str, rows: Mapping[str, Minute]) -> Remainder | None:
    """The remainder of one minute, of which `rows` has the meters; None unless parent and children cover all of it."""
    found = [rows.get(name) for name in (parent, *tree.children[parent])]
    whole = [row for row in found if row is not None and row.covered_ms >= MINUTE_MS]
    if len(whole) < len(found):
        return None
    net = {row.meter: row.in_uwh - row.out_uwh for row in whole}
    within = sum(tree.sign(name) * net[name] for name in tree.children[parent])
    return Remainder(whole[0].minute, net[parent] - within)


def signed(tree: Tree, parent: str) -> dict[str, int]:
    """How a parent and those within it add up to its remainder: +1 or -1 for the net energy of each."""
    return {parent: 1, **{child: -tree.sign(child) for child in tree.children[parent]}}


def parents(tree: Tree, names: Collection[str] | None = None) -> list[str]:
    """Meters that have others within them, in the order of the tree."""
    return [name for _, name in tree.walk() if tree.children[name] and (names is None or name in names)]
