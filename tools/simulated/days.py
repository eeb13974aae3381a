"""Several days of the invented house, one after the other."""

from __future__ import annotations

from bisect import bisect_right

from simulated.day import HOUR_MS, Day, Steps, ordinary_day

DAY_MS = 24 * HOUR_MS


def several_days(seed: int, count: int) -> Day:
    """As many ordinary days as one stretch, each with whims of its own."""
    found = Day(count * DAY_MS)
    for number in range(count):
        of, begin = ordinary_day(seed + number), number * DAY_MS
        for load, steps in of.loads.items():
            found.loads.setdefault(load, []).extend((begin + at, watts) for at, watts in steps if at < DAY_MS)
        for person, moves in of.people.items():
            found.people.setdefault(person, []).extend((begin + at, is_home) for at, is_home in moves)
    return found


def energy_wh(steps: Steps, from_ms: int, to_ms: int) -> float:
    """True energy between two instants; what was drawn at last goes on."""
    place = max(0, bisect_right(steps, from_ms, key=lambda step: step[0]) - 1)
    total = 0.0
    for at in range(place, len(steps)):
        begin, end = max(steps[at][0], from_ms), steps[at + 1][0] if at + 1 < len(steps) else to_ms
        total += steps[at][1] * max(0, min(end, to_ms) - begin)
    return total / HOUR_MS
