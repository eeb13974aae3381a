"""From an empty folder to a right configuration, as `tools/first-run` does it: no hand edit, and held against the truth."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import missing
from simulated.days import energy_wh, several_days
from simulated.held import of_energies, of_settings
from simulated.house import METERS
from simulated.settings import settings_text
from support.servers import MOSQUITTO
from wattround.config.load import load

TOOL = Path(__file__).parents[2] / "tools" / "first_run.py"


def first_run(folder, seconds):
    """What the tool says, with six hours of the house in so many seconds."""
    return subprocess.run(
        [sys.executable, str(TOOL), "--folder", str(folder), "--seconds", str(seconds)],
        capture_output=True, text=True, timeout=200, check=False, env={**os.environ, "COLUMNS": "110"},
    )  # fmt: skip


@pytest.mark.server
@pytest.mark.timeout(400)
def test_scout_check_run_walk_and_report_come_to_what_the_house_is_in_truth(tmp_path):
    """Where this machine was late, too late for so quick a house (a third of a second are six minutes): slower."""
    if not MOSQUITTO:
        missing("mosquitto")
    folder = tmp_path / "first"
    answer = first_run(folder, 20)
    if answer.returncode and "This machine was late by up to " in answer.stdout:
        folder = tmp_path / "slower"
        answer = first_run(folder, 100)

    assert answer.returncode == 0, answer.stdout + answer.stderr
    typed = [line.split()[2] for line in answer.stdout.splitlines() if line.startswith("$ wattround")]
    assert typed == ["scout", "check", "run", "walk", "report"]
    verdicts = [line.split()[0] for line in answer.stdout.split("Held against the truth")[1].splitlines()[1:]]
    assert verdicts == ["right"] * 11
    places = next(line for line in answer.stdout.splitlines() if "places, none of them wrong" in line)
    assert "28 of 28" in places
    again = subprocess.run(
        [sys.executable, str(TOOL), "--folder", str(folder)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (again.returncode, "is not empty" in again.stderr) == (1, True)


def written(tmp_path, *changes):
    """The settings as a person writes them for that house, with mistakes."""
    text = settings_text(tmp_path / "l", 1883, "5")
    for right, wrong in changes:
        assert right in text
        text = text.replace(right, wrong, 1)
    file = tmp_path / "w.toml"
    file.write_text(text)
    return {each.what: each for each in of_settings(load(file).settings)}


def test_right_settings_are_found_right(tmp_path):
    assert all(each.is_enough and each.right == each.of for each in written(tmp_path).values())


@pytest.mark.parametrize(
    ("right", "wrong", "what"),
    [
        ('topic = "quince/board/oven/reading"', 'topic = "quince/board/other/reading"', "topics that are read"),
        ('name = "oven"', 'name = "stove"', "names"),
        ('unit = "kWh"', 'unit = "Wh"', "units and factors"),
        ('topic = "quince/board/outside/watts"', 'topic = "quince/board/outside/watts", factor = 2.0', "units and factors"),
        ('pointer = "/power"', 'pointer = "/watts"', "where the value and its time stand"),
        ('role = "generation"', 'role = "circuit"', "roles"),
        ('within = "garage"', 'within = "oven"', "places, none of them wrong"),
        ('topic = "quince/people/imre"', 'topic = "quince/people/ines"', "people"),
        ("\n[[people]]", '\n[[meters]]\nname = "x"\npower = { topic = "x" }\n\n[[people]]', "meters, none invented"),
    ],
)  # fmt: skip
def test_each_mistake_is_found(tmp_path, right, wrong, what):
    assert not written(tmp_path, (right, wrong))[what].is_enough


def test_a_wrong_energy_is_found():
    truth = {"supply": 900.0, "roof": 100.0, "oven": 800.0}
    sources = {"bought_kwh": 0.95, "given_back_kwh": 0.05, "generated_kwh": 0.1}
    report = {"rows": [{"kind": "load", "name": "oven", "energy_kwh": 0.808}], "sources": sources}

    assert of_energies(truth, report).is_enough
    report["rows"][0]["energy_kwh"] = 0.82
    assert of_energies(truth, report).wrong == ["oven 820.0 Wh, in truth 800.0"]


def test_several_days_have_the_energy_of_each():
    days = several_days(4, 3)
    loads = {load for meter in METERS for load in meter.loads}

    for name in loads:
        whole = energy_wh(days.loads[name], 0, days.length_ms)
        parts = [
            energy_wh(days.loads[name], begin, begin + 86_400_000) for begin in range(0, days.length_ms, 86_400_000)
        ]
        assert whole == pytest.approx(sum(parts))
        assert days.loads[name] == sorted(days.loads[name], key=lambda step: step[0])
