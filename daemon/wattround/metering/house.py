"""All meters of one house, and their state as a plain value."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from wattround.metering.clockset import clock_was_set
from wattround.metering.counter import Register
from wattround.metering.late import Stamped, integral
from wattround.metering.meter import Meter
from wattround.metering.minute import MINUTE_MS, POWERED
from wattround.metering.spec import MeterSpec, Output

_PLAIN = (
    "watts", "heard_ms", "held_until_ms", "done_ms", "gone_ms", "above_wms", "level", "minute",
    "in_wms", "out_wms", "covered_ms", "origin", "closed_in_wms", "closed_out_wms",
)  # fmt: skip
_REGISTER = (
    "last_wh", "last_ms", "anchor_ms", "exact", "gained_wh", "open_wms", "open_covered_ms",
    "untimed_wh", "before_wh", "fell_ms", "since_fall_wh", "late_wh", "suspect_wh", "suspect_ms",
    "old_wh", "since_wh", "since_ms", "ahead_wh", "doubt_ms",
)  # fmt: skip


class Metering:
    """Meters by name. Closed minutes and level changes collect in `out` until the caller empties it."""

    def __init__(self, specs: Iterable[MeterSpec]) -> None:
        self.out = Output()
        self.meters: dict[str, Meter] = {}
        self._ticked = -1
        for spec in specs:
            self.add(spec)

    def add(self, spec: MeterSpec) -> Meter:
        """A new meter, or the known one of that name with new settings (its open minute stays)."""
        known = self.meters.get(spec.name)
        if known is not None and known.spec == spec:
            return known
        fresh = self.meters[spec.name] = Meter(spec, self.out)
        if known is None:
            return fresh
        known.emit()
        _restore(fresh, _plain(known))
        fresh.announced, fresh.emitted, fresh.lost = known.announced, known.emitted, known.lost
        if kind_of(spec) != kind_of(known.spec):
            # from other sources: what is open is closed as it stands, the rest of that minute is left out
            fresh.occupied.add(fresh.minute)
            fresh.minute, fresh.ends_ms = -1, 0
        return fresh

    def retire(self, keep: Collection[str]) -> None:
        """Close and forget the meters that are not in `keep`."""
        for name in [name for name in self.meters if name not in keep]:
            self.meters.pop(name).emit()

    def tick(self, now_ms: int) -> bool:
        """Close what the clock has closed; True when a new minute has begun since the last call."""
        minute = now_ms // MINUTE_MS
        if minute == self._ticked:
            return False
        self._ticked = minute
        self.follow_clock(now_ms)
        return True

    def follow_clock(self, now_ms: int) -> None:
        """Bring every meter that moves with the clock up to `now_ms`."""
        for meter in self.meters.values():
            meter.follow_clock(now_ms)

    def fade(self, names: Iterable[str], now_ms: int) -> None:
        """Of the named meters, those silent beyond their hold have no known level."""
        for name in names:
            meter = self.meters.get(name)
            if meter is not None and meter.announced and not meter.lost and now_ms > meter.held_until_ms:
                meter.lose_level(max(meter.held_until_ms, 0))

    def jump(self, expected_ms: int, now_ms: int, occupied: Mapping[str, set[int]], *, known: bool = True) -> None:
        """The wall clock was set. Time that never passed is not covered, time already covered is not covered twice.

        Args:
            known: whether it was seen to be set; False after a restart, where nobody knows what it would have read.
            expected_ms: what the clock would have read.
            now_ms: what it reads.
            occupied: minutes at or after `now_ms` that each meter has rows for already.
        """
        for name, meter in self.meters.items():
            meter.occupied = set(occupied.get(name, ()))
            if not meter.spec.stamped:
                clock_was_set(meter, expected_ms, now_ms, known=known)
        self._ticked = now_ms // MINUTE_MS

    def occupy(self, occupied: Mapping[str, set[int]]) -> None:
        """Mind the minutes that have rows already where the clock is going to come by; not the one that is open."""
        for name, meter in self.meters.items():
            if not meter.spec.stamped:
                own = {minute for minute in meter.occupied if minute >= meter.minute}
                meter.occupied = own | (occupied.get(name, set()) - {meter.minute})

    def rebuild_open(self, name: str, readings: list[Stamped]) -> None:
        """Recompute a stamped meter's open minute up to where it has got, after a late reading in it."""
        meter = self.meters[name]
        held = integral(readings, meter.spec.hold_ms, meter.minute * MINUTE_MS, meter.done_ms)
        meter.in_wms, meter.out_wms, meter.covered_ms = held.in_wms, held.out_wms, held.covered_ms
        meter.peak_w, meter.low_w = held.peak_w, held.low_w
        meter.origin |= POWERED if held.covered_ms else 0

    def snapshot(self) -> dict[str, Any]:
        """State of every meter as plain values: what `restore` takes up of them, no more, as each byte is written."""
        return {name: _lasting(meter) for name, meter in self.meters.items()}

    def restore(self, state: Mapping[str, Any], saved_ms: int) -> None:
        """Take up a saved state. What arrival-stamped meters held ends there: the time since is unknown."""
        for name, plain in state.items():
            meter = self.meters.get(name)
            if meter is None:
                continue
            _restore(meter, plain)
            if meter.by_arrival:
                meter.watts = None
                meter.held_until_ms = min(meter.held_until_ms, saved_ms)


def kind_of(spec: MeterSpec) -> int:
    """What a meter is fed by, as a number: a register's span means nothing under another kind."""
    return spec.stamped + 2 * spec.has_power + 4 * spec.has_counter + 8 * spec.counts_out


def _plain(meter: Meter) -> list[Any]:
    """A meter's state as a short list: it is written to the disk with every commit.

    Energy is kept to a thousandth of a watt-millisecond, far below the microwatt-hour of a row.
    """
    register = meter.register
    plain = [_brief(getattr(meter, key)) for key in _PLAIN]
    plain.append(kind_of(meter.spec))
    plain.append([meter.peak_w, meter.low_w] if meter.peak_w >= meter.low_w else 0)
    plain.append(sorted(meter.occupied) or 0)
    if register.last_wh is not None:
        plain.append([getattr(register, key) for key in _REGISTER])
        plain.append([[minute, *values] for minute, values in register.slices.items()])
    return plain


def _lasting(meter: Meter) -> list[Any]:
    """What outlasts a restart: what an arrival-stamped meter holds does not."""
    plain = _plain(meter)
    if meter.by_arrival:
        plain[_PLAIN.index("watts")] = None
        plain[_PLAIN.index("held_until_ms")] = min(meter.held_until_ms, meter.done_ms)
    return plain


def _brief(value: Any) -> Any:
    if not isinstance(value, float):
        return value
    return int(value) if value.is_integer() else round(value, 3)


def _restore(meter: Meter, plain: list[Any]) -> None:
    count = len(_PLAIN)
    for key, value in zip(_PLAIN, plain[:count], strict=True):
        setattr(meter, key, value)
    meter.ends_ms = (meter.minute + 1) * MINUTE_MS
    kind, held_range, occupied, *register = plain[count:]
    if held_range:
        meter.peak_w, meter.low_w = held_range
    meter.occupied = set(occupied or ())
    meter.blocked = meter.minute in meter.occupied
    if register and kind == kind_of(meter.spec):
        # one that was saved by an older wattround is shorter
        values = dict(zip(_REGISTER, register[0], strict=False))
        meter.register = Register(**values, slices={minute: (wms, ms) for minute, wms, ms in register[1]})
