"""What a picture shows in each of its cells."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

HEARD_ENOUGH = 0.5
"""Share of a cell that must be covered for its mean to be drawn (common practice, no source)."""


class Seen(NamedTuple):
    """Mean watts over the time that was covered, in a cell of so many milliseconds."""

    watts: float
    covered_ms: int
    length_ms: int

    @property
    def drawn_w(self) -> float | None:
        """Watts, or None where too little was heard."""
        return self.watts if self.covered_ms >= HEARD_ENOUGH * self.length_ms else None


def mean_w(of: Iterable[Seen | None]) -> float | None:
    """Mean watts of cells, over the time that was covered; None where nothing was heard."""
    heard = [each for each in of if each is not None]
    covered_ms = sum(each.covered_ms for each in heard)
    return sum(each.watts * each.covered_ms for each in heard) / covered_ms if covered_ms else None
