"""Proofs and letters on the page: what the book and the ledger say, and verdicts that another process works out."""

import base64
import hashlib
import json
import os
import sys
from datetime import date, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner

from support.longhouse import write_days
from support.pages import read
from support.paper import Paper
from support.servers import until
from wattround.cli.app import app
from wattround.page.workshop import PROOFS, Workshop, command
from wattround.rules.drift import DriftRule, Expectation

pytestmark = pytest.mark.server
DAYS = [date(2025, 9, 1) + timedelta(days=offset) for offset in range(272)]
CHANGED = date(2026, 3, 2)
RULE = DriftRule(Expectation(1000.0, (0.0,) * 7), 100.0, 0.0, 1000.0, 0.0, 0.0, 0.5, 5.0).to_json()
MAILED = """
[[channels]]
name = "mail"
url = "json://127.0.0.1:9"
[letter]
day = "mon"
at = "07:00"
channels = ["mail"]
"""
LETTER = {
    "week": "2026-W22",
    "title": "Test House: 12 kWh <less>",
    "body": "The week\nTelevision   -3.2 kWh\n",
    "html": "<style>p { color: rgb(1, 2, 3) }</style><p>The week, hour by hour</p><script>document.title = 'x'</script>",
}


def enter(house, kind, entry):
    asked = {"do": "add", "kind": kind, "entry": entry}
    return house.run.inbox.ask("book", request=asked).result(timeout=30)


@pytest.fixture(scope="module")
def proven(tmp_path_factory):
    """Nine months in which a television came to use a quarter less."""
    folder = tmp_path_factory.mktemp("proven")
    rng = np.random.default_rng(5)
    watched_wh = 2000 - 500 * np.array([day >= CHANGED for day in DAYS]) + rng.normal(0, 60, len(DAYS))
    supply_wh = 9000 + watched_wh + rng.normal(0, 100, len(DAYS))
    write_days(
        folder / "ledger", DAYS, {"tv": watched_wh, "supply": supply_wh}, list(rng.normal(10, 4, len(DAYS))),
        {"tv": "appliance", "supply": "supply"},
    )  # fmt: skip
    with Paper(folder, more=MAILED) as made:
        enter(made, "change", {"name": "TV <dimmed>", "on": ["tv"], "at": f"{CHANGED}T00:00:00+01:00", "cost": "30.00"})
        yield made


def work_out(house):
    answer = house.post("/proofs", {}, Origin=house.url)
    assert (answer.status, answer.headers["location"]) == (303, "/proofs")
    until(lambda: 'id="worked" data-later' not in house.get("/proofs?wait=yes").text, 60)
    return read(house.get("/proofs").text)


def test_what_the_book_says_is_listed_without_working_anything_out(proven):
    page = read(proven.get("/proofs").text)
    table = next(each for each in page.all("table") if each.attributes["aria-labelledby"] == "changes")

    assert table.rows()[1] == ["TV <dimmed>", "Television", "2 Mar 2026, 00:00", "", "", "30.00"]
    assert "Work them out" in page.text
    assert "None is planned" in page.text
    assert not {"numpy", "scipy", "statsmodels"} & {name for name in proven.get("/api/proofs").json if name}
    assert proven.get("/api/proofs").json["state"] == "not asked"


def test_verdicts_are_those_of_the_command_and_pictures_are_shown(proven):
    page = work_out(proven)
    found = proven.get("/api/proofs").json["worked_out"]["changes"][0]
    avoided = found["evidence"]["avoided_wh_per_day"]
    table = next(each for each in page.all("table") if each.attributes["aria-labelledby"] == "verdicts")

    assert avoided["low"] <= 500 <= avoided["high"]  # what was put into the ledger
    assert table.rows()[1][:3] == ["TV <dimmed>", "saved", f"{avoided['value'] / 1000:.3f}"]
    assert found["sentence"] in page.text
    assert "Until now: " in page.text
    assert "Together, 1 of 1 change: " in page.text
    assert [each.attributes["role"] for each in page.all("svg")] == ["img"] * len(page.all("figure"))
    assert len(page.all("figure")) >= 2
    names = [each.attributes["id"] for each in page.walk() if "id" in each.attributes]
    assert len(names) == len(set(names))
    assert not [each for each in page.walk() if "style" in each.attributes]


