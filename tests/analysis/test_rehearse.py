"""A rehearsal is the same rules, engine and manners over the ledger's minutes: it finds what the live daemon found."""

import random
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.history import minutes, steps, write
from support.house import HouseRun
from support.rehearsing import (
    HOUR,
    MINUTE,
    Step,
    as_lived,
    as_rehearsed,
    live_through,
    rehearsed,
    rehearsed_file,
    told_live,
)  # fmt: skip
from wattround.analysis.album import MOST_SEEN, Album
from wattround.analysis.strip import CELLS, ON, RAISED, UNKNOWN, Look, Strip
from wattround.analysis.track import Change
from wattround.analysis.tracks import Tracks
from wattround.rules.load import Drawn

BERLIN = ZoneInfo("Europe/Berlin")
BEGIN = int(datetime(2026, 3, 10, tzinfo=BERLIN).timestamp()) * 1000
LOADS = """
[[meters]]
name = "tv"
role = "appliance"
active_w = 40
power = { topic = "t/tv" }
[[meters]]
name = "amp"
role = "appliance"
active_w = 15
standby_w = 1
power = { topic = "t/amp" }
[[meters]]
name = "heater"
active_w = 500
power = { topic = "t/heater" }
[[meters]]
name = "cooler"
active_w = 50
power = { topic = "t/cooler" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[people]]
name = "odile"
topic = "p/odile"
home = ["home"]
[[signals]]
name = "window"
topic = "s/window"
[[signals]]
name = "outside"
topic = "s/outside"
[marks.bedtime]
every = "22:30"
[marks.rising]
every = "06:30"
[manners]
quiet = ["bedtime", "rising"]
remind_after = "1h"
[[channels]]
name = "phone"
url = "json://localhost"
[[channels]]
name = "hub"
mqtt = true
"""
RULES = """
[[rules]]
name = "tv-empty"
load = "tv"
occupancy = "empty"
lasting = "9m30s"
[[rules]]
name = "tv-bedtime"
load = "tv"
between = ["bedtime", "rising"]
lasting = "19m30s"
[[rules]]
name = "heater-window"
load = "heater"
above_w = 900
signals = [{ signal = "window", is = "open", lasting = "4m30s" }, { signal = "outside", below = 12 }]
lasting = "2m30s"
[[rules]]
name = "screens-watts"
loads = ["tv", "amp"]
together = true
above_w = 130
lasting = "14m30s"
[[rules]]
name = "screens-any"
loads = ["tv", "amp"]
together = true
occupancy = "empty"
lasting = "4m30s"
[[rules]]
name = "standby"
loads = ["tv", "amp"]
level = "standby"
occupancy = "occupied"
lasting = "29m30s"
[[rules]]
name = "cooler-starts"
load = "cooler"
starts_per_hour = 4
[[rules]]
name = "heater-ran"
load = "heater"
ran_today = "1h"
[[rules]]
name = "heater-spent"
load = "heater"
spent = { over_wh = 900, per = "day" }
[[rules]]
name = "house-on-course"
spent = { over_money = 0.9, per = "day", on_course = true }
"""


RULES = RULES.replace("[[rules]]", '[[rules]]\nrelease = "90s"')
OFFSET_MS = {"t": 20_000, "p": 40_000, "s": 0}


def at(hours):
    return BEGIN + round(hours * HOUR)


def moves(rng, topic, first, second, mean_minutes, hours):
    """Back and forth between two states, each for whole minutes."""
    now, state, found = 0, first, []
    while now < hours * 60:
        # never two kinds of things at once, nor as long after another as any rule waits
        found.append(Step(BEGIN + now * MINUTE + OFFSET_MS[topic[0]], topic, state))
        now += 1 + round(rng.expovariate(1 / mean_minutes))
        state = second if state == first else first
    return found


def lively(seed, hours):
    """People, windows, weather and loads that go on and off."""
    rng = random.Random(seed)
    found = [Step(BEGIN, f"p/{who}", "home") for who in ("imre", "odile")]
    found += moves(rng, "t/tv", 2.1, 118.0, 50, hours) + moves(rng, "t/amp", 3.0, 38.0, 60, hours)
    found += moves(rng, "t/heater", 0.0, 1000.0, 25, hours)
    found += [
        Step(BEGIN + 100_000 + number * 7 * MINUTE, "t/cooler", (1.0, 120.0)[number % 2]) for number in range(hours * 8)
    ]
    for who in ("imre", "odile"):
        found += moves(rng, f"p/{who}", "home", "away", 70, hours)
    found += moves(rng, "s/window", "closed", "open", 45, hours)
    found += [Step(at(half / 2 + 0.1), "s/outside", str(rng.choice((6, 9, 14)))) for half in range(hours * 2)]
    return found


