"""`wattround prove plan` and `prove trials` as a person or a script meets them."""

import json
from datetime import date, datetime, timedelta

import numpy as np
import pytest
import vobject
from typer.testing import CliRunner

from support.longhouse import BERLIN, write_days
from support.turns import degrees_c, entry, lasting, on_days, trial
from wattround.analysis.proof.alternating import draw
from wattround.cli.app import app
from wattround.cli.booking import ask_book
from wattround.config.load import load

TODAY = datetime.now(BERLIN).date()
DAYS = [TODAY - timedelta(days=400 - offset) for offset in range(400)]
BEGIN = DAYS[-50]
SETTINGS = """
[house]
id = "testhouse"
name = "Quince <House>"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
host = "127.0.0.1"
port = 1
[ledger]
folder = "{folder}"
[[meters]]
name = "heat"
power = {{ topic = "t/h" }}
[[meters]]
name = "fan"
power = {{ topic = "t/f" }}
[[meters]]
name = "roof"
role = "generation"
power = {{ topic = "t/r" }}
[[signals]]
name = "window"
topic = "s/window"
"""


def a_house(folder):
    """Heating that saved 900 Wh on days on of a trial that is over; a fan."""
    rng = np.random.default_rng(3)
    (folder / "wattround.toml").write_text(SETTINGS.format(folder=folder / "ledger"))
    weather = degrees_c(DAYS, rng)
    heat = 2000 + 400 * np.maximum(15 - weather, 0) + lasting(len(DAYS), rng, 300, 0.5)
    heat -= 900 * on_days(trial("heat 19 degrees", "heat", BEGIN, 20, seed=5), DAYS)
    fan = 1500 + lasting(len(DAYS), rng, 100)
    write_days(folder / "ledger", DAYS, {"heat": heat, "fan": fan}, list(weather))
    return folder


def with_a_trial(folder):
    made = entry("heat 19 degrees", "heat", BEGIN, 20, seed=5, on_is="set to 19", off_is="set to 21")
    ask_book(load(folder / "wattround.toml").settings, "add", "trial", entry=made)
    return folder


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """One that no test writes to."""
    return with_a_trial(a_house(tmp_path_factory.mktemp("plan")))


@pytest.fixture
def fresh(tmp_path):
    return a_house(tmp_path)


def run(folder, *words):
    done = CliRunner().invoke(app, ["prove", *words, "-f", str(folder / "wattround.toml")])
    return done.exit_code, done.output


def told(folder, *words):
    status, out = run(folder, *words)
    assert status == 0, out
    return out


# -- the plan -------------------------------------------------------------------------------------


def test_a_plan_says_how_long_each_way_takes_and_which_is_best(house):
    out = told(house, "plan", "--on", "heat", "--effect", "500Wh")
    lines = out.splitlines()

    assert lines[0].startswith("heat: ")
    assert "To be seen: 0.500 kWh a day" in lines[1]
    assert [line.split("  ")[0] for line in lines[4:7]] == [
        "before and after", "alternating by day", "alternating by week",
    ]  # fmt: skip
    assert any(line.startswith("Best: ") for line in lines)
    assert "40 days of trials on the same load are left out." in out
    assert "Trial" not in out


def test_a_program_gets_the_same_figures(house):
    found = json.loads(told(house, "plan", "--on", "heat", "--effect", "0.5kWh", "--json"))["plan"]
    out = told(house, "plan", "--on", "heat", "--effect", "500Wh")

    assert (found["on"], found["effect_wh"], found["level"]) == (["heat"], 500.0, 0.9)
    assert [way["way"] for way in found["ways"]] == ["before and after", "alternating by day", "alternating by week"]
    assert [each["days"] for each in found["ways"][0]["smallest_seen"]] == [14, 28, 56, 91, 182, 365]
    best = next(way for way in found["ways"] if way["way"] == found["best"])
    assert f"Best: {found['best']}, {best['days']} days." in out


