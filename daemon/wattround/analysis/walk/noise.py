"""What a circuit does by itself: the noise that a step must be told from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import pi, sqrt
from statistics import median
from typing import NamedTuple

from wattround.analysis.walk.changes import sigma_w
from wattround.analysis.walk.readings import MAD_TO_SIGMA, Readings

MOST_DOF = 4.0
"""However long a circuit was listened to, its noise may be another in a minute: no more is believed of it."""
ROBUST_FROM = 8
"""Differences from which a median of them says more than their squares."""
ENOUGH_APART = 5
"""In fewer, one step of something else may be most of what is seen."""
LATEST_MS = 900_000


class Noise(NamedTuple):
    """Standard deviations in watts.

    `reading_w` of a single reading; `wander_w` of the difference of two medians of as many readings as stand to each
    side of a switch, and as far apart, as the circuit makes it by itself; 0 where it was not heard long enough.
    `resolution_w` is the last digit. `dof`: how much is known of it, in degrees of freedom; `apart`: from how many such
    distances that do not overlap.
    """

    reading_w: float
    wander_w: float
    resolution_w: float
    dof: float
    apart: int = 0

    def or_more(self, other: Noise) -> Noise:
        """This, or what was seen at other times if that is more; of few distances its wander says nothing."""
        wander_w = other.wander_w if other.apart >= ENOUGH_APART else 0.0
        return self._replace(reading_w=max(self.reading_w, other.reading_w), wander_w=max(self.wander_w, wander_w))

    @property
    def level_w(self) -> float:
        """By how much a level must change to be another one, in standard deviations of one."""
        return max(self.reading_w, self.wander_w / sqrt(2), self.resolution_w / sqrt(12))

    def level_variance(self, readings: int) -> float:
        """Of a median of so many readings, in W^2: pi/2 sigma^2/n (normal noise, many), of one or two sigma^2/n."""
        return self.reading_w**2 * (1.0 if readings <= 2 else pi / 2) / max(1, readings)


def step_u_w(before: Noise, readings_before: int, after: Noise, readings_after: int) -> float:
    """Standard uncertainty of a step between two medians, each with the noise of its own time.

    The variances of both sides add up (JCGM 100:2008, 5.1.2). A circuit that wanders does not average out: then the
    scatter of the steps that it makes by itself over the same distance stands for both (a two-sample deviation with
    dead time, as in Allan 1966, of medians; from memory). A last digit adds its square / 12, where it falls now so, now
    so; what of it is always the same is `digits_u_w`.
    """
    white = before.level_variance(readings_before) + after.level_variance(readings_after)
    wander = max(before.wander_w, after.wander_w) ** 2
    return sqrt(max(white, wander) + max(before.resolution_w, after.resolution_w) ** 2 / 12)


def digits_u_w(resolution_w: float) -> float:
    """What the last digits of two levels leave open, however often they are read: a rectangle each (GUM F.2.2.1)."""
    return resolution_w / sqrt(6)


def noise_of(readings: Readings, quiet: Iterable[tuple[int, int]], count: int, gap: int) -> Noise:
    """Of a meter over stretches of time (from, to) in which nobody switched anything for the round.

    `count` readings stand to each side of a switch, `gap` between them.
    """
    newest = readings.last
    since_ms = newest.at_ms - LATEST_MS if newest is not None else 0
    stretches = [
        [reading.watts for reading in readings.between(max(begin, since_ms), end)]
        for begin, end in quiet
        if end > since_ms
    ]
    differences = sum(len(watts) - 1 for watts in stretches if len(watts) > 1)
    reading_w = sqrt(_variance(stretches))
    digits_w = readings.resolution_w()
    white = 2 * Noise(reading_w, 0.0, 0.0, 0.0).level_variance(count) + digits_w**2 / 6
    wander_w = sqrt(_wander(stretches, count, gap, white))
    apart = sum(len(watts) // (2 * count + gap) for watts in stretches)
    return Noise(reading_w, wander_w, digits_w, min(MOST_DOF, max(1.0, 2 * differences / 3)), apart)


def _variance(stretches: Sequence[Sequence[float]]) -> float:
    """Of a single reading, from the differences of neighbours, so that a slow drift does not matter.

    Of few half their mean square (von Neumann 1941, from memory), of more the squared MAD scale.
    """
    few = [watts for watts in stretches if len(watts) > 1]
    count = sum(len(watts) - 1 for watts in few)
    if not count:
        return 0.0
    if count < ROBUST_FROM:
        steps = [after - before for watts in few for before, after in pairwise(watts)]
        return sum(step * step for step in steps) / count / 2
    return sum(sigma_w(watts) ** 2 * (len(watts) - 1) for watts in few) / count


def _wander(stretches: Sequence[Sequence[float]], count: int, gap: int, white: float) -> float:
    """Variance of the steps that it makes by itself, in W^2.

    Where stretches are too short for the distance, what they show beyond white noise is taken to grow with it, as a
    random walk does.
    """
    steps, reach, weight = [], 0.0, 0
    for watts in stretches:
        between = max(0, min(gap, len(watts) - 2 * count))
        stride = max(1, count // 2)
        for first in range(0, len(watts) - 2 * count - between + 1, stride):
            after = first + count + between
            steps.append(median(watts[after : after + count]) - median(watts[first : first + count]))
            reach, weight = reach + count + between, weight + 1
    if len(steps) < 3:
        return 0.0
    found = (MAD_TO_SIGMA * median(map(abs, steps))) ** 2
    beyond = max(0.0, found - white)
    return found + beyond * max(0.0, (count + gap) * weight / reach - 1)