def the_same(lived, found):
    """Every episode of the one is in the other, within seconds; what was still open is compared by its begin."""
    assert {key: len(each) for key, each in lived.items()} == {key: len(each) for key, each in found.items()}
    for key, episodes in lived.items():
        for live, then in zip(episodes, found[key], strict=True):
            # a sum of energy is looked at every five minutes, and when its load changes
            near_ms = 5 * MINUTE if "spent" in key[0] else MINUTE
            assert abs(live.began_ms - then.began_ms) <= near_ms, key
            assert abs(live.raised_ms - then.raised_ms) <= near_ms, key
            assert (live.settled_ms is None) == (then.settled_ms is None), key
            if live.settled_ms is not None:
                assert live.reason == then.reason, key
                assert abs(live.settled_ms - then.settled_ms) < MINUTE, key
                assert abs(live.waste_uwh - then.waste_uwh) < max(500_000, 0.01 * live.waste_uwh), key


def test_a_rehearsed_day_is_what_the_daemon_found_that_day(tmp_path):
    """Levels, watts, sums, marks, people, signals, hours run, starts, energy and money: the same episodes, told as often."""
    with HouseRun(tmp_path, LOADS + RULES, BEGIN) as run:
        live_through(run, lively(4, 24), at(24))
        found = rehearsed(run, BEGIN, at(24))

        lived = as_lived(run)
        assert len(lived) == 11
        the_same(lived, as_rehearsed(found))
        assert dict(found.scenes[0].messages) == told_live(run)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 1 << 20))
def test_so_it_is_for_any_pattern_of_days(seed):
    with (
        TemporaryDirectory() as folder,
        HouseRun(Path(folder), LOADS + RULES.replace('["bedtime"', '["02:00"'), BEGIN) as run,
    ):
        live_through(run, lively(seed, 5), at(5), cadence_ms=20_000)

        the_same(as_lived(run), as_rehearsed(rehearsed(run, BEGIN, at(5))))


def test_hours_known_by_their_totals_give_what_their_minutes_give(tmp_path, monkeypatch):
    with HouseRun(tmp_path, LOADS + RULES, BEGIN) as run:
        live_through(run, lively(9, 12), at(12), cadence_ms=20_000)
        by_totals = as_rehearsed(rehearsed(run, BEGIN, at(12)))
        monkeypatch.setattr(Tracks, "_is_loud", lambda *_: True)
        by_minutes = as_rehearsed(rehearsed(run, BEGIN, at(12)))

        assert by_totals
        the_same(by_minutes, by_totals)


def test_rules_on_the_metering_itself_find_what_they_found_live(tmp_path):
    """A meter that falls silent, and one that its children exceed."""
    text = """
        [[meters]]
        name = "board"
        power = { topic = "t/board" }
        [[meters]]
        name = "a"
        within = "board"
        active_w = 50
        power = { topic = "t/a" }
        [[meters]]
        name = "b"
        within = "board"
        power = { topic = "t/b" }
        [[rules]]
        name = "wrong-nesting"
        load = "board"
        exceeded_by_w = 30
        lasting = "10m"
        [[rules]]
        name = "silent"
        loads = ["a", "b"]
        unheard = "20m"
        [[rules]]
        name = "on"
        load = "a"
        lasting = "10m"
        [[channels]]
        name = "hub"
        mqtt = true
    """
    lived = [
        Step(at(0), "t/board", 300.0), Step(at(0), "t/a", 120.0), Step(at(0), "t/b", 60.0),
        Step(at(1), "t/board", 100.0), Step(at(2.5), "t/board", 250.0),
        Step(at(3), "t/a", -1.0), Step(at(4.2), "t/a", 120.0), Step(at(5.1), "t/b", -1.0),
    ]  # fmt: skip
    with HouseRun(tmp_path, text, BEGIN) as run:
        live_through(run, lived, at(7))
        found = as_rehearsed(rehearsed(run, BEGIN, at(7)))

        assert as_lived(run).keys() == {("wrong-nesting", "board"), ("silent", "a"), ("silent", "b"), ("on", "a")}
        assert [each.reason for each in found["on", "a"]] == ["level-unknown", None]
        the_same(as_lived(run), found)


def test_a_base_load_that_creeps_up_is_found_from_the_nights(tmp_path):
    text = """
        [[meters]]
        name = "supply"
        role = "supply"
        power = { topic = "t/supply" }
        [[rules]]
        name = "creep"
        base_load_up_w = 25
    """
    nights = [*steps(12, 60.0), *steps(4, 100.0)]
    write(tmp_path, minutes("supply", nights), {"supply": "supply"})
    found = rehearsed_file(tmp_path, text)

    (episode,) = found.scenes[0].parts["creep"].episodes
    raised = datetime.fromtimestamp(episode.raised_ms / 1000, BERLIN)
    assert f"{raised:%H:%M}" == "06:10"
    # the ledger begins at midnight UTC: the night of its 13th day is the first that lies above, the 14th the median
    assert (episode.raised_ms - found.from_ms) // (24 * HOUR) == 14