def test_without_an_effect_it_is_a_tenth(house):
    found = json.loads(told(house, "plan", "--on", "fan", "--json"))["plan"]

    assert found["effect_wh"] == pytest.approx(found["usual_wh"] / 10)
    assert found["usual_wh"] == pytest.approx(1500, rel=0.02)


# -- drawing --------------------------------------------------------------------------------------


def test_a_trial_is_drawn_from_its_seed_and_kept(fresh):
    first = TODAY + timedelta(days=10)
    words = (
        "plan",
        "--on",
        "heat",
        "--alternate",
        "day",
        "--from",
        f"{first}",
        "--days",
        "28",
        "--as",
        "heat 18 degrees",
    )
    out = told(fresh, *words, "--on-is", "set to 18", "--off-is", "set to 21", "--seed", "7")

    assert (
        f'Trial 1, "heat 18 degrees", on heat: 28 days, {first} to {first + timedelta(days=27)}; drawn from seed 7.'
        in out
    )
    assert "On: set to 18.\nOff: set to 21.\n" in out
    assert "wattround/testhouse/trial/heat-18-degrees" in out
    assert "By the load's own history it will show about" in out
    kept = json.loads(told(fresh, "trials", "--json"))[0]
    order = draw(first, 14, unit_days=1, block_units=2, seed=7).on
    assert [each["do"] == "on" for each in kept["days"]] == list(order)
    assert [each["day"] for each in kept["days"]] == [f"{first + timedelta(days=at)}" for at in range(28)]
    assert (kept["seed"], kept["today"], kept["done"]) == (7, None, 0)


def test_a_seed_that_nobody_names_is_drawn_and_written_down(fresh):
    made = [
        json.loads(told(fresh, "plan", "--on", load, "--alternate", "day", "--days", "40", "--as", load, "--json"))[
            "trial"
        ]
        for load in ("heat", "fan")
    ]

    assert made[0]["seed"] != made[1]["seed"]
    for each in made:
        first = date.fromisoformat(each["from"])
        assert first == TODAY + timedelta(days=1)
        order = draw(first, 20, unit_days=1, block_units=2, seed=each["seed"]).on
        assert [day["do"] == "on" for day in each["days"]] == list(order)


def test_weeks_are_drawn_in_blocks_with_which_chance_can_speak_and_shown_one_a_line(fresh):
    out = told(fresh, "plan", "--on", "fan", "--alternate", "week", "--weeks", "8", "--as", "fan off", "--seed", "1")
    kept = json.loads(told(fresh, "trials", "show", "1", "--json"))

    assert kept["block_units"] == 4
    assert len(kept["days"]) == 56
    first = TODAY + timedelta(days=1)
    assert f"{first} to {first + timedelta(days=6)}  {kept['days'][0]['do']}" in out


def test_without_a_length_it_takes_what_the_plan_says_and_some_more(fresh):
    plan = json.loads(told(fresh, "plan", "--on", "heat", "--effect", "300Wh", "--json"))["plan"]
    needed = next(way["days"] for way in plan["ways"] if way["way"] == "alternating by day")
    made = json.loads(
        told(fresh, "plan", "--on", "heat", "--effect", "300Wh", "--alternate", "day", "--as", "x", "--json")
    )

    assert needed > 28
    assert 1.05 * needed <= len(made["trial"]["days"]) <= 1.15 * needed


def test_a_trial_that_is_too_short_for_the_effect_says_so(fresh):
    out = told(fresh, "plan", "--on", "heat", "--effect", "100Wh", "--alternate", "day", "--days", "14", "--as", "x")

    assert "To see 0.100 kWh a day it would have to take " in out


