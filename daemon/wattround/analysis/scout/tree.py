"""Which meter is within which, told from how they move: the innermost of those that move along with each.

Three things are reckoned with. When a load is switched, all meters that it is within step, and by as much. What
contains a meter has at least its energy. And of two meters that contain a third, one is within the other.
What is left of a meter, once those known to be within it are taken out, is quieter: so it is looked at again.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from wattround.analysis.scout.links import ENOUGH_HITS, Link, Links
from wattround.analysis.scout.moves import Movements
from wattround.analysis.steps import KINDS
from wattround.ledger.survey import Series

ROUNDS = 2
RIVAL = 1000.0
"""Another meter so many times likelier by chance is a rival still."""
Surety = Literal["sure", "likely", "open", "top"]


class Place(NamedTuple):
    """Where a meter stands, and how surely.

    *sure*: by moves that cannot be chance, and nothing else fits. *likely*: by elimination, or where something is left
    open, see `why`. *open*: cannot be told. *top*: nothing is around it.
    """

    meter: str
    parent: str | None
    surety: Surety
    link: Link | None
    why: str = ""


@dataclass(slots=True)
class Wiring:
    """All places; the meter that the house's energy comes through, if one is that; pairs that move alike."""

    places: dict[str, Place] = field(default_factory=dict)
    supply: str | None = None
    twins: list[tuple[str, str]] = field(default_factory=list)
    moves: dict[str, int] = field(default_factory=dict)
    tests: int = 0
    limit: float = 0.0

    def children(self, parent: str) -> list[str]:
        """Those directly within a meter."""
        return [name for name, place in self.places.items() if place.parent == parent]


def infer(series: Mapping[str, Series], roles: Mapping[str, str]) -> Wiring:
    """Where each meter stands. `roles`: as far as known (supply, generation, storage, circuit, appliance)."""
    look = _Look(series, roles)
    look.place()
    for _ in range(ROUNDS):
        look.ask_what_is_left()
        look.place()
    look.place(last=True)
    return look.wiring


