"""The draft: grouped, with holds by the beat, times where they can be believed, questions, and no secret."""

import json
import tomllib

import pytest

from wattround.analysis.scout.bins import Replay, width_ms
from wattround.analysis.scout.capture import Edge, message
from wattround.analysis.scout.compare import compare, hear
from wattround.analysis.scout.draft import Broker, draft
from wattround.analysis.scout.rewiring import rewire
from wattround.analysis.scout.scouting import scouted
from wattround.config.load import examine_text

BEGIN_MS = 1_781_064_000_000


def messages(*said, lasting_s=600):
    found = [
        message(BEGIN_MS + round(at * 1000), topic, payload.encode() if isinstance(payload, str) else payload)
        for at, topic, payload in said
    ]
    return [*sorted(found, key=lambda each: each.at_ms), Edge(BEGIN_MS + lasting_s * 1000)]


def every(seconds, topic, payload, lasting_s=600):
    """The same or `payload(second)`, again and again."""
    return [(at, topic, payload(at) if callable(payload) else payload) for at in range(0, lasting_s, seconds)]


def settings_of(found, broker=None):
    text = draft(found, broker or Broker(), "UTC")
    problems, settings = examine_text(text)
    assert problems == []
    return text, settings


def test_topics_that_differ_in_one_level_become_one_pattern():
    said = [each for plug in ("tv", "fan", "lamp") for each in every(10, f"plugs/{plug}/watts", "12.5")]
    text, settings = settings_of(scouted(messages(*said)))
    (meter,) = settings.meters

    assert (meter.name, meter.power.topic, meter.role) == ("{plug}", "plugs/{plug}/watts", "appliance")
    assert "# 3 meters: tv, fan, lamp" in text


def test_power_and_register_of_one_thing_are_one_meter():
    said = [
        each
        for plug in ("tv", "fan", "lamp")
        for each in (
            *every(10, f"plugs/{plug}/power_w", lambda at: f"{100 + at % 7}"),
            *every(10, f"plugs/{plug}/energy_kwh", lambda at: f"{4 + at / 36_000:.5f}"),
            *every(60, f"plugs/{plug}/online", "true"),
        )
    ]
    _, settings = settings_of(scouted(messages(*said)))
    (meter,) = settings.meters

    assert (meter.power.topic, meter.counter.topic) == ("plugs/{plug}/power_w", "plugs/{plug}/energy_kwh")
    assert (meter.availability.topic, meter.availability.offline) == ("plugs/{plug}/online", ("false",))


def test_what_differs_stays_alone():
    said = [
        *every(10, "plugs/tv/watts", "12.5"), *every(10, "plugs/fan/watts", '{"w": 3}'),
        *every(10, "plugs/lamp/kw", "0.2"),
    ]  # fmt: skip
    _, settings = settings_of(scouted(messages(*said)))

    assert sorted(meter.name for meter in settings.meters) == ["fan", "lamp", "tv"]


@pytest.mark.parametrize(("seconds", "hold"), [(1, "5s"), (10, "30s"), (30, "90s"), (60, "3m"), (100, "4m")])
def test_the_hold_is_longer_than_two_beats(seconds, hold):
    text, settings = settings_of(scouted(messages(*every(seconds, "a/watts", "5", 3600), lasting_s=3600)))

    assert settings.meters[0].hold >= 2000 * seconds
    assert f'hold = "{hold}"' in text or hold == "4m"


def test_a_value_that_came_twice_only_has_the_default_and_says_so():
    text, settings = settings_of(scouted(messages((1, "a/watts", "5"), (200, "a/watts", "6"))))

    assert settings.meters[0].hold == 90_000
    assert "it came 2 times only" in text


