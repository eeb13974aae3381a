"""Levels: where a load's watts lie against its own thresholds, with hysteresis on the way down."""

from __future__ import annotations

from typing import Literal, NamedTuple

Level = Literal["off", "standby", "active"]
RELEASE_SHARE = 0.8
"""A load leaves standby for off only below this share of `standby_w`."""


class Thresholds(NamedTuple):
    """Watts from which a load counts as standby and as active; `release_w` is where active ends."""

    standby_w: float
    active_w: float | None
    release_w: float | None


class Band(NamedTuple):
    """A level and the watts, low <= w < high, that do not change it."""

    level: Level | None
    low: float
    high: float


NO_BAND = Band(None, float("inf"), float("-inf"))
"""Before the first reading: any watts change the level."""


def band_of(watts: float, before: Level | None, limits: Thresholds) -> Band:
    """The level at `watts` for a load that was at `before`, and the band in which it stays there.

    Without an active threshold a load that is not off has no known level: None.
    """
    inf = float("inf")
    if limits.active_w is not None and limits.release_w is not None:
        threshold = limits.release_w if before == "active" else limits.active_w
        if watts >= threshold:
            return Band("active", limits.release_w, inf)
    ceiling = inf if limits.active_w is None else limits.active_w
    on_low = RELEASE_SHARE * limits.standby_w
    if watts >= (limits.standby_w if before == "off" or before is None else on_low):
        return Band(None if limits.active_w is None else "standby", on_low, ceiling)
    return Band("off", -inf, min(limits.standby_w, ceiling))
