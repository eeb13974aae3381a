"""`wattround bill` as a person or a script meets it: entered, listed, removed, held against the meters."""

import json
import subprocess
from decimal import Decimal

import pytest

from support.billing import FLAT, SUPPLY, stretch
from support.daemon import COMMAND
from support.history import write
from support.servers import until

MARCH = ("--from", "2026-03-01", "--to", "2026-03-31")


def bill(*words):
    return subprocess.run([*COMMAND, "bill", *map(str, words)], capture_output=True, text=True, timeout=60)


@pytest.fixture
def file(tmp_path):
    """A house that drew 400 W all through March 2026: 743 hours in Berlin, 297.2 kWh."""
    write(tmp_path / "ledger", stretch("supply", "2026-03-01", "2026-04-01", 400), {"supply": "supply"})
    made = tmp_path / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{tmp_path / "ledger"}"\n' + SUPPLY)
    return made


def squeezed(text):
    return [" ".join(line.split()) for line in text.splitlines()]


def test_a_bill_is_entered_listed_and_removed(file):
    added = bill("add", *MARCH, "--reading-from", "10233", "--reading-to", "10545.4", "--money", "78.10", "--class", "b",
                 "--note", "by post", "-f", file)  # fmt: skip

    assert (added.returncode, added.stderr) == (0, "")
    assert added.stdout.splitlines() == [
        "Bill 1 is entered: 2026-03-01 to 2026-03-31, 31 days, 312.4 kWh, 78.10 EUR.",
        f"Hold it against the meters: wattround bill check 1 -f {file}",
    ]
    assert bill("add", "--from", "2026-02-01", "--to", "2026-02-28", "--kwh", "290", "-f", file).returncode == 0
    assert squeezed(bill("list", "-f", file).stdout) == [
        "No. From To Days kWh EUR Class Note",
        "2 2026-02-01 2026-02-28 28 290",
        "1 2026-03-01 2026-03-31 31 312.4 78.10 B by post",
    ]
    facts = json.loads(bill("list", "--json", "-f", file).stdout)
    assert (facts["house"], facts["currency"], [each["number"] for each in facts["bills"]]) == (
        "testhouse",
        "EUR",
        [2, 1],
    )
    assert facts["bills"][1] == {
        "number": 1, "from": "2026-03-01", "to": "2026-03-31", "days": 31, "kwh": 312.4, "reading_from": 10233.0,
        "reading_to": 10545.4, "export_kwh": None, "money": "78.10", "class": "B", "supply": None, "note": "by post",
    }  # fmt: skip
    assert bill("remove", 2, "-f", file).stdout == "Bill 2 is removed.\n"
    assert [each["number"] for each in json.loads(bill("list", "--json", "-f", file).stdout)["bills"]] == [1]


def test_the_page_of_a_bill_that_does_not_agree(file):
    """The bill that tests/analysis/test_billcheck.py works by hand."""
    bill(
        "add",
        *MARCH,
        "--reading-from",
        "10233",
        "--reading-to",
        "10545.4",
        "--money",
        "78.10",
        "--class",
        "2",
        "-f",
        file,
    )
    answer = bill("check", 1, "-f", file)

    assert (answer.returncode, answer.stderr) == (0, "")
    lines = squeezed(answer.stdout)
    assert lines[:7] == [
        "Bill 1: 2026-03-01 to 2026-03-31, 31 days, 312.4 kWh, 78.10 EUR.",
        "kWh EUR",
        "Metered 297.20 74.30 money: by the settings",
        "Billed 312.40 78.10 the register from 10233 to 10545.4",
        "Metered less billed -15.20 -3.80 -4.9 %",
        "The meters allow 9.97 ours 5.94, the utility's 6.25, rounding 0.55; at worst 12.74",
        "The invoice has 78.10",
    ]
    assert "Our meters show less than the bill: by 15.20 kWh, 5.23 kWh beyond what the meters allow." in lines
    assert "What may be behind it:" in lines
    assert "rectangular distributions, combined by the GUM (JCGM 100:2008)" in " ".join(lines)
    assert all(len(line) <= 100 for line in answer.stdout.splitlines())
    assert "\x1b" not in answer.stdout