def test_without_enough_history_a_trial_may_be_drawn_all_the_same(tmp_path):
    (tmp_path / "wattround.toml").write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    write_days(tmp_path / "ledger", DAYS[-9:], {"heat": [2000.0] * 9})
    words = ("plan", "--on", "heat", "--alternate", "day", "--as", "x")

    assert (
        "--days: found nothing; expected how many, as no plan can say: 9 whole days in the ledger"
        in run(tmp_path, *words)[1]
    )
    assert run(tmp_path, "plan", "--on", "heat")[0] == 2
    out = told(tmp_path, *words, "--days", "20")
    assert "What it will show cannot be told beforehand: 9 whole days in the ledger; at least 28" in out
    found = json.loads(told(tmp_path, "plan", "--on", "heat", "--alternate", "day", "--as", "y", "--days", "20", "--from",
                            f"{TODAY + timedelta(days=40)}", "--json"))  # fmt: skip
    assert found["plan"] is None
    assert found["refusal"].startswith("9 whole days")


def test_its_days_are_written_for_any_calendar_now_or_later(fresh):
    first, later = fresh / "x.ics", fresh / "y.ics"
    told(fresh, "plan", "--on", "heat", "--alternate", "day", "--days", "20", "--as", "heat 18", "--ics", str(first))
    told(fresh, "trials", "show", "heat 18", "--ics", str(later))
    kept = json.loads(told(fresh, "trials", "show", "1", "--json"))

    assert first.read_bytes() == later.read_bytes()
    assert b"\r\nDTSTART;VALUE=DATE:" in first.read_bytes()
    found = [
        (f"{event.dtstart.value}", event.summary.value) for event in vobject.readOne(first.read_text()).vevent_list
    ]
    assert found == [(each["day"], f"heat 18: {each['do'].upper()}") for each in kept["days"]]


REFUSED = [
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "41"], "--days: found 41; expected as much on as off: 40 or 42"),
    (["--on", "heat", "--alternate", "week", "--as", "x", "--weeks", "5"], "--weeks: found 5; expected as much on as off: 4 or 6"),
    (["--on", "heat", "--alternate", "week", "--as", "x", "--days", "30"], "--days: found 30; expected whole weeks, an even number of them: 28 or 42"),
    (["--on", "heat", "--alternate", "week", "--as", "x", "--days", "35"], "--days: found 35; expected as much on as off: 28 or 42"),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "12"], "--days: found 12; expected 14 to 400"),
    (["--on", "heat", "--alternate", "week", "--as", "x", "--weeks", "60"], "--weeks: found 60; expected 2 to 57"),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "20", "--weeks", "4"], "--weeks: found it beside --days"),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "20", "--from", "soon"], '--from: found "soon"; expected a day such as'),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "20", "--from", "2026-02-01"], "--from: found 2026-02-01; expected a day that has not begun, "),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "20", "--from", f"{TODAY}"], "what was not said in time was not done"),
    (["--on", "heat", "--alternate", "month", "--as", "x"], '--alternate: found "month"; expected day or week'),
    (["--on", "heat", "--alternate", "day"], "--as: found nothing; expected a name"),
    (["--on", "heat", "--as", "x"], "--as: belongs to a trial; expected --alternate"),
    (["--on", "heat", "--seed", "0"], "--seed: belongs to a trial"),
    (["--on", "heat", "--ics", "x.ics"], "--ics: belongs to a trial"),
    (["--on", "heat", "--alternate", "day", "--as", "x", "--days", "20", "--ics", "/no/such/x.ics"], "--ics: no such folder"),
    (["--on", "heat", "--alternate", "day", "--as", "trials", "--days", "20"], '--as: found "trials"; expected another name'),
    (["--on", "heat", "--alternate", "day", "--as", "heat 19 degrees", "--days", "20"], '--as: found "heat 19 degrees", which another trial has'),
    (["--on", "heat", "--alternate", "day", "--as", " ", "--days", "20"], "--as: found"),
    (["--on", "nothing"], '--on: found "nothing"; expected the name of a load or supply: fan, heat'),
    (["--on", "roof"], '--on: found "roof"; expected the name of a load'),
    (["--on", "heat", "--on", "heat"], "--on: found heat, heat; expected each load once"),
    ([], "--on: found nothing"),
    (["--on", "heat", "--effect", "300"], '--effect: found "300"; expected energy a day, such as'),
    (["--on", "heat", "--effect", "-3Wh"], "--effect: found -3Wh; expected energy a day above 0"),
    (["--on", "heat", "--effect", "900kWh"], "an effect of 900.00 kWh a day, and heat uses"),
    (["--on", "heat", "--level", "1"], "--level: found 1; expected 0.5 to below 1"),
    (["--on", "heat", "--effect", "1Wh", "--alternate", "day", "--as", "x"], "--days: found nothing; expected how many: 0.001 kWh a day would not be seen"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "says"), REFUSED)
