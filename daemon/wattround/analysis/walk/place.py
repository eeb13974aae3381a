"""Which circuit a load hangs on: the deepest that moves with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple

from wattround.analysis.walk.combine import Combined
from wattround.analysis.walk.step import Step
from wattround.metering.formula import Formula
from wattround.metering.tree import Tree

AGREE = 3.0
METERS_SHARE = 0.10
"""Two meters of the same watts may be 5 % off each (the limit of those of unknown class)."""
LEAST_W = 0.5


@dataclass(frozen=True, slots=True)
class Wiring:
    """What stands where, and what computed meters are made of.

    `loads`: where something may hang: not what makes or stores, nor the legs that only count as parts of a meter.
    """

    tree: Tree
    formulas: Mapping[str, Formula]
    loads: frozenset[str]

    def above(self, name: str) -> set[str]:
        """What a meter is within."""
        return set(self.tree.ancestors(name))

    def below(self, name: str) -> set[str]:
        """What is within a meter."""
        return {each for each in self.loads if name in self.tree.ancestors(each)}

    def family(self, name: str) -> set[str]:
        """All that moves when something on this meter does, or may."""
        parts = {each for each, _ in self.formulas[name].terms} if name in self.formulas else set()
        made = {each for each, formula in self.formulas.items() if name in {part for part, _ in formula.terms}}
        return {name, *self.above(name), *self.below(name), *parts, *made}

    def with_computed(self, steps: Mapping[str, Step]) -> dict[str, Step]:
        """Steps of measured meters, and those of meters computed from them."""
        found = dict(steps)
        for name, formula in self.formulas.items():
            parts = [(steps[part], factor) for part, factor in formula.terms if part in steps]
            if len(parts) == len(formula.terms):
                watts = sum(factor * part.watts for part, factor in parts)
                u_w = sqrt(sum((factor * part.u_w) ** 2 for part, factor in parts))
                found[name] = Step(watts, u_w, min(part.dof for part, _ in parts))
        return found


class Place(NamedTuple):
    """Where a load hangs; None: nothing moved, or (`candidates`) several did. `remarks` say what does not fit.

    `doubtful`: circuits within it that may be the place as well, and are too noisy or slow to tell.
    """

    name: str | None
    candidates: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()


def place(wiring: Wiring, moved: Mapping[str, Combined]) -> Place:
    """The deepest meter that moves with the load, of all that were heard.

    A meter within another explains it if it moves as far. If several within one move, and together as far as it, the
    load hangs on all of them (two legs): then it is that one.
    """
    clear = {
        name: found for name, found in moved.items()
        if name in wiring.loads and found.is_clear and found.watts > LEAST_W
    }  # fmt: skip
    ends = [
        name for name, own in clear.items()
        if not any(_agree(own, clear[each]) for each in wiring.below(name) & clear.keys())
    ]  # fmt: skip
    ends = [name for name in ends if name not in wiring.tree.aside or len(ends) == 1]
    tops = [name for name in ends if not wiring.above(name) & set(ends)]
    if not tops:
        return Place(None)
    if len(tops) > 1:
        return Place(None, tuple(sorted(tops, key=lambda name: -clear[name].watts)))
    (top,) = tops
    inside = [name for name in ends if name != top]
    if not inside:
        doubtful = tuple(
            name for name in sorted(wiring.below(top) & moved.keys() - clear.keys()) if _agree(moved[name], clear[top])
        )
        return Place(top, (), tuple(_silent(wiring, moved, clear, top)), doubtful)
    deepest = [name for name in inside if not wiring.below(name) & set(inside)]
    if len(deepest) > 1:
        shown = ", ".join(f"{name} {clear[name].watts:.0f} W" for name in deepest)
        return Place(top, (), (f"it is on several circuits: {shown}",))
    (only,) = deepest
    remark = (
        f"{top} moved {clear[top].watts / clear[only].watts:.1f} times as far as {only}: one of the two is wrong, or"
        " reads one leg of two (wattround check --history)"
    )
    return Place(only, (), (remark,))


def _agree(one: Combined, other: Combined) -> bool:
    room = AGREE * sqrt(one.u_w**2 + other.u_w**2) + METERS_SHARE * max(abs(one.watts), abs(other.watts))
    return abs(one.watts - other.watts) <= room


def _silent(wiring: Wiring, moved: Mapping[str, Combined], clear: Mapping[str, Combined], top: str) -> Sequence[str]:
    """Meters around it that should have moved, and were quiet enough to tell that they did not."""
    own = clear[top]
    return [
        f"{name} is said to be around it, but did not move: is the tree right?"
        for name in wiring.above(top)
        if name in moved and name not in clear and not wiring.tree.storages and not _agree(moved[name], own)
        and moved[name].u_w < own.watts / 6
    ]  # fmt: skip
