"""What a meter makes of a wall clock that was set."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wattround.metering.counter import settle
from wattround.metering.minute import COUNTED, ESTIMATED, MINUTE_MS, WMS_PER_WH

if TYPE_CHECKING:
    from wattround.metering.meter import Meter

SMALL_STEP_MS = 120_000
"""A clock set back by no more than this is waited for."""
PATIENCE_MS = 600_000
"""After a restart, a clock that is behind is thought to be set right within this time; then it is believed."""
LONGEST_OUTAGE_MS = 86_400_000
"""Of an outage of unknown length."""


def clock_was_set(meter: Meter, expected_ms: int, now_ms: int, *, known: bool) -> None:
    """Go on at another time of day. The step itself is not covered; covered time is not covered again.

    `known`: the clock was seen to be set. If not, it was between what was saved and a start.
    """
    register = meter.register
    # last read by a clock that was right, or that is likely to come back: the counter waits until it has
    waits = register.last_ms > (expected_ms if known else now_ms)
    if waits and not known:
        register.doubt_ms = now_ms + PATIENCE_MS
    if waits and not meter.spec.has_power:
        return
    if meter.by_arrival:
        meter.advance(max(expected_ms, meter.done_ms))
    if meter.done_ms - SMALL_STEP_MS <= now_ms <= meter.done_ms:
        return  # readings count again once the clock has caught up with what is covered
    if not waits:
        _settle_before(meter, max(expected_ms, meter.done_ms))
        if not known:
            register.allow_late(register.anchor_ms + LONGEST_OUTAGE_MS, meter.spec.highest_w)
    _move(meter, expected_ms, now_ms)
    if not waits:
        meter.anchor(now_ms, exact=register.exact)
        register.last_ms = now_ms


def believe(meter: Meter, at_ms: int) -> None:
    """See whether a clock that was behind at the start is to be believed: if it still is so, after minutes."""
    register, spec = meter.register, meter.spec
    if at_ms > register.last_ms:
        register.doubt_ms = 0
    elif at_ms > register.doubt_ms:
        register.doubt_ms = 0
        register.allow_late(register.anchor_ms + LONGEST_OUTAGE_MS, spec.highest_w)
        if spec.has_power:
            shaped = meter.out_wms if spec.counts_out else meter.in_wms
            measured_wms = shaped - register.open_wms + sum(wms for wms, _ in register.slices.values())
            register.ahead_wh += measured_wms / WMS_PER_WH - register.gained_wh
        else:
            _move(meter, meter.done_ms, at_ms - 1)
        meter.anchor(at_ms - 1, exact=register.exact)
        register.last_ms = at_ms - 1


def _settle_before(meter: Meter, until_ms: int) -> None:
    """Place what the counter gained before the clock was set.

    What power has measured after its last value is in the ledger already, when the next value tells of it.
    """
    register, spec = meter.register, meter.spec
    register.allow_late(until_ms, spec.highest_w)
    if register.last_wh is None or not spec.has_power:
        return
    since_ms = min(until_ms, meter.held_until_ms) - register.last_ms
    flow_w = -(meter.watts or 0.0) if spec.counts_out else meter.watts or 0.0
    ahead_wh = max(0.0, flow_w) * max(0, since_ms) / WMS_PER_WH
    shaped = meter.out_wms if spec.counts_out else meter.in_wms
    open_slice = (shaped - register.open_wms, meter.covered_ms - register.open_covered_ms)
    slices = {**register.slices, meter.minute: open_slice}
    gap_ms = until_ms - register.anchor_ms - sum(ms for _, ms in slices.values())
    if register.gained_wh > 0 and (register.exact or gap_ms >= MINUTE_MS):
        total_wms = (register.gained_wh + ahead_wh) * WMS_PER_WH
        for share in settle(register.anchor_ms, until_ms, total_wms, slices):
            meter.patch(share.minute, share.wms, share.covered_ms, COUNTED | (ESTIMATED if share.covered_ms else 0))
    register.ahead_wh += ahead_wh


def _move(meter: Meter, expected_ms: int, now_ms: int) -> None:
    left_ms = max(0, meter.held_until_ms - max(expected_ms, meter.done_ms))
    if now_ms // MINUTE_MS != meter.minute:
        meter.close()
        if now_ms < meter.done_ms and meter.covered_ms:
            meter.occupied.add(meter.minute)
        meter.open_minute(now_ms)
        meter.emitted = None
    meter.done_ms = meter.heard_ms = now_ms
    meter.held_until_ms = now_ms + left_ms
