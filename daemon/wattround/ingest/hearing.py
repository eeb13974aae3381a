"""What a short visit to the broker heard of each configured topic: counts, cadence, clocks. Keeps nothing."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from wattround.config.model import Settings
from wattround.ingest.feed import Feed, Router, feeds_of
from wattround.ingest.payload import BadPayload

MOST_KEPT = 500
MOST_NAMES = 500


@dataclass(slots=True)
class Heard:
    """Of one feed. Values in W or Wh; `offsets_ms`: payload's own time less that of arrival."""

    feed: Feed
    fresh: int = 0
    retained: int = 0
    bad: int = 0
    last_bad: str = ""
    value: float | str | None = None
    last_ms: int = 0
    arrivals_ms: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_KEPT))
    offsets_ms: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_KEPT))

    @property
    def gaps_ms(self) -> list[int]:
        """Times between messages that followed one another."""
        return [after - before for before, after in pairwise(self.arrivals_ms)]

    @property
    def offset_ms(self) -> float | None:
        """How far its clock is ahead of ours, delivery included; None without stamps."""
        return median(self.offsets_ms) if self.offsets_ms else None


Notice = Callable[[Feed, list[tuple[float, int | None]], int, bool], None]
"""Values of a power feed with their stamps, when they arrived, whether they were retained."""


class Hearing:
    """Takes messages; nothing that is heard can end it. `notice` is told of every reading of power."""

    def __init__(self, settings: Settings, notice: Notice | None = None) -> None:
        self._notice = notice
        self.router = Router(settings)
        self.names: dict[str, str] = {}
        self._heard = {id(feed): Heard(feed) for feed in self.router.feeds}
        self.unmatched = 0

    def subscriptions(self) -> dict[str, int]:
        """Filters, all at QoS 0: whoever only visits leaves nothing for the broker to keep."""
        return dict.fromkeys(self.router.subscriptions(), 0)

    def take(self, topic: str, payload: bytes, at_ms: int, *, retained: bool) -> None:
        """Take one message."""
        for feed in self.router.exact.get(topic) or self._newcomers(topic):
            heard = self._heard[id(feed)]
            try:
                value = self._decoded(heard, payload, at_ms, retained=retained)
            except BadPayload as trouble:
                heard.bad, heard.last_bad = heard.bad + 1, str(trouble)
                continue
            heard.value, heard.last_ms = value, at_ms
            if retained:
                heard.retained += 1
            else:
                heard.fresh += 1
                heard.arrivals_ms.append(at_ms)

    def _decoded(self, heard: Heard, payload: bytes, at_ms: int, *, retained: bool) -> float | str:
        feed = heard.feed
        if feed.kind not in ("power", "counter"):
            return feed.decode_word(payload)
        values = feed.values(payload, at_ms)
        heard.offsets_ms.extend(stamp_ms - at_ms for _, stamp_ms in values if stamp_ms is not None)
        if self._notice is not None and feed.kind == "power" and values:
            self._notice(feed, values, at_ms, retained)
        return values[-1][0] if values else 0.0

    def _newcomers(self, topic: str) -> tuple[Feed, ...]:
        for pattern, name in self.router.newcomers(topic):
            if name in self.names or name in self.router.meters or len(self.names) >= MOST_NAMES:
                continue
            self.names[name] = pattern.name
            for feed in feeds_of(pattern, name):
                self.router.add(feed)
                self._heard[id(feed)] = Heard(feed)
        found = self.router.exact.get(topic, ())
        self.unmatched += not found
        return found

    def __iter__(self) -> Iterator[Heard]:
        return iter(self._heard.values())

    @property
    def is_complete(self) -> bool:
        """Whether every feed of watts or energy has been heard often enough to say how often it comes."""
        return all(heard.fresh >= 3 for heard in self if heard.feed.kind in ("power", "counter"))
