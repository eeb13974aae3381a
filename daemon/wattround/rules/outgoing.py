"""What a channel is to be told and has been told: items, bulletins, and the state of one channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from wattround.rules.engine import EpisodeNews
from wattround.rules.signals import FOREVER_MS

EpisodeKey = tuple[str, str, int]
"""Rule, load, begin."""
KEEP_REFS = 200
"""Bulletins remembered, in case one must be taken back because it could not be sent."""


@dataclass(slots=True)
class Item:
    """One episode in a bulletin: `raised` if that is news, `settled` if that is, `reminder` if it is still going on.

    `open_since`: where an episode that goes on stands when it is told.
    """

    raised: EpisodeNews | None = None
    settled: EpisodeNews | None = None
    reminder: int = 0
    open_since: EpisodeNews | None = None
    capped: bool = False

    @property
    def news(self) -> EpisodeNews:
        """The latest that is known."""
        found = self.settled or self.open_since or self.raised
        assert found is not None
        return found

    @property
    def key(self) -> EpisodeKey:
        """Which episode."""
        return self.news.rule, self.news.load, self.news.began_ms


class Bulletin(NamedTuple):
    """What one message is to say to one channel. `capped`: how many of its items had to wait for a digest."""

    channel: str
    ref: int
    kind: Literal["news", "digest"]
    items: tuple[Item, ...]
    capped: int
    at_ms: int


@dataclass(slots=True)
class Pending:
    """An item that waits: until when, and whether for a digest."""

    item: Item
    due_ms: int
    for_digest: bool


@dataclass(slots=True)
class Told:
    """An open episode that a channel knows of, by which bulletin; `remind_ms` is when it is reminded of it."""

    raised: EpisodeNews
    ref: int
    told_ms: int
    reminders: int = 0
    remind_ms: int = FOREVER_MS


@dataclass(slots=True)
class Outgoing:
    """State of one channel: what waits, which open episodes it knows of, what may be taken back, the day's count."""

    most_a_day: int
    pending: dict[EpisodeKey, Pending] = field(default_factory=dict)
    told: dict[EpisodeKey, Told] = field(default_factory=dict)
    sent: dict[int, tuple[Item, ...]] = field(default_factory=dict)
    day_to_ms: int = 0
    today: int = 0

    def remember(self, ref: int, items: tuple[Item, ...]) -> None:
        """Keep what a bulletin said, for as long as it may have to be taken back."""
        self.sent[ref] = items
        while len(self.sent) > KEEP_REFS:
            del self.sent[next(iter(self.sent))]

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "pending": [[_plain_item(held.item), held.due_ms, held.for_digest] for held in self.pending.values()],
            "told": [
                [list(told.raised), told.ref, told.told_ms, told.reminders, told.remind_ms]
                for told in self.told.values()
            ],
            "sent": [[ref, [_plain_item(item) for item in items]] for ref, items in self.sent.items()],
            "day": [self.day_to_ms, self.today],
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what was saved."""
        for plain, due_ms, for_digest in saved["pending"]:
            item = _item(plain)
            self.pending[item.key] = Pending(item, due_ms, for_digest)
        for raised, ref, told_ms, reminders, remind_ms in saved["told"]:
            news = EpisodeNews(*raised)
            self.told[news.rule, news.load, news.began_ms] = Told(news, ref, told_ms, reminders, remind_ms)
        self.sent = {ref: tuple(_item(plain) for plain in items) for ref, items in saved["sent"]}
        self.day_to_ms, self.today = saved["day"]


def _plain_item(item: Item) -> list[Any]:
    parts = (item.raised, item.settled, item.open_since)
    return [*(list(part) if part is not None else None for part in parts), item.reminder, item.capped]


def _item(saved: list[Any]) -> Item:
    raised, settled, open_since = (news_of(part) for part in saved[:3])
    return Item(raised, settled, saved[3], open_since, saved[4])


def news_of(saved: list[Any] | None) -> EpisodeNews | None:
    """An episode's news from plain values."""
    return None if saved is None else EpisodeNews(*saved)
