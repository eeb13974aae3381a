"""Each week has one letter, whatever happens to the daemon, its clock and its disk."""

import json
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.homes import ms
from support.house import TV_RULE, HouseRun, settings_of
from wattround.config.letter import WeeklyLetter
from wattround.core.letters import Letters, monday_of, newest, newest_whole, week_of
from wattround.ledger.batch import Batch

BERLIN = ZoneInfo("Europe/Berlin")
LETTER = """
[letter]
day = "sun"
at = "02:30"
channels = ["mail"]
[[channels]]
name = "mail"
url = "json://127.0.0.1:1"
[[channels]]
name = "hub"
mqtt = true
"""
"""Due at the very hour that the clock leaves out in spring and shows twice in autumn."""
HOUR_MS = 3_600_000


def a_letter(week):
    return {"week": week, "title": f"Letter {week}", "body": "Text", "html": "<p>Page</p>"}


def run(folder, now_ms):
    return HouseRun(folder, TV_RULE + LETTER, now_ms)


def ask(house, what, **facts):
    reply = house.inbox.ask(what, **facts)
    house.core.turn()
    return reply.result(timeout=0)


def write_if_due(house):
    """What the desk does."""
    due = ask(house, "letter-due")
    return ask(house, "letter", letter=a_letter(due[0].week), scheduled=True) if due is not None else None


def titles(house):
    house.core.turn()
    return [waiting.message.title for waiting in house.mail.told]


# -- which is due ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "week"),
    [
        ((2026, 3, 29, 1, 59), "2026-W11"),  # before half past two of the summer's begin, which is half past three
        ((2026, 3, 29, 3, 29), "2026-W11"),
        ((2026, 3, 29, 3, 30), "2026-W12"),
        ((2026, 10, 25, 2, 29), "2026-W41"),
        ((2026, 10, 25, 2, 30), "2026-W42"),  # the first of the two
        ((2027, 1, 10, 3, 0), "2026-W53"),
    ],
)
def test_the_letters_hour_is_one_instant_of_each_week(now, week):
    """IANA time zone database, Europe/Berlin, 2026; 2026 has 53 weeks (ISO 8601)."""
    found = newest(WeeklyLetter(day="sun", at="02:30", channels=("mail",)), ms(*now, zone=BERLIN), BERLIN)
    assert found.week == week


@given(st.dates(date(2020, 1, 1), date(2035, 1, 1)))
def test_weeks_are_those_of_the_calendar_and_sort_by_time(day):
    assert week_of(day) == f"{day:%G-W%V}"
    assert monday_of(week_of(day)) == day - timedelta(days=day.weekday())
    assert week_of(day) < week_of(day + timedelta(days=7))


@pytest.mark.parametrize(
    "found", ["2026-W54", "2026-W00", "2026-12", "W12", "", "2026-W1", "2026-W1a", "\uff12026-W12"]
)
def test_what_is_no_week_is_refused(found):
    with pytest.raises(ValueError, match="a week such as 2026-W12"):
        monday_of(found)


def test_the_last_whole_week_is_over():
    assert newest_whole(ms(2026, 3, 29, 23, 59, zone=BERLIN), BERLIN) == "2026-W12"
    assert newest_whole(ms(2026, 3, 30, zone=BERLIN), BERLIN) == "2026-W13"


# -- exactly once ---------------------------------------------------------------------------------


def test_a_week_has_one_letter_on_its_channels_and_the_first_is_that_of_the_running_week(tmp_path):
    with run(tmp_path, ms(2026, 3, 25, 12)) as house:
        assert write_if_due(house) is None
        house.clock.pass_ms(7 * 24 * HOUR_MS)

        assert write_if_due(house) == ["mail"]
        assert write_if_due(house) is None
        assert titles(house) == ["Letter 2026-W12"]
        facts = json.loads(house.mail.told[0].message.facts)
        assert facts == {"event": "letter", "house": "testhouse", "week": "2026-W12", "html": "<p>Page</p>"}


