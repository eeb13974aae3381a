"""Going through an hour by its outline: in which minutes something moved, and so which rows are worth fetching."""

from __future__ import annotations

from wattround.ledger.past import Outline

ALL = (1 << 60) - 1
INF = float("inf")


def first_outside(outline: Outline, low: float, high: float, first: int) -> int:
    """The first minute, from `first` on, that does not lie wholly within low <= mW < high; 60 if there is none.

    Both must be bounds of the outline, or infinite.
    """
    if low == INF:
        return first
    outside = (ALL ^ outline.lows[low] if low > -INF else 0) | (outline.peaks[high] if high < INF else 0)
    outside >>= first
    return first + (outside & -outside).bit_length() - 1 if outside else 60


def moved(outline: Outline) -> list[int]:
    """Minutes in which a bound was crossed, or that lie on another side than the one before, and each that follows.

    The first one is always among them: what came before the hour is not known here.
    """
    found = 1
    for cut, low in outline.lows.items():
        found |= (outline.peaks[cut] ^ low) | (low ^ low << 1)
    found = (found | found << 1) & ALL
    return [index for index in range(60) if found >> index & 1]
