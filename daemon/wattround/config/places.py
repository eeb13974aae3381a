"""Which meter stands where: nesting as it is written, and the places of meters that are parts of computed ones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple


class Recipe(NamedTuple):
    """What a computed meter is: `multiple` x (the sum of some meters, less others), which may be computed too."""

    sum_of: tuple[str, ...]
    less: tuple[str, ...] = ()
    multiple: float = 1.0


class Places:
    """The place of each meter in the tree.

    `above` is what each stands in. The parts of a computed meter that have no place of their own stand in it, listed
    in `parts`, and count with it. A computed meter without a place whose parts have one only gathers them: it is
    `aside` and counts nowhere. Sources (`kinds`: supply, generation, storage) are never aside.
    """

    def __init__(
        self, within: Mapping[str, str | None], recipes: Mapping[str, Recipe], kinds: Mapping[str, str]
    ) -> None:
        self.names = dict.fromkeys(within)
        self.recipes = recipes
        self.above: dict[str, str] = {
            name: parent for name, parent in within.items() if parent is not None and parent in within
        }
        self.parts: dict[str, list[str]] = {name: [] for name in recipes}
        self.aside: list[str] = []
        self._kinds = kinds
        settled = [name for name in recipes if name in self.above or name in kinds]
        for name in settled:
            self._take(name)
        for name in recipes:
            if name in settled or name in self.above:
                continue
            if recipes[name].less or any(part in self.above for part in recipes[name].sum_of):
                self.aside.append(name)
            else:
                self._take(name)

    def _take(self, name: str) -> None:
        around = {name, *self.ancestors(name)}
        for part in (*self.recipes[name].sum_of, *self.recipes[name].less):
            alike = part not in self._kinds or self._kinds[part] == self._kinds.get(name)
            if alike and part in self.names and part not in self.above and part not in around:
                self.above[part] = name
                self.parts[name].append(part)

    def ancestors(self, name: str) -> Iterator[str]:
        """What a meter stands in, from the inside out."""
        seen = {name}
        while (parent := self.above.get(name)) is not None and parent not in seen:
            seen.add(parent)
            yield parent
            name = parent

    def children(self) -> dict[str | None, list[str]]:
        """Those that count within each meter; within None: the outermost."""
        found: dict[str | None, list[str]] = {None: [], **{name: [] for name in self.names}}
        for name in self.names:
            parent = self.above.get(name)
            if name not in self.aside and name not in self.parts.get(parent or "", ()):
                found[parent].append(name)
        return found


def twice(places: Places) -> Iterator[tuple[str, str, str, str | None]]:
    """Meters that count twice somewhere: the meter, the two that count it, and what both stand in.

    Two that stand side by side must have nothing in common. What a meter holds is its own rest and what is measured
    within it; what a computed one holds is what its parts hold.
    """
    if not places.recipes:
        return
    held = _Held(places)
    for parent, children in places.children().items():
        counted: dict[str, float] = {}
        by: dict[str, str] = {}
        for child in children:
            for atom, times in held.by(child).items():
                counted[atom] = counted.get(atom, 0.0) + times
                if counted[atom] > 1 and times > 0:
                    yield atom, by.get(atom, child), child, parent
                    break
                if times > 0:
                    by.setdefault(atom, child)


class _Held:
    """How often each measured meter's own rest is in a meter. There are no loops: those are found before."""

    def __init__(self, places: Places) -> None:
        self._recipes = places.recipes
        self._known: dict[str, dict[str, float]] = {}
        self._inside: dict[str, list[str]] = {name: [] for name in places.names}
        for name in places.names:
            if name not in places.recipes:
                nearest = next((each for each in places.ancestors(name) if each not in places.recipes), None)
                if nearest is not None:
                    self._inside[nearest].append(name)

    def by(self, name: str) -> dict[str, float]:
        if name not in self._known:
            recipe = self._recipes.get(name)
            if recipe is None:
                found, pairs = {name: 1.0}, [(each, 1.0) for each in self._inside.get(name, ())]
            else:
                found, pairs = {}, [*((part, 1.0) for part in recipe.sum_of), *((part, -1.0) for part in recipe.less)]
            for part, sign in pairs:
                for atom, times in self.by(part).items():
                    found[atom] = found.get(atom, 0.0) + sign * times
            self._known[name] = found
        return self._known[name]