def test_what_the_daemon_had_not_heard_yet_is_said_and_not_taken_for_silence(tmp_path):
    with HouseRun(tmp_path, LOADS + RULES, BEGIN) as run:
        live_through(
            run, [Step(at(0), "t/tv", 118.0), Step(at(2), "p/imre", "away"), Step(at(2), "s/window", "open")], at(3)
        )
        found = rehearsed(run, BEGIN, at(3))

        assert found.notes["tv-empty"] == [
            "whether imre was home is not known before 2026-03-10 02:00: until then this rule could not hold",
            "whether odile was home is not known at all: none of it is in the ledger, so this rule could not hold",
            "who was home is known for 0 % of the time; where it is not, this rule cannot hold",
        ]
        assert found.notes["heater-window"] == [
            "what window said is not known before 2026-03-10 02:00: until then this rule could not hold",
            "what outside said is not known at all: none of it is in the ledger, so this rule could not hold",
            "heater was metered for 0 % of the time; the rest counts as unknown",
        ]
        assert found.notes["tv-bedtime"] == []


def test_troubles_are_not_kept_and_that_is_said(tmp_path):
    rule = '[[rules]]\nname = "ill"\ntrouble = ["disk"]\n'
    write(tmp_path, minutes("tv", steps(1, 2.0)), {"tv": "appliance"})
    found = rehearsed_file(tmp_path, LOADS + rule)

    assert found.left_out == {"ill": "the daemon's own troubles are not kept in the ledger"}
    assert not found.scenes[0].parts


# -- other values ---------------------------------------------------------------------------------


def test_other_values_give_what_a_file_with_them_would_give(tmp_path):
    write(tmp_path, minutes("tv", steps(3, 2.0, (600, 640, 118.0), (700, 712, 118.0), noise=0.01)), {"tv": "appliance"})
    rule = '[[rules]]\nname = "on"\nload = "tv"\nlasting = "{lasting}"\n'
    found = rehearsed_file(tmp_path, LOADS + rule.format(lasting="10m"), tries=["lasting=5m,30m", "release=1m"])

    assert [scene.variant.text for scene in found.scenes] == [
        "as it is", "lasting = 5m, release = 1m", "lasting = 30m, release = 1m",
    ]  # fmt: skip
    assert [len(scene.parts["on"].episodes) for scene in found.scenes] == [6, 6, 3]
    alone = rehearsed_file(tmp_path, LOADS + rule.format(lasting="30m"))
    assert found.scenes[2].parts["on"].episodes == alone.scenes[0].parts["on"].episodes
    assert found.scenes[2].messages == alone.scenes[0].messages


def test_a_budget_and_a_bound_in_watts_can_be_tried(tmp_path):
    write(tmp_path, minutes("heater", steps(2, 0.0, (600, 660, 800.0), (700, 730, 1500.0))), {"heater": "circuit"})
    rules = '[[rules]]\nname = "much"\nload = "heater"\nspent = { over_wh = 900 }\n[[rules]]\nname = "hot"\nload = "heater"\nabove_w = 1000\nlasting = "5m"\n'

    found = rehearsed_file(tmp_path, LOADS + rules, ["much"], ["spent.over_wh=700,1600"])
    assert [len(scene.parts["much"].episodes) for scene in found.scenes] == [2, 2, 0]
    found = rehearsed_file(tmp_path, LOADS + rules, ["hot"], ["above_w=500,2000"])
    assert [len(scene.parts["hot"].episodes) for scene in found.scenes] == [2, 4, 0]


# -- days and pictures ----------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "hours"), [((2026, 3, 29), 6.5), ((2026, 10, 25), 8.5)])
def test_a_night_with_a_clock_change_has_its_own_length(tmp_path, day, hours):
    rule = '[[rules]]\nname = "late"\nload = "tv"\nbetween = ["23:00", "06:30"]\nlasting = "10m"\n'
    begin = int(datetime(*day, tzinfo=BERLIN).timestamp()) // 60 - 720
    write(tmp_path, minutes("tv", steps(2, 118.0), begin), {"tv": "appliance"})
    found = rehearsed_file(tmp_path, LOADS + rule)

    first = found.scenes[0].parts["late"].episodes[0]
    assert (first.settled_ms - first.began_ms) / HOUR == hours
    strip = Strip(BERLIN, found.album, found.to_ms)
    cells = strip.day(datetime(*day).date(), Look(found.settings.rules[0], ["tv"], ()), [first])
    assert len(cells) == CELLS
    assert cells[:6] == [RAISED] * 6
    assert cells[6:9] == ([UNKNOWN] * 3 if hours < 7 else [RAISED] * 3)  # the hour from two to three is skipped
    assert cells[9:21] == [RAISED] * 11 + [ON]


def test_an_album_keeps_the_days_that_an_episode_touches():
    album, day = Album(), 24 * HOUR
    for number in range(40):
        album.turn(number * day, (number + 1) * day)
        album.see(Change(number * day + HOUR, "tv", Drawn("active", 118.0)))
        if number == 6:
            album.want(5 * day + 10, 6 * day + 10)
        album.forget((number + 1) * day, [])

    assert [each.at_ms for each in album.seen("tv", 5 * day, 6 * day)] == [4 * day + HOUR, 5 * day + HOUR]
    assert album.seen("tv", 8 * day, 9 * day) == []
    assert sum(page.size() for page in album._pages) < 40 < MOST_SEEN
