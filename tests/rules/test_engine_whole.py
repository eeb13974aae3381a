"""The engine against an oracle that looks at every millisecond, and what must not make a difference to it."""

from collections import defaultdict
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from support.rules import BERLIN, Bench, Meters, spec
from wattround.rules.condition import AtLevel, Draws, HouseIs, SignalSays
from wattround.rules.load import NOTHING_KNOWN, Drawn
from wattround.rules.occupancy import Presence, Ways
from wattround.rules.signals import Claim, Signals

ACTIVE = AtLevel(frozenset({"active"}))
OPEN = Claim("window", words=frozenset({"open"}), lasting_ms=6)
WARM = Claim("outside", above=20.0)
DRAWN = [
    Drawn("active", 160.0), Drawn("active", 130.0), Drawn("active", 100.0), Drawn("standby", 25.0),
    Drawn("standby", 15.0), Drawn("off", 0.0), NOTHING_KNOWN,
]  # fmt: skip
END = 400

SAID = [
    *(("draw", load, drawn) for load in ("a", "b") for drawn in DRAWN),
    *(("person", person, is_home) for person in ("imre", "odile") for is_home in (True, False, False)),
    *(("signal", "window", word) for word in ("open", "open", "closed")),
    *(("signal", "outside", word) for word in ("25", "15", "broken")),
]


def some_inputs(seed):
    """Dense in time, so that much happens within a lasting or a release; and now and then a pause."""
    chance = Random(seed)
    steps, gaps = chance.randrange(60), (0, 0, 1, 1, 2, 2, 3, 5, 8, 20)
    return [(chance.choice(gaps), chance.choice(SAID)) for _ in range(steps)]


seeds = st.integers(0, 1 << 32)
inputs = seeds.map(some_inputs)
instants = st.tuples(seeds, st.integers(0, 60)).map(lambda pair: set(Random(pair[0]).sample(range(END), pair[1])))


class World:
    """What rules look at beside watts; the engine and the oracle each have one."""

    def __init__(self):
        self.signals = Signals({"window": 60, "outside": 60}, [OPEN, WARM])
        self.presence = Presence.of(Ways({"imre": 50, "odile": 70}, 4), self.signals)

    def hear(self, at_ms, kind, name, value):
        if kind == "person":
            self.presence.hear(name, at_ms, is_home=value, retained=False)
        elif kind == "signal":
            self.signals.hear(name, at_ms, value, retained=False)

    def specs(self, *, least_release=0):
        found = [
            spec(ACTIVE, name="plain", load="a", lasting=5, release=3),
            spec(ACTIVE, HouseIs("empty", self.presence), name="empty", load="a", lasting=4, release=0),
            spec(ACTIVE, HouseIs("occupied", self.presence), name="occupied", load="b", lasting=0, release=2),
            spec(Draws(150.0, None, 120.0), name="sum", load="sum+", lasting=2, release=2, members=("a", "b")),
            spec(
                AtLevel(frozenset({"off", "standby"})),
                name="idle",
                load="sum+",
                lasting=7,
                release=1,
                members=("a", "b"),
            ),
            spec(Draws(None, 20.0, 30.0), name="low", load="b", lasting=3, release=4),
            spec(SignalSays(OPEN, self.signals), ACTIVE, name="window", load="a", lasting=0, release=1),
            spec(SignalSays(WARM, self.signals), name="warm", load="house", lasting=9, release=9),
        ]
        return [each._replace(release_ms=max(least_release, each.release_ms)) for each in found]


def script(steps):
    """Inputs by instant: the last word of each source at one instant stands."""
    found, now = defaultdict(dict), 0
    for gap, (kind, name, value) in steps:
        now += gap
        found[now].pop((kind, name), None)
        found[now][kind, name] = value
    return found


def feed(bench, world, at_ms, inputs_now):
    for (kind, name), value in inputs_now:
        if kind == "draw":
            bench.meters.put(at_ms, name, value.watts or 0.0)
            bench.last[name] = value
            bench.engine.drawn(at_ms, name, value)
        else:
            bench.engine.advance(at_ms)
            world.hear(at_ms, kind, name, value)
            bench.engine.signals_changed(at_ms)


def play(steps, *, ticks=(), shuffle=None, restarts=(), least_release=0):
    world = World()
    bench = Bench(lambda: world.specs(least_release=least_release), BERLIN)
    events = script(steps)
    for at_ms in sorted({*events, *ticks, *restarts}):
        if at_ms in restarts:
            bench.restart(at_ms)
        if at_ms in ticks:
            bench.engine.advance(at_ms)
        now = list(events.get(at_ms, {}).items())
        if shuffle is not None:
            shuffle.shuffle(now)
        feed(bench, world, at_ms, now)
    return bench.news(END), bench.meters


