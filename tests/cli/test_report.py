"""`wattround report` as a person or a script meets it."""

import csv
import io
import json
import math
import shutil
import subprocess

import pytest

from support.daemon import COMMAND
from support.history import write
from support.homes import FLAT, METERS, ROLES, row

BEGIN = 1_780_005_600 // 60  # 2026-05-29 00:00 in Berlin
DAYS = ("--from", "2026-05-29", "--to", "2026-05-30")


def command(*words):
    return subprocess.run(
        [*COMMAND, "report", *words], capture_output=True, text=True, timeout=60, env={"PYTHONIOENCODING": "utf-8"}
    )


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """Three days: an oven for an hour each noon, a television each evening of the first two, 200 W of who knows what."""
    folder = tmp_path_factory.mktemp("report")
    rows = []
    for at in range(3 * 1440):
        minute = at % 1440
        oven = 1800 if 720 <= minute < 780 else 3
        tv = 120 if 1200 <= minute < 1320 and at < 2880 else 2
        watts = {"supply": oven + 60 + tv + 180, "board": oven + 60, "oven": oven, "tv": tv, "roof": 0}
        rows += [row(name, BEGIN + at, of) for name, of in watts.items()]
    write(folder / "ledger", rows, ROLES)
    made = folder / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{folder / "ledger"}"\n' + METERS)
    return made


def test_the_page_nests_loads_and_says_what_is_left(file):
    answer = command(str(file), *DAYS)

    assert (answer.returncode, answer.stderr) == (0, "")
    lines = [" ".join(line.split()) for line in answer.stdout.splitlines()]
    assert lines[0] == "testhouse: 2026-05-29 to 2026-05-30, 2 days; money in EUR."
    # 60 and 180 W x 48 h, 1800 W x 2 h and 3 W x 46 h, 120 W x 4 h and 2 W x 44 h, at 0.25; a month is 365.25 / 12 days
    assert "testhouse 15.83 3.96 60.21 100.0 % 100.0 %" in lines
    assert "oven 3.74 0.94 14.22 23.6 % 2.0 h 0.14 6.30 100.0 %" in lines
    assert "Television 0.57 0.14 2.16 3.6 % 4.0 h 0.09 4.02 100.0 %" in lines
    assert lines.count("(not metered within) 8.64 2.16 32.87 54.6 %") == 1
    assert "Base load 245 W (lowest hour between 0 and 6, median of 2 nights): 11.76 kWh, 74 % of all." in lines
    assert "The bill for these days: energy 3.96: 3.96 EUR." in lines
    assert all(len(line) <= 100 for line in answer.stdout.splitlines())
    assert "\x1b" not in answer.stdout


def test_two_periods_are_compared_by_load(file):
    page = command(str(file), "--from", "2026-05-31", "--to", "2026-05-31", "--against", "previous").stdout
    scaled = command(
        str(file), "--from", "2026-05-31", "--to", "2026-05-31", "--against", "2026-05-29..2026-05-30"
    ).stdout

    lines = [" ".join(line.split()) for line in page.splitlines()]
    assert "Against 2026-05-30:" in lines
    assert "Television 0.28 0.05 -0.23 0.07 0.01 -0.06" in lines
    assert "Against 2026-05-29 to 2026-05-30, 2 days, scaled to the same length:" in scaled


def test_a_script_gets_columns_that_stay(file):
    facts = json.loads(command(str(file), *DAYS, "--json").stdout)
    table = list(csv.DictReader(io.StringIO(command(str(file), *DAYS, "--csv").stdout)))

    assert (facts["from"], facts["to"], facts["detail"]) == ("2026-05-28T22:00:00Z", "2026-05-30T22:00:00Z", "minutes")
    assert facts["bill"]["total"] == facts["rows"][0]["money"] == "3.96"
    assert facts["sources"]["bought_kwh"] == facts["sources"]["consumed_kwh"] == facts["rows"][0]["energy_kwh"]
    assert [line["kind"] for line in table] == [line["kind"] for line in facts["rows"]]
    assert list(table[0]) == list(facts["rows"][0])
    outermost = [line for line in table if line["depth"] == "1"]
    assert sum(round(100 * float(line["money"])) for line in outermost) == 396
    assert sum(round(1e9 * float(line["energy_kwh"])) for line in outermost) == round(
        1e9 * float(table[0]["energy_kwh"])
    )


