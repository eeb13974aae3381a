"""Many invented houses of 24 circuits and 8 plugs: how many parents are right after a day, and what is called sure.

Beside each house stand the plugs of another, which are within nothing here: whatever is called sure of them is false.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from simulated.wiring import metered, series, wired
from wattround.analysis.scout.links import FALSE_RATE
from wattround.analysis.scout.tree import infer

FOREIGN = 1_000_000
"""Seeds of the other houses begin here."""
KINDS = ("circuit", "appliance")
TITLES = {"circuit": "circuits", "appliance": "plugs", "foreign": "plugs of another house"}


class Row(NamedTuple):
    """What became of one meter's place."""

    seed: int
    meter: str
    kind: str
    surety: str
    parent: str | None
    truth: str | None

    @property
    def is_right(self) -> bool:
        """Whether it is within what it is in truth."""
        return self.parent == self.truth


def judge(seed: int) -> list[Row]:
    """One house, by itself and with another house's plugs beside it."""
    house = wired(seed)
    minutes = metered(house, seed)
    found = infer(series(minutes), house.roles).places
    rows = [
        Row(seed, name, house.roles[name], place.surety, place.parent, house.parents[name])
        for name, place in found.items()
        if name != "supply"
    ]
    other = wired(FOREIGN + seed)
    foreign = {
        f"foreign-{name}": watts
        for name, watts in metered(other, FOREIGN + seed).items()
        if other.roles[name] == "appliance"
    }
    own = {name: watts for name, watts in minutes.items() if house.roles[name] != "appliance"}
    roles = {name: house.roles[name] for name in own} | dict.fromkeys(foreign, "appliance")
    places = infer(series(own | foreign), roles).places
    return rows + [Row(seed, name, "foreign", places[name].surety, places[name].parent, None) for name in foreign]


def said(rows: Iterable[Row]) -> Iterator[str]:
    """What all of them come to."""
    count = Counter((row.kind, row.surety, row.is_right) for row in rows)
    total = {kind: sum(number for key, number in count.items() if key[0] == kind) for kind in TITLES}
    for kind in KINDS:
        told = ", ".join(
            f"{count[kind, surety, True]} {surety} and right, {count[kind, surety, False]} {surety} and wrong"
            for surety in ("sure", "likely")
        )
        left = count[kind, "open", True] + count[kind, "open", False]
        yield f"{total[kind]} {TITLES[kind]}: {told}, {left} not yet."
    of = sum(total[kind] for kind in KINDS)
    right = sum(count[kind, surety, True] for kind in KINDS for surety in ("sure", "likely"))
    sure = sum(count[kind, "sure", good] for kind in KINDS for good in (True, False))
    wrong = sum(count[kind, "sure", False] for kind in KINDS)
    yield f"Right in all: {right} of {of} parents, {100 * right / of:.1f} %."
    yield f"Sure and wrong: {wrong} of {sure}; {100 * FALSE_RATE:.0f} % in the mean would be as stated."
    guessed = Counter(row.parent == "supply" for row in rows if row.kind == "foreign" and row.surety == "likely")
    yield (
        f"{total['foreign']} {TITLES['foreign']}: {count['foreign', 'sure', False]} called sure; likely within a circuit"
        f" {guessed[False]}, within the supply {guessed[True]}."
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1, help="the first one's")
    stated = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        rows = [row for house in pool.map(judge, range(stated.seed, stated.seed + stated.houses)) for row in house]
    for row in rows:
        if row.surety == "sure" and not row.is_right:
            print(f"seed {row.seed}: {row.meter} is surely within {row.parent}, it is said; in truth {row.truth}")
    for line in said(rows):
        print(line)


if __name__ == "__main__":
    main()