@pytest.mark.parametrize(
    ("key", "stamp", "unit"),
    [("ts", lambda at: BEGIN_MS / 1000 + at, None), ("at_ms", lambda at: BEGIN_MS + 1000 * at, "ms"),
     ("time", lambda at: f"2026-06-10T06:{at // 60:02}:{at % 60:02}+02:00", "rfc3339")],
)  # fmt: skip
def test_a_time_in_the_payload_is_used_where_it_goes_along(key, stamp, unit):
    said = every(10, "a/b", lambda at: json.dumps({"power_w": 5, key: stamp(at)}))
    _, settings = settings_of(scouted(messages(*said)))

    assert settings.meters[0].power.time_pointer == f"/{key}"
    assert settings.meters[0].power.time_unit == (unit or "s")


@pytest.mark.parametrize(
    ("stamp", "says"),
    [(lambda at: BEGIN_MS / 1000 + 900 * at, "900 times as fast"), (lambda at: BEGIN_MS / 1000 + at - 7200, "7200 s behind"),
     (lambda at: BEGIN_MS / 1000 + at + 3600, "3600 s ahead")],
)  # fmt: skip
def test_a_clock_that_is_wrong_is_told_and_not_used(stamp, says):
    said = every(10, "a/b", lambda at: json.dumps({"power_w": 5, "ts": stamp(at)}))
    text, settings = settings_of(scouted(messages(*said)))

    assert settings.meters[0].power.time_pointer is None
    assert says in text


def test_a_unit_that_is_not_said_is_asked_about():
    text, _ = settings_of(scouted(messages(*every(10, "a/power", "118.0"))))

    assert "# ? Is it in W? Its unit is not said." in text


def test_what_is_not_sure_enough_stands_as_comments_that_become_settings():
    said = every(10, "a/b", lambda at: json.dumps({"p": 100 + at % 30}))
    found = scouted(messages(*said, *every(10, "x/watts", "5")))
    text, settings = settings_of(found)

    assert len(settings.meters) == 1
    begin = text.index("Not sure enough")
    opened = (
        text[:begin].rsplit("\n", 1)[0]
        + "\n"
        + "\n".join(
            line.removeprefix("# ") for line in text[begin:].split("\n")[1:] if not line.startswith(("# # ", "# ?"))
        )
    )
    problems, settings = examine_text(opened)
    assert problems == []
    assert settings.meters[1].power.pointer == "/p"


def test_energy_units_without_a_key_of_their_own_have_a_factor():
    said = every(10, "a/energy", lambda at: json.dumps({"value": 5 + at / 1e4, "unit": "MWh"}))
    _, settings = settings_of(scouted(messages(*said)))

    assert settings.meters[0].counter.unit == "Wh"
    assert settings.meters[0].counter.factor == 1e6


def test_people_contacts_motion_and_temperatures_have_their_places():
    said = [
        *every(10, "a/watts", "5"), *every(60, "presence/imre", lambda at: "home" if at < 300 else "not_home"),
        *every(60, "sensors/window", "open"), *every(60, "hall/motion", "true"), *every(60, "attic/temperature", "21.5"),
    ]  # fmt: skip
    text, settings = settings_of(scouted(messages(*said)))

    assert [(person.name, person.home) for person in settings.people] == [("imre", ("home",))]
    assert {signal.topic for signal in settings.signals} == {"sensors/window", "hall/motion", "attic/temperature"}
    assert "# ? Is each of these a person" in text


def test_no_secret_of_a_payload_or_of_the_broker_is_in_it():
    """Words of payloads are quoted only where they are one of ours; a password is never known here."""
    secret = "hunter2-is-my-password"
    said = [
        *every(10, "a/b", json.dumps({"power_w": 5, "password": secret, "token": secret, "home": secret})),
        *every(10, f"presence/{'x'}", secret), *every(10, "a/online", secret), *every(10, "c", f"power=5;key={secret}"),
    ]  # fmt: skip
    text, _ = settings_of(
        scouted(messages(*said)), Broker("h", 8883, "me", None, has_password=True, tls=True, ca_file="/ca.pem")
    )

    assert "hunter2" not in text
    assert "password_file" in text
    assert tomllib.loads(text)["broker"] == {"host": "h", "port": 8883, "user": "me", "tls": {"ca_file": "/ca.pem"}}


