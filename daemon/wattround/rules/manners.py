"""Manners: which news of episodes a channel is told, when, and what is said together in one message.

Quiet hours hold back what is not urgent and tell it in one digest at their end; news of one moment are gathered; a
raise that settled before it was told becomes one item; there is a most messages a day, and what lies beyond it goes
into the digest. Pure: what to say comes out as bulletins, the words are made elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from wattround.rules.engine import EpisodeNews
from wattround.rules.hush import Hush, Hushes
from wattround.rules.marks import DayTime, Edges, midnight_ms, window_at
from wattround.rules.outgoing import Bulletin, EpisodeKey, Item, Outgoing, Pending, Told, news_of
from wattround.rules.signals import FOREVER_MS

__all__ = ["Bulletin", "Item", "Manners", "OpenNow", "RuleWays", "Urgency", "Ways", "Withdraw"]

Urgency = Literal["urgent", "normal", "digest"]
Ends = Literal["news", "digest", "never"]
"""How it is told that an episode is over: as news of its own, in the digest, or not at all."""


class Ways(NamedTuple):
    """How people are told. Times in milliseconds; `quiet` has the digest at its end, else it is at `digest_at`."""

    zone: ZoneInfo
    quiet: Edges | None
    digest_at: DayTime
    gather_ms: int
    reminders: int
    ends: Ends = "news"


class RuleWays(NamedTuple):
    """How one rule's episodes are told: on which channels, and after how long they are reminded of.

    `once`: a count that has passed its bound is told, and neither reminded of nor told to be over.
    """

    urgency: Urgency
    channels: tuple[str, ...]
    remind_after_ms: int
    once: bool = False


Withdraw = Callable[[str, int], bool]
"""Take a channel's bulletin back; False if it is sent, or on its way."""
OpenNow = Callable[[str, str], EpisodeNews | None]
"""An open episode of a rule and load, with its waste so far."""