def test_what_cannot_be_planned_is_told(house, words, says):
    before = told(house, "trials", "--json")
    status, out = run(house, "plan", *words)

    assert status == 2
    assert says in out
    assert told(house, "trials", "--json") == before


def test_trials_of_one_load_may_not_overlap(fresh):
    words = ("plan", "--on", "heat", "--alternate", "day", "--days", "20")
    told(fresh, *words, "--as", "first")
    status, out = run(fresh, *words, "--as", "second")

    assert status == 2
    assert 'has days of trial 1, "first", on heat; expected a day after' in out
    told(fresh, *words, "--as", "second", "--from", f"{TODAY + timedelta(days=21)}")


# -- the list -------------------------------------------------------------------------------------


def test_the_list_says_what_is_to_be_done_today_and_how_many_days_are_done(fresh):
    settings = load(fresh / "wattround.toml").settings
    begun = TODAY - timedelta(days=4)
    running = entry("fan off", "fan", begun, 10, seed=2, on_is="switched off", off_is="as ever")
    ask_book(settings, "add", "trial", entry=running)
    told(fresh, "plan", "--on", "heat", "--alternate", "day", "--days", "20", "--as", "heat 18")
    with_a_trial(fresh)
    told(fresh, "trials", "skip", "fan off", "--day", f"{begun}", "--day", f"{begun + timedelta(days=1)}")
    lines = told(fresh, "trials").splitlines()
    do = trial("fan off", "fan", begun, 10, seed=2).do(TODAY)
    now = json.loads(told(fresh, "trials", "--json"))

    assert f"4 of 20 days, 2 left out  {do}: {'switched off' if do == 'on' else 'as ever'}" in lines[1]
    assert "0 of 20 days" in lines[2]
    assert "not yet begun" in lines[2]
    assert "40 of 40 days" in lines[3]
    assert "over" in lines[3]
    assert (now[0]["today"]["do"], now[0]["today"]["day"]) == (do, f"{TODAY}")
    assert [each["left_out"] for each in now[0]["days"][:3]] == [True, True, False]
    assert now[0]["topic"] == "wattround/testhouse/trial/fan-off"


def test_without_trials_it_says_how_to_plan_one(fresh):
    assert "No trial has been planned: wattround prove plan --on" in told(fresh, "trials")
    assert told(fresh, "trials", "--json") == "[]\n"


def test_days_are_left_out_and_taken_back_in(fresh):
    with_a_trial(fresh)
    wet, dry = f"{BEGIN + timedelta(days=3)}", f"{BEGIN + timedelta(days=8)}"

    assert f"left out: {wet}, {dry}." in told(fresh, "trials", "skip", "1", "--day", dry, "--day", wet)
    assert json.loads(told(fresh, "heat 19 degrees", "--json"))["left_out"] == [wet, dry]
    assert f"left out: {dry}." in told(fresh, "trials", "skip", "1", "--day", wet, "--followed")
    assert f"({trial('x', 'heat', BEGIN, 20, seed=5).do(date.fromisoformat(dry))})" in told(
        fresh, "trials", "show", "1"
    )
    kept = json.loads(told(fresh, "trials", "show", "1", "--json"))
    assert (kept["on_is"], kept["seed"], len(kept["days"])) == ("set to 19", 5, 40)  # nothing else of it has changed


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["skip", "1"], "--day: found nothing; expected the day on which it was not done"),
        (["skip", "1", "--day", "soon"], '--day: found "soon"; expected a day such as'),
        (["skip", "1", "--day", f"{TODAY}"], f"--day: found {TODAY}; expected a day of the trial"),
        (["skip", "1", "--day", f"{BEGIN}", "--followed"], "--day: found a day that is not left out"),
        (["skip", "9", "--day", f"{BEGIN}"], 'found "9"; expected a trial by its name or number: 1 "heat 19 degrees"'),
        (["remove", "heat"], 'found "heat"; expected a trial by its name or number'),
        (["show", "2"], 'found "2"; expected a trial'),
    ],
)
def test_what_cannot_be_asked_of_a_trial_is_told(house, words, says):
    status, out = run(house, "trials", *words)

    assert status == 2
    assert says in out