def test_a_load_s_page_has_the_verdict_of_its_change(proven):
    work_out(proven)
    verdict = proven.get("/api/proofs").json["worked_out"]["changes"][0]["verdict"]

    assert f"Verdict: {verdict}" in read(proven.get("/load/tv").text).text
    assert "Verdict" not in read(proven.get("/load/freezer").text).text


def test_what_is_listed_on_a_circuit_is_on_its_page(proven):
    for entry in (
        {"name": "Lamp <b>", "room": "study", "circuit": "supply", "how": "measured", "on_w": "31.04",
         "on_uncertainty_w": "0.15", "standby_w": "0.5", "hours_low": "2", "hours_high": "3.5"},
        {"name": "Kettle", "circuit": "supply", "how": "plate", "on_w": "2200"},
        {"name": "Elsewhere", "circuit": "freezer", "how": "guess", "on_w": "5"},
    ):  # fmt: skip
        enter(proven, "load", entry)
    page = read(proven.get("/load/supply").text)
    rows = tables_of(page)["within"][1:]

    assert rows == [
        ["Kettle", "", "2200", "", "", "by its plate"],
        ["Lamp <b>", "study", "31.04 ± 0.15", "0.5", "2-3.5", "measured"],
    ]
    assert "within" not in tables_of(read(proven.get("/load/tv").text))


def test_what_was_worked_out_falls_with_another_book(proven):
    work_out(proven)
    enter(proven, "change", {"name": "supply checked", "on": ["supply"], "at": "2026-04-01T00:00:00+02:00"})
    page = read(proven.get("/proofs").text)

    assert "Work them out" in page.text
    assert "TV <dimmed>" in page.text
    assert not page.all("figure")


def test_a_watched_saving_says_how_it_stands(proven):
    enter(
        proven, "watch", {"change": "TV <dimmed>", "on": ["tv"], "since": "2026-05-30", "saved_wh": "500", "rule": RULE}
    )
    page = read(proven.get("/proofs").text)
    tables = tables_of(page)

    assert "0.50 kWh a day were proven" in tables["watched"][1][1]
    assert proven.get("/api/proofs").json["watched"][0]["saved_wh"] == 500


# -- trials -----------------------------------------------------------------------------------------


def trial(first, **more):
    return {"name": "TV in turns", "on": ["tv"], "from": f"{first}", "unit_days": 1, "block_units": 14,
            "order": "+-" * 14, "seed": 1, "drawn": f"{first - timedelta(days=1)}T10:00:00+02:00", "on_is": "dimmed", **more}  # fmt: skip


def tables_of(page):
    return {
        each.attributes["aria-labelledby"]: each.rows()
        for each in page.all("table")
        if "aria-labelledby" in each.attributes
    }


@pytest.fixture(scope="module")
def tried(tmp_path_factory):
    """Nine months in which a television used less on every other day of the last two weeks; nothing was changed."""
    folder = tmp_path_factory.mktemp("tried")
    rng = np.random.default_rng(6)
    begin = date(2026, 5, 15)
    on = np.array([day >= begin and (day - begin).days % 2 == 0 for day in DAYS])
    tv_wh = 2000 - 700 * on + rng.normal(0, 60, len(DAYS))
    write_days(
        folder / "ledger", DAYS, {"tv": tv_wh, "supply": 9000 + tv_wh}, list(rng.normal(10, 4, len(DAYS))),
        {"tv": "appliance", "supply": "supply"},
    )  # fmt: skip
    with Paper(folder) as made:
        enter(made, "trial", trial(begin, skipped=["2026-05-20"]))
        enter(made, "trial", trial(date(2026, 6, 2), name="Freezer in turns", on=["freezer"], on_is=""))
        yield made