def told(news):
    """In an order of its own: rules that change at one instant are told in the order of the file."""
    return sorted((item.at_ms, item.what, item.rule, item.load, item.began_ms, item.waste_uwh) for item in news)


# -- the oracle ---------------------------------------------------------------------------------------


class Naive:
    """One rule, looked at in every millisecond, by the words of its definition."""

    def __init__(self, rule, energy):
        self.rule, self.energy = rule, energy
        self.began = self.raised = self.failed = None
        self.news = []

    def truth(self, at_ms, load):
        return all(part.truth(at_ms, load, holding=self.began is not None) is True for part in self.rule.conditions)

    def waste(self, until_ms):
        members = self.rule.members or (self.rule.load,)
        span = sum(self.energy(name, until_ms) - self.energy(name, self.began) for name in members)
        return max(0, round(span / 3.6))

    def tell(self, what, at_ms):
        self.news.append((at_ms, what, self.rule.name, self.rule.load, self.began, self.waste(at_ms)))

    def look(self, at_ms, load):
        if self.failed is not None and at_ms - self.failed >= self.rule.release_ms:
            self.end()
        if self.truth(at_ms, load):
            self.failed = None
            self.began = at_ms if self.began is None else self.began
            if self.raised is None and at_ms - self.began >= self.rule.lasting_ms:
                self.raised = at_ms
                self.tell("raised", at_ms)
        elif self.began is not None and self.failed is None:
            self.failed = at_ms
            if self.rule.release_ms == 0:
                self.end()
                self.look(at_ms, load)

    def end(self):
        if self.raised is not None:
            self.tell("settled", self.failed)
        self.began = self.raised = self.failed = None


class Seen:
    """A load as the oracle has it."""

    def __init__(self, parts):
        levels, watts = [part.level for part in parts], [part.watts for part in parts]
        self.watts = None if None in watts else sum(watts)
        if "active" in levels:
            self.level = "active"
        elif None in levels:
            self.level = None
        else:
            self.level = "standby" if "standby" in levels else "off"


def oracle(steps):
    world, meters, drawn, events = World(), Meters(), defaultdict(lambda: NOTHING_KNOWN), script(steps)
    rules = [Naive(rule, meters.energy) for rule in world.specs()]
    for at_ms in range(END):
        for (kind, name), value in events.get(at_ms, {}).items():
            if kind == "draw":
                meters.put(at_ms, name, value.watts or 0.0)
                drawn[name] = value
            else:
                world.hear(at_ms, kind, name, value)
        for naive in rules:
            parts = [drawn[name] for name in naive.rule.members or (naive.rule.load,)]
            naive.look(at_ms, Seen(parts))
    return sorted(item for naive in rules for item in naive.news)


@settings(max_examples=150)
@given(inputs)
def test_episodes_are_those_that_a_look_at_every_millisecond_finds(steps):
    assert told(play(steps)[0]) == oracle(steps)


@given(inputs, instants)
def test_however_often_time_is_told_the_episodes_are_the_same(steps, ticks):
    assert play(steps, ticks=ticks)[0] == play(steps)[0]


@given(inputs, seeds)
def test_in_whatever_order_inputs_of_one_instant_arrive_the_episodes_are_the_same(steps, seed):
    assert play(steps, shuffle=Random(seed))[0] == play(steps)[0]


@given(inputs, instants)
def test_wherever_it_is_saved_and_taken_up_again_the_episodes_are_the_same(steps, restarts):
    """Where every load is heard again at once, and a rule has a release to hear it in."""
    restarted = play(steps, restarts=restarts, least_release=1)[0]

    assert told(restarted) == told(play(steps, least_release=1)[0])


@given(inputs)
def test_episodes_of_a_rule_never_overlap_and_waste_is_what_was_drawn_above_standby_in_them(steps):
    news, meters = play(steps)
    members = {rule.name: rule.members or (rule.load,) for rule in World().specs()}
    latest = {}
    for item in news:
        key = (item.rule, item.load)
        before = latest.get(key)
        if item.what == "raised":
            assert before is None or (before.what == "settled" and before.at_ms <= item.began_ms)
            assert item.raised_ms == item.at_ms >= item.began_ms
        else:
            assert before.what == "raised"
            assert (before.began_ms, before.raised_ms) == (item.began_ms, item.raised_ms)
            assert item.at_ms >= item.raised_ms
        drawn = sum(meters.energy(name, item.at_ms) - meters.energy(name, item.began_ms) for name in members[item.rule])
        assert item.waste_uwh == round(drawn / 3.6) >= 0
        latest[key] = item
