"""The book: what may be entered, through the core's one writer or without a daemon; refused, killed, full disks."""

import re
import sqlite3
import threading
from datetime import UTC, datetime
from decimal import Decimal

import pytest

from support.house import HEAD, HouseRun, settings_of
from wattround.core.bill import Bill
from wattround.core.book import KINDS, entered, entries
from wattround.core.entry import Household
from wattround.core.offline import offline_book
from wattround.ledger.batch import EntryRow
from wattround.ledger.opening import FILE, LedgerBusy
from wattround.ledger.reader import NoLedger, Reader

METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "night-storage"
role = "supply"
power = { topic = "t/night" }
[[meters]]
name = "oven"
power = { topic = "t/oven" }
"""
MARCH = {"from": "2026-03-01", "to": "2026-03-31", "kwh": "312.4", "money": "98.20"}
APRIL = {"from": "2026-04-01", "to": "2026-04-30", "reading_from": "10233", "reading_to": "10545.4", "class": "B"}


def ask(run, do, **facts):
    """As the control socket does it: a request in the inbox, answered by a turn of the core."""
    reply = run.inbox.ask("book", request={"do": do, "kind": "bill", **facts})
    run.clock.pass_ms(1000)
    run.core.turn()
    return reply.result(timeout=0)


def bills(folder):
    reader = Reader(folder, "testhouse")
    found = entries(reader.book, Bill)
    reader.close()
    return found


@pytest.fixture
def run(tmp_path):
    with HouseRun(tmp_path, METERS) as made:
        made.core.begin()
        yield made


def test_a_bill_is_on_disk_when_it_is_answered_with_all_its_digits(run):
    assert ask(run, "add", entry=MARCH) == 1
    assert ask(run, "add", entry=APRIL | {"note": "read by myself"}) == 2

    march, april = bills(run.folder).values()
    assert (march.first.isoformat(), march.days, march.bought_kwh, march.money) == (
        "2026-03-01", 31, Decimal("312.4"), Decimal("98.20"),
    )  # fmt: skip
    assert (april.bought_kwh, april.meter_class, april.note) == (Decimal("312.4"), "B", "read by myself")
    assert [str(each) for each in (march.money, *april.written)] == ["98.20", "10233", "10545.4"]


def test_an_entry_is_changed_and_removed_and_its_number_stays_its_own(run):
    ask(run, "add", entry=MARCH)
    ask(run, "add", entry=APRIL)

    assert ask(run, "change", number=1, entry=MARCH | {"kwh": "313"}) == 1
    assert bills(run.folder)[1].kwh == 313
    assert ask(run, "remove", number=2) == 2
    assert ask(run, "add", entry=APRIL) == 3
    assert list(bills(run.folder)) == [1, 3]
    with pytest.raises(ValueError, match="number: found 2; expected the number of a bill: one of 1, 3"):
        ask(run, "remove", number=2)


def test_numbers_go_on_after_the_last_one_was_removed_and_the_daemon_restarted(tmp_path):
    with HouseRun(tmp_path, METERS) as run:
        run.core.begin()
        ask(run, "add", entry=MARCH)
        ask(run, "remove", number=1)
        run.core.close()
    with HouseRun(tmp_path, METERS) as again:
        assert ask(again, "add", entry=MARCH) == 2


def test_a_change_may_keep_its_days_but_not_take_anothers(run):
    ask(run, "add", entry=MARCH)
    ask(run, "add", entry=APRIL)

    assert ask(run, "change", number=1, entry=MARCH | {"from": "2026-02-27"}) == 1
    with pytest.raises(ValueError, match="has days of bill 2"):
        ask(run, "change", number=1, entry=MARCH | {"to": "2026-04-01"})


REFUSED = [
    ({"from": "2026-04-01"}, "from: found 2026-04-01, after to 2026-03-31"),
    ({"from": "soon"}, 'from: found "soon"; expected a date such as'),
    ({"to": "2026-05-29"}, "to: found 2026-05-29; expected a day that has come, 2026-05-28 at the latest"),
    ({"from": "2025-02-01"}, "424 days with 2025-02-01; expected at most 400 days"),
    ({"from": "1999-12-01", "to": "1999-12-31"}, "expected a day from 2000 on"),
    ({"kwh": "-3"}, 'kwh: found "-3"; expected at least 0'),
    ({"kwh": "312,4"}, 'kwh: found "312,4"; expected a number such as 312.4, with a point'),
    ({"kwh": "1e3"}, "expected a number such as"),
    ({"kwh": "NaN"}, "expected a number such as"),
    ({"kwh": 312.4}, "kwh: found 312.4; expected a number such as"),
    ({"kwh": "312400"}, "kwh: found 312400 kWh in 31 days, 420 kW all the time; expected at most 100 kW"),
    ({"kwh": None}, "kwh: expected either this, or both"),
    ({"reading_from": "1"}, "kwh: expected either this, or both"),
    ({"kwh": None, "reading_from": "1"}, "reading_to: found nothing; expected it beside the other one"),
    ({"kwh": None, "reading_to": "1"}, "reading_from: found nothing"),
    ({"kwh": None, "reading_from": "10545.4", "reading_to": "10233"}, "reading_to: found 10233, less than reading_from"),
    ({"kwh": None, "reading_from": "5", "reading_to": "999999"}, "reading_to: found 999994 kWh in 31 days"),
    ({"kwh": None, "reading_from": "-5", "reading_to": "9"}, 'reading_from: found "-5"; expected at least 0'),
    ({"export_kwh": "-1"}, 'export_kwh: found "-1"; expected at least 0'),
    ({"export_kwh": "99999"}, "export_kwh: found 99999 kWh in 31 days"),
    ({"money": "-12.30"}, "money: found -12.30; expected at least 0"),
    ({"money": "1" * 13}, "money: found"),
    ({"class": "3"}, "class: found \"3\"; expected 'A', 'B', 'C', '1' or '2'"),
    ({"supply": "oven"}, 'supply: found "oven"; expected the name of a meter with role supply: one of supply, night-sto'),
    ({"note": "x" * 201}, "note: found"),
    ({"price": "1"}, "price: an unknown key"),
    ({"from": None}, "from: found null; expected a date"),
]  # fmt: skip


@pytest.mark.parametrize(("wrong", "says"), REFUSED)
def test_what_cannot_be_is_refused_and_nothing_is_written(run, wrong, says):
    ask(run, "add", entry=APRIL)
    before = sqlite3.connect(run.folder / FILE)
    rows = before.execute("SELECT * FROM entry").fetchall()

    with pytest.raises(ValueError, match=re.escape(says)):
        ask(run, "add", entry=MARCH | wrong)
    assert before.execute("SELECT * FROM entry").fetchall() == rows
    before.close()
    assert ask(run, "add", entry=MARCH) == 2  # and the next number has not been used up


@pytest.mark.parametrize(
    ("request_", "says"),
    [
        ({"do": "burn", "kind": "bill"}, "do: expected one of add, change, remove"),
        ({"do": "add", "kind": "poem"}, "kind: expected one of bill"),
        ({"do": "add", "kind": ["bill"]}, "kind: expected one of"),
        ({"do": "add", "kind": "bill"}, "entry: expected a table"),
        ({"do": "add", "kind": "bill", "entry": {}}, "from: found nothing; expected it"),
        ({"do": "remove", "kind": "bill", "number": True}, "number: found True"),
        ({"do": "remove", "kind": "bill"}, "none has been entered"),
        ([], "expected a request such as"),
    ],
)
def test_a_request_that_makes_no_sense_is_refused(run, request_, says):
    reply = run.inbox.ask("book", request=request_)
    run.core.turn()

    with pytest.raises(ValueError, match=says):
        reply.result(timeout=0)


def test_two_bills_may_share_days_only_if_they_are_of_two_supplies(run):
    ask(run, "add", entry=MARCH | {"supply": "supply"})

    assert ask(run, "add", entry=MARCH | {"supply": "night-storage"}) == 2
    for supply in ({"supply": "supply"}, {}):
        with pytest.raises(ValueError, match="2026-03-31 to 2026-04-02 has days of bill 1 of supply"):
            ask(run, "add", entry=MARCH | supply | {"from": "2026-03-31", "to": "2026-04-02"})
    assert ask(run, "add", entry=MARCH | {"from": "2026-04-01", "to": "2026-04-02"}) == 3


def test_money_may_be_less_than_nothing_where_export_earned_it(run):
    assert ask(run, "add", entry=MARCH | {"money": "-12.30", "export_kwh": "700"}) == 1


def test_what_two_ask_at_once_is_kept_of_both(run):
    replies = []
    months = [{"from": f"2026-0{month}-01", "to": f"2026-0{month}-28", "kwh": "1"} for month in (1, 2, 3, 4)]
    asking = [
        threading.Thread(
            target=lambda month=month: replies.append(
                run.inbox.ask("book", request={"do": "add", "kind": "bill", "entry": month})
            )
        )
        for month in months
    ]
    for thread in asking:
        thread.start()
    for thread in asking:
        thread.join()
    run.core.turn()

    assert sorted(reply.result(timeout=0) for reply in replies) == [1, 2, 3, 4]
    assert sorted(bill.first.month for bill in bills(run.folder).values()) == [1, 2, 3, 4]


def test_an_entry_and_the_houses_state_are_written_together_or_not_at_all(tmp_path):
    """Killed right after the answer: the entry is there, and so is all that was measured until then; nothing twice."""
    run = HouseRun(tmp_path, METERS)
    run.core.begin()
    run.live("t/oven", 360, 60)  # ten minutes
    ask(run, "add", entry=MARCH)
    before = run.energy_uwh("oven")
    run.kill()

    with HouseRun(tmp_path, METERS, run.clock.now_ms) as again:
        assert list(bills(again.folder)) == [1]
        assert again.energy_uwh("oven") == before
        again.live("t/oven", 0, 30)
        again.commit(again.clock.now_ms)
        # 60 readings of 360 W, each held for 10 s, and the last from the kill on no more than its hold
        assert 59e6 <= again.energy_uwh("oven") <= 61e6


def test_a_full_disk_refuses_the_entry_and_it_does_not_come_about_later(run):
    database = run.core.writer._db
    pages = database.execute("PRAGMA page_count").fetchone()[0]
    database.execute(f"PRAGMA max_page_count = {pages}")
    begin = run.clock.now_ms
    for second in range(0, 36_000, 30):
        run.take("t/oven", 360, begin + second * 1000)
    run.clock.pass_ms(36_000_000)

    with pytest.raises(ValueError, match=r"^the ledger cannot be written \(.*full\): nothing was entered"):
        ask(run, "add", entry=MARCH)

    database.execute("PRAGMA max_page_count = 1000000")
    assert run.commit(run.clock.now_ms)
    assert bills(run.folder) == {}
    assert run.energy_uwh("oven") > 3.5e9  # ten hours of 360 W
    assert ask(run, "add", entry=MARCH) == 1


def test_without_a_daemon_the_writer_is_used_under_its_lock(tmp_path):
    with HouseRun(tmp_path, METERS) as run:
        run.core.begin()
        ask(run, "add", entry=MARCH)
        with pytest.raises(LedgerBusy):
            offline_book(run.settings, run.folder, run.clock.now_ms, {"do": "remove", "kind": "bill", "number": 1})
        run.core.close()
    request = {"do": "add", "kind": "bill", "entry": APRIL}

    assert offline_book(run.settings, run.folder, run.clock.now_ms, request) == 2
    with pytest.raises(ValueError, match="has days of bill 2"):
        offline_book(run.settings, run.folder, run.clock.now_ms, request)
    assert offline_book(run.settings, run.folder, run.clock.now_ms, {"do": "remove", "kind": "bill", "number": 1}) == 1
    with HouseRun(tmp_path, METERS, run.clock.now_ms) as again:
        assert list(bills(again.folder)) == [2]
        assert ask(again, "add", entry=MARCH) == 3


def test_without_a_ledger_nothing_is_made(tmp_path):
    settings = settings_of(METERS, tmp_path / "none", HEAD)

    with pytest.raises(NoLedger, match="has the daemon run"):
        offline_book(settings, tmp_path / "none", 1_780_000_000_000, {"do": "add", "kind": "bill", "entry": MARCH})
    assert not (tmp_path / "none").exists()


def test_an_entry_that_another_wattround_wrote_is_named(run):
    ask(run, "add", entry=MARCH)
    run.house.batch.entries.append(EntryRow("bill", 2, 0, '{"from":"2026-01-01","to":"2026-01-31","ounces":"3"}'))
    run.commit(run.clock.now_ms)

    with pytest.raises(ValueError, match="bill 2 of the ledger cannot be read: ounces: an unknown key"):
        bills(run.folder)


def test_today_is_the_local_day(run):
    """At 23:30 UTC of 31 March it is 1 April in Berlin (UTC+2): March is over, April has begun."""
    at_ms = int(datetime(2026, 3, 31, 23, 30, tzinfo=UTC).timestamp()) * 1000
    household = Household.at(at_ms, run.house.zone, run.house.meters)
    assert household.today.isoformat() == "2026-04-01"

    request = {"do": "add", "kind": "bill", "entry": {"from": "2026-04-01", "to": "2026-04-01", "kwh": "4"}}
    assert entered(run.core.writer.book, request, household, at_ms) == EntryRow(
        "bill", 1, at_ms, '{"from":"2026-04-01","to":"2026-04-01","kwh":"4"}'
    )


def test_every_kind_is_known_by_its_own_name():
    assert {name: kind.kind for name, kind in KINDS.items()} == {name: name for name in KINDS}
