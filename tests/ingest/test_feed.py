"""Feeds and their routing: units, signs, ranges, captured names."""

import pytest

from support.house import settings_of
from wattround.ingest.feed import Router
from wattround.ingest.payload import BadPayload

ARRIVAL = 1_780_000_000_000


def router(text):
    return Router(settings_of(text))


def value(meter_keys, payload):
    (feed,) = router(f'[[meters]]\nname = "m"\n{meter_keys}\n').exact["t"]
    return feed.values(payload, ARRIVAL)[0][0]


@pytest.mark.parametrize(("keys", "payload", "expected"), [
    ('power = { topic = "t" }', b"250", 250.0),
    ('power = { topic = "t", unit = "kW" }', b"0.25", 250.0),
    ('power = { topic = "t", unit = "mW" }', b"250000", 250.0),
    ('power = { topic = "t", sign = -1 }', b"-250", 250.0),
    ('power = { topic = "t", factor = 2.0, offset_w = -10 }', b"130", 250.0),
    ('power = { topic = "t", pointer = "/p/0" }', b'{"p": ["250"]}', 250.0),
    ('counter = { topic = "t" }', b"1.25", 1250.0),
    ('counter = { topic = "t", unit = "Wh" }', b"1250", 1250.0),
    ('counter = { topic = "t", unit = "pulses", pulses_per_kwh = 800 }', b"1000", 1250.0),
])  # fmt: skip
def test_values_come_in_watts_and_watt_hours(keys, payload, expected):
    assert value(keys, payload) == pytest.approx(expected)


@pytest.mark.parametrize(("keys", "payload"), [
    ('power = { topic = "t" }', b"100001"),
    ('power = { topic = "t" }\nhighest_w = 500', b"501"),
    ('power = { topic = "t" }\nrole = "appliance"', b"-51"),
    ('power = { topic = "t" }\nlowest_w = 0', b"-1"),
    ('power = { topic = "t" }\nhighest_w = 500', b"-501"),
    ('counter = { topic = "t" }', b"-1"),
])  # fmt: skip
def test_what_no_house_can_draw_is_refused(keys, payload):
    with pytest.raises(BadPayload, match="outside"):
        value(keys, payload)


@pytest.mark.parametrize("payload", [b"nan", b"inf", b"1_0", b"x", b"", b"1e400"])
def test_the_fast_path_refuses_what_the_slow_one_does(payload):
    (feed,) = router('[[meters]]\nname = "m"\npower = { topic = "t" }\n').exact["t"]

    assert feed.plain
    with pytest.raises(BadPayload):
        feed.plain_value(payload)


PATTERN = """
[[meters]]
name = "{plug}"
role = "appliance"
power = { topic = "plugs/{plug}/watts" }
availability = { topic = "plugs/{plug}/online", offline = ["no"] }
[[meters]]
name = "tv"
active_w = 40
"""


def test_a_name_known_beforehand_is_routed_exactly_with_its_own_settings():
    routes = router(PATTERN)

    assert [feed.name for feed in routes.exact["plugs/tv/watts"]] == ["tv"]
    assert [feed.kind for feed in routes.exact["plugs/tv/online"]] == ["availability"]
    assert routes.meters["tv"].active_w == 40
    assert routes.meters["tv"].role == "appliance"


def test_a_new_name_is_captured_and_odd_ones_are_not():
    routes = router(PATTERN)

    assert [name for _, name in routes.newcomers("plugs/kettle/watts")] == ["kettle"]
    for odd in (
        "plugs//watts",
        "plugs/a\nb/watts",
        "plugs/" + "x" * 65 + "/watts",
        "plugs/a\\/watts",
        "other/kettle/watts",
    ):
        assert routes.newcomers(odd) == []


def test_what_is_worthless_late_is_subscribed_at_qos_0_and_the_rest_at_1():
    routes = router("""
[[meters]]
name = "a"
power = { topic = "live" }
[[meters]]
name = "b"
power = { topic = "stamped", pointer = "/w", time_pointer = "/t" }
[[meters]]
name = "c"
counter = { topic = "counter" }
[[people]]
name = "imre"
topic = "presence"
home = ["home"]
""")

    wanted = routes.subscriptions()
    assert wanted.pop("wattround/testhouse/request") == 0
    assert wanted == {"live": 0, "stamped": 1, "counter": 1, "presence": 1}


@pytest.mark.parametrize(
    ("source", "payload"),
    [
        ('pointer = "/w", time_pointer = "/t", time_unit = "ms"', '{{"w": 1, "t": {}}}'),
        ('senml = "m"', '[{{"n": "m", "u": "W", "v": 1, "bt": {}e-3}}]'),
    ],
)
def test_a_stamp_in_the_future_is_refused_beyond_what_our_own_clock_may_be_behind(source, payload):
    (feed,) = router(f'[[meters]]\nname = "m"\npower = {{ topic = "t", {source} }}\n').exact["t"]

    def said(ahead_ms):
        return payload.format(ARRIVAL + ahead_ms).encode()

    assert feed.values(said(60_000), ARRIVAL) == [(1.0, ARRIVAL + 60_000)]
    assert feed.values(said(3_600_000), ARRIVAL, 3_600_000) == [(1.0, ARRIVAL + 3_600_000)]
    with pytest.raises(BadPayload, match="future"):
        feed.values(said(3_600_000), ARRIVAL)