def test_our_own_messages_are_left_out():
    said = [*every(10, "a/watts", "5"), *every(60, "wattround/my-house/status", '{"state": "running", "watts_w": 5}')]
    found = scouted(messages(*said))

    assert [meter.name for meter in found.meters] == ["a"]
    assert "wattround's own" in [row.reason for row in found.left_out]


def test_what_goes_below_zero_is_no_plug_and_asked_about():
    said = every(10, "plugs/meter/watts", lambda at: str(800 - at * 3))
    text, settings = settings_of(scouted(messages(*said)))

    assert settings.meters[0].role == "circuit"
    assert "It goes below zero" in text


# -- moves in a recording ---------------------------------------------------------------------------


def switching(at, watts, rest, *, shift=0):
    """On for three minutes of every ten, the begin moving a little from time to time."""
    return watts if (at + shift + 37 * (at // 600) % 90) % 600 < 180 else rest


def house(lasting_s=7200):
    """A supply, two circuits, and a plug on one of them, every 5 s."""
    loads = {
        "tv": lambda at: switching(at, 118.0, 2.0),
        "oven": lambda at: switching(at, 1900.0, 0.0, shift=250),
        "rest": lambda _at: 40.0,
    }
    meters = {
        "board/supply": ("tv", "oven", "rest"), "board/living": ("tv", "rest"), "board/kitchen": ("oven",),
        "plugs/tv": ("tv",),
    }  # fmt: skip
    return [
        (at + phase, f"{topic}/watts", f"{sum(loads[load](at + phase) for load in inside):.1f}")
        for phase, (topic, inside) in enumerate(meters.items())
        for at in range(0, lasting_s - 5, 5)
    ]


def test_a_recording_shows_who_is_within_whom_and_the_draft_says_it():
    kept = messages(*house(), lasting_s=7200)
    found = scouted(kept)
    _, settings = settings_of(found)
    rewire(found, settings, kept)
    text, settings = settings_of(found)
    within = {meter.name: meter.within for meter in settings.meters}

    assert within["tv"] == "living"
    assert within["living"] == within["kitchen"] == "supply"
    assert "sure: within living: living moved with it in" in text


def test_ten_minutes_show_too_little_and_the_draft_says_that_too():
    kept = messages(*house(600))
    found = scouted(kept)
    _, settings = settings_of(found)
    rewire(found, settings, kept)
    text, settings = settings_of(found)

    assert all(meter.within is None for meter in settings.meters)
    assert "not enough moves yet" in text


def test_bins_are_the_means_of_held_readings_as_the_daemon_decodes_them():
    """By hand: 100 W for 7 s, then 200 W for 10 s, then nothing that the hold reaches."""
    _, settings = examine_text(
        '[house]\nid = "a"\ntime_zone = "UTC"\ncurrency = "X"\nprice_per_kwh = 0\n'
        '[[meters]]\nname = "m"\nhold = "10s"\npower = { topic = "t", unit = "kW" }\n'
    )
    replay = Replay(settings, (BEGIN_MS, BEGIN_MS + 30_000), 5_000)
    for each in messages((0, "t", "0.1"), (7, "t", "0.2"), (7.5, "t", "x"), lasting_s=30)[:-1]:
        replay.take(each)
    watts = list(replay.series()["m"])

    assert watts[:3] == pytest.approx([100.0, 160.0, 200.0])
    assert all(each != each for each in watts[3:])  # noqa: PLR0124 - not a number


def test_bins_are_as_wide_as_the_slowest_meter_is():
    assert width_ms(600_000, [1.0, 4.0]) == 5_000
    assert width_ms(600_000, [1.0, 12.0]) == 15_000
    assert width_ms(600_000, [300.0]) == 60_000
    assert width_ms(86_400_000, [1.0]) == 60_000


# -- settings held against it -----------------------------------------------------------------------

SETTINGS = """
[house]
id = "a"
time_zone = "UTC"
currency = "EUR"
price_per_kwh = 0.3
"""


def compared(said, meters):
    kept = messages(*said)
    problems, settings = examine_text(SETTINGS + meters)
    assert problems == []
    return compare(scouted(kept), settings, hear(settings, kept))


def test_what_is_not_read_not_heard_and_otherwise_measured_is_told():
    found = compared(
        [*every(10, "a/watts", "5"), *every(10, "b/kw", "0.2"), *every(10, "c/watts", "7"), *every(10, "e", "oh")],
        '[[meters]]\nname = "a"\npower = { topic = "a/watts" }\n[[meters]]\nname = "b"\npower = { topic = "b/kw" }\n'
        '[[meters]]\nname = "d"\npower = { topic = "d/watts" }\n[[meters]]\nname = "e"\npower = { topic = "e" }\n',
    )

    assert [each.where for each in found.unread] == ["c/watts"]
    assert [each.where for each in found.unheard] == ["d power", "e power"]
    assert "none usable: no number" in found.unheard[1].says
    assert [each.where for each in found.unlike] == ["b/kw"]


def test_a_pattern_reads_all_that_it_captures():
    said = [each for plug in ("tv", "fan") for each in every(10, f"plugs/{plug}/watts", "5")]
    pattern = '[[meters]]\nname = "{plug}"\npower = { topic = "plugs/{plug}/watts" }\n'
    other = '[[meters]]\nname = "{x}"\npower = { topic = "boards/{x}/watts" }\n'

    assert compared(said, pattern) == ([], [], [])
    assert [each.where for each in compared(said, pattern + other).unheard] == ["{x}"]


def test_a_corrected_clamp_is_no_other_unit():
    said = every(10, "a/watts", "5")

    assert compared(said, '[[meters]]\nname = "a"\npower = { topic = "a/watts", factor = 2.0 }\n').unlike == []


# -- numbers that are not bare ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payloads", "written"),
    [
        (("118.5 W", "21 W"), ("W", False)), (("118,5 Watt", "21 Watt"), ("Watt", True)),
        (("118,5", "21,25", "3"), (None, True)), (("0,118", "21,250"), (None, True)), (("118.5", "21"), (None, False)),
        (('{"power": "118,5"}', '{"power": "3"}'), (None, True)), (('{"power": "118.5 W"}',), ("W", False)),
    ],
)  # fmt: skip
def test_how_a_number_is_written_stands_in_the_draft(payloads, written):
    found = scouted(messages(*every(5, "a/power", lambda at: payloads[at // 5 % len(payloads)])))
    _, settings = settings_of(found)
    (meter,) = settings.meters

    assert (meter.power.behind, meter.power.decimal_comma) == written


@pytest.mark.parametrize(
    ("payloads", "reason"),
    [
        (("950 W", "1.2 kW"), "a number whose unit behind it changes"), (("950 W", "950"), "a number whose unit behind it changes"),
        (("118,5", "118.5"), "numbers with commas and with points"),
        (("950", "1,250"), "a number with a comma that may divide thousands"),
    ],
)  # fmt: skip
def test_numbers_that_are_written_in_more_than_one_way_are_left_out_with_the_reason(payloads, reason):
    found = scouted(messages(*every(5, "a/power", lambda at: payloads[at // 5 % len(payloads)])))

    assert found.meters == []
    assert [row.reason for row in found.left_out if reason in row.reason] != []


def test_meters_that_write_in_different_ways_are_not_one_pattern():
    ways = {"tv": "118,5 W", "fan": "118,5 W", "lamp": "118,5 W", "pump": "118.5 W", "heater": "118,5"}
    said = [each for name, text in ways.items() for each in every(10, f"plugs/{name}/power", text)]
    _, settings = settings_of(scouted(messages(*said)))

    assert {meter.name: (meter.power.behind, meter.power.decimal_comma) for meter in settings.meters} == {
        "{plug}": ("W", True), "pump": ("W", False), "heater": (None, True),
    }  # fmt: skip
