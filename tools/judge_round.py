"""Many invented loads measured in rounds: how often the stated interval has the truth, and the circuit is right."""

from __future__ import annotations

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from statistics import median
from typing import NamedTuple

from simulated.round import go_round


class Row(NamedTuple):
    """What came of one load."""

    seed: int
    true_w: float
    every_ms: int
    came_of_it: str
    is_within: bool
    off: float
    half_w: float
    switches: int
    lasted_s: float


def judge(asked: tuple[int, int | None]) -> Row:
    """One load."""
    seed, every_ms = asked
    out = go_round(seed, every_ms)
    found, place = out.verdict.found, out.verdict.place.name
    if found is None:
        came_of_it = "cannot tell"
    elif out.is_placed:
        came_of_it = "right circuit"
    else:
        came_of_it = "only the supply" if place == "supply" else "wrong circuit"
    half_w = found.expanded_w if found is not None else 0.0
    off = found.watts - out.true_w if found is not None else 0.0
    return Row(seed, out.true_w, out.every_ms, came_of_it, out.is_within, off, half_w, out.switches, out.lasted_s)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--loads", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0, help="the first one's")
    parser.add_argument("--every", type=int, default=None, help="milliseconds between readings of the circuits")
    stated = parser.parse_args()
    with ProcessPoolExecutor() as pool:
        seeds = ((seed, stated.every) for seed in range(stated.seed, stated.seed + stated.loads))
        rows = list(pool.map(judge, seeds, chunksize=5))
    right = [row for row in rows if row.came_of_it == "right circuit"]
    for row in rows:
        if row.came_of_it != "right circuit" or not row.is_within:
            print(
                f"seed {row.seed}: {row.true_w:.1f} W, every {row.every_ms / 1000:.0f} s: {row.came_of_it}, off by"
                f" {row.off:.2f} W, stated ± {row.half_w:.2f}"
            )
    print(", ".join(f"{word} {count}" for word, count in Counter(row.came_of_it for row in rows).most_common()))
    within = sum(row.is_within for row in right)
    print(
        f"The interval has the truth: {within} of {len(right)}, {100 * within / max(1, len(right)):.1f} %; stated 95 %."
    )
    for every_ms in sorted({row.every_ms for row in rows}):
        some = [row for row in right if row.every_ms == every_ms]
        if some:
            print(
                f"every {every_ms / 1000:.0f} s: {sum(row.is_within for row in some)} of {len(some)}, median ±"
                f" {100 * median(row.half_w / row.true_w for row in some):.1f} % in {median(row.switches for row in some):.0f}"
                f" switches, {median(row.lasted_s for row in some) / 60:.0f} min"
            )


if __name__ == "__main__":
    main()
