"""What a visit to the broker says of each source: right, to be looked at with what to do, or not to be told yet."""

import pytest

from support.house import HEAD, settings_of
from wattround.analysis.livecheck import source_lines, tariff_line, tree_lines
from wattround.ingest.hearing import Hearing

NOW_MS = 1_780_000_000_000
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "tv"
within = "supply"
hold = "30s"
power = { topic = "t/tv", pointer = "/w", time_pointer = "/at" }
[[meters]]
name = "boiler"
within = "supply"
counter = { topic = "t/boiler", unit = "kWh" }
availability = { topic = "t/boiler/state", offline = ["gone"] }
[[meters]]
name = "{plug}"
power = { topic = "plugs/{plug}/watts" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[signals]]
name = "window"
topic = "s/window"
"""


@pytest.fixture
def hearing():
    return Hearing(settings_of(METERS))


def says(hearing, listened_s=60, now_ms=NOW_MS):
    found = list(source_lines(settings_of(METERS), hearing, listened_s * 1000, now_ms))
    return {line.what: (line.state, line.says) for line in found}


def every(hearing, topic, payload, seconds, count=5):
    for at in range(count):
        at_ms = NOW_MS - (count - at) * seconds * 1000
        hearing.take(topic, payload(at_ms) if callable(payload) else payload, at_ms, retained=False)


def test_a_source_that_comes_is_right_with_its_value_and_how_often(hearing):
    every(hearing, "t/supply", b"412.5", 10)

    assert says(hearing)["supply power"] == ("right", "412.5 W, 10 s ago, every 10.0 s")


def test_a_topic_on_which_nothing_comes_is_to_be_looked_at(hearing):
    assert says(hearing)["supply power"] == ("look", "nothing in 60 s on t/supply: is that its topic?")
    assert says(hearing)["window signal"][0] == "wait"  # it may speak only when it changes


def test_a_rhythm_slower_than_the_hold_says_which_hold_would_do(hearing):
    every(hearing, "t/tv", lambda at_ms: b'{"w": 80, "at": %d}' % (at_ms // 1000), 40)
    state, text = says(hearing)["tv power"]

    assert state == "look"
    assert "longer than its hold of 30 s" in text
    assert 'hold = "2m"' in text


def test_a_clock_that_is_wrong_is_said_by_how_much(hearing):
    every(hearing, "t/tv", lambda at_ms: b'{"w": 80, "at": %d}' % (at_ms // 1000 - 42), 10)

    assert says(hearing)["tv power"][1].endswith("its clock is 42 s behind ours: set one of them")


def test_payloads_that_cannot_be_used_are_counted_with_the_reason(hearing):
    every(hearing, "t/supply", b"412", 10)
    every(hearing, "t/supply", b"on", 10)
    every(hearing, "t/boiler", b"{}", 10)

    assert says(hearing)["supply power"][0] == "look"
    assert "50 % of its messages cannot be used" in says(hearing)["supply power"][1]
    assert says(hearing)["boiler counter"] == ("look", "5 messages on t/boiler, none usable: no number")


def test_what_is_only_retained_makes_no_energy_and_that_is_said(hearing):
    hearing.take("t/supply", b"412", NOW_MS - 1000, retained=True)
    state, text = says(hearing)["supply power"]

    assert state == "wait"
    assert "retained: how old it is nobody knows, so it makes no energy" in text


def test_words_are_shown_with_what_they_mean(hearing):
    for topic, word in (("p/imre", b"work"), ("t/boiler/state", b"gone"), ("s/window", b"open")):
        hearing.take(topic, word, NOW_MS - 1000, retained=False)
    found = says(hearing)

    assert found["imre presence"] == ("right", '"work", away, 1 s ago')
    assert found["boiler availability"] == ("right", '"gone", offline, 1 s ago')
    assert found["window signal"] == ("right", '"open", 1 s ago')


def test_names_that_a_pattern_captures_are_met_and_bounded(hearing):
    for number in range(700):
        hearing.take(f"plugs/p{number}/watts", b"3", NOW_MS - 1000, retained=False)
    found = says(hearing)

    assert found["{plug}"] == ("right", "500 names heard")
    assert found["p7 power"][0] == "wait"
    assert hearing.unmatched == 200


def test_more_within_a_meter_than_it_has_is_said(hearing):
    text = METERS.replace('counter = { topic = "t/boiler", unit = "kWh" }', 'power = { topic = "t/boiler" }')
    hearing = Hearing(settings_of(text))
    for topic, watts in (("t/supply", b"500"), ("t/boiler", b"1800")):
        every(hearing, topic, watts, 10)
    every(hearing, "t/tv", lambda at_ms: b'{"w": 100, "at": %d}' % (at_ms // 1000), 10)
    (line,) = tree_lines(hearing)

    assert line.state == "look"
    assert line.says.startswith("500 W, of which 1900 W are metered within: more than it has")

    every(hearing, "t/supply", b"1930", 10)
    assert [line.state for line in tree_lines(hearing)] == ["right"]


def test_enough_is_heard_when_every_source_has_come_three_times(hearing):
    every(hearing, "t/supply", b"1", 1, 3)
    every(hearing, "t/boiler", b"1", 1, 3)
    assert not hearing.is_complete

    every(hearing, "t/tv", lambda at_ms: b'{"w": 80, "at": %d}' % (at_ms // 1000), 1, 3)
    assert hearing.is_complete


def test_a_tariff_by_a_signal_that_was_not_heard_cannot_be_told():
    tariffs = '[[tariffs]]\nname = "spot"\ndynamic = { signal = "window" }\n'
    settings = settings_of(METERS + tariffs, head=HEAD.replace("price_per_kwh", "# price_per_kwh"))

    assert tariff_line(settings, {}, NOW_MS).state == "wait"
    assert tariff_line(settings, {"window": "0.31"}, NOW_MS).says == "by window: 0.31"
    assert tariff_line(settings_of(METERS), {}, NOW_MS).state == "right"
