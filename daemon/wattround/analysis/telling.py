"""What people and programs would have been told: the same manners as live, every message delivered at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from wattround.config.model import Settings
from wattround.core.rulebook import channel_ways, manners_ways, rule_ways
from wattround.rules.engine import Engine, EpisodeNews
from wattround.rules.manners import Manners
from wattround.rules.signals import FOREVER_MS


class Voice:
    """Counts the messages of one variant of the rules from an instant on, by channel and by rule and channel."""

    def __init__(self, settings: Settings, own_names: Mapping[str, str], from_ms: int) -> None:
        self._own_names, self._from_ms = own_names, from_ms
        self._manners = Manners(manners_ways(settings), rule_ways(settings), channel_ways(settings))
        tells = {rule.name: rule.tell for rule in settings.rules}
        raw = [channel.name for channel in settings.channels if channel.is_raw]
        self._raw = {
            name: [channel for channel in raw if tell is None or channel in tell] for name, tell in tells.items()
        }
        self.messages: Counter[str] = Counter()
        self.digests: Counter[str] = Counter()
        self.of_rule: dict[str, Counter[str]] = {name: Counter() for name in own_names.values()}
        self.next_ms = FOREVER_MS

    def hear(self, news: EpisodeNews, at_ms: int) -> None:
        """An episode was raised, or has settled."""
        self._manners.hear(news)
        self.next_ms = self._manners.next_ms()
        for channel in self._raw[news.rule]:
            self._count(channel, {self._own_names[news.rule]}, at_ms)

    def speak(self, at_ms: int, engine: Engine) -> None:
        """Say what is due."""

        def open_now(rule: str, load: str) -> EpisodeNews | None:
            return next((news for news in engine.open_episodes(at_ms) if (news.rule, news.load) == (rule, load)), None)

        for bulletin in self._manners.speak(at_ms, open_now, lambda _channel, _ref: False):
            self._manners.delivered(bulletin.channel, bulletin.ref)
            rules = {self._own_names[item.news.rule] for item in bulletin.items}
            self._count(bulletin.channel, rules, at_ms)
            if bulletin.kind == "digest" and at_ms >= self._from_ms:
                self.digests[bulletin.channel] += 1
        self.next_ms = self._manners.next_ms()

    def _count(self, channel: str, rules: set[str], at_ms: int) -> None:
        if at_ms >= self._from_ms:
            self.messages[channel] += 1
            for rule in rules:
                self.of_rule[rule][channel] += 1