def test_all_bills_have_a_line_and_the_latest_its_page(file):
    bill("add", "--from", "2026-02-01", "--to", "2026-02-28", "--kwh", "290", "-f", file)
    bill("add", *MARCH, "--kwh", "297.2", "--class", "2", "--money", "80.00", "-f", file)
    lines = squeezed(bill("check", "-f", file).stdout)

    assert lines[:3] == [
        "No. From To Billed Metered Apart Allowed Covered Energy Tariff",
        "1 2026-02-01 2026-02-28 290.00 0.0 % cannot tell",
        "2 2026-03-01 2026-03-31 297.20 297.20 +0.0 % 9.71 100.0 % agrees differs",
    ]
    assert lines[4] == "Bill 2: 2026-03-01 to 2026-03-31, 31 days, 297.2 kWh, 80.00 EUR."
    assert "The bill agrees with our meters: 0.00 kWh apart, where the meters allow 9.71 kWh." in lines
    first = squeezed(bill("check", 1, "-f", file).stdout)
    assert "Cannot tell: the ledger has nothing of these days." in first
    assert not any(line.startswith("Metered") for line in first)


def test_a_script_gets_every_figure(file):
    bill("add", *MARCH, "--kwh", "312.4", "--export-kwh", "50", "--class", "2", "--money", "78.10", "-f", file)
    facts = json.loads(bill("check", "--json", "-f", file).stdout)

    (of,) = facts["bills"]
    bought = of["bought"]
    assert (bought["billed_kwh"], bought["covered_percent"], bought["verdict"]) == (312.4, 100.0, "meters-less")
    assert bought["metered_kwh"] == pytest.approx(297.2, abs=1e-3)
    assert bought["difference_percent"] == pytest.approx(-100 * 15.2 / 312.4, abs=1e-3)
    assert bought["limits_kwh"]["utility"] == pytest.approx(6.248)
    assert (bought["missed_likely_kwh"], bought["missed_most_kwh"]) == (0, 0)
    assert bought["allowed_kwh"] == pytest.approx(9.958, abs=1e-3)
    assert bought["difference_kwh"] - bought["beyond_kwh"] == pytest.approx(-bought["allowed_kwh"])
    assert of["given_back"]["verdict"] == "meters-less"  # nothing went back, 50 kWh were billed
    assert of["tariff"] | {"allowed": None} == {
        "metered": "74.30", "billed": "78.10", "invoice": "78.10", "difference": "0.00", "allowed": None,
        "unpriced_kwh": 0.0, "verdict": "agrees",
    }  # fmt: skip
    assert Decimal(of["tariff"]["allowed"]) > 0
    assert of["meters"] == ["supply"]
    assert of["says"][0].startswith("Our meters show less")
    assert len(of["reasons"]) > 1


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["add", "--from", "2026-03-31", "--to", "2026-03-01", "--kwh", "3"], 2, "--from: found 2026-03-31, after to 2026-03-01"),
        (["add", "--from", "soon", "--to", "2026-03-01", "--kwh", "3"], 2, '--from: found "soon"; expected a day'),
        (["add", *MARCH], 2, "--kwh: expected either this, or both reading_from and reading_to"),
        (["add", *MARCH, "--kwh", "312,4"], 2, '--kwh: found "312,4"; expected a number such as 312.4, with a point'),
        (["add", *MARCH, "--reading-from", "9", "--reading-to", "3"], 2, "--reading-to: found 3, less than reading_from 9"),
        (["add", *MARCH, "--kwh", "3", "--class", "x"], 2, "--class: found \"X\"; expected 'A', 'B', 'C', '1' or '2'"),
        (["add", *MARCH, "--kwh", "3", "--supply", "roof"], 2, '--supply: found "roof"; expected the name of a meter with role'),
        (["add", "--from", "2026-03-01", "--to", "2199-03-01", "--kwh", "3"], 2, "--to: found 2199-03-01; expected a day that has"),
        (["add", "--from", "2024-03-01", "--to", "2026-03-01", "--kwh", "3"], 2, "expected at most 400 days"),
        (["add", *MARCH, "--kwh", "-3"], 2, '--kwh: found "-3"; expected at least 0'),
        (["add", "--from", "2026-03-01", "--kwh", "3"], 2, "--to"),
        (["remove", "7"], 2, "number: found 7; expected the number of a bill: none has been entered"),
        (["check"], 2, "no bill has been entered: wattround bill add"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_and_nothing_is_written(file, words, status, says):
    answer = bill(*words, "-f", file)

    assert (answer.returncode, answer.stdout) == (status, "")
    assert says in answer.stderr
    assert json.loads(bill("list", "--json", "-f", file).stdout)["bills"] == []


def test_days_that_another_bill_has_are_refused_with_its_number(file):
    bill("add", *MARCH, "--kwh", "300", "-f", file)
    again = bill("add", "--from", "2026-03-31", "--to", "2026-04-30", "--kwh", "300", "-f", file)
    unknown = bill("check", 3, "-f", file)

    assert (again.returncode, unknown.returncode) == (2, 2)
    assert "--from: 2026-03-31 to 2026-04-30 has days of bill 1, 2026-03-01 to 2026-03-31" in again.stderr
    assert "found 3; expected the number of a bill: one of 1" in unknown.stderr


def test_an_empty_list_says_so(file):
    assert bill("list", "-f", file).stdout == "No bill has been entered.\n"


def test_without_a_ledger_nothing_is_made(tmp_path):
    made = tmp_path / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{tmp_path / "none"}"\n' + SUPPLY)

    for words in (["add", *MARCH, "--kwh", "300"], ["list"], ["check"], ["remove", 1]):
        answer = bill(*words, "-f", made)
        assert (answer.returncode, answer.stdout) == (69, "")
        assert "has the daemon run with these settings?" in answer.stderr
    assert not (tmp_path / "none").exists()


def test_what_several_enter_at_once_without_a_daemon_is_all_kept(file):
    asking = [
        subprocess.Popen(
            [*COMMAND, "bill", "add", "--from", f"2026-0{month}-01", "--to", f"2026-0{month}-28", "--kwh", str(month), "-f", str(file)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )
        for month in (1, 2, 3, 4)
    ]  # fmt: skip
    for each in asking:
        each.communicate(timeout=60)

    assert [each.returncode for each in asking] == [0, 0, 0, 0]
    found = json.loads(bill("list", "--json", "-f", file).stdout)["bills"]
    assert [each["kwh"] for each in found] == [1, 2, 3, 4]
    assert sorted(each["number"] for each in found) == [1, 2, 3, 4]


@pytest.mark.server
def test_a_running_daemon_enters_it_and_a_kill_right_after_leaves_it_there(mosquitto, daemon):
    run = daemon(SUPPLY, mosquitto.port)
    until(lambda: run.connected)

    assert bill("add", *MARCH, "--kwh", "300.0", "-f", run.file).stdout.startswith("Bill 1 is entered")
    assert "has days of bill 1" in bill("add", *MARCH, "--kwh", "300", "-f", run.file).stderr
    run.stop(9)

    assert squeezed(bill("list", "-f", run.file).stdout)[1:] == ["1 2026-03-01 2026-03-31 31 300.0"]
    run.start()
    assert bill("remove", 1, "-f", run.file).stdout == "Bill 1 is removed.\n"
    assert bill("add", *MARCH, "--kwh", "300.0", "-f", run.file).stdout.startswith("Bill 2 is entered")
