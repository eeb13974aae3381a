"""`wattround inventory` as a person meets it: typed in, listed, corrected, taken out, held against the meters."""

import csv
import io
import json

import pytest
from typer.testing import CliRunner

from support.history import BEGIN_MINUTE, minutes, write
from wattround.cli.app import app

SETTINGS = """
[house]
id = "testhouse"
time_zone = "UTC"
currency = "EUR"
price_per_kwh = 0.25
[ledger]
folder = "{folder}"
[[meters]]
name = "study"
power = {{ topic = "t/study" }}
[[meters]]
name = "plug"
role = "appliance"
within = "study"
power = {{ topic = "t/plug" }}
[[meters]]
name = "roof"
role = "generation"
power = {{ topic = "t/roof" }}
"""
LAMP = ("add", "Desk lamp", "--room", "study", "--circuit", "study", "--watts", "60", "--plus-minus", "2")
DAYS = ("--from", "2026-05-28", "--to", "2026-05-29")


@pytest.fixture
def inventory(tmp_path):
    """Two days of a circuit of 100 W, of which a plug takes 40."""
    file = tmp_path / "wattround.toml"
    file.write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    rows = minutes("study", [[100.0]] * 2880) + minutes("plug", [[40.0]] * 2880)
    write(tmp_path / "ledger", rows, {"study": "circuit", "plug": "appliance"})
    assert BEGIN_MINUTE * 60 == 1_779_926_400  # 2026-05-28

    def run(*words):
        done = CliRunner().invoke(app, ["inventory", *words, "-f", str(file)])
        return done.exit_code, done.output

    return run


def listed(inventory):
    status, out = inventory("list", "--json")
    assert status == 0
    return json.loads(out)["loads"]


def test_a_load_is_typed_in_with_all_that_was_said_of_it(inventory):
    status, out = inventory(
        *LAMP, "--standby", "0.5", "--standby-plus-minus", "0.2", "--hours", "2-4", "--how", "measured", "--inrush", "80",
        "--note", "by the window",
    )  # fmt: skip

    assert status == 0
    assert (
        'Load 1 is entered: "Desk lamp" in study, on study, 60 ± 2 W in use, 0.5 ± 0.2 W in standby, 2-4 h a day.'
        in out
    )
    (found,) = listed(inventory)
    assert (found["on_w"], found["on_uncertainty_w"], found["hours_low"], found["hours_high"]) == (60, 2, 2, 4)
    assert found["kwh_per_year"] == pytest.approx((60 * 3 + 0.5 * 21) * 0.36525, abs=0.001)
    assert float(found["money_per_year"]) == pytest.approx((60 * 3 + 0.5 * 21) * 0.36525 * 0.25, abs=0.01)
    assert found["kwh_per_year_low"] < found["kwh_per_year"] < found["kwh_per_year_high"]


def test_the_list_has_its_sum_and_what_is_not_in_it(inventory):
    inventory(*LAMP, "--hours", "24")
    inventory("add", "Monitor", "--room", "study")
    out = inventory("list")[1]

    assert "60 ± 2" in out
    assert "to do" in out
    assert "526" in out.split("All")[1]  # 60 W x 8766 h
    assert "Not in the sum, for want of watts or hours: Monitor." in out


def test_the_table_for_spreadsheets_has_the_same_rows(inventory):
    inventory(*LAMP, "--hours", "3")
    inventory("add", "Monitor")
    rows = list(csv.DictReader(io.StringIO(inventory("list", "--csv")[1])))

    assert [row["name"] for row in rows] == ["Monitor", "Desk lamp"]
    assert rows[0]["kwh_per_year"] == ""
    assert [row["kwh_per_year"] for row in rows[1:]] == [str(each["kwh_per_year"]) for each in listed(inventory)[1:]]


def test_it_is_corrected_and_taken_out_by_name_or_number(inventory):
    inventory(*LAMP, "--hours", "3", "--how", "measured")
    assert inventory("edit", "Desk lamp", "--hours", "2-4", "--name", "Lamp", "--note", "old")[0] == 0
    assert inventory("edit", "1", "--note", "-", "--watts", "55")[0] == 0
    (found,) = listed(inventory)
    assert (found["name"], found["hours_low"], found["note"], found["on_w"]) == ("Lamp", 2, "", 55)
    assert (found["how"], found["on_uncertainty_w"]) == ("guess", None)  # typed watts are not the measured ones

    assert inventory("edit", "Lamp", "--hours", "-")[0] == 0
    assert listed(inventory)[0]["hours_low"] is None
    assert inventory("remove", "Lamp")[0] == 0
    assert listed(inventory) == []


