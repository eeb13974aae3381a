"""The step of one circuit between two times in which a load was left as it was."""

from __future__ import annotations

from typing import NamedTuple

from wattround.analysis.walk.changes import shifts
from wattround.analysis.walk.noise import Noise, step_u_w
from wattround.analysis.walk.readings import Readings, Rhythm, middle

SETTLE_MS = 3_000
"""What most loads take until they draw steadily (common practice, no source)."""
SPEAKS_MS = 5_000
"""A meter that speaks at changes has spoken by then."""
LEFT_MS = 12_000
"""How long it is listened to a meter that speaks at changes, once it has."""
SLOWEST_MS = 90_000
"""Meters that are heard less often cannot be waited for."""
READINGS = ((1_500, 6), (3_000, 5), (6_000, 3), (20_000, 2))
"""How many to each side of a switch, by how often they come at most; one of what comes less often."""
INRUSH_EVERY_MS = 5_000
INRUSH_SHARE = 0.1
CLEAR = 3.0


class Stay(NamedTuple):
    """A load was left as it is from one instant to another."""

    from_ms: int
    to_ms: int


class Level(NamedTuple):
    """The median of a number of readings, in watts; `first_ms` is when the first of them came."""

    watts: float
    number: int
    first_ms: int


class Step(NamedTuple):
    """By how much a circuit moved, with its standard uncertainty, in watts; `dof`: how much is known of its noise.

    `off`, `on`: how many readings stand behind each side; 0 where that is not known any more.
    """

    watts: float
    u_w: float
    dof: float
    inrush_w: float | None = None
    off: int = 0
    on: int = 0


def wanted(rhythm: Rhythm) -> int:
    """Readings to each side of a switch."""
    if rhythm.at_changes:
        return 1
    return next((number for every_ms, number in READINGS if rhythm.every_ms <= every_ms), 1)


def settled_ms(readings: Readings, rhythm: Rhythm, switched_ms: int) -> int | None:
    """From when on a circuit shows the load as it is after a switch; None if that was not heard yet.

    A reading may be the mean of the time since the one before, so a whole such time must have passed.
    """
    if rhythm.at_changes:
        return switched_ms + SPEAKS_MS
    return readings.first_from(switched_ms + max(SETTLE_MS, rhythm.every_ms))


def wait_ms(readings: Readings, rhythm: Rhythm, stay: Stay, *, both: bool = True) -> int:
    """How long the load must still be left as it is for a level after a switch and, if `both`, one before the next."""
    sides = 2 if both else 1
    if rhythm.at_changes:
        return max(0, stay.from_ms + SPEAKS_MS + sides * LEFT_MS // 2 - stay.to_ms)
    settled = settled_ms(readings, rhythm, stay.from_ms)
    need = sides * wanted(rhythm)
    if settled is None:
        begins = stay.from_ms + max(SETTLE_MS, rhythm.every_ms)
        last = readings.last
        due = begins if last is None else last.at_ms + rhythm.every_ms
        while due < begins:
            due += rhythm.every_ms
        return max(1, due + (need - 1) * rhythm.every_ms - stay.to_ms)
    missing = need - len(readings.between(settled, stay.to_ms))
    if missing <= 0:
        return 0
    last = readings.last
    last_ms = settled if last is None else last.at_ms
    return max(1, last_ms + missing * rhythm.every_ms - stay.to_ms)


def levels(
    readings: Readings, rhythm: Rhythm, stay: Stay, noise: Noise, *, halved: bool = True
) -> tuple[Level | None, Level | None]:
    """What a circuit drew after the switch that began a stay, and before the one that ended it.

    Each from a half of its own, so that steps that follow each other do not share an error; whole, if not `halved`.
    Where the circuit moves by itself meanwhile, the first ends with that and the second begins after it.
    """
    begin = settled_ms(readings, rhythm, stay.from_ms)
    if begin is None or begin > stay.to_ms:
        return None, None
    held = readings.held(begin, stay.to_ms)
    if not held:
        return None, None
    if not halved:
        cut = [stay.to_ms + 1, begin]
    elif rhythm.at_changes or len(held) < 2:
        cut = [(begin + stay.to_ms) // 2] * 2
    else:
        cut = [held[len(held) // 2].at_ms] * 2
    moved = shifts([each.watts for each in held], noise.level_w, 2 * noise.resolution_w)
    if moved and len(held) >= 4:
        cut = [min(cut[0], held[moved[0].at].at_ms), max(cut[1], held[moved[-1].at].at_ms)]
    return _level(readings, begin, cut[0] - 1), _level(readings, cut[1], stay.to_ms)


def _level(readings: Readings, from_ms: int, to_ms: int) -> Level | None:
    held = readings.held(from_ms, to_ms)
    return Level(middle(held, to_ms), len(held), from_ms) if held and to_ms >= from_ms else None


def renewed(of: Step, off: Noise, on: Noise) -> Step:
    """A step with the uncertainty that it has by what is known of the noise now."""
    if not of.off or not of.on:
        return of
    return of._replace(u_w=step_u_w(off, of.off, on, of.on), dof=min(off.dof, on.dof))


def inrush_w(
    readings: Readings, rhythm: Rhythm, told_ms: int, after: Level, step_w: float, noise: Noise
) -> float | None:
    """By how much a load drew more just after it was switched on (since it was told to be) than it does now.

    At least so much: what is shorter than the time between two readings may not be in them. None where nothing stands
    out, or readings come too seldom to tell.
    """
    if rhythm.every_ms > INRUSH_EVERY_MS and not rhythm.at_changes:
        return None
    peak = max((reading.watts for reading in readings.between(told_ms, after.first_ms)), default=after.watts)
    beyond = peak - after.watts
    return beyond if beyond > max(CLEAR * noise.level_w, INRUSH_SHARE * abs(step_w)) else None