def test_a_plan_in_progress_says_what_is_to_be_done_today_and_how_its_days_were(tried):
    page = read(tried.get("/proofs").text)
    days = next(each for each in page.all("details") if "Day by day" in each.text).one("table").rows()
    picture = next(each for each in page.all("svg") if each.attributes.get("aria-labelledby", "").startswith("turns-"))

    assert [each.text for each in page.all("p", "lead")] == ["Today TV in turns is off, through 2026-06-01."]
    assert tables_of(page)["trials"][1] == [
        "TV in turns", "Television", "2026-05-15 to 2026-06-11", "17 of 28 days, 1 left out", "off"
    ]  # fmt: skip
    assert tables_of(page)["trials"][2][3:] == ["0 of 28 days", "not yet begun"]
    assert days[1:7] == [
        ["2026-05-15", "on", "over"], ["2026-05-16", "off", "over"], ["2026-05-17", "on", "over"],
        ["2026-05-18", "off", "over"], ["2026-05-19", "on", "over"], ["2026-05-20", "off", "left out"],
    ]  # fmt: skip
    assert [row[2] for row in days if row[2] == "today"] == ["today"]
    assert picture.attributes["role"] == "img"
    says = next(each.inside[0] for each in picture.all("desc"))
    assert says == ("28 days from 2026-05-15, 14 on and 14 off; 17 are over, 9 on and 7 off; 1 left out; today is off")
    assert "Tried today: TV in turns is off." in read(tried.get("/").text).one("aside").text


def test_a_trial_is_judged_on_the_page_as_by_the_command(tried):
    """The verdict is that of `wattround prove NAME`: the same sentence, from the same ledger."""
    page = work_out(tried)
    facts = tried.get("/api/proofs").json
    found = facts["worked_out"]["trials"][0]
    done = CliRunner().invoke(app, ["prove", "TV in turns", "--json", "-f", str(tried.file)])

    assert json.loads(done.output) == found
    assert found["verdict"] == "saved"
    assert found["saved_wh_per_day"]["low"] <= 700 <= found["saved_wh_per_day"]["high"]  # what was put into the ledger
    assert tables_of(page)["verdicts"][1][:3] == [
        "TV in turns",
        "saved",
        f"{found['saved_wh_per_day']['value'] / 1000:.3f}",
    ]
    assert tables_of(page)["verdicts"][2][1] == "too little data"
    assert found["sentence"] in page.text
    assert facts["worked_out"]["changes"] == []
    assert [turn["do"] for turn in facts["trials"][0]["turns"][:3]] == ["on", "off", "on"]
    names = [each.attributes["id"] for each in page.walk() if "id" in each.attributes]
    assert len(names) == len(set(names))


def test_a_program_has_changes_and_trials_worked_out(tried):
    enter(tried, "change", {"name": "supply checked", "on": ["supply"], "at": "2026-03-01T00:00:00+01:00"})
    assert tried.get("/api/proofs").json["state"] == "not asked"
    assert tried.ask("POST", "/api/proofs", headers={"Origin": "http://evil.example"}).status == 403
    assert tried.ask("POST", "/api/proofs", headers={"Origin": tried.url}).json == {"state": "at work", "trouble": None}
    until(lambda: tried.get("/api/proofs").json["state"] == "done", 60)
    found = tried.get("/api/proofs").json["worked_out"]

    assert [each["change"] for each in found["changes"]] == ["supply checked"]
    assert [each["trial"] for each in found["trials"]] == ["TV in turns", "Freezer in turns"]
    assert not [each for kind in ("changes", "trials") for each in found[kind] if "page" in each]


# -- letters ----------------------------------------------------------------------------------------


def test_letters_are_listed_and_shown_as_their_text(proven):
    assert "None has been written." in read(proven.get("/letters").text).text
    assert proven.run.inbox.ask("letter", letter=LETTER).result(timeout=30) == ["mail"]
    until(lambda: proven.get("/api/letters").json, 60)
    listed, page = read(proven.get("/letters").text), read(proven.get("/letters/2026-W22").text)

    assert listed.one("tbody").rows()[0][:2] == ["2026-W22", "2026-05-25 to 2026-05-31"]
    assert "Television   -3.2 kWh" in proven.get("/letters/2026-W22").text
    assert "12 kWh <less>" in page.text
    assert not [each for each in page.walk() if "style" in each.attributes]
    assert proven.get("/api/letters/2026-W22").json["body"] == LETTER["body"]
    assert proven.get("/api/letters/2026-W21").status == 404


