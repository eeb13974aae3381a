"""What else the moves say of meters: turned, halved, doubled, twice there, two legs of one load, sums of others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from math import isnan
from typing import NamedTuple

from wattround.analysis.scout.links import ENOUGH_HITS, Link
from wattround.analysis.scout.tree import Wiring
from wattround.analysis.steps import AGREE
from wattround.ledger.survey import Series
from wattround.metering.accuracy import UNKNOWN_PERCENT

ENOUGH_BINS = 60
FLOOR_W = 2.0
MOST = 0.75
HALF = "it reads half of what there is: one leg of two"
DOUBLE = "it reads double what there is"
BACKWARDS = "it reads backwards"


class Note(NamedTuple):
    """What was seen of some meters, the figures, and what to write, if that is known."""

    meters: tuple[str, ...]
    says: str
    shown: str
    fix: str


def notes(series: Mapping[str, Series], roles: Mapping[str, str], wiring: Wiring) -> Iterator[Note]:
    """All of it; only what rests on moves that cannot be chance, or on energies of an hour and more."""
    yield from _twins(wiring)
    yield from _ratios(series, roles, wiring)
    for parent in series:
        yield from _sum(series, wiring, parent)


def _moved(link: Link) -> str:
    return (
        f"when {link.part} moved, {link.whole} moved {link.ratio:.2f} times as far"
        f" ({link.hits} of {link.looked} moves; {link.expected:.1f} by chance)"
    )


# -- pairs ------------------------------------------------------------------------------------------


def _twins(wiring: Wiring) -> Iterator[Note]:
    for one, other in wiring.twins:
        links = [wiring.places[name].link for name in (one, other)]
        twice = [link for link in links if link is not None and link.times == 2.0]
        if twice:
            fix = f'sum_of = ["{one}", "{other}"] in an entry of its own, within {twice[0].whole}'
            yield Note((one, other), "two legs of one load", _moved(twice[0]), fix)
            continue
        known = [link for link in links if link is not None and link.times == 1.0 and link.hits >= ENOUGH_HITS]
        if known:
            says = "one repeats the other, or is all that there is on it"
            yield Note((one, other), says, _moved(known[0]), f"leave out {other}, or put one within the other")
        else:
            says = "two legs of one load, or one repeats the other, or two loads that always run together"
            yield Note((one, other), says, "each moves when the other does, and as far", "")


# -- ratios -----------------------------------------------------------------------------------------


def _ratios(series: Mapping[str, Series], roles: Mapping[str, str], wiring: Wiring) -> Iterator[Note]:
    """From the outside in: by what each must be multiplied, given what is around it must be."""
    factors = {name: 1.0 for name, place in wiring.places.items() if place.parent is None}
    waiting = list(factors)
    paired = {name for pair in wiring.twins for name in pair}
    while waiting:
        parent = waiting.pop(0)
        children = wiring.children(parent)
        links = {
            name: link for name in children
            if (link := wiring.places[name].link) is not None
            and wiring.places[name].surety == "sure" and link.hits >= AGREE * link.looked
        }  # fmt: skip
        own = {name: link for name, link in links.items() if roles.get(name) != "generation" and name not in paired}
        kind = _kind_of_most(own.values())
        if kind != 1.0 and wiring.places[parent].parent is None:
            yield _of_all(parent, [link for link in own.values() if link.times == kind])
            factors[parent] = 1 / kind
        for name in children:
            right = -1.0 if roles.get(name) == "generation" else 1.0
            times = links[name].times * right if name in links and name not in paired else 1 / factors[parent]
            factors[name] = times * factors[parent]
            if factors[name] != 1.0:
                doubtful = wiring.places[parent].surety not in ("sure", "top")
                yield _one_of_two(links[name]) if doubtful else _wrong(series, roles, links[name], factors[name])
        waiting += children


def _kind_of_most(links: Collection[Link]) -> float:
    """The ratio that nearly all of several have in common, else 1."""
    kind, count = max(Counter(link.times for link in links).items(), key=lambda item: item[1], default=(1.0, 0))
    return kind if count > 1 and count >= MOST * len(links) else 1.0


def _of_all(parent: str, links: list[Link]) -> Note:
    best = max(links, key=lambda link: link.hits)
    shown = f"{_moved(best)}, and so it does with {len(links) - 1} more within it"
    if best.times < 0:
        return Note((parent,), BACKWARDS, shown, "sign = -1")
    return Note((parent,), HALF if best.times < 1 else DOUBLE, shown, f"factor = {1 / best.times!r}")


def _one_of_two(link: Link) -> Note:
    """What is around the outer one is not known, so either may be right."""
    says = "one of the two is turned" if link.times < 0 else "one of the two reads half or double what there is"
    return Note((link.part, link.whole), says, _moved(link), "")


def _wrong(series: Mapping[str, Series], roles: Mapping[str, str], link: Link, factor: float) -> Note:
    name, shown = link.part, _moved(link)
    if factor > 0:
        return Note((name,), HALF if factor > 1 else DOUBLE, shown, f"factor = {factor!r}")
    known = sum(value for value in series[name] if not isnan(value))
    if known > 0 and roles.get(name) != "generation":
        fix = 'role = "generation" if it generates, else sign = -1'
        return Note((name,), "it generates, or its clamp sits the wrong way round", shown, fix)
    return Note((name,), BACKWARDS, shown, "sign = -1")


# -- sums -------------------------------------------------------------------------------------------


def _sum(series: Mapping[str, Series], wiring: Wiring, parent: str) -> Iterator[Note]:
    """A meter that has nothing beyond those within it."""
    parts = [name for name in wiring.children(parent) if wiring.places[name].surety == "sure"]
    if len(parts) < 2:
        return
    times = {name: link.times for name in parts if (link := wiring.places[name].link) is not None}
    total = rest = off = 0.0
    bins = 0
    for at, whole in enumerate(series[parent]):
        left = whole - sum(times[name] * series[name][at] for name in parts)
        if not isnan(left):
            bins, total, rest, off = bins + 1, total + abs(whole), rest + left, off + abs(left)
    room = UNKNOWN_PERCENT / 100 * total + FLOOR_W * bins
    if bins >= ENOUGH_BINS and abs(rest) <= room / 2 and off <= room:
        shown = f"in the mean it has {total / bins:.0f} W, and {abs(rest) / bins:.1f} W less or more than they together"
        yield Note((parent, *parts), f"all of {parent} is in {', '.join(parts)}", shown, "")