def test_a_loads_hours(file):
    page = command(str(file), *DAYS, "--load", "oven").stdout
    facts = json.loads(command(str(file), *DAYS, "--load", "oven", "--json").stdout)
    table = command(str(file), *DAYS, "--load", "oven", "--csv").stdout

    lines = [" ".join(line.split()) for line in page.splitlines()]
    assert "12 1800 1800 1800 3.60 0.90" in lines  # Friday, Saturday, both
    cell = next(each for each in facts["cells"] if (each["weekday"], each["hour"]) == ("fri", 12))
    assert (round(cell["mean_w"]), cell["money"], cell["covered_h"]) == (1800, "0.45", 1.0)
    assert len(table.splitlines()) == 1 + 7 * 24


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["--from", "2026-05-30", "--to", "2026-05-29"], 2, "--from: found 2026-05-30, after --to 2026-05-29"),
        (["--from", "2025-01-01", "--to", "2025-01-31"], 2, "nothing is kept of 2025-01-01 to 2025-01-31; the ledger has 2026-05-29 to 2026-05-31"),
        (["--from", "soon"], 2, '--from: found "soon"; expected a day'),
        (["--to", "2026-05-30"], 2, "--to: expected --from beside it"),
        (["--period", "decade"], 2, '--period: found "decade"; expected one of today, yesterday'),
        ([*DAYS, "--period", "week"], 2, "--period: expected either this or --from and --to"),
        ([*DAYS, "--load", "ovne"], 2, '--load: found "ovne"; expected the name of a load of this house (did you mean oven?)'),
        ([*DAYS, "--load", "roof"], 2, '--load: "roof" is a generation, not a load'),
        ([*DAYS, "--against", "before"], 2, '--against: found "before"; expected previous, or days'),
        ([*DAYS, "--against", "2025-01-01..2025-01-02"], 2, "nothing is kept of 2025-01-01"),
        ([*DAYS, "--json", "--csv"], 2, "expected one of --json and --csv"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_and_nothing_else_is_written(file, words, status, says):
    answer = command(str(file), *words)

    assert (answer.returncode, answer.stdout) == (status, "")
    assert says in answer.stderr


def test_without_a_ledger_there_is_nothing_to_report(tmp_path):
    made = tmp_path / "house.toml"
    made.write_text(FLAT + f'[ledger]\nfolder = "{tmp_path / "none"}"\n' + METERS)
    answer = command(str(made))

    assert (answer.returncode, answer.stdout) == (69, "")
    assert "has the daemon run with these settings?" in answer.stderr


# -- what the inventory explains --------------------------------------------------------------------


@pytest.fixture(scope="module")
def stocked(file, tmp_path_factory):
    """The same house with loads in its inventory, entered as a person does."""
    folder = tmp_path_factory.mktemp("stocked")
    shutil.copytree(file.parent / "ledger", folder / "ledger")
    made = folder / "house.toml"
    made.write_text(file.read_text().replace(str(file.parent), str(folder)))
    for words in (
        ("Bell & controls", "--circuit", "board", "--watts", "40", "--plus-minus", "2", "--hours", "24"),
        ("Attic fan", "--circuit", "board", "--watts", "30"),
        ("Screen", "--circuit", "tv", "--watts", "118", "--plus-minus", "10", "--hours", "3-6"),
        ("Kiln", "--circuit", "oven", "--watts", "1800", "--plus-minus", "10", "--hours", "6"),
        ("Clock", "--watts", "2", "--hours", "24"),
    ):
        subprocess.run([*COMMAND, "inventory", "add", *words, "-f", str(made)], check=True, capture_output=True)
    return made


def test_what_is_left_of_a_circuit_is_explained_by_its_inventory(stocked):
    """Board: 60 W x 48 h that the oven did not take, of which 40 W x 48 h are listed, ± 2 W and the meter's 5 % of it.

    Television: 0.57 kWh, of which 118 W x 4.5 h x 2 days are listed, give or take the hours.
    """
    answer = command(str(stocked), *DAYS)
    text = " ".join(answer.stdout.split())
    facts = json.loads(command(str(stocked), *DAYS, "--json").stdout)
    found = {each["circuit"]: each for each in facts["listed"]}
    rows = {(each["kind"], each["name"]): each["energy_kwh"] for each in facts["rows"]}
    half = 2 * math.hypot(1.0 * 24, 0.05 * 40 * 24 / 3**0.5) * 2 / 1000

    assert (answer.returncode, answer.stderr) == (0, "")
    assert list(found) == ["board", "oven", "tv"]
    board = found["board"]
    assert board["what"] == "remainder"
    assert board["used_kwh"] == pytest.approx(rows["remainder", "board"], abs=1e-6)
    assert found["tv"]["used_kwh"] == pytest.approx(rows["load", "tv"], abs=1e-6)
    assert (board["listed_kwh"], board["unexplained_kwh"], board["share_percent"]) == (1.92, 0.96, 66.667)
    assert (board["listed_low_kwh"], board["listed_high_kwh"]) == pytest.approx((1.92 - half, 1.92 + half), abs=1e-6)
    assert (board["loads"], board["missing"]) == (1, ["Attic fan"])
    assert (
        "Listed on Board (what no meter within it saw: 2.88 kWh): 1.92 kWh, between 1.77 and 2.07, 67 %; 0.96 kWh are not"
        " explained. No hours or watts: Attic fan."
    ) in text
    assert "Listed on Television (all of it: 0.57 kWh): 1.06 kWh" in text
    assert "kWh more than was used." in text.partition("Listed on oven")[2].partition("Listed on")[0]
    assert all(len(line) <= 100 for line in answer.stdout.splitlines())


def test_the_page_says_it_too_and_without_an_inventory_nothing_is_said(stocked, file, tmp_path):
    page = tmp_path / "page.html"
    command(str(stocked), *DAYS, "--html", str(page))

    assert "Listed on Board (what no meter within it saw: 2.88 kWh): 1.92 kWh" in " ".join(page.read_text().split())
    assert json.loads(command(str(file), *DAYS, "--json").stdout)["listed"] == []
    assert "Listed on" not in command(str(file), *DAYS).stdout
