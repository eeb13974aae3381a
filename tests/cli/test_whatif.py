"""`wattround whatif` as a person or a script meets it."""

import json
import shlex
import subprocess

import pytest

from support.daemon import COMMAND
from support.history import write
from support.homes import FLAT, METERS, ROLES, row

BEGIN = 1_780_005_600 // 60  # 2026-05-29 00:00 in Berlin
MARKS = '[marks.bedtime]\nevery = "23:00"\n[marks.rising]\nevery = "06:30"\n'


def command(*words):
    return subprocess.run(
        [*COMMAND, "whatif", *words], capture_output=True, text=True, timeout=60, env={"PYTHONIOENCODING": "utf-8"}
    )


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """Five weeks: a television of 120 W from 20:00 to midnight, else 2 W; an oven of 1800 W for an hour each noon."""
    folder = tmp_path_factory.mktemp("whatif")
    rows = []
    for at in range(35 * 1440):
        minute = at % 1440
        watts = {"oven": 1800 if 720 <= minute < 780 else 3, "tv": 120 if minute >= 1200 else 2}
        rows += [row(name, BEGIN + at, of) for name, of in watts.items()]
    write(folder / "ledger", rows, ROLES)
    made = folder / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{folder / "ledger"}"\n' + METERS + MARKS)
    return made


def test_the_page_says_what_was_saved_what_a_year_is_and_when_it_pays(file):
    answer = command("tv", "--off", "bedtime-rising", "--price", "20", "-f", str(file))

    assert (answer.returncode, answer.stderr) == (0, "")
    lines = [" ".join(line.split()) for line in answer.stdout.splitlines()]
    assert lines[:2] == [
        "testhouse, Television: off from bedtime to rising.",
        "2026-05-29 to 2026-07-02, 35 days; heard for 100.0 % of the time; money in EUR.",
    ]
    # each day 120 W x 1 h and 2 W x 6.5 h at 0.25: 133 Wh
    assert "in all 4.65 1.16 48.6 12.14 12.14 to 12.14" in lines
    # a day has 4 x 120 and 20 x 2 Wh
    assert "It used 18.20 kWh in this time; 25.6 % of that would not have been used." in lines
    assert "20.00: pays in 1.6 years (1.6 to 1.6)." in lines
    assert any(line.startswith("Range: 5 weeks of a year were seen;") for line in lines)
    assert any(line.startswith("Caution: Refrigeration, medical and safety loads") for line in lines)
    assert any(line.startswith("Caution: In a heated room") for line in lines)
    assert all(len(line) <= 100 for line in answer.stdout.splitlines())
    assert "\x1b" not in answer.stdout


def test_what_saves_nothing_never_pays(file):
    page = command("tv", "--watts", "150", "--price", "20", "-f", str(file)).stdout

    assert "20.00: never pays." in page
    assert "-4.20" in page  # 30 W x 4 h x 35


def test_few_days_are_called_a_pace(file):
    page = command("tv", "--no-standby", "--from", "2026-06-01", "--to", "2026-06-03", "-f", str(file)).stdout

    assert "2026-06-01 to 2026-06-03, 3 days;" in page
    assert "A year is this pace, from too few days for a range: the season is not known." in page
    fortnight = command("tv", "--no-standby", "--from", "2026-06-01", "--to", "2026-06-14", "-f", str(file)).stdout
    assert "Range: only 14 days were seen." in fortnight


def test_a_pump_has_four_answers(file):
    page = command("oven", "--speed-from", "1800", "--speed-to", "1500", "-f", str(file)).stdout

    lines = [" ".join(line.split()) for line in page.splitlines()]
    # 1.8 kWh x 35: less by 1 - (5/6)^3, 1 - (5/6)^2, the same, 1 - 5/6
    for name, kwh in (("same hours, no", "26.54"), ("same hours, some", "19.25"), ("same volume, no", "19.25"), ("same volume, some", "10.50")):  # fmt: skip
        assert any(line.startswith(f"{name} static head {kwh} ") for line in lines), name
    assert "affinity laws; common practice" in " ".join(lines)


def test_the_list_names_a_command_for_each_that_works(file):
    answer = command("-f", str(file))

    assert (answer.returncode, answer.stderr) == (0, "")
    lines = answer.stdout.splitlines()
    assert lines[0] == "testhouse: 2026-05-29 to 2026-07-02, 35 days."
    found = [" ".join(line.split()) for line in lines]
    assert "1 Television off from bedtime to rising 48.6 12.14 12.14 to 12.14" in found
    commands = [line.strip() for line in lines if line.strip().startswith("wattround whatif ")]
    assert len(commands) == 4
    for line in commands:
        shown = command(*shlex.split(line)[2:])
        assert (shown.returncode, shown.stderr) == (0, "")
    assert all(len(line) <= 100 for line in lines if "wattround whatif" not in line)
    assert "oven" in answer.stdout
    assert "Note: when the house was empty is not known: nothing is said of it." in lines


