"""A proven saving is followed a day at a time by the core; when it is lost, that is told once, and only then."""

import json
import random
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from support.house import HEAD, HouseRun, settings_of
from wattround.core.watched import Watched
from wattround.core.watches import Look, Watches
from wattround.ledger.reader import Reader
from wattround.ledger.totals import Sums
from wattround.metering.localtime import instant_ms
from wattround.rules.drift import DriftRule, Expectation

BERLIN = ZoneInfo("Europe/Berlin")
FIRST = date(2026, 3, 1)
RULE = DriftRule(Expectation(4500.0, (0.0,) * 7), 300.0, 0.0, 4500.0, 0.3, 0.4, 0.5, 8.0)
COOLING = DriftRule(
    Expectation(800.0, (0.0,) * 7, cooling_c=18.0, cooling_wh_per_k=450.0, coldest_c=-5.0, warmest_c=32.0),
    300.0, 0.0, 800.0, 0.3, 0.4, 0.5, 8.0,
)  # fmt: skip
METERS = '[[meters]]\nname = "pump"\npower = { topic = "t/p" }\n[[meters]]\nname = "fan"\npower = { topic = "t/f" }\n'
SETTINGS = settings_of(METERS)


def watched(rule=RULE, **more):
    entry = {
        "change": "pump slower",
        "on": ["pump"],
        "since": f"{FIRST}",
        "saved_wh": "1500",
        "rule": rule.to_json() if isinstance(rule, DriftRule) else rule,
    }
    return Watched.model_validate({**entry, **more})


class Days:
    """A ledger with so much energy on each local day; covered as said."""

    def __init__(self, energy_wh, covered=1.0, words=()):
        self.energy_wh, self.covered, self.words = energy_wh, covered, words
        self.asked = 0

    def look(self):
        return Look(self.sums, lambda names, _from, _to: [word for word in self.words if (word[1], word[2]) in names])

    def sums(self, begin, end):
        self.asked += 1
        day = next(
            FIRST + timedelta(days=at)
            for at in range(-3, 500)
            if instant_ms(FIRST + timedelta(days=at), 0, BERLIN) == begin * 60_000
        )
        wh = self.energy_wh(day)
        return {} if wh is None else {"pump": Sums(round(wh * 1e6), 0, round(self.covered * (end - begin) * 60_000))}


def follow(days, count, rule=RULE, watches=None):
    watches = watches or Watches()
    watches.configure({1: (17, watched(rule))})
    watches.go_on(FIRST + timedelta(days=count), SETTINGS, days.look())
    return watches


def steady(day):
    return 4500 + random.Random(day.toordinal()).gauss(0, 250)


def test_a_saving_that_holds_is_not_lost_in_a_year():
    found = follow(Days(steady), 365)

    assert found.worn_off("pump") is False
    assert found.lost("pump") is None
    assert found.worn_off("fan") is None


def test_one_that_is_lost_is_noticed_within_some_days():
    found = follow(Days(lambda day: steady(day) + (1500 if day >= FIRST + timedelta(days=100) else 0)), 110)

    assert found.worn_off("pump") is True
    assert found.lost("pump").change == "pump slower"


def test_days_that_are_not_covered_well_enough_are_not_judged_and_none_is_judged_twice():
    days = Days(steady, covered=0.5)
    found = follow(days, 30)

    assert found.worn_off("pump") is None
    assert days.asked == 30
    assert not found.go_on(FIRST + timedelta(days=30), SETTINGS, days.look())
    assert days.asked == 30
    assert follow(Days(lambda _day: None), 30).worn_off("pump") is None


def test_it_goes_on_across_a_restart_and_begins_anew_when_it_was_entered_anew():
    days = Days(lambda day: steady(day) + (1500 if day >= FIRST + timedelta(days=100) else 0))
    before = follow(days, 103)
    after = Watches()
    after.configure({1: (17, watched())})
    after.restore(before.snapshot())
    asked = days.asked

    assert after.snapshot() == before.snapshot()
    after.go_on(FIRST + timedelta(days=110), SETTINGS, days.look())
    assert days.asked == asked + 7
    assert after.worn_off("pump") is True
    after.configure({1: (18, watched())})
    assert after.worn_off("pump") is None


def test_weather_is_in_it_and_days_without_are_not_judged():
    def degrees_c(day):
        return 22.0 + (day.toordinal() % 7)

    def wh(day):
        return 800 + 450 * (degrees_c(day) - 18)

    words = [
        (
            instant_ms(FIRST + timedelta(days=at), 720, BERLIN),
            "outdoor",
            "day",
            f"{degrees_c(FIRST + timedelta(days=at)):.2f}",
        )
        for at in range(300)
    ]

    assert follow(Days(wh, words=words), 300, COOLING).worn_off("pump") is False
    assert follow(Days(wh), 300, COOLING).worn_off("pump") is None
    assert follow(Days(lambda day: wh(day) + 1000, words=words), 30, COOLING).worn_off("pump") is True


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"rule": {"sigma_wh": 3}}, "a rule as wattround prove CHANGE --watch makes it"),
        ({"rule": "x"}, "a rule as wattround prove CHANGE --watch makes it"),
        ({"since": "soon"}, "a date such as"),
        ({"on": []}, "on"),
    ],
)
def test_what_is_no_watch_is_refused(more, said):
    with pytest.raises(ValueError, match=said):
        watched(**more)


RULES = """
[[rules]]
name = "savings-lost"
load = "pump"
worn_off = true
[[channels]]
name = "hub"
mqtt = true
"""


def test_the_core_follows_what_the_book_has_and_tells_once_that_it_is_lost(tmp_path):
    """A pump that is set back to its old speed: 250 W instead of 187.5 W, all day."""
    begin_ms = instant_ms(FIRST, 0, BERLIN)
    with HouseRun(tmp_path, METERS + RULES, begin_ms, HEAD) as run:
        run.core.begin()
        reply = run.inbox.ask(
            "book", request={"do": "add", "kind": "watch", "entry": watched().model_dump(mode="json")}
        )
        run.clock.pass_ms(1000)
        run.core.turn()
        assert reply.result(timeout=0) == 1
        run.live("t/p", 187, 24 * 60 * 4, 60_000)
        run.live("t/p", 250, 24 * 60 * 5, 60_000)
        said = [json.loads(waiting.message.facts) for waiting in run.mail.told]

    raised = [message for message in said if message["event"] == "raised"]
    assert [(message["rule"], message["load"]) for message in raised] == [("savings-lost", "pump")]
    assert "had saved, 1.50 kWh a day" in json.dumps(raised[0])


def test_it_is_still_lost_after_a_restart_and_not_told_again(tmp_path):
    begin_ms = instant_ms(FIRST, 0, BERLIN)
    with HouseRun(tmp_path, METERS + RULES, begin_ms, HEAD) as run:
        run.core.begin()
        run.inbox.ask("book", request={"do": "add", "kind": "watch", "entry": watched().model_dump(mode="json")})
        run.live("t/p", 250, 24 * 60 * 5, 60_000)
        assert run.house.facts.worn_off("pump") is True
        end_ms = run.clock.now_ms
        run.commit(end_ms)
    with HouseRun(tmp_path, METERS + RULES, end_ms + 5_000, HEAD) as run:
        run.core.begin()
        run.live("t/p", 250, 60, 60_000)

        assert run.house.facts.worn_off("pump") is True
        reader = Reader(run.folder, "testhouse")
        found = reader.episodes(begin_ms, run.clock.now_ms)
        reader.close()
    assert [(episode.rule, episode.settled_ms) for episode in found] == [("savings-lost", None)]
