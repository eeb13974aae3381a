"""`wattround change` as a person meets it: entered, listed, corrected, ended, taken out; wrong ones refused."""

import json
import re

import pytest
from typer.testing import CliRunner

from support.history import minutes, write
from wattround.cli.app import app

SETTINGS = """
[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
host = "127.0.0.1"
[ledger]
folder = "{folder}"
[[meters]]
name = "pool-pump"
power = {{ topic = "t/pump" }}
[[meters]]
name = "tv"
role = "appliance"
power = {{ topic = "t/tv" }}
[[meters]]
name = "roof"
role = "generation"
power = {{ topic = "t/roof" }}
"""


@pytest.fixture
def change(tmp_path):
    file = tmp_path / "wattround.toml"
    file.write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    write(tmp_path / "ledger", minutes("tv", [[5.0]] * 60), {"tv": "appliance"})

    def run(*words):
        done = CliRunner().invoke(app, ["change", *words, "-f", str(file)])
        return done.exit_code, done.output

    return run


def listed(change):
    status, out = change("list", "--json")
    assert status == 0
    return json.loads(out)


def test_a_change_is_entered_with_all_that_was_said_of_it(change):
    status, out = change(
        "add", "pump slower", "--on", "pool-pump", "--at", "2026-06-03T09:00",
        "--cost", "120.50", "--expect", "1.2kWh", "--by", "imre", "--note", "from 1800 to 1500",
    )  # fmt: skip

    assert status == 0
    assert 'Change 1 is entered: "pump slower" on pool-pump since 2026-06-03 09:00, for 120.50 EUR' in out
    assert "imre expects to save 1.20 kWh a day" in out
    (found,) = listed(change)
    assert found["at"] == "2026-06-03T09:00:00+02:00"
    assert (found["cost"], found["expect_wh"], found["by"]) == ("120.50", "1200.0", "imre")


def test_without_a_moment_it_was_made_just_now(change):
    assert change("add", "tv unplugged", "--on", "tv")[0] == 0

    assert re.fullmatch(r"20\d\d-\d\d-\d\dT.*", listed(change)[0]["at"])


def test_it_is_corrected_ended_and_taken_out(change):
    change("add", "pump slower", "--on", "pool-pump", "--at", "2026-06-03T09:00", "--cost", "120")
    assert change("edit", "pump slower", "--cost", "-", "--name", "pump slow", "--expect", "-300 Wh")[0] == 0
    (found,) = listed(change)
    assert (found["name"], found["cost"], found["expect_wh"]) == ("pump slow", None, "-300")
    assert found["at"] == "2026-06-03T09:00:00+02:00"

    status, out = change("end", "1", "--at", "2026-07-01")
    assert status == 0
    assert "until 2026-07-01 00:00" in out
    assert change("remove", "pump slow")[0] == 0
    assert listed(change) == []


def test_two_that_cannot_be_told_apart_say_so(change):
    change("add", "pump slower", "--on", "pool-pump", "--at", "2026-06-03T09:00")
    status, out = change("add", "pool covered", "--on", "pool-pump", "--at", "2026-06-04", "--with", "pump slower")

    assert status == 0
    assert 'not to be told apart from "pump slower"' in out
    assert listed(change)[1]["along_with"] == "pump slower"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["add", "x", "--on", "tv", "--at", "2999-01-01"], "--at: found 2999-01-01 00:00, which is still to come"),
        (["add", "x", "--on", "television"], '--on: found "television"; expected the name of a load or supply: pool-pump, tv'),
        (["add", "x", "--on", "roof"], '--on: found "roof"; expected the name of a load'),
        (["add", "x"], "--on: found nothing; expected it"),
        (["add", "x", "--on", "tv", "--at", "yesterday"], '--at: found "yesterday"; expected a moment such as'),
        (["add", "x", "--on", "tv", "--cost", "-5"], '--cost: found "-5"; expected at least 0'),
        (["add", "x", "--on", "tv", "--expect", "much"], '--expect: found "much"; expected energy a day'),
        (["add", "x", "--on", "tv", "--with", "nothing"], '--with: found "nothing"; expected the name of another change'),
        (["add", "7", "--on", "tv"], '--name: found "7"; expected more than a number'),
        (["add", "other", "--on", "tv"], '--name: found "other", which another change has'),
        (["add", "x", "--on", "tv", "--with", "other", "--on", "tv"], "--on: found tv, tv; expected each load once"),
        (["add", "x", "--on", "pool-pump", "--with", "other"], "on tv; expected a change to the same load"),
        (["end", "other", "--at", "2026-01-01"], "--until: found 2026-01-01 00:00; expected a moment after 2026-02-01"),
        (["edit", "none", "--cost", "3"], 'found "none"; expected a change by its name or number: 1 "other"'),
        (["remove", "4"], 'found "4"; expected a change by its name or number'),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_and_nothing_is_entered(change, words, said):
    change("add", "other", "--on", "tv", "--at", "2026-02-01")
    before = listed(change)
    status, out = change(*words)

    assert status == 2
    assert said in out
    assert listed(change) == before


def test_an_empty_book_says_how_to_begin(change):
    assert "wattround change add" in change("list")[1]


def test_the_list_is_a_table_in_order_of_time(change):
    change("add", "second", "--on", "tv", "--at", "2026-06-04")
    change("add", "first", "--on", "pool-pump", "--at", "2026-06-03", "--expect", "2kWh")
    lines = change("list")[1].splitlines()

    assert "first" in lines[1]
    assert "2.00 kWh/day" in lines[1]
    assert "second" in lines[2]