class Manners:
    """What channels are told of episodes, and when."""

    def __init__(self, ways: Ways, rules: Mapping[str, RuleWays], channels: Mapping[str, int]) -> None:
        self.hushes = Hushes()
        self._channels: dict[str, Outgoing] = {}
        self._ref = 0
        self._open: dict[EpisodeKey, EpisodeNews] = {}
        self.configure(ways, rules, channels)

    def configure(self, ways: Ways, rules: Mapping[str, RuleWays], channels: Mapping[str, int]) -> None:
        """Take up settings; `channels` has the most messages a day of each."""
        self._ways, self._rules = ways, rules
        old = self._channels
        self._channels = {name: old.get(name) or Outgoing(most) for name, most in channels.items()}
        for name, most in channels.items():
            self._channels[name].most_a_day = most

    # -- news -------------------------------------------------------------------------------------

    def hear(self, news: EpisodeNews) -> None:
        """An episode was raised, or has settled."""
        key = (news.rule, news.load, news.began_ms)
        if news.what == "raised":
            self._open[key] = news
            if not self.hushes.covers(news.rule, news.load):
                self._queue_raised(key, news)
            return
        self._open.pop(key, None)
        hushed = self.hushes.covers(news.rule, news.load)
        if news.reason == "level":
            self._catch_up(self.hushes.load_is_off(news.load, news.rule), news.at_ms)
        for channel in self._channels.values():
            self._settled(channel, key, news, hushed=hushed)

    def _queue_raised(self, key: EpisodeKey, news: EpisodeNews, at_ms: int | None = None) -> None:
        ways = self._rules.get(news.rule)
        for name in ways.channels if ways is not None else ():
            channel = self._channels.get(name)
            if channel is not None and key not in channel.told and key not in channel.pending:
                self._queue(channel, Item(raised=news), news.at_ms if at_ms is None else at_ms)

    def _settled(self, channel: Outgoing, key: EpisodeKey, news: EpisodeNews, *, hushed: bool) -> None:
        pending, told = channel.pending.get(key), channel.told.get(key)
        if told is not None:
            told.remind_ms = FOREVER_MS
        if pending is not None and pending.item.raised is not None:
            pending.item.settled = news
        elif told is not None and (hushed or self._once(news.rule)):
            channel.told.pop(key)
            channel.pending.pop(key, None)
        elif told is not None:
            self._queue(channel, Item(settled=news), news.at_ms)

    def _once(self, rule: str) -> bool:
        ways = self._rules.get(rule)
        return self._ways.ends == "never" or (ways is not None and ways.once)

    def _queue(self, channel: Outgoing, item: Item, at_ms: int) -> None:
        urgency = self._urgency(item)
        if urgency == "digest":
            due_ms, for_digest = self.digest_ms(at_ms), True
        elif urgency == "urgent":
            due_ms, for_digest = at_ms, False
        else:
            for_digest = self._is_quiet(at_ms)
            due_ms = self.digest_ms(at_ms) if for_digest else at_ms + self._ways.gather_ms
        channel.pending[item.key] = Pending(item, due_ms, for_digest)

    def _urgency(self, item: Item) -> Urgency:
        """That of the rule; that something is over is never urgent."""
        ways = self._rules.get(item.news.rule)
        urgency: Urgency = ways.urgency if ways is not None else "normal"
        if item.settled is None or item.raised is not None or urgency == "digest":
            return urgency
        return "digest" if self._ways.ends == "digest" else "normal"

    def _is_quiet(self, at_ms: int) -> bool:
        window = window_at(at_ms, self._ways.quiet, self._ways.zone) if self._ways.quiet else None
        return window is not None and window.from_ms <= at_ms < window.to_ms

    def digest_ms(self, at_ms: int) -> int:
        """When the next digest is told: at the end of the running or coming quiet hours, else at its hour."""
        if self._ways.quiet is not None:
            window = window_at(at_ms, self._ways.quiet, self._ways.zone)
            if window is not None:
                return window.to_ms
        window = window_at(at_ms, Edges(self._ways.digest_at, self._ways.digest_at), self._ways.zone)
        return window.to_ms if window is not None and window.from_ms <= at_ms else (
            window.from_ms if window is not None else at_ms
        )  # fmt: skip

    # -- hushing ----------------------------------------------------------------------------------

    def hush(self, hush: Hush) -> None:
        """Say no more of a rule."""
        self.hushes.put(hush)
        for channel in self._channels.values():
            for key in [key for key in channel.pending if hush.covers(*key[:2])]:
                if channel.pending.pop(key).item.settled is not None:
                    channel.told.pop(key, None)

    def load_is_off(self, load: str, rules: Iterable[str]) -> None:
        """A load that these rules watch is no longer active: what was hushed until then ends.

        While an episode is open the hush goes on until that settles: a flicker does not end it.
        """
        for rule in rules:
            if not any(hush.until == "off" and self._is_open(hush) for hush in self.hushes if hush.covers(rule, load)):
                self.hushes.load_is_off(load, rule)

    def _is_open(self, hush: Hush) -> bool:
        return any(hush.covers(*key[:2]) for key in self._open)

    def unhush(self, rule: str, load: str | None, now_ms: int) -> list[Hush]:
        """Speak of it again; what is still open and was not told is told."""
        ended = self.hushes.lift(rule, load)
        self._catch_up(ended, now_ms)
        return ended

    def _catch_up(self, ended: Iterable[Hush], now_ms: int) -> None:
        for hush in ended:
            for key, news in self._open.items():
                if hush.covers(*key[:2]) and not self.hushes.covers(*key[:2]):
                    self._queue_raised(key, news, now_ms)

    # -- bulletins --------------------------------------------------------------------------------

    def next_ms(self) -> int:
        """When there will be something to say, by time alone."""
        dues = [self.hushes.next_ms()]
        for channel in self._channels.values():
            dues += [pending.due_ms for pending in channel.pending.values()]
            dues += [told.remind_ms for told in channel.told.values()]
        return min(dues)

    def speak(self, now_ms: int, open_now: OpenNow, withdraw: Withdraw) -> list[Bulletin]:
        """What is due, as at most one bulletin of news and one digest a channel."""
        self._catch_up(self.hushes.over_at(now_ms), now_ms)
        found: list[Bulletin] = []
        for name, channel in self._channels.items():
            self._remind(channel, now_ms, open_now)
            found += self._speak(name, channel, now_ms, open_now, withdraw)
        return found

    def _remind(self, channel: Outgoing, now_ms: int, open_now: OpenNow) -> None:
        for key, told in list(channel.told.items()):
            if now_ms < told.remind_ms:
                continue
            is_unsent = told.ref in channel.sent  # nobody is reminded of what has not arrived yet
            told.reminders += 0 if is_unsent else 1
            self._plan_reminder(told, now_ms)
            if is_unsent:
                continue
            news = open_now(*key[:2])
            same = news is not None and news.began_ms == key[2]
            if news is not None and same and key not in channel.pending and not self.hushes.covers(*key[:2]):
                self._queue(channel, Item(open_since=news, reminder=told.reminders), now_ms)

    def _plan_reminder(self, told: Told, now_ms: int) -> None:
        ways = self._rules.get(told.raised.rule)
        more = ways is not None and not ways.once and told.reminders < self._ways.reminders
        told.remind_ms = now_ms + (ways.remind_after_ms << told.reminders) if more and ways else FOREVER_MS

    def _speak(
        self, name: str, channel: Outgoing, now_ms: int, open_now: OpenNow, withdraw: Withdraw
    ) -> Iterator[Bulletin]:
        if self._is_quiet(now_ms):
            calm = [pending.item for pending in channel.pending.values() if not self._is_urgent(pending.item)]
            self._hold_back(channel, calm, now_ms, capped=False)
        due = [pending for pending in channel.pending.values() if pending.due_ms <= now_ms]
        news: list[Item] = []
        if any(not pending.for_digest for pending in due):
            # what waits to be gathered goes along with what is due
            news = [pending.item for pending in channel.pending.values() if not pending.for_digest]
        if news and not self._may(channel, now_ms) and not any(map(self._is_urgent, news)):
            self._hold_back(channel, news, now_ms, capped=True)
            news = []
        if news:
            yield self._bulletin(name, channel, "news", self._whole(name, channel, news, open_now, withdraw), now_ms)
        # what was due and has gone along with the news is no longer there
        digest = [
            pending.item for pending in channel.pending.values() if pending.for_digest and pending.due_ms <= now_ms
        ]
        if digest:
            yield self._bulletin(
                name, channel, "digest", self._whole(name, channel, digest, open_now, withdraw), now_ms
            )

    def _whole(
        self, name: str, channel: Outgoing, items: list[Item], open_now: OpenNow, withdraw: Withdraw
    ) -> list[Item]:
        """With what is taken back; what goes on as it stands now, not as it stood when it was queued."""
        items = self._take_back(name, channel, items, withdraw)
        for item in items:
            news = open_now(*item.key[:2]) if item.settled is None else None
            if news is not None and news.began_ms == item.key[2]:
                item.open_since = news
        return items

    def _is_urgent(self, item: Item) -> bool:
        return self._urgency(item) == "urgent"

    def _may(self, channel: Outgoing, now_ms: int) -> bool:
        if now_ms >= channel.day_to_ms:
            channel.day_to_ms, channel.today = midnight_ms(now_ms, self._ways.zone, 1), 0
        return channel.today < channel.most_a_day

    def _hold_back(self, channel: Outgoing, items: list[Item], now_ms: int, *, capped: bool) -> None:
        """Into the digest; `capped`: because it lies beyond the day's most."""
        due_ms = self.digest_ms(now_ms)
        for item in items:
            item.capped = item.capped or capped
            channel.pending[item.key] = Pending(item, due_ms, for_digest=True)

    def _take_back(self, name: str, channel: Outgoing, items: list[Item], withdraw: Withdraw) -> list[Item]:
        """Where the bulletin that told the raise is still unsent, it is taken back, and all said in one."""
        merged = {item.key: item for item in items}
        for item in items:
            told = channel.told.get(item.key)
            if item.settled is None or item.raised is not None or told is None or told.ref not in channel.sent:
                continue
            taken = withdraw(name, told.ref)
            # one that cannot be taken back is as good as sent: what it said stands
            for earlier in channel.sent.pop(told.ref):
                if taken:
                    self._say_again(channel, earlier, merged)
        return list(merged.values())

    def _say_again(self, channel: Outgoing, earlier: Item, merged: dict[EpisodeKey, Item]) -> None:
        """An item of a bulletin that was taken back goes along with what is known of its episode since."""
        key = earlier.key
        if earlier.settled is None and key not in channel.told and not self._once(earlier.news.rule):
            return  # it was over while it was hushed
        if earlier.raised is not None:
            channel.told.pop(key, None)
        if self.hushes.covers(*key[:2]):
            return
        held = channel.pending.get(key)
        later = merged.setdefault(key, earlier if held is None else held.item)
        later.raised = later.raised or earlier.raised

    def _bulletin(
        self, name: str, channel: Outgoing, kind: Literal["news", "digest"], items: list[Item], now_ms: int
    ) -> Bulletin:
        self._ref += 1
        if kind == "news" and self._may(channel, now_ms):
            channel.today += 1
        for item in items:
            channel.pending.pop(item.key, None)
            if item.settled is not None:
                channel.told.pop(item.key, None)
            elif item.raised is not None and item.key in self._open:
                told = channel.told[item.key] = Told(item.raised, self._ref, now_ms)
                self._plan_reminder(told, now_ms)
        channel.remember(self._ref, tuple(items))
        capped = sum(item.capped for item in items)
        ordered = sorted(items, key=lambda item: (item.settled is not None, -item.news.waste_uwh, item.key))
        return Bulletin(name, self._ref, kind, tuple(ordered), capped, now_ms)

    def delivered(self, channel: str, ref: int) -> None:
        """A bulletin has been sent: it can no longer be taken back."""
        if channel in self._channels:
            self._channels[channel].sent.pop(ref, None)

    # -- saved state ------------------------------------------------------------------------------

    def clock_was_set(self, by_ms: int, now_ms: int) -> None:
        """Waits go on at another time of day; the day's count begins anew."""
        self.hushes.clock_was_set(by_ms)
        for channel in self._channels.values():
            channel.day_to_ms = channel.today = 0
            for pending in channel.pending.values():
                pending.due_ms = self.digest_ms(now_ms) if pending.for_digest else pending.due_ms + by_ms
            for told in channel.told.values():
                if told.remind_ms < FOREVER_MS:
                    told.remind_ms += by_ms

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "ref": self._ref,
            "hushes": self.hushes.snapshot(),
            "open": [list(news) for news in self._open.values()],
            "channels": {name: channel.snapshot() for name, channel in self._channels.items()},
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up what was saved, for channels that still exist."""
        self._ref = state["ref"]
        self.hushes.restore(state["hushes"])
        self._open = {(news.rule, news.load, news.began_ms): news for news in map(news_of, state["open"]) if news}
        for name, saved in state["channels"].items():
            if name in self._channels:
                self._channels[name].restore(saved)
