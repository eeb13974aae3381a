"""Trials in the book, and what the daemon says of them by MQTT: a function of the book and the time alone."""

import json
import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.house import HouseRun
from support.servers import until
from wattround.control import ask_daemon
from wattround.core.board import announced
from wattround.core.book import entries
from wattround.core.offline import offline_book
from wattround.core.trial import Trial, instruction, topic_level
from wattround.ledger.reader import Reader

BERLIN = ZoneInfo("Europe/Berlin")
METERS = """
[[meters]]
name = "cooler"
power = { topic = "t/c" }
[[meters]]
name = "pump"
power = { topic = "t/p" }
[[meters]]
name = "roof"
role = "generation"
power = { topic = "t/r" }
"""
TOPIC = "wattround/testhouse/trial/cooler-26-degrees"
ORDER = "+--++-+--++--+"


def at_ms(text, zone=BERLIN):
    """The instant of a local time."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * 1000


NOW_MS = at_ms("2026-05-28T15:00")


def of(**more):
    """A trial of fourteen days, drawn on 28 May."""
    return {
        "name": "cooler 26 degrees", "on": ["cooler"], "from": "2026-06-01", "unit_days": 1, "block_units": 2,
        "order": ORDER, "seed": 7, "drawn": "2026-05-28T14:00:00+02:00", "on_is": "set to 26", "off_is": "set to 24",
    } | more  # fmt: skip


def trial(**more):
    return Trial.model_validate(of(**more))


def ask(run, do, kind="trial", **facts):
    reply = run.inbox.ask("book", request={"do": do, "kind": kind, **facts})
    run.core.turn()
    return reply.result(timeout=0)


def said(run):
    """What stands on each topic of trials, as a broker would have it."""
    stands = {}
    for _, topic, text in run.mail.retained:
        stands[topic] = json.loads(text) if text else None
    return stands


def acknowledge(run, begin=0):
    """The broker has it all."""
    for number, _, _ in run.mail.retained[begin:]:
        run.inbox.ask("delivered", number=number, sent=True, trouble="")
    run.core.turn()
    return len(run.mail.retained)


def go_to(run, text, zone=BERLIN):
    """Time passes, in steps as long as a turn may be late, without readings."""
    run.clock.pass_ms(at_ms(text, zone) - run.clock.now_ms)
    run.core.turn()


@pytest.fixture
def run(tmp_path):
    with HouseRun(tmp_path, METERS, NOW_MS) as made:
        made.core.begin()
        yield made


# -- the entry ------------------------------------------------------------------------------------


def test_a_trial_says_what_is_to_be_done_on_each_of_its_days_and_on_no_other():
    found = trial()
    days = [date(2026, 6, 1) + timedelta(days=on) for on in range(14)]

    assert "".join("+" if found.do(day) == "on" else "-" for day in days) == ORDER
    assert found.do(date(2026, 5, 31)) is None
    assert found.do(date(2026, 6, 15)) is None
    assert (found.days, found.last) == (14, date(2026, 6, 14))
    assert found.until(date(2026, 6, 1)) == date(2026, 6, 2)
    assert found.until(date(2026, 6, 2)) == date(2026, 6, 4)  # off on two days
    assert found.until(date(2026, 6, 14)) == date(2026, 6, 15)
    assert [found.means(do) for do in ("on", "off")] == ["set to 26", "set to 24"]


def test_a_week_is_seven_local_days():
    found = trial(unit_days=7, order="-++-")

    assert found.last == date(2026, 6, 28)
    assert [found.do(date(2026, 6, day)) for day in (1, 7, 8, 21, 22, 28)] == ["off", "off", "on", "on", "off", "off"]
    assert found.until(date(2026, 6, 10)) == date(2026, 6, 22)


REFUSED = [
    ({"name": "all"}, 'name: found "all"; expected another name: wattround prove all is a command'),
    ({"name": "12"}, 'name: found "12"; expected more than a number'),
    ({"name": "+/#"}, 'name: found "+/#"; expected a letter or a digit in it'),
    ({"on": ["heater"]}, 'on: found "heater"; expected the name of a load or supply: cooler, pump'),
    ({"on": ["roof"]}, 'on: found "roof"; expected the name of a load or supply: cooler, pump'),
    ({"on": []}, "on: found []"),
    ({"order": "+-" * 6}, "order: found 12 days; expected 14 to 400"),
    ({"order": "+-" * 201}, "order: found"),
    ({"order": "+-" * 29, "unit_days": 7}, "order: found 406 days; expected 14 to 400"),
    ({"order": "+-+--++++-+-+-"}, "expected blocks of 2 with as many + as -"),
    ({"order": ORDER + "+"}, "expected blocks of 2 with as many + as -"),
    ({"order": "on off"}, "order: found"),
    ({"unit_days": 2}, "unit_days: found 2; expected 1 or 7"),
    ({"seed": -1}, "seed: found -1"),
    ({"from": "2026-05-28"}, "from: found 2026-05-28; expected a day that has not begun, 2026-05-29 at the earliest"),
    ({"from": "2026-05-01"}, "from: found 2026-05-01; expected a day that has not begun"),
    ({"drawn": "2026-05-28T16:00:00+02:00"}, "drawn: found 2026-05-28 16:00, which is still to come"),
    ({"skipped": ["2026-05-31"]}, "skipped: found 2026-05-31; expected a day of the trial, 2026-06-01 to 2026-06-14"),
    ({"skipped": ["2026-06-02"]}, "skipped: found 2026-06-02, which is still to come"),
]


@pytest.mark.parametrize(("wrong", "says"), REFUSED)
def test_what_cannot_be_is_refused(run, wrong, says):
    with pytest.raises(ValueError, match=re.escape(says)):
        ask(run, "add", entry=of(**wrong))


def test_trials_of_one_load_may_not_share_days_and_names_not_a_topic(run):
    ask(run, "add", entry=of())

    with pytest.raises(ValueError, match=r'has days of trial 1, "cooler 26 degrees", on cooler; expected a day after'):
        ask(run, "add", entry=of(name="cooler by night", **{"from": "2026-06-14"}))
    with pytest.raises(ValueError, match='name: found "cooler 26 degrees", which another trial has'):
        ask(run, "add", entry=of(on=["pump"]))
    with pytest.raises(ValueError, match='name: found "Cooler: 26 Degrees", whose topic would be that of'):
        ask(run, "add", entry=of(name="Cooler: 26 Degrees", on=["pump"]))
    assert ask(run, "add", entry=of(name="cooler later", **{"from": "2026-06-15"})) == 2
    assert ask(run, "add", entry=of(name="pump", on=["pump"])) == 3


def test_no_name_is_both_a_changes_and_a_trials(run):
    ask(run, "add", entry=of())
    change = {"name": "cooler 26 degrees", "on": ["cooler"], "at": "2026-05-28T09:00:00+02:00"}

    with pytest.raises(ValueError, match='name: found "cooler 26 degrees", which a trial has'):
        ask(run, "add", kind="change", entry=change)
    ask(run, "add", kind="change", entry=change | {"name": "pump slower"})
    with pytest.raises(ValueError, match='name: found "pump slower", which a change has'):
        ask(run, "add", entry=of(name="pump slower", on=["pump"]))


def test_a_day_that_was_not_done_is_left_out_once_it_has_come(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-03T08:00")

    assert ask(run, "change", number=1, entry=of(skipped=["2026-06-02", "2026-06-03"])) == 1
    with pytest.raises(ValueError, match="skipped: found 2026-06-04, which is still to come"):
        ask(run, "change", number=1, entry=of(skipped=["2026-06-04"]))
    with pytest.raises(ValueError, match="skipped: found a day twice"):
        ask(run, "change", number=1, entry=of(skipped=["2026-06-02", "2026-06-02"]))
    reader = Reader(run.folder, "testhouse")
    assert entries(reader.book, Trial)[1].skipped == (date(2026, 6, 2), date(2026, 6, 3))
    reader.close()


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("cooler 26 degrees", "cooler-26-degrees"),
        ("Kühlung: 26°/24°", "kühlung-26-24"),
        ("a/+/#/b", "a-b"),
        ("  _x_ ", "x"),
        ("Ⅳ ﬁlter", "iv-filter"),
        ("насос медленнее", "насос-медленнее"),
        ("$SYS", "sys"),
        ("!?", ""),
    ],
)
def test_a_name_makes_one_level_of_a_topic(name, level):
    assert topic_level(name) == level


@given(st.text(max_size=80))
def test_any_name_makes_a_level_without_what_topics_give_a_meaning_to(name):
    """MQTT 5.0, 1.5.4 and 4.7: no U+0000, no lone surrogates, no separator, no wildcards."""
    level = topic_level(name)

    assert not re.search(r"[/+#$\x00-\x1f\s]", level)
    level.encode()


# -- what stands on the topic ---------------------------------------------------------------------


def test_what_stands_there_changes_at_local_midnight_and_goes_after_the_last_day(run):
    ask(run, "add", entry=of())
    assert said(run) == {}
    go_to(run, "2026-05-31T23:59:59")
    assert said(run) == {}
    go_to(run, "2026-06-01T00:00:00")
    assert said(run) == {
        TOPIC: {
            "trial": "cooler 26 degrees", "day": "2026-06-01", "do": "on", "until": "2026-06-02T00:00:00+02:00",
            "means": "set to 26",
        }
    }  # fmt: skip
    go_to(run, "2026-06-02T12:00:00")
    assert said(run)[TOPIC]["do"] == "off"
    assert said(run)[TOPIC]["until"] == "2026-06-04T00:00:00+02:00"
    go_to(run, "2026-06-03T00:00:00")
    assert (said(run)[TOPIC]["do"], said(run)[TOPIC]["day"]) == ("off", "2026-06-03")
    go_to(run, "2026-06-14T23:59:59")
    assert said(run)[TOPIC]["do"] == "on"
    go_to(run, "2026-06-15T00:00:00")
    assert said(run) == {TOPIC: None}


def test_nothing_is_said_twice_while_nothing_changes(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T00:00:00")
    acknowledge(run)
    for hour in range(1, 24):
        go_to(run, f"2026-06-01T{hour:02d}:00:00")

    assert len(run.mail.retained) == 1


@pytest.mark.parametrize(
    ("first", "last_minute", "then"),
    [
        ("2026-03-29", "2026-03-29T23:59:59+02:00", "2026-03-30T00:00:00+02:00"),  # 23 hours
        ("2026-10-25", "2026-10-25T23:59:59+01:00", "2026-10-26T00:00:00+01:00"),  # 25 hours
    ],
)
def test_days_of_23_and_25_hours_are_one_day_each(first, last_minute, then):
    found = trial(**{"from": first, "drawn": "2026-01-01T00:00:00+01:00", "order": "+-" * 7})
    begin_ms = at_ms(f"{first}T00:00")
    end_ms, then_ms = (int(datetime.fromisoformat(each).timestamp()) * 1000 for each in (last_minute, then))

    hours = [instruction(found, at, BERLIN) for at in range(begin_ms, end_ms, 900_000)]
    assert {now.do for now in hours} == {"on"}
    assert {now.until_ms for now in hours} == {then_ms}
    assert (then_ms - begin_ms) / 3_600_000 == {"2026-03-29": 23, "2026-10-25": 25}[first]
    assert instruction(found, end_ms, BERLIN).do == "on"
    assert instruction(found, then_ms, BERLIN).do == "off"
    text = announced([found], "wattround/h", end_ms, BERLIN)["wattround/h/trial/cooler-26-degrees"]
    assert json.loads(text)["until"] == then


@given(st.integers(at_ms("2026-03-20T00:00") // 1000, at_ms("2026-11-10T00:00") // 1000), st.sampled_from((1, 7)))
def test_at_any_instant_it_says_what_the_calendar_says(second, unit_days):
    """Held against the standard library's own local date of the instant."""
    found = trial(
        **{"from": "2026-03-22", "drawn": "2026-03-01T00:00:00+01:00", "order": "+--+" * (7 if unit_days == 7 else 50)},
        unit_days=unit_days,
    )
    local = datetime.fromtimestamp(second, UTC).astimezone(BERLIN)
    at = (local.date() - date(2026, 3, 22)).days // unit_days
    now = instruction(found, second * 1000, BERLIN)

    if not 0 <= at < len(found.order):
        assert now is None
    else:
        assert (now.day, now.do) == (local.date(), "on" if found.order[at] == "+" else "off")
        assert now.until_ms > second * 1000
        assert instruction(found, now.until_ms - 1, BERLIN).do == now.do


