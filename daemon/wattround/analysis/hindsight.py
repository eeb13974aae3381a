"""What conditions ask of the metering, answered from the ledger instead of from running meters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from wattround.analysis.pool import Pool
from wattround.analysis.track import HOUR_MS
from wattround.analysis.tracks import Tracks
from wattround.core.rulebook import HOUSE
from wattround.ledger.past import HourTotal, Past
from wattround.metering.consumption import sources
from wattround.metering.minute import MINUTE_MS
from wattround.metering.tree import Tree


class Known(NamedTuple):
    """What there is to know of the house's meters: holds in milliseconds, roles, nesting."""

    holds_ms: Mapping[str, int]
    roles: Mapping[str, str]
    tree: Tree


class Hindsight:
    """Answers for instants of the hours that the tracks have just gone through."""

    def __init__(self, past: Past, known: Known) -> None:
        self._past, self._known = past, known
        self.tracks = Tracks(past, {}, ())
        self.pools: dict[str, Pool] = {}
        self.members: dict[str, tuple[str, ...]] = {}
        self._since: dict[int, int] = {}
        self._heard_hours = range(0)

    # -- energy -----------------------------------------------------------------------------------

    def above(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds above standby since the begin, up to `at_ms`."""
        track = self.tracks.by_name.get(load)
        return track.had(at_ms) if track is not None else 0.0

    def energy(self, load: str, at_ms: int) -> float:
        """Watt-milliseconds taken since the begin, up to `at_ms`."""
        return self.pools[load].had(at_ms)

    def pool_of(self, load: str) -> Pool:
        """The energy of a load: of a meter, of several together, or of the house, as `core.facts` has it."""
        roles = self._known.roles
        if load != HOUSE or load in roles:
            return Pool(self._past, self.members.get(load, (load,)), net=False)
        of = sources(self._known.tree)
        return Pool(self._past, of.supplies + of.generators, net=True, less=of.storages)

    def go_on(self, from_hour: int, to_hour: int) -> None:
        """Take up the next hours."""
        for pool in self.pools.values():
            pool.go_on(from_hour, to_hour)

    # -- silence ----------------------------------------------------------------------------------

    @staticmethod
    def heard_ms(_meter: str) -> None:
        """Nothing: here the answer depends on the instant, see `heard_before`."""

    def heard_before(self, meter: str, at_ms: int) -> int | None:
        """When a meter was last heard, or listening began; None while no meter at all was.

        Minutes do not say when within its hold a reading came: a meter that falls silent is taken as heard until
        the hold's begin, one that goes on as heard just now.
        """
        track = self.tracks.by_name.get(meter)
        if track is None or not track.stretches:
            heard_ms = -1
        else:
            begin_ms, end_ms = next((s for s in reversed(track.stretches) if s[0] <= at_ms), track.stretches[0])
            if at_ms < end_ms:
                goes_on = at_ms + self._known.holds_ms[meter] <= end_ms or end_ms % HOUR_MS == 0
                return at_ms if goes_on else max(begin_ms, end_ms - self._known.holds_ms[meter])
            heard_ms = max(begin_ms, end_ms - self._known.holds_ms[meter])
        listening_ms = self._listening_ms(at_ms)
        return None if listening_ms is None else max(heard_ms, listening_ms)

    def _listening_ms(self, at_ms: int) -> int | None:
        """Since when some meter has been heard in every minute: when none is, the broker or the daemon was away."""
        hour, minute = at_ms // HOUR_MS, at_ms // MINUTE_MS
        if hour not in self._heard_hours:
            self._heard_hours = range(hour - 24, hour + 24)
            self._since = {}
            for heard in sorted(self._past.heard_minutes(hour - 24, hour + 24)):
                self._since[heard] = self._since.get(heard - 1, heard)
        return self._since[minute] * MINUTE_MS if minute in self._since else None

    def silent_hour(self, meter: str, at_ms: int) -> bool:
        """Whether the meter is silent until the end of the hour, while others are heard."""
        track, end_ms = self.tracks.by_name.get(meter), (at_ms // HOUR_MS + 1) * HOUR_MS
        if track is not None and any(begin < end_ms and end > at_ms for begin, end in track.stretches):
            return False
        return self._listening_ms(at_ms) is not None and all(
            minute in self._since for minute in range(at_ms // MINUTE_MS, end_ms // MINUTE_MS)
        )

    # -- nesting ----------------------------------------------------------------------------------

    def excess_w(self, meter: str, at_ms: int) -> float | None:
        """Watts by which the meters within it exceeded it at `at_ms`, to the minute; None unless all are known."""
        children = self._known.tree.children.get(meter, [])
        parent = self._watts(meter, at_ms)
        parts = [(child, self._watts(child, at_ms)) for child in children]
        if parent is None or not parts:
            return None
        total = 0.0
        for child, watts in parts:
            if watts is None:
                return None
            total += -watts if child in self._known.tree.generators else watts
        return total - parent

    def _watts(self, name: str, at_ms: int) -> float | None:
        track = self.tracks.by_name.get(name)
        return None if track is None else track.watts_at(at_ms)

    def may_exceed(self, meter: str, by_w: float, at_ms: int) -> bool:
        """Whether the meters within it may have exceeded it by so much in the hour of `at_ms`."""
        totals = self.tracks.totals.get(at_ms // HOUR_MS, {})
        children = self._known.tree.children.get(meter, [])
        found = [totals.get(name) for name in (meter, *children)]
        if any(total is None for total in found):
            return at_ms // HOUR_MS > self._past.newest_hour()
        parent, *parts = [_span_w(total) for total in found if total is not None]
        makers = self._known.tree.generators
        most = sum(-low if child in makers else peak for child, (low, peak) in zip(children, parts, strict=True))
        return most - parent[0] >= by_w

    @staticmethod
    def worn_off(_load: str) -> bool | None:
        """Never known: what was watched when is not kept."""
        return None

    @staticmethod
    def troubles() -> frozenset[str]:
        """None: they are not kept."""
        return frozenset()


def _span_w(total: HourTotal) -> tuple[float, float]:
    """Least and most watts of an hour."""
    if total.peak_milliw is None or total.low_milliw is None:
        return float("-inf"), float("inf")
    return total.low_milliw / 1000, total.peak_milliw / 1000