def test_a_script_gets_keys_that_stay(file):
    one = json.loads(command("tv", "--off", "bedtime-rising", "--price", "20", "--json", "-f", str(file)).stdout)
    (variant,) = one.pop("variants")

    assert (one["from"], one["to"], one["load"], one["seed"]) == (
        "2026-05-28T22:00:00Z",
        "2026-07-02T22:00:00Z",
        "tv",
        1,
    )
    assert (one["used_kwh"], one["price"]) == (pytest.approx(18.2, rel=1e-6), "20")
    assert variant["saved_kwh"] == variant["less_kwh"] == pytest.approx(4.655, rel=1e-6)
    money = ("saved", "saved_at_marginal_prices", "money_per_year", "least_per_year", "most_per_year")
    assert [variant[key] for key in money] == ["1.16", "1.16", "12.14", "12.14", "12.14"]
    assert (variant["seen"], variant["seen_unit"], variant["seasons_known"], variant["billed_again"]) == (
        5,
        "week",
        False,
        False,
    )
    assert variant["payback_years"] == 1.65
    listed = json.loads(command("--json", "-f", str(file)).stdout)
    assert [(each["load"], each["change"]) for each in listed["changes"]] == [
        ("tv", "off from bedtime to rising"), ("oven", "no standby"), ("tv", "no standby"), ("oven", "off from bedtime to rising"),
    ]  # fmt: skip
    assert listed["changes"][0]["command"] == f"wattround whatif tv --off bedtime-rising -f {file}"


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["televison", "--no-standby"], 2, 'LOAD: found "televison"; expected the name of a load of this house'),
        (["tvv", "--no-standby"], 2, "(did you mean tv?)"),
        (["roof", "--no-standby"], 2, 'LOAD: "roof" is a generation, not a load'),
        (["tv"], 2, "expected one change; found none; one of --off, --off-when-empty"),
        (["tv", "--off", "1:00-2:00", "--watts", "12"], 2, "expected one change; found --off and --watts"),
        (["--watts", "12"], 2, "expected the name of a load before what would change"),
        (["tv", "--off", "23:00"], 2, '--off: found "23:00"; expected two edges of the day'),
        (["tv", "--off", "23:00-23:00"], 2, "expected two different edges"),
        (["tv", "--off", "bedtime-risng"], 2, "did you mean rising?"),
        (["tv", "--off", "31:00-32:00"], 2, "expected two edges of the day"),
        (["tv", "--speed-from", "1500", "--speed-to", "1800"], 2, "expected less than the speed now (1500 rpm)"),
        (["tv", "--speed-to", "110%"], 2, "expected less than the speed now"),
        (["tv", "--watts", "-3"], 2, "--watts: found -3; expected a number from 0"),
        (["tv", "--watts", "3", "--standby-watts", "-1"], 2, "--standby-watts: found -1; expected a number from 0"),
        (["tv", "--kwh-per-year", "nan"], 2, "--kwh-per-year: found nan; expected a number from 0"),
        (["tv", "--shorten-by", "soon"], 2, '--shorten-by: found "soon"; expected a duration'),
        (["tv", "--watts", "3", "--price", "free"], 2, '--price: found "free"; expected an amount of money'),
        (["tv", "--watts", "3", "--price", "-4"], 2, '--price: found "-4"; expected an amount of money'),
        (["tv", "--watts", "3", "--from", "2025-01-01", "--to", "2025-01-31"], 2, "nothing is kept of 2025-01-01"),
        (["tv", "--watts", "3", "--period", "decade"], 2, '--period: found "decade"'),
        (["board", "--watts", "3"], 2, "nothing was heard of board in this time"),
        (["./house.toml"], 2, 'LOAD: found "./house.toml", a file; expected -f before a settings file'),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_and_nothing_else_is_written(file, words, status, says):
    answer = command(*words, "-f", str(file))

    assert (answer.returncode, answer.stdout) == (status, "")
    assert says in answer.stderr


def test_without_a_ledger_there_is_nothing_to_work_out(tmp_path):
    made = tmp_path / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{tmp_path / "none"}"\n' + METERS)

    assert command("-f", str(made)).returncode == command("tv", "--watts", "3", "-f", str(made)).returncode == 69