def test_a_restart_says_the_same_and_what_was_removed_meanwhile_is_taken_down(tmp_path):
    with HouseRun(tmp_path, METERS, NOW_MS) as run:
        run.core.begin()
        ask(run, "add", entry=of())
        go_to(run, "2026-06-01T10:00:00")
        acknowledge(run)
        before = said(run)
        run.kill()  # right after the broker had it
    with HouseRun(tmp_path, METERS, run.clock.now_ms + 60_000) as again:
        again.core.turn()
        assert said(again) == before
        acknowledge(again)
        again.kill()
    offline_book(again.settings, again.folder, again.clock.now_ms, {"do": "remove", "kind": "trial", "number": 1})
    with HouseRun(tmp_path, METERS, again.clock.now_ms) as last:
        last.core.turn()
        assert said(last) == {TOPIC: None}
        acknowledge(last)
        last.core.close()
    with HouseRun(tmp_path, METERS, last.clock.now_ms) as quiet:
        quiet.core.turn()
        assert said(quiet) == {}  # once the broker has taken it down, nobody speaks of it again


def test_a_trial_that_ended_while_the_daemon_was_away_is_taken_down(tmp_path):
    with HouseRun(tmp_path, METERS, NOW_MS) as run:
        run.core.begin()
        ask(run, "add", entry=of())
        go_to(run, "2026-06-10T10:00:00")
        run.kill()
    with HouseRun(tmp_path, METERS, at_ms("2026-07-01T09:00")) as again:
        again.core.turn()

        assert said(again) == {TOPIC: None}