class _Look:
    def __init__(self, series: Mapping[str, Series], roles: Mapping[str, str]) -> None:
        self.series, self.roles = series, roles
        self.links = Links(series, roles)
        self.wiring = Wiring(moves={name: len(found) for name, found in self.links.moves.items()})
        self.wholes: dict[str, dict[str, Link]] = {}
        self.last = False
        self.wiring.supply = self._supply()

    def place(self, *, last: bool = False) -> None:
        """Where each stands by what is believed now; what the supply contradicts is only sorted out at last."""
        self.last = last
        self.wholes = self.links.believed(self.wiring.supply)
        self._turn_round()
        self.wiring.twins = list(self._untwine())
        self.wiring.places = {name: self._place(name) for name in self.series}
        self.wiring.tests, self.wiring.limit = self.links.tests, self.links.limit

    def _turn_round(self) -> None:
        """A circuit with one load on it moves as the plug of that load does: it is not for that within the plug."""
        for part in self.series:
            for whole, link in list(self.wholes[part].items()):
                if self._is_circuit_in_plug(link) and self.links.fits(whole, part, 1 / link.times):
                    del self.wholes[part][whole]

    def _is_circuit_in_plug(self, link: Link) -> bool:
        return self.roles.get(link.whole) == "appliance" and self.roles.get(link.part, "circuit") != "appliance"

    def _untwine(self) -> Iterator[tuple[str, str]]:
        """Two that each seem to be within the other: only the one that has less can be; else neither is.

        Those that move as far as each other are twins; other ratios are of loads that run together.
        """
        for one in self.series:
            for other in [name for name in self.wholes[one] if one in self.wholes[name]]:
                times = self.wholes[one][other].times
                if self._has_more(other, one, times):
                    del self.wholes[other][one]
                elif self._has_more(one, other, 1 / times):
                    del self.wholes[one][other]
                else:
                    del self.wholes[one][other], self.wholes[other][one]
                    if times == 1.0:
                        yield one, other

    def _has_more(self, outer: str, inner: str, times: float = 1.0) -> bool:
        """Whether one clearly has something beside so many times the other, or is the circuit of a plug."""
        if not self.links.fits(outer, inner, 1 / times):
            return True
        return self.roles.get(inner) == "appliance" and self.roles.get(outer, "circuit") != "appliance"

    def _supply(self) -> str | None:
        """The meter that is said to be the supply, or else one into which all others fit at all times, together too."""
        stated = [name for name, role in self.roles.items() if role == "supply" and name in self.series]
        if stated:
            return stated[0] if len(stated) == 1 else None
        means = {name: self.links.mean_w(name) for name in self.series}
        best = max(means, key=lambda name: means[name], default="")
        others = [name for name in self.series if name != best]
        if len(others) < ENOUGH_HITS:
            return None
        # plugs and their circuits have the same energy twice
        together = 2 * means[best] >= sum(means[name] for name in others)
        alone = all(self.links.fits(name, best, 1.0) and self._has_more(best, name) for name in others)
        return best if together and alone else None

    def _place(self, name: str) -> Place:
        wholes = self.wholes[name]
        if name == self.wiring.supply:
            return Place(name, None, "top", None)
        first = next((one for one, other in self.wiring.twins if other == name), None)
        if first is not None:
            return Place(name, None, "open", self._twin_link(name), f"it moves as {first} does")
        inner = [each for each in wholes if not any(self._is_inside(other, each) for other in wholes if other != each)]
        if len(inner) > 1:
            return Place(name, None, "open", None, f"it moves with {' and with '.join(sorted(inner))}")
        if inner:
            return self._proved(name, wholes[inner[0]])
        return self._hinted(name) or self._eliminated(name)

    def _twin_link(self, name: str) -> Link | None:
        """The link of one of two that move alike to what is around both: it tells legs from repeats."""
        return min(self.wholes[name].values(), key=lambda link: link.chance, default=None)

    def _is_inside(self, one: str, other: str) -> bool:
        """Of two that hold the same meter: whether `one` is within `other`."""
        if other in self.wholes[one] or other == self.wiring.supply:
            return True
        return one not in self.wholes[other] and self.links.fits(one, other, 1.0) and self._has_more(other, one)

    def _proved(self, name: str, link: Link) -> Place:
        if doubt := self._doubt(link):
            return Place(name, link.whole, "likely", link, doubt)
        between = sorted(other for other in self.series if self._may_be_between(name, other, link.whole))
        if between:
            return Place(name, link.whole, "likely", link, f"or within {', '.join(between)}, which may be in it")
        return Place(name, link.whole, "sure", link)

    def _doubt(self, link: Link) -> str:
        """What else could be behind moves that are no chance: loads that are switched together."""
        if self.roles.get(link.part) == self.roles.get(link.whole) == "appliance":
            return "or the two are switched together"
        if self._is_circuit_in_plug(link):
            return "a plug seldom holds what is no plug"
        if link.times != 1.0 and link.whole != self.wiring.supply:
            return f"it moves {link.ratio:.2f} times as far: one of them reads wrong, or the two are switched together"
        return ""

    def _may_be_between(self, name: str, other: str, whole: str) -> bool:
        """Whether a meter could stand between another and what that was found to be in."""
        if other in (name, whole, *self._twins(name), *self.wholes[name]) or not self._may_hold(other, name):
            return False
        return self._is_inside(other, whole)

    def _may_hold(self, outer: str, inner: str) -> bool:
        if outer in (inner, self.wiring.supply) or inner in self.wholes[outer] or self._has_more(inner, outer):
            return False
        return not self.links.refuted(inner, outer)

    def _hinted(self, name: str) -> Place | None:
        """What a meter moves with by too few moves for a claim, if nothing else comes near."""
        links = [
            link for link in self.links.seen.values()
            if link.part == name and link.times == 1.0 and link.hints
            and name not in self.wholes[link.whole] and not self._has_more(name, link.whole)
            and link.whole not in self._twins(name)
        ]  # fmt: skip
        best = min(links, key=lambda link: link.chance, default=None)
        if best is None or any(
            link.chance <= RIVAL * best.chance and not self._is_inside(best.whole, link.whole)
            for link in links if link != best
        ):  # fmt: skip
            return None
        return Place(name, best.whole, "likely", best, "too few moves yet to be sure")

    def _eliminated(self, name: str) -> Place:
        supply, few = self.wiring.supply, "it moves with none clearly"
        if self.wiring.moves[name] < 2 * ENOUGH_HITS:
            few = "not enough moves yet"
        if supply is None:
            return Place(name, None, "open", None, few)
        link = self.links.seen.get((name, supply, self._usual(supply, self.series)))
        if link is None or (self.last and link.denies):
            return Place(name, None, "open", None, f"{supply} stays as it is when it moves")
        if self.roles.get(name) == "appliance" and any(self._may_hold(other, name) for other in self.series):
            return Place(name, None, "open", None, few)
        return Place(name, supply, "likely", link, "by elimination")

    # -- what is left of a meter ----------------------------------------------------------------------

    def ask_what_is_left(self) -> None:
        """Look again into meters that hold several, with the others within them taken out."""
        for whole in self.series:
            children = self.wiring.children(whole)
            if len(children) < ENOUGH_HITS:
                continue
            usual = self._usual(whole, children)
            unplaced = [name for name, place in self.wiring.places.items() if place.surety == "open"]
            for name in [*children, *(unplaced if whole == self.wiring.supply else ())]:
                left = array("d", self.series[whole])
                for other in self._counted_once(children, name):
                    place = self.wiring.places[other]
                    times = place.link.times if place.surety == "sure" and place.link else usual
                    _take_out(left, self.series[other], times)
                self.links.look(name, whole, Movements(left))

    def _counted_once(self, children: list[str], apart_from: str) -> Iterator[str]:
        """Children other than one and its twins; of twins among them the first."""
        gone = {apart_from, *self._twins(apart_from)}
        for name in children:
            if name not in gone:
                yield name
                gone |= self._twins(name)

    def _twins(self, name: str) -> set[str]:
        return {other for pair in self.wiring.twins if name in pair for other in pair}

    def _usual(self, whole: str, parts: Iterable[str]) -> float:
        """How many times as far a meter moves as most of these: not once, if it is itself turned or halved."""
        hits = dict.fromkeys(KINDS, 0)
        for part in parts:
            for kind in KINDS:
                link = self.links.seen.get((part, whole, kind))
                hits[kind] += link.hits if link is not None else 0
        return max(KINDS, key=lambda kind: hits[kind])


def _take_out(whole: Series, part: Series, times: float) -> None:
    """What is not known of a part is left in: it was silent for a while."""
    for at, value in enumerate(part):
        if value == value:  # noqa: PLR0124 - not NaN; there are very many
            whole[at] -= times * value
