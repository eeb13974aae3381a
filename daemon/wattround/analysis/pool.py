"""Energy of several meters together, up to any instant: by hours, and by minutes where somebody needs it."""

from __future__ import annotations

from collections.abc import Collection
from itertools import accumulate

from wattround.ledger.past import Past
from wattround.metering.minute import MINUTE_MS, WMS_PER_UWH

HOUR_MS = 3_600_000


class Pool:
    """What some meters took together, in watt-milliseconds since the begin; `net`: less what they gave.

    What the meters of `less` took is taken off.
    """

    def __init__(self, past: Past, names: Collection[str], *, net: bool, less: Collection[str] = ()) -> None:
        self._past, self._names, self._net, self._less = past, names, net, less
        self._newest = past.newest_hour()
        self._taken: dict[int, float] = {}
        self._minutes: dict[int, list[float]] = {}
        self._last = 0.0

    def go_on(self, from_hour: int, to_hour: int) -> None:
        """Take up the next hours."""
        hours = self._past.pooled_hours(self._names, from_hour, to_hour, net=self._net)
        if self._less:
            off = self._past.pooled_hours(self._less, from_hour, to_hour, net=self._net)
            hours = {hour: hours.get(hour, 0) - off.get(hour, 0) for hour in hours | off}
        self._minutes.clear()
        self._taken = {from_hour: self._last}
        for hour in range(from_hour, to_hour):
            if hour > self._newest:
                hours[hour] = sum(self._minutes_of(hour).values())
            self._last += hours.get(hour, 0) * WMS_PER_UWH
            self._taken[hour + 1] = self._last

    def before(self, from_minute: int, to_minute: int) -> int:
        """Microwatt-hours in a stretch of minutes that lies before the hours gone through."""
        sums = self._past.sums(from_minute, to_minute)
        signed = [(sums[name], 1) for name in self._names if name in sums]
        signed += [(sums[name], -1) for name in self._less if name in sums]
        return sum(sign * (each.in_uwh - (each.out_uwh if self._net else 0)) for each, sign in signed)

    def ends(self, at_ms: int) -> tuple[float, float]:
        """What had been taken at the begin of the hour that holds an instant, and at its end."""
        hour = at_ms // HOUR_MS
        return self._taken.get(hour, self._last), self._taken.get(hour + 1, self._last)

    def had(self, at_ms: int) -> float:
        """What had been taken up to an instant, to the minute."""
        hour, into_ms = divmod(at_ms, HOUR_MS)
        begin = self._taken.get(hour, self._last)
        if not into_ms:
            return begin
        minutes = self._by_minute(hour)
        minute, rest_ms = divmod(into_ms, MINUTE_MS)
        return begin + minutes[minute] + (minutes[minute + 1] - minutes[minute]) * rest_ms / MINUTE_MS

    def _by_minute(self, hour: int) -> list[float]:
        if hour not in self._minutes:
            found = self._minutes_of(hour)
            each = [found.get(minute, 0) * WMS_PER_UWH for minute in range(hour * 60, hour * 60 + 60)]
            self._minutes[hour] = list(accumulate(each, initial=0.0))
        return self._minutes[hour]

    def _minutes_of(self, hour: int) -> dict[int, int]:
        found = self._past.pooled_minutes(self._names, hour, net=self._net)
        if self._less:
            off = self._past.pooled_minutes(self._less, hour, net=self._net)
            return {minute: found.get(minute, 0) - off.get(minute, 0) for minute in found | off}
        return found