def test_a_trial_that_is_removed_is_taken_down_at_once(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T10:00:00")
    acknowledge(run)
    ask(run, "remove", number=1)

    assert said(run) == {TOPIC: None}


def test_one_that_is_made_again_before_the_broker_has_answered_stands(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T10:00:00")
    ask(run, "remove", number=1)
    again = of(**{"from": "2026-06-02", "drawn": "2026-06-01T09:00:00+02:00"})
    ask(run, "add", entry=again)
    go_to(run, "2026-06-02T10:00:00")
    count = acknowledge(run)

    assert said(run)[TOPIC]["do"] == "on"
    assert len(run.mail.retained) == count


def test_a_clock_that_is_set_ahead_or_back_is_followed(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T10:00:00")
    for text, do in (("2026-06-02T10:00", "off"), ("2026-06-01T10:00", "on"), ("2026-06-04T00:00", "on")):
        run.clock.set_ms(at_ms(text))
        run.clock.pass_ms(1000)
        run.core.turn()
        assert (said(run)[TOPIC]["do"], said(run)[TOPIC]["day"]) == (do, text[:10])


def test_a_clock_that_has_not_been_set_yet_says_nothing(tmp_path):
    with HouseRun(tmp_path, METERS, NOW_MS) as run:
        run.core.begin()
        ask(run, "add", entry=of())
        go_to(run, "2026-06-01T10:00:00")
        acknowledge(run)
        run.core.close()
    with HouseRun(tmp_path, METERS, 1_000_000) as woken:  # a board without a battery, just after its start
        woken.core.turn()
        assert said(woken) == {}
        woken.clock.set_ms(at_ms("2026-06-01T10:05"))
        woken.clock.pass_ms(1000)
        woken.core.turn()
        assert said(woken)[TOPIC]["do"] == "on"


def test_a_new_connection_is_told_again_and_without_one_nothing_is_lost(run):
    ask(run, "add", entry=of())
    run.mail.open = False
    go_to(run, "2026-06-01T10:00:00")
    assert said(run) == {}
    run.mail.open = True
    run.inbox.ask("filters", filters={})
    run.core.turn()
    assert said(run)[TOPIC]["do"] == "on"
    count = acknowledge(run)
    run.inbox.ask("filters", filters={})  # the broker was started again, and keeps nothing
    run.core.turn()
    assert len(run.mail.retained) == count + 1
    assert said(run)[TOPIC]["do"] == "on"


def test_what_the_broker_refuses_is_tried_again_after_a_minute(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T10:00:00")
    run.inbox.ask("delivered", number=run.mail.retained[0][0], sent=False, trouble="not authorised")
    run.core.turn()
    run.clock.pass_ms(30_000)
    run.core.turn()
    assert len(run.mail.retained) == 1
    run.clock.pass_ms(31_000)
    run.core.turn()
    run.core.turn()
    assert [text for _, _, text in run.mail.retained] == [run.mail.retained[0][2]] * 2


def test_an_answer_that_comes_late_does_not_undo_what_was_said_since(run):
    ask(run, "add", entry=of())
    go_to(run, "2026-06-01T10:00:00")
    go_to(run, "2026-06-02T10:00:00")
    run.clock.set_ms(at_ms("2026-06-01T11:00"))
    run.clock.pass_ms(1000)
    run.core.turn()

    assert [json.loads(text)["do"] for _, _, text in run.mail.retained] == ["on", "off", "on"]
    acknowledge(run)
    assert len(run.mail.retained) == 3


# -- the whole of it ------------------------------------------------------------------------------


@pytest.mark.server
def test_a_real_broker_has_it_for_whoever_comes_later(mosquitto, hub, daemon):
    """Retained; still there after the daemon is gone, again there after the broker forgot it, gone once removed."""
    zone = ZoneInfo("Europe/Berlin")
    now = datetime.now(UTC).astimezone(zone)
    first = now.date() - timedelta(days=3)
    entry = of(**{"from": f"{first}", "drawn": (now - timedelta(days=4)).isoformat(), "order": "+-" * 10})
    run = daemon(METERS, mosquitto.port)
    ask_daemon(run.folder, "book", request={"do": "add", "kind": "trial", "entry": entry})
    until(lambda: any(topic == TOPIC for topic, _, _ in hub.heard))
    assert run.stop() == 0

    def stands():
        """What a client that comes now is given."""
        from support.hub import Hub

        late = Hub(mosquitto.port)
        late.say("wattround/end", "x")
        until(lambda: any(topic == "wattround/end" for topic, _, _ in late.heard))
        late.close()
        return [json.loads(text) for topic, text, retained in late.heard if topic == TOPIC and retained and text]

    day = datetime.now(UTC).astimezone(zone).date()
    assert [(each["day"], each["do"]) for each in stands()] == [
        (f"{day}", "on" if (day - first).days % 2 == 0 else "off")
    ]
    run.start()
    hub.say(TOPIC, "", retain=True)  # a broker that forgot it
    mosquitto.stop()
    mosquitto.start()
    until(stands)
    ask_daemon(run.folder, "book", request={"do": "remove", "kind": "trial", "number": 1})
    until(lambda: not stands())
