"""Whatever happens in whatever order: each episode is told once, ended once, in that order, and none is lost."""

import json
from collections import defaultdict
from datetime import datetime
from zoneinfo import ZoneInfo

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from support.rules import DAY, HOUR, MINUTE, SECOND, daily, ms
from wattround.rules.engine import EpisodeNews
from wattround.rules.hush import Hush
from wattround.rules.manners import Manners, RuleWays, Ways
from wattround.rules.marks import Edges, window_at

BERLIN = ZoneInfo("Europe/Berlin")
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
names = st.tuples(st.sampled_from(sorted(RULES)), st.sampled_from(LOADS))


class Telling(RuleBasedStateMachine):
    """Episodes, time, hushes, restarts, and channels that are slow, fail or work, in any order."""

    quiet = QUIET

    @initialize()
    def begin(self):
        self.now = ms("2025-10-24 12:00")  # before the clocks are set back
        self.manners = self.fresh()
        self.open = {}
        self.episodes = {}  # key: settled or not
        self.touched = set()
        self.waiting, self.flying, self.arrived = [], [], []

    def fresh(self):
        return Manners(Ways(BERLIN, self.quiet, daily("08:00"), 30 * SECOND, 2), RULES, CHANNELS)

    # -- what happens -------------------------------------------------------------------------------

    @rule(which=names)
    def an_episode_is_raised(self, which):
        self.now += 1
        if which in self.open:
            return
        news = EpisodeNews("raised", *which, self.now - 10 * MINUTE, self.now, self.now, 1_000, None)
        key = (*which, news.began_ms)
        self.open[which] = news
        self.episodes[key] = False
        if self.manners.hushes.covers(*which):
            self.touched.add(key)
        self.manners.hear(news)

    @rule(which=names, reason=st.sampled_from(["level", "occupancy", "rule-changed"]), ago=st.integers(0, 120_000))
    def an_episode_settles(self, which, reason, ago):
        news = self.open.pop(which, None)
        if news is None:
            return
        self.episodes[*which, news.began_ms] = True
        at_ms = max(news.raised_ms, self.now - ago)
        self.manners.hear(news._replace(what="settled", at_ms=at_ms, waste_uwh=2_000, reason=reason))

    @rule(span=st.sampled_from([1, 29 * SECOND, 31 * SECOND, 10 * MINUTE, HOUR, 5 * HOUR, DAY]))
    def time_passes(self, span):
        self.now += span
        self.speak()

    @rule(which=names, of_all=st.booleans(), until=st.sampled_from(["time", "off", "good"]), span=st.integers(1, DAY))
    def somebody_hushes(self, which, of_all, until, span):
        hush = Hush(which[0], None if of_all else which[1], until, *([self.now + span] if until == "time" else []))
        self.manners.hush(hush)
        self.touched |= {key for key in self.episodes if hush.covers(*key[:2])}

    @rule(which=names, of_all=st.booleans())
    def somebody_lifts_a_hush(self, which, of_all):
        self.manners.unhush(which[0], None if of_all else which[1], self.now)

    @rule(which=names)
    def a_load_goes_off(self, which):
        self.manners.load_is_off(which[1], [which[0]])

    @rule()
    def the_daemon_restarts(self):
        saved = self.manners.snapshot()
        self.manners = self.fresh()
        self.manners.restore(json.loads(json.dumps(saved)))
        assert self.manners.snapshot() == saved
        self.waiting, self.flying = sorted([*self.waiting, *self.flying], key=lambda found: found.ref), []

    @precondition(lambda self: self.waiting)
    @rule()
    def a_message_is_on_its_way(self):
        self.flying.append(self.waiting.pop(0))

    @precondition(lambda self: self.flying)
    @rule(works=st.booleans())
    def a_channel_answers(self, works):
        bulletin = self.flying.pop(0)
        if works:
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

    @invariant()
    def nobody_is_told_twice_or_of_an_end_before_its_beginning(self):
        if hasattr(self, "manners"):
            self.told_in_order([*self.arrived, *self.flying, *self.waiting])

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
        assert all(count <= CHANNELS[channel] for (channel, _), count in day.items())
        return raises, ends

    def teardown(self):
        """Hushes are lifted, ten days go by, channels work: now everything has been said."""
        if not hasattr(self, "manners"):
            return
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


class TellingWithoutQuietHours(Telling):
    quiet = None


TestTelling = Telling.TestCase
TestTelling.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
TestTellingWithoutQuietHours = TellingWithoutQuietHours.TestCase
TestTellingWithoutQuietHours.settings = settings(max_examples=80, stateful_step_count=40, deadline=None)