def test_a_trial_is_taken_out(fresh):
    with_a_trial(fresh)

    assert told(fresh, "trials", "remove", "heat 19 degrees") == 'Trial 1 is removed: "heat 19 degrees".\n'
    assert told(fresh, "trials", "--json") == "[]\n"
    assert run(fresh, "heat 19 degrees")[0] == 2


# -- what came of it ------------------------------------------------------------------------------


def test_a_trial_is_judged_by_its_name(house):
    out = told(house, "heat 19 degrees", "--level", "0.99")
    found = json.loads(told(house, "heat 19 degrees", "--json", "--level", "0.99"))

    assert out.startswith(f'"heat 19 degrees", on heat, a trial from {BEGIN} to ')
    assert found["verdict"] == "saved"
    assert found["sentence"] in " ".join(out.split())
    assert found["saved_wh_per_day"]["low"] <= 900 <= found["saved_wh_per_day"]["high"]
    assert found["by_chance"]["low"] <= 900 <= found["by_chance"]["high"]
    assert found["by_chance"]["p"] < 0.01
    assert (found["days_on"], found["days_off"], found["days"], found["done"]) == (20, 20, 40, 40)
    assert float(found["saved_money_per_day"][0]) == pytest.approx(found["saved_wh_per_day"]["value"] / 4000)


def test_all_of_them_are_trials_too(house, tmp_path):
    alone = json.loads(told(house, "heat 19 degrees", "--json"))
    found = json.loads(told(house, "all", "--json", "--pictures"))
    out = " ".join(told(house, "all", "--html", str(tmp_path / "all.html")).split())

    assert found["changes"] == []
    assert "together" not in found
    assert {key: value for key, value in found["trials"][0].items() if key != "page"} == alone
    assert len(found["trials"][0]["page"]["figures"]) == 2
    assert f'"heat 19 degrees", on heat, a trial to {BEGIN + timedelta(days=39)}. {alone["sentence"]}' in out
    assert "1 trial, judged by days on and days off." in (tmp_path / "all.html").read_text()


def test_its_page_has_pictures_and_asks_nothing_of_another_place(house, tmp_path):
    out = told(house, "heat 19 degrees", "--html", str(tmp_path / "trial.html"))
    text = (tmp_path / "trial.html").read_text()

    assert "trial.html is written." in out
    assert "Quince &lt;House&gt;" in text
    assert text.count("<svg") == 2
    assert "http" not in text.replace("http-equiv", "")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--level", "1.5"], "--level: found 1.5"),
        (["--coverage", "0.2"], "--coverage: found 0.2"),
        (["--also", "door"], '--also: found "door"; expected a signal: window'),
        (["--html", "/no/such/folder/x.html"], "--html: no such folder"),
        (["--watch"], "--watch: found a trial; expected a change"),
    ],
)
def test_what_cannot_be_asked_of_its_proof_is_told(house, words, says):
    status, out = run(house, "heat 19 degrees", *words)

    assert status == 2
    assert says in out


def test_a_change_and_a_trial_cannot_share_a_name(house):
    done = CliRunner().invoke(
        app, ["change", "add", "heat 19 degrees", "--on", "heat", "-f", str(house / "wattround.toml")]
    )

    assert done.exit_code == 2
    assert '--name: found "heat 19 degrees", which a trial has; expected a name of its own' in done.output
