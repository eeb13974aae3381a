"""Episodes: brewing, raised, settled; each told once, whatever the batching, across restarts."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from wattround.rules.condition import AtLevel, HouseIs
from wattround.rules.engine import Engine, RuleSpec
from wattround.rules.occupancy import Presence

LASTING, RELEASE = 600_000, 120_000
WATTS = 100.0


class Bench:
    """An engine over one load whose energy above standby is kept by hand."""

    def __init__(self, *, empty_rule=False, lasting=LASTING, release=RELEASE):
        self.presence = Presence({"imre": 10**12})
        self.lasting, self.release, self.empty_rule = lasting, release, empty_rule
        self.marks = [(0, 0.0)]
        self.engine = self.fresh()

    def fresh(self):
        engine = Engine(self.above)
        conditions = (AtLevel("active"), *([HouseIs("empty", self.presence)] if self.empty_rule else []))
        engine.configure([RuleSpec("r", "tv", conditions, self.lasting, self.release, "as stated")], 0, {})
        return engine

    def above(self, _load, at_ms):
        """Watt-milliseconds of a signal that is WATTS from some marks on and 0 from others."""
        total = 0.0
        for (begin, watts), (end, _) in zip(self.marks, [*self.marks[1:], (10**15, 0.0)], strict=True):
            total += watts * max(0, min(end, at_ms) - begin)
        return total

    def level(self, at_ms, level):
        self.marks.append((at_ms, WATTS if level == "active" else 0.0))
        self.engine.level(at_ms, "tv", level)

    def news(self):
        found, self.engine.news = self.engine.news, []
        return found


def test_a_rule_that_holds_long_enough_is_raised_at_that_very_instant():
    bench = Bench()
    bench.level(1_000, "active")
    bench.engine.advance(1_000 + LASTING - 1)
    assert bench.news() == []

    bench.engine.advance(10_000_000)

    (raised,) = bench.news()
    assert (raised.what, raised.began_ms, raised.at_ms) == ("raised", 1_000, 1_000 + LASTING)
    assert raised.waste_uwh == round(WATTS * LASTING / 3.6)


def test_it_settles_when_it_no_longer_held_and_wastes_until_then():
    bench = Bench()
    bench.level(1_000, "active")
    bench.level(2_000_000, "standby")
    bench.engine.advance(2_000_000 + RELEASE)

    raised, settled = bench.news()
    assert (settled.what, settled.at_ms, settled.reason) == ("settled", 2_000_000, "level")
    assert settled.waste_uwh == round(WATTS * (2_000_000 - 1_000) / 3.6)
    assert raised.began_ms == settled.began_ms


def test_a_flicker_shorter_than_the_release_changes_nothing():
    bench = Bench()
    bench.level(1_000, "active")
    bench.level(300_000, "standby")
    bench.level(300_000 + RELEASE - 1, "active")
    bench.engine.advance(1_000 + LASTING)

    assert [item.what for item in bench.news()] == ["raised"]


def test_what_stops_while_it_brews_is_never_told():
    bench = Bench()
    bench.level(1_000, "active")
    bench.level(LASTING - 1, "off")
    bench.engine.advance(10_000_000)

    assert bench.news() == []


def test_unknown_occupancy_never_counts_as_empty():
    bench = Bench(empty_rule=True)
    bench.level(1_000, "active")
    bench.engine.advance(10_000_000)
    assert bench.news() == []

    bench.presence.hear("imre", 10_000_000, is_home=False, retained=False)
    bench.engine.signals_changed(10_000_000)
    bench.engine.advance(20_000_000)
    assert [item.began_ms for item in bench.news()] == [10_000_000]


def test_a_load_that_falls_silent_settles_without_claiming_that_it_is_off():
    bench = Bench()
    bench.level(1_000, "active")
    bench.level(1_000_000, None)
    bench.engine.advance(2_000_000)

    assert [item.reason for item in bench.news()] == [None, "level-unknown"]


def test_a_changed_rule_settles_its_episode_and_starts_afresh():
    bench = Bench()
    bench.level(1_000, "active")
    bench.engine.advance(1_000_000)
    bench.news()
    bench.engine.configure(
        [RuleSpec("r", "tv", (AtLevel("active"),), 60_000, RELEASE, "otherwise")], 1_000_000, {"tv": "active"}
    )
    bench.engine.advance(1_060_000)

    assert [(item.what, item.reason) for item in bench.news()] == [("settled", "rule-changed"), ("raised", None)]


def restarted(bench, at_ms):
    saved = json.loads(json.dumps(bench.engine.snapshot()))
    bench.engine = bench.fresh()
    bench.engine.restore(saved, at_ms, at_ms)


def test_an_episode_survives_a_restart_without_a_second_message():
    bench = Bench()
    bench.level(1_000, "active")
    bench.engine.advance(1_000_000)
    assert [item.what for item in bench.news()] == ["raised"]

    restarted(bench, 1_000_000)
    bench.engine.level(1_030_000, "tv", "active")  # the first reading after the restart
    bench.engine.advance(5_000_000)
    assert bench.news() == []

    bench.level(5_000_000, "off")
    bench.engine.advance(6_000_000)
    assert [(item.what, item.began_ms) for item in bench.news()] == [("settled", 1_000)]


def test_an_episode_that_brewed_across_a_restart_is_raised_once():
    bench = Bench()
    bench.level(1_000, "active")
    restarted(bench, 300_000)
    bench.engine.level(310_000, "tv", "active")
    bench.engine.advance(10_000_000)

    assert [(item.what, item.began_ms) for item in bench.news()] == [("raised", 1_000)]


def test_an_episode_whose_load_is_never_heard_again_settles_after_the_release():
    bench = Bench()
    bench.level(1_000, "active")
    bench.engine.advance(1_000_000)
    bench.news()
    restarted(bench, 1_000_000)
    bench.engine.advance(1_000_000 + RELEASE)

    assert [item.reason for item in bench.news()] == ["level-unknown"]


changes = st.lists(st.tuples(st.integers(1, 900_000), st.sampled_from(["active", "standby", "off", None])), max_size=30)


@given(changes, st.lists(st.integers(0, 20_000_000), max_size=30))
def test_the_same_inputs_give_the_same_episodes_whatever_the_ticks(steps, ticks):
    def play(extra):
        bench = Bench()
        events, now = [(tick, None, False) for tick in extra], 0
        for gap, level in steps:
            now += gap
            events.append((now, level, True))
        for at_ms, level, is_level in sorted(events, key=lambda event: event[0]):
            if is_level:
                bench.level(at_ms, level)
            else:
                bench.engine.advance(at_ms)
        bench.engine.advance(40_000_000)
        return bench.news()

    assert play([]) == play(ticks)


class Episodes(RuleBasedStateMachine):
    """Levels, people, time, reloads and restarts in any order: every episode is raised once, then settled once."""

    @initialize()
    def begin(self):
        self.bench = Bench(empty_rule=True)
        self.now = 0
        self.seen = []

    def collect(self):
        self.seen += self.bench.news()

    @rule(span=st.integers(1, 1_500_000))
    def time_passes(self, span):
        self.now += span
        self.bench.engine.advance(self.now)
        self.collect()

    @rule(level=st.sampled_from(["active", "standby", "off", None]))
    def level_changes(self, level):
        self.now += 1
        self.bench.level(self.now, level)
        self.collect()

    @rule(home=st.booleans())
    def somebody_moves(self, home):
        self.now += 1
        self.bench.engine.advance(self.now)
        self.bench.presence.hear("imre", self.now, is_home=home, retained=False)
        self.bench.engine.signals_changed(self.now)
        self.collect()

    @precondition(lambda self: self.now > 0)
    @rule()
    def the_daemon_restarts(self):
        self.collect()
        restarted(self.bench, self.now)
        self.collect()

    @invariant()
    def episodes_never_overlap_and_are_told_once(self):
        open_since = None
        for item in getattr(self, "seen", []):
            if item.what == "raised":
                assert open_since is None
                open_since = item.began_ms
                assert item.at_ms >= item.began_ms + LASTING
            else:
                assert open_since == item.began_ms
                open_since = None
            assert 0 <= item.waste_uwh <= WATTS * (item.at_ms - item.began_ms) / 3.6 + 1


TestEpisodes = Episodes.TestCase
TestEpisodes.settings = settings(max_examples=80, stateful_step_count=40, deadline=None)
