"""Whatever happens in whatever order: each episode is told once, ended once, in that order, and none is lost."""

import json
from collections import defaultdict
from datetime import datetime
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.rules import BERLIN, DAY, HOUR, MINUTE, SECOND, daily, ms
from wattround.rules.engine import EpisodeNews
from wattround.rules.hush import Hush
from wattround.rules.manners import Manners, RuleWays, Ways
from wattround.rules.marks import Edges, window_at

QUIET = Edges(daily("22:00"), daily("07:00"))
RULES = {
    "normal": RuleWays("normal", ("phone", "mail"), HOUR),
    "other": RuleWays("normal", ("phone",), 3 * HOUR),
    "urgent": RuleWays("urgent", ("phone", "mail"), HOUR),
    "digest": RuleWays("digest", ("phone",), HOUR),
    "untold": RuleWays("normal", (), HOUR),
}
CHANNELS = {"phone": 3, "mail": 1000}
LOADS = ("tv", "lamp")


class Telling:
    """Episodes, time, hushes, restarts, and channels that are slow, fail or work, in any order."""

    def __init__(self, chance, quiet):
        self.chance, self.quiet = chance, quiet
        self.now = ms("2025-10-24 12:00")  # before the clocks are set back
        self.manners = self.fresh()
        self.open = {}
        self.episodes = {}  # key: settled or not
        self.touched = set()  # by a hush
        self.waiting, self.flying, self.arrived = [], [], []

    def play(self, steps):
        ways = {
            self.an_episode_is_raised: 6, self.an_episode_settles: 5, self.time_passes: 7, self.somebody_hushes: 0.5,
            self.somebody_lifts_a_hush: 1, self.a_load_goes_off: 0.5, self.the_daemon_restarts: 1,
            self.a_message_is_on_its_way: 1.5, self.a_channel_answers: 1.5,
        }  # fmt: skip
        for step in self.chance.choices([*ways], [*ways.values()], k=steps):
            step()

    def which(self):
        return self.chance.choice(sorted(RULES)), self.chance.choice(LOADS)

    def fresh(self):
        return Manners(Ways(BERLIN, self.quiet, daily("08:00"), 30 * SECOND, 2), RULES, CHANNELS)

    # -- what happens -------------------------------------------------------------------------------

    def an_episode_is_raised(self):
        self.now += 1
        which = self.which()
        if which in self.open:
            return
        news = EpisodeNews("raised", *which, self.now - 10 * MINUTE, self.now, self.now, 1_000, None)
        key = (*which, news.began_ms)
        self.open[which] = news
        self.episodes[key] = False
        if self.manners.hushes.covers(*which):
            self.touched.add(key)
        self.manners.hear(news)

    def an_episode_settles(self):
        which, reason = self.which(), self.chance.choice(["level", "occupancy", "rule-changed"])
        news = self.open.pop(which, None)
        if news is None:
            return
        self.episodes[*which, news.began_ms] = True
        at_ms = max(news.raised_ms, self.now - self.chance.randrange(120_000))
        self.manners.hear(news._replace(what="settled", at_ms=at_ms, waste_uwh=2_000, reason=reason))

    def time_passes(self):
        spans = {SECOND: 3, 29 * SECOND: 3, 31 * SECOND: 4, 10 * MINUTE: 2, HOUR: 3, 5 * HOUR: 2, DAY: 0.5}
        self.now += self.chance.choices([*spans], [*spans.values()])[0]
        self.speak()

    def somebody_hushes(self):
        which, until = self.which(), self.chance.choice(["time", "off", "good"])
        end = [self.now + self.chance.randrange(DAY)] if until == "time" else []
        hush = Hush(which[0], self.chance.choice([None, which[1]]), until, *end)
        self.manners.hush(hush)
        self.touched |= {key for key in self.episodes if hush.covers(*key[:2])}

    def somebody_lifts_a_hush(self):
        which = self.which()
        self.manners.unhush(which[0], self.chance.choice([None, which[1]]), self.now)

    def a_load_goes_off(self):
        which = self.which()
        self.manners.load_is_off(which[1], [which[0]])

    def the_daemon_restarts(self):
        saved = self.manners.snapshot()
        self.manners = self.fresh()
        self.manners.restore(json.loads(json.dumps(saved)))
        assert self.manners.snapshot() == saved
        self.waiting, self.flying = sorted([*self.waiting, *self.flying], key=lambda found: found.ref), []

    def a_message_is_on_its_way(self):
        if not self.waiting:
            return
        self.flying.append(self.waiting.pop(0))

    def a_channel_answers(self):
        if not self.flying:
            return
        bulletin = self.flying.pop(0)
        if self.chance.random() < 0.6:
            self.arrived.append(bulletin)
            self.manners.delivered(bulletin.channel, bulletin.ref)
        else:
            self.waiting.append(bulletin)

    # -- around it ----------------------------------------------------------------------------------

    def open_now(self, rule_name, load):
        news = self.open.get((rule_name, load))
        return None if news is None else news._replace(at_ms=self.now, waste_uwh=1_500)

    def withdraw(self, channel, ref):
        for bulletin in self.waiting:
            if (bulletin.channel, bulletin.ref) == (channel, ref):
                self.waiting.remove(bulletin)
                return True
        return False

    def speak(self):
        if self.now < self.manners.next_ms():
            return
        for bulletin in self.manners.speak(self.now, self.open_now, self.withdraw):
            self.waiting.append(bulletin)
            self.check(bulletin)

    def check(self, bulletin):
        assert bulletin.items
        assert bulletin.at_ms == self.now
        keys = [item.key for item in bulletin.items]
        assert len(keys) == len(set(keys))
        urgent = any(RULES[item.news.rule].urgency == "urgent" for item in bulletin.items)
        window = window_at(self.now, self.quiet, BERLIN) if self.quiet else None
        assert urgent or window is None or self.now < window.from_ms
        for item in bulletin.items:
            assert bulletin.channel in RULES[item.news.rule].channels
            if item.settled is None and item.key[:2] in self.open and self.open[item.key[:2]].began_ms == item.key[2]:
                assert (item.news.at_ms, item.news.waste_uwh) == (self.now, 1_500)

    def told_in_order(self, bulletins):
        raises, ends, day = defaultdict(int), defaultdict(int), defaultdict(int)
        for bulletin in sorted(bulletins, key=lambda found: found.ref):
            urgent = any(RULES[item.news.rule].urgency == "urgent" for item in bulletin.items)
            if bulletin.kind == "news" and not urgent:
                local = datetime.fromtimestamp(bulletin.at_ms / 1000, BERLIN).date()
                day[bulletin.channel, local] += 1
            for item in bulletin.items:
                key = (bulletin.channel, *item.key)
                if item.raised is not None:
                    assert ends[key] == 0, "raised after it was over"
                    raises[key] += 1
                if item.settled is not None:
                    ends[key] += 1
                if item.reminder and item.raised is None and item.settled is None:
                    assert (raises[key], ends[key]) == (1, 0), "a reminder of what is not known or over"
                assert raises[key] <= 1
                assert ends[key] <= raises[key]
        # of urgent ones there may be any number
        assert all(count <= CHANNELS[channel] for (channel, _), count in day.items())
        return raises, ends

    def come_to_an_end(self):
        """Hushes are lifted, ten days go by, channels work: now everything has been said."""
        for name in RULES:
            self.manners.unhush(name, None, self.now)
        for _ in range(12 * 10):
            self.now += 2 * HOUR
            self.speak()
        raises, ends = self.told_in_order([*self.arrived, *self.flying, *self.waiting])
        for key, is_over in self.episodes.items():
            for channel in RULES[key[0]].channels:
                if key not in self.touched:
                    assert raises[channel, *key] == 1, "an episode was lost"
                    assert ends[channel, *key] == is_over, "an end was lost"
                elif not is_over:
                    assert raises[channel, *key] == 1, "what is still open is told when its hush is over"
        for channel in self.manners.snapshot()["channels"].values():
            assert channel["pending"] == []
            assert len(channel["told"]) <= len(self.open)


@pytest.mark.parametrize("quiet", [QUIET, None], ids=["quiet hours", "no quiet hours"])
@settings(max_examples=50)
@given(st.integers(0, 1 << 32))
def test_each_episode_is_told_once_and_ended_once_in_that_order_and_none_is_lost(quiet, seed):
    telling = Telling(Random(seed), quiet)
    telling.play(120)
    telling.come_to_an_end()