def test_an_empty_list_says_how_to_begin(inventory):
    assert "wattround walk" in inventory("list")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", "Desk lamp"), 'name: found "Desk lamp", which another load has'),
        (("add", "7"), 'name: found "7"; expected more than a number'),
        (
            ("add", "x", "--circuit", "stud"),
            '--circuit: found "stud"; expected the name of a load or supply: plug, study',
        ),
        (("add", "x", "--circuit", "roof"), '--circuit: found "roof"; expected'),
        (("add", "x", "--watts", "much"), '--watts: found "much"; expected a number'),
        (("add", "x", "--watts", "-5"), '--watts: found "-5"; expected watts from 0 to'),
        (("add", "x", "--plus-minus", "5"), "--watts: found nothing; expected the watts that"),
        (("add", "x", "--watts", "5", "--standby", "9"), "--standby: found 9, more than its 5 W in use"),
        (("add", "x", "--hours", "5-2"), '--hours: found "5-2"; expected hours a day such as 3'),
        (("add", "x", "--hours", "25"), '--hours: found "25"; expected hours a day'),
        (("add", "x", "--how", "surely"), '--how: found "surely"; expected'),
        (("edit", "none", "--watts", "3"), 'found "none"; expected a load by its name or number: 1 "Desk lamp"'),
        (("remove", "4"), 'found "4"; expected a load by its name or number'),
        (("list", "--csv", "--json"), "expected one of --csv and --json"),
        (("check", "--period", "eon"), '--period: found "eon"; expected one of'),
        (("check", "--from", "2020-01-01", "--to", "2020-01-02"), "nothing is kept of 2020-01-01 to 2020-01-02"),
    ],
)
def test_what_makes_no_sense_is_refused_and_nothing_is_changed(inventory, words, said):
    inventory(*LAMP)
    before = listed(inventory)
    status, out = inventory(*words)

    assert status == 2
    assert said in out
    assert listed(inventory) == before


def test_it_is_held_against_what_the_circuit_took_beyond_the_meters_within_it(inventory):
    """60 W of the study's 100 W are not in the plug: a lamp of 60 W for 12 hours is half of it."""
    inventory(*LAMP, "--how", "measured", "--hours", "10-14")
    inventory("add", "Printer", "--circuit", "study", "--watts", "20")
    inventory("add", "Clock", "--watts", "2", "--hours", "24")
    status, out = inventory("check", *DAYS)

    assert status == 0
    assert "On no circuit yet: Clock." in out
    found = {each["circuit"]: each for each in json.loads(inventory("check", *DAYS, "--json")[1])["circuits"]}
    assert found["study"]["used_wh_per_day"] == pytest.approx(1440)
    assert found["study"]["share"] == pytest.approx(0.5)
    assert found["study"]["missing"] == ["Printer"]
    assert found["plug"]["loads"] == 0
    line = " ".join(out.split("study")[1].split("plug")[0].split())
    assert "50 % between 40 and 60 %: something is not listed; no hours or watts: Printer" in line


def test_more_listed_than_used_and_all_of_it_are_told_apart(inventory):
    inventory("add", "Server", "--circuit", "plug", "--watts", "40", "--plus-minus", "1", "--hours", "24")
    assert "may be all of it" in inventory("check", *DAYS)[1]
    assert listed(inventory)[0]["how"] == "measured"  # who states how far it may be off has read it somewhere
    inventory("edit", "Server", "--watts", "80", "--plus-minus", "1")
    assert "more is listed than was used; fewer hours?" in " ".join(inventory("check", *DAYS)[1].split())


def test_without_a_ledger_it_says_so(tmp_path):
    file = tmp_path / "wattround.toml"
    file.write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    for words in (["inventory", "list"], ["inventory", "add", "x"], ["inventory", "check"], ["walk"]):
        done = CliRunner().invoke(app, [*words, "-f", str(file)])
        assert done.exit_code == 69
        assert "no such file" in done.output
