"""Hours in which the meters within another have more than it, beyond what their accuracy allows."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import NamedTuple

from wattround.analysis.evidence import Evidence

ENOUGH_HOURS = 24
BAD_HOURS = 5
BAD_WH = 20.0
SKEW_H = 1 / 60
"""Meters that are read at other seconds than their parent may be a minute apart at an hour's ends."""
SOLVES = 0.9


class Excess(NamedTuple):
    """Such hours, of how many; their excess and what would have been allowed; the child that explains most of them."""

    hours: tuple[int, ...]
    looked_at: int
    over_wh: float
    allowed_wh: float
    culprit: str | None
    solved: float


def excess(of: Evidence, parent: str, children: Sequence[str]) -> Excess | None:
    """What there is of it; None on too few hours that all of them cover."""
    whole = [
        at for at in range(len(of.net[parent])) if not any(isnan(of.net[name][at]) for name in (parent, *children))
    ]
    if len(whole) < ENOUGH_HOURS or not children:
        return None
    over: dict[int, float] = {}
    allowed = 0.0
    for at in whole:
        beyond = sum(of.tree.sign(name) * of.net[name][at] for name in children) - of.net[parent][at]
        room = _room_wh(of, parent, children, at) if beyond > 0 else 0.0
        if beyond > room > 0:
            over[at] = beyond
            allowed += room
    days = {at // 24 for at in over}
    total = sum(over.values())
    if len(over) < BAD_HOURS or total - allowed < BAD_WH or len(days) < 2:
        return Excess((), len(whole), 0.0, 0.0, None, 0.0)
    culprit, solved = _culprit(of, parent, children, over)
    return Excess(tuple(over), len(whole), total, allowed, culprit, solved)


def _room_wh(of: Evidence, parent: str, children: Sequence[str], at: int) -> float:
    skew = sum(abs(of.peak[name][at]) for name in children if not isnan(of.peak[name][at])) * SKEW_H
    return 1.0 + skew + of.allowed_wh((parent, *children), at)


def _culprit(of: Evidence, parent: str, children: Sequence[str], over: dict[int, float]) -> tuple[str | None, float]:
    """The child without which the rest fits, if there is one; of several the one that has most energy there."""
    found: list[tuple[float, float, str]] = []
    for name in children:
        rest = [each for each in children if each != name]
        fits = sum(
            beyond - of.tree.sign(name) * of.net[name][at] <= _room_wh(of, parent, rest, at)
            for at, beyond in over.items()
        )
        if fits >= SOLVES * len(over):
            alone = sum(of.net[name][at] > of.net[parent][at] + _room_wh(of, parent, [name], at) for at in over)
            found.append((alone, sum(of.net[name][at] for at in over), name))
    if not found:
        return None, 0.0
    _, _, name = max(found)
    rest = [each for each in children if each != name]
    solved = sum(
        beyond - of.tree.sign(name) * of.net[name][at] <= _room_wh(of, parent, rest, at) for at, beyond in over.items()
    )
    return name, solved / len(over)
