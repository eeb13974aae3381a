"""`wattround prove` as a person or a script meets it."""

import json
import re
from datetime import date, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner

from support.longhouse import write_days
from wattround.cli.app import app

DAYS = [date(2025, 9, 1) + timedelta(days=offset) for offset in range(400)]
SETTINGS = """
[house]
id = "testhouse"
name = "Quince <House>"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
host = "127.0.0.1"
[ledger]
folder = "{folder}"
[[meters]]
name = "pump"
power = {{ topic = "t/p" }}
[[signals]]
name = "window"
topic = "s/window"
"""


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    folder = tmp_path_factory.mktemp("prove")
    rng = np.random.default_rng(3)
    (folder / "wattround.toml").write_text(SETTINGS.format(folder=folder / "ledger"))
    pump = 6000 - 1500 * np.array([day >= date(2026, 5, 4) for day in DAYS]) + rng.normal(0, 200, len(DAYS))
    degrees_c = rng.normal(10, 4, len(DAYS))
    write_days(folder / "ledger", DAYS, {"pump": pump}, list(degrees_c))
    assert run(folder, "change", "add", "pump <slower>", "--on", "pump", "--at", "2026-05-04", "--cost", "120")[0] == 0
    return folder


def run(folder, *words):
    done = CliRunner().invoke(app, [*words, "-f", str(folder / "wattround.toml")])
    return done.exit_code, done.output


def test_a_change_is_asked_for_by_its_name_or_number(house):
    for which in ("pump <slower>", "1"):
        status, out = run(house, "prove", which)

        assert status == 0
        assert '"pump <slower>", on pump, since 2026-05-04.\nSaved: 1.' in out
        assert "In a year of the house's usual weather" in out
        assert "It cost 120.00 EUR: paid back in" in out


def test_a_program_gets_the_same_figures(house):
    found = json.loads(run(house, "prove", "1", "--json")[1])["changes"][0]
    avoided = found["evidence"]["avoided_wh_per_day"]

    assert found["verdict"] == "saved"
    assert avoided["low"] <= 1500 <= avoided["high"]
    assert found["evidence"]["days_after"] == pytest.approx(sum(day > date(2026, 5, 4) for day in DAYS), abs=5)
    assert found["evidence"]["yearly_money"][0].startswith("13")


def test_a_surer_interval_is_wider(house):
    sure, surer = (
        json.loads(run(house, "prove", "1", "--json", "--level", level)[1])["changes"][0]["evidence"][
            "avoided_wh_per_day"
        ]
        for level in ("0.8", "0.99")
    )

    assert surer["low"] < sure["low"] < sure["high"] < surer["high"]


def test_all_of_them_and_what_they_come_to(house):
    status, out = run(house, "prove", "all")

    assert status == 0
    assert "Together, 1 of 1 change: 1." in out
    assert "no supply is metered" in out
    found = json.loads(run(house, "prove", "all", "--json")[1])
    assert (found["together"]["counted"], found["trials"]) == (1, [])


def test_a_saving_is_handed_over_to_be_watched_and_taken_back(house):
    status, out = run(house, "prove", "1", "--watch")
    assert status == 0
    assert '"pump <slower>" is watched (watch 1, since 2026-10-05)' in out
    assert re.search(r"raises it all the same with \d %", out)
    assert "add one with worn_off = true" in out

    assert "(watch 1, " in run(house, "prove", "1", "--watch")[1]
    assert '"pump <slower>" is no longer watched.' in run(house, "prove", "1", "--no-watch")[1]
    status, out = run(house, "prove", "1", "--no-watch")
    assert status == 2
    assert "is not watched" in out


def test_a_page_has_names_escaped_pictures_and_no_outside_requests(house):
    status, out = run(house, "prove", "all", "--html", str(house / "proof.html"))
    text = (house / "proof.html").read_text()

    assert status == 0
    assert "proof.html is written." in out
    assert "<slower>" not in text
    assert "pump &lt;slower&gt;" in text
    assert text.count("<svg") == 3
    assert "default-src 'none'" in text
    assert "http" not in text.replace("http-equiv", "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["prove", "nothing"], 'found "nothing"; expected a change by its name or number: 1 "pump <slower>"'),
        (["prove", "1", "--level", "1.5"], "--level: found 1.5; expected 0.5 to below 1"),
        (["prove", "1", "--coverage", "0.2"], "--coverage: found 0.2; expected 0.5 to 1"),
        (["prove", "1", "--also", "door"], '--also: found "door"; expected a signal: window'),
        (["prove", "1", "--html", "/no/such/folder/x.html"], "--html: no such folder"),
    ],
)
def test_what_cannot_be_asked_is_told(house, words, said):
    status, out = run(house, *words)

    assert status == 2
    assert said in out


def test_without_a_change_it_says_how_to_enter_one(tmp_path):
    (tmp_path / "wattround.toml").write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    write_days(tmp_path / "ledger", DAYS[:5], {"pump": [1.0] * 5})
    status, out = run(tmp_path, "prove", "all")

    assert status == 2
    assert "wattround change add" in out


def test_a_constant_temperature_and_a_constant_load_are_answered(tmp_path):
    (tmp_path / "wattround.toml").write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    write_days(tmp_path / "ledger", DAYS, {"pump": [5000.0] * len(DAYS)}, [10.0] * len(DAYS))
    run(tmp_path, "change", "add", "x", "--on", "pump", "--at", "2026-05-04")
    status, out = run(tmp_path, "prove", "x")

    assert status == 0
    assert "No detectable change" in out