def test_a_restart_makes_no_second_and_a_kill_loses_none(tmp_path):
    house = run(tmp_path, ms(2026, 3, 25, 12))
    write_if_due(house)
    house.clock.pass_ms(7 * 24 * HOUR_MS)
    due = ask(house, "letter-due")
    house.kill()  # written, but not handed over: it is due still

    house = run(tmp_path, house.clock.now_ms)
    assert ask(house, "letter-due")[0] == due[0]
    assert write_if_due(house) == ["mail"]
    house.kill()  # handed over: on disk, with the fact that it was

    with run(tmp_path, house.clock.now_ms + HOUR_MS) as house:
        assert write_if_due(house) is None
        assert titles(house) == ["Letter 2026-W12"]


def test_of_several_that_were_missed_the_last_comes_and_knows_when_it_was_due(tmp_path):
    with run(tmp_path, ms(2026, 2, 25, 12)) as house:
        write_if_due(house)
        house.core.commit(house.clock.now_ms)
    with run(tmp_path, ms(2026, 4, 1, 12)) as house:
        due, now_ms = ask(house, "letter-due")
        assert due.due_ms == ms(2026, 3, 29, 1, 30)
        assert now_ms == house.clock.now_ms
        assert write_if_due(house) == ["mail"]
        assert write_if_due(house) is None
        assert titles(house) == ["Letter 2026-W12"]


@given(st.lists(st.integers(-400, 400), max_size=12))
def test_no_jump_of_the_clock_makes_two_of_a_week(jumps):
    """The clock is set forward and back by hours; at each stop the desk asks twice."""
    settings = settings_of(TV_RULE + LETTER)
    known, told = Letters({"week": "2026-W09"}), []
    now_ms = ms(2026, 3, 18, 12)
    for jump in [0, *jumps]:
        now_ms += jump * HOUR_MS
        for _ in range(2):
            batch = Batch()
            due = known.due(settings, now_ms, batch)
            if due is not None:
                known.put(a_letter(due.week), settings, now_ms, batch, scheduled=True)
                told.append(due.week)
                assert batch.states == {"letter": {"week": due.week}}
                known = Letters(batch.states["letter"])
    assert len(set(told)) == len(told)
    assert told == sorted(told)


@pytest.mark.parametrize("night", [(2026, 3, 28, 22), (2026, 10, 24, 22)])
def test_asked_every_ten_minutes_a_clock_change_brings_one(tmp_path, night):
    with run(tmp_path, ms(*night)) as house:
        write_if_due(house)
        sent = []
        for _ in range(60):
            house.clock.pass_ms(600_000)
            sent += write_if_due(house) or []
        assert sent == ["mail"]


def test_a_clock_that_was_never_set_is_not_gone_by(tmp_path):
    with run(tmp_path, 86_400_000) as house:
        assert write_if_due(house) is None
        assert house.core.letters.last is None


def test_one_sent_by_hand_is_besides_that_of_the_week(tmp_path):
    with run(tmp_path, ms(2026, 3, 25, 12)) as house:
        write_if_due(house)
        house.clock.pass_ms(7 * 24 * HOUR_MS)
        assert ask(house, "letter", letter=a_letter("2026-W12")) == ["mail"]
        assert write_if_due(house) == ["mail"]
        assert titles(house) == ["Letter 2026-W12"] * 2


@pytest.mark.parametrize(
    "wrong",
    [
        None,
        {},
        {**a_letter("2026-W12"), "body": 7},
        a_letter("2026-W99"),
        {**a_letter("2026-W12"), "html": "x" * 300_000},
    ],
)
def test_what_is_no_letter_is_refused(tmp_path, wrong):
    with (
        run(tmp_path, ms(2026, 3, 25, 12)) as house,
        pytest.raises(ValueError, match=r"expected a letter|a week such as"),
    ):
        ask(house, "letter", letter=wrong)


def test_a_letter_that_waits_for_its_channel_stays_as_it_was(tmp_path):
    with run(tmp_path, ms(2026, 3, 25, 12)) as house:
        house.mail.open = False
        ask(house, "letter", letter=a_letter("2026-W11"))
        house.clock.pass_ms(5 * HOUR_MS)
        house.mail.open = True
        house.core.turn()
        assert [waiting.message.body for waiting in house.mail.told] == ["Text"]