def test_a_letter_is_there_as_it_was_sent_under_a_policy_of_its_own(proven):
    proven.run.inbox.ask("letter", letter={**LETTER, "week": "2026-W21"}).result(timeout=30)
    until(lambda: proven.get("/letters/2026-W21/sent").status == 200, 60)
    answer = proven.get("/letters/2026-W21/sent")
    policies = answer.headers.get_all("content-security-policy")

    assert answer.text == LETTER["html"]
    assert len(policies) == 1
    style = base64.b64encode(hashlib.sha256(b"p { color: rgb(1, 2, 3) }").digest()).decode()  # CSP level 3, 6.7.3.1
    assert policies[0].startswith(f"sandbox; default-src 'none'; style-src 'sha256-{style}'; base-uri 'none'")
    assert "/letters/2026-W21/sent" in proven.get("/letters/2026-W21").text
    assert proven.get("/letters/2026-W01/sent").status == 404


def test_nobody_else_s_page_has_proofs_worked_out(proven):
    assert proven.post("/proofs", {}, Origin="http://evil.example").status == 403


def test_why_it_cannot_be_is_said_in_the_command_s_words(tmp_path):
    with Paper(tmp_path, hours=1) as made:
        enter(made, "change", {"name": "x", "on": ["tv"], "at": "2026-06-01T10:30:00+02:00"})
        made.file.write_text("[house]\nid = 5\n")
        page = work_out(made)

        assert made.get("/api/proofs").json["state"] == "failed"
        assert "Try again" in page.text
        assert "Traceback" not in page.text


# -- the process itself -----------------------------------------------------------------------------


class Shop(Workshop):
    """Runs a program of ours in place of the command: it fails in ways that the command should not."""

    def __init__(self, program, limit_s=20.0):
        super().__init__(PROOFS._replace(limit_s=limit_s), None)
        self._command = [sys.executable, "-c", program]

    def outcome(self, key="key"):
        self.begin(key)
        until(lambda: self.look(key).state not in ("at work", "not asked"), 60)
        return self.look(key)


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("import time; time.sleep(60)", "was given up"), ("raise SystemExit(1)", "The daemon's log says more."),
        ("import os; os.kill(os.getpid(), 9)", "for want of memory"), ("print('no json')", "The daemon's log says more."),
        ("import sys; print('wattround: it is so', file=sys.stderr); sys.exit(69)", "It is so."),
        ("print('x' * 9_000_000)", "more than a page can show"),
    ],
)  # fmt: skip
def test_a_process_that_fails_is_told_of_clearly(program, says):
    shop = Shop(program, limit_s=1.0 if "sleep" in program else 20.0)
    try:
        found = shop.outcome()
        assert found.state == "failed"
        assert says in found.trouble
    finally:
        shop.close()


def test_there_is_one_process_at_a_time_with_a_low_priority_and_it_ends_with_the_page(tmp_path):
    marks = tmp_path / "marks"
    shop = Shop(f"import os, time; open({str(marks)!r}, 'a').write(f'{{os.getpid()}}\\n'); time.sleep(60)", limit_s=60)
    for key in ("one", "two", "one"):
        shop.begin(key)
    until(marks.exists, 60)
    number = int(marks.read_text())

    assert shop.look("two").state == "at work"
    assert os.getpriority(os.PRIO_PROCESS, number) == 15
    shop.close()
    until(lambda: shop.look("one").state == "failed", 60)
    with pytest.raises(ProcessLookupError):
        os.kill(number, 0)


def test_without_a_file_or_the_extra_it_says_what_to_do(tmp_path, monkeypatch):
    shop = Workshop(PROOFS, None)
    assert "wattround prove all" in shop.lack
    shop.begin("key")
    assert shop.look("key").state == "not asked"
    monkeypatch.setattr("wattround.page.workshop.find_spec", lambda name: None if name == "scipy" else object())
    assert "scipy is not installed" in shop.lack
    assert ".[analysis]" in shop.lack
    shop.close()
    assert command(PROOFS, tmp_path / "a.toml")[0] == sys.executable
