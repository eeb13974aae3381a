"""Minutes recomputed from all stamped readings of a stretch, for a reading that came late."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from wattround.metering.minute import AMENDED, MINUTE_MS, POWERED, Minute, uwh


class Stamped(NamedTuple):
    """A stamped power reading; None is the instant at which the source said it was gone."""

    at_ms: int
    watts: float | None


class Held(NamedTuple):
    """Energy and coverage of the held signal within one stretch."""

    in_wms: float
    out_wms: float
    covered_ms: int
    peak_w: float
    low_w: float


def integral(readings: Sequence[Stamped], hold_ms: int, from_ms: int, to_ms: int) -> Held:
    """Integral of the held signal over [from_ms, to_ms). `readings` are in order of time, one per instant."""
    into = outof = 0.0
    covered = 0
    peak, low = float("-inf"), float("inf")
    for index, (at_ms, watts) in enumerate(readings):
        following = readings[index + 1].at_ms if index + 1 < len(readings) else to_ms
        start, end = max(at_ms, from_ms), min(following, at_ms + hold_ms, to_ms)
        if watts is None or end <= start:
            continue
        into += max(0.0, watts) * (end - start)
        outof += max(0.0, -watts) * (end - start)
        covered += end - start
        peak, low = max(peak, watts), min(low, watts)
    return Held(into, outof, covered, peak, low)


def amended_span(at_ms: int, next_ms: int, hold_ms: int) -> range:
    """Minutes that a reading at `at_ms` can change when the next known one is at `next_ms`."""
    end = max(at_ms + 1, min(next_ms, at_ms + hold_ms))
    return range(at_ms // MINUTE_MS, (end - 1) // MINUTE_MS + 1)


def minute_of(meter: str, minute: int, readings: Sequence[Stamped], hold_ms: int) -> Minute:
    """One whole minute recomputed; `readings` reach back at least `hold_ms` before it."""
    held = integral(readings, hold_ms, minute * MINUTE_MS, (minute + 1) * MINUTE_MS)
    powered = held.covered_ms > 0
    return Minute(
        meter, minute, uwh(held.in_wms), uwh(held.out_wms), held.covered_ms,
        round(held.peak_w * 1000) if powered else None, round(held.low_w * 1000) if powered else None,
        POWERED | AMENDED,
    )  # fmt: skip
