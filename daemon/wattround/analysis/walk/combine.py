"""Several measurements of the same watts made one, and how many more are wanted."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import ceil, hypot, inf, sqrt
from statistics import median
from typing import NamedTuple

from wattround.analysis.walk.readings import MAD_TO_SIGMA

LEAST_REPEATS = 3
MOST_REPEATS = 20
OUTLYING = 5.0
"""A repeat so many standard uncertainties from the others had something else switch in it."""
# JCGM 100:2008, table G.2: t for a level of confidence of 95 %, by degrees of freedom
_DOF = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 25, 30, 35, 40, 45, 50, 100, inf)
_T95 = (
    12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23, 2.20, 2.18, 2.16, 2.14, 2.13, 2.12, 2.11, 2.10, 2.09,
    2.09, 2.06, 2.04, 2.03, 2.02, 2.01, 2.01, 1.984, 1.960,
)  # fmt: skip


class Seen(NamedTuple):
    """One repeat: watts, standard uncertainty, and how much is known of that (degrees of freedom)."""

    watts: float
    u_w: float
    dof: float


class Combined(NamedTuple):
    """Of so many `repeats`, without those `aside` (by their places).

    Standard uncertainties in watts: `own_u_w` becomes less with each repeat and has `dof` degrees of freedom,
    `shared_u_w` does not become less.
    """

    watts: float
    own_u_w: float
    shared_u_w: float
    dof: float
    repeats: int
    aside: tuple[int, ...] = ()

    @property
    def u_w(self) -> float:
        """Both together."""
        return hypot(self.own_u_w, self.shared_u_w)

    @property
    def expanded_w(self) -> float:
        """Half the interval that holds the truth in 95 of 100 cases."""
        if not self.own_u_w:
            return t95(inf) * self.shared_u_w
        return t95(self.dof * (self.u_w / self.own_u_w) ** 4) * self.u_w

    @property
    def is_clear(self) -> bool:
        """Whether it is beyond chance: three times the noise, more where little is known of that."""
        return abs(self.watts) > CLEAR / t95(inf) * self.expanded_w

    def plus(self, other: Combined) -> Combined:
        """Both added; degrees of freedom as Welch and Satterthwaite have them (JCGM 100:2008, G.4.1)."""
        own_u_w = hypot(self.own_u_w, other.own_u_w)
        parts = self.own_u_w**4 / self.dof + other.own_u_w**4 / other.dof
        dof = own_u_w**4 / parts if parts else self.dof
        shared_u_w = hypot(self.shared_u_w, other.shared_u_w)
        repeats = min(self.repeats, other.repeats)
        return Combined(self.watts + other.watts, own_u_w, shared_u_w, dof, repeats)

    def after(self, repeats: int) -> Combined:
        """As it would be with so many repeats like these."""
        own_u_w = self.own_u_w * sqrt(self.repeats / repeats)
        return self._replace(own_u_w=own_u_w, dof=self.dof + repeats - self.repeats, repeats=repeats)


CLEAR = 3.0


def t95(dof: float) -> float:
    """The factor for a level of confidence of 95 %; between two of the table's, by 1/dof."""
    dof = max(1.0, dof)
    at = bisect_right(_DOF, dof) - 1
    if _DOF[at] == dof:
        return _T95[at]
    low, high = 1 / _DOF[at], 1 / _DOF[at + 1]
    return _T95[at] + (_T95[at + 1] - _T95[at]) * (low - 1 / dof) / (low - high)


def combined(seen: Sequence[Seen], shared_u_w: float = 0.0) -> Combined | None:
    """The mean by weights 1/u^2 of repeats that agree; None of none. `shared_u_w` is what all of them have in common.

    Its uncertainty is 1/sqrt(sum of weights), times s: what the repeats scatter beyond (or within) their own
    uncertainties. s^2 pools that scatter, chi^2 with k - 1 degrees of freedom, with 1, which the circuit's noise stands
    for with its own (pooled variances, JCGM 100:2008, 4.2.4, H.3.6; s alone is the ratio of Birge 1932, from memory).
    What they share does not become less; the degrees of freedom of both together are Welch's and Satterthwaite's
    (G.4.1).
    """
    aside = _outlying(seen)
    kept = [each for at, each in enumerate(seen) if at not in aside]
    if not kept:
        return None
    weights = [1 / each.u_w**2 for each in kept]
    total = sum(weights)
    watts = sum(weight * each.watts for weight, each in zip(weights, kept, strict=True)) / total
    chi2 = sum(weight * (each.watts - watts) ** 2 for weight, each in zip(weights, kept, strict=True))
    known = sum(each.dof for each in kept) / len(kept)
    dof = known + len(kept) - 1
    own_u_w = sqrt((known + chi2) / dof / total)
    return Combined(watts, own_u_w, shared_u_w, dof, len(kept), aside)


def _outlying(seen: Sequence[Seen]) -> tuple[int, ...]:
    """Places of repeats that do not agree with most of the others: fewer than half, and of two nobody knows which."""
    aside: list[int] = []
    while True:
        kept = [at for at in range(len(seen)) if at not in aside]
        if len(kept) < 3 or (len(aside) + 1) * 2 >= len(seen):
            return tuple(sorted(aside))
        centre = _middle([seen[at] for at in kept])
        worst = max(kept, key=lambda at: abs(seen[at].watts - centre) / seen[at].u_w)
        scatter = MAD_TO_SIGMA * median(abs(seen[at].watts - centre) for at in kept)
        if abs(seen[worst].watts - centre) <= OUTLYING * max(seen[worst].u_w, scatter):
            return tuple(sorted(aside))
        aside.append(worst)


def _middle(seen: Sequence[Seen]) -> float:
    """The median by weight."""
    ordered = sorted(seen)
    half = sum(1 / each.u_w for each in ordered) / 2
    passed = 0.0
    for each in ordered:
        passed += 1 / each.u_w
        if passed >= half:
            return each.watts
    return ordered[-1].watts


def more_wanted(found: Combined, target_w: float, least_repeats: int = LEAST_REPEATS) -> int | None:
    """How many repeats are still wanted until it is known to within `target_w`; None: more than anybody would do."""
    least = max(0, least_repeats - found.repeats)
    if found.expanded_w <= target_w:
        return least
    for count in range(found.repeats + 1, MOST_REPEATS + 1):
        if found.after(count).expanded_w <= target_w:
            return max(least, count - found.repeats)
    return None


def rounded(watts: float, expanded_w: float) -> tuple[str, str]:
    """Both as they are written: the uncertainty with two digits at most, the watts to the same place (GUM 7.2.6)."""
    if expanded_w <= 0:
        return f"{watts:.1f}", "0.1"
    digits = next(digits for digits in range(4) if expanded_w >= 0.95 * 10.0 ** (1 - digits) or digits == 3)
    scale = 10.0**digits
    return f"{watts:.{digits}f}", f"{ceil(expanded_w * scale - 1e-9) / scale:.{digits}f}"
