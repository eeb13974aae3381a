"""A bug report says what is needed and nothing that a person wrote: planted names and secrets are searched for."""

import json
import re

import pytest
from typer.testing import CliRunner

from support.history import minutes, write
from support.house import HouseRun
from wattround.analysis.doctor.facts import ledger_facts, text_of, versions
from wattround.analysis.doctor.scrub import Scrubber, own_words
from wattround.cli.app import app
from wattround.core.view import view

PLANTED = (
    "zelda-house", "Villa Zebrano", "zebra-broker.example", "zorro", "Zx9-top-Secret!", "zebrafish", "Zoe's lamp",
    "zoe", "zulu", "zephyr-rule", "zigzag", "zip-phone", "zinc-tag", "51.2345", "7.6543", "zany.pem", "zesty-key",
    "zwischenstand", "zapped", "zuhause",
)  # fmt: skip
SETTINGS = """
[house]
id = "zelda-house"
name = "Villa Zebrano"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
latitude = 51.2345
longitude = 7.6543
[broker]
host = "zebra-broker.example"
user = "zorro"
password = "Zx9-top-Secret!"
[broker.tls]
ca_file = "/srv/zany.pem"
[ledger]
folder = "{folder}"
[[meters]]
name = "zebrafish"
label = "Zoe's lamp"
tags = ["zinc-tag"]
power = {{ topic = "zigzag/zebrafish/watts", pointer = "/zwischenstand" }}
active_w = 40
[[meters]]
name = "{{plug}}"
power = {{ topic = "zigzag/{{plug}}/power" }}
[[people]]
name = "zoe"
topic = "zigzag/zoe"
home = ["zuhause"]
[[signals]]
name = "zulu"
topic = "zigzag/zulu"
[[rules]]
name = "zephyr-rule"
load = "zebrafish"
occupancy = "empty"
[[channels]]
name = "zip-phone"
url_file = "{folder}/zesty-key"
[archive]
url = "http://zebra-broker.example:8428"
"""
LOG = """\
{"event": "new meter", "level": "info", "timestamp": "2026-03-01T07:00:00Z", "meter": "zapped", "topic": "zigzag/zapped/power"}
{"event": "zoe came home", "level": "info"}
<4>new meter meter="zapped" topic="zigzag/zapped/power" at_ms=17
Zx9-top-Secret! was here
"""


@pytest.fixture
def file(tmp_path):
    found = tmp_path / "wattround.toml"
    found.write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    write(tmp_path / "ledger", minutes("zapped", [[5.0]] * 60), {"zapped": "appliance"}, "zelda-house")
    (tmp_path / "ledger" / "zesty-key").write_text("json://zip.example/Zx9-token")
    (tmp_path / "log").write_text(LOG)
    return found


def report(file, *words):
    done = CliRunner().invoke(app, ["doctor", str(file), "--log", str(file.parent / "log"), *words])
    return done.exit_code, done.output


def test_nothing_that_a_person_wrote_is_in_it(file):
    status, text = report(file)

    assert status == 0
    for planted in (*PLANTED, "Zx9-token", "zip.example", str(file.parent)):
        assert planted.lower() not in text.lower(), planted


def test_what_is_needed_is_in_it(file):
    _, text = report(file)

    assert re.search(r"^wattround \d", text, flags=re.MULTILINE)
    assert re.search(r"^paho-mqtt \d", text, flags=re.MULTILINE)
    assert '"time_zone": "Europe/Berlin"' in text
    assert '"active_w": 40' in text
    assert '"occupancy": "empty"' in text
    assert '"minute_row": 60' in text
    assert '"whole": true' in text
    assert text.count('"event": "new meter"') == 2
    assert '"at": "2026-03-01T07:00:00Z"' in text
    assert '"at_ms": 17' in text
    assert "2 lines, 2 others left out" in text


def test_a_name_has_the_same_stand_in_wherever_it_comes(file):
    _, text = report(file)
    stand_in = re.search(r'"name": "(meter-\d+)",\s+"label"', text)[1]

    assert f'"load": "{stand_in}"' in text
    assert re.search(rf'"topic": "level-\d+/{stand_in}/', text)


def test_it_is_written_where_it_was_asked_for(file):
    status, text = report(file, "--to", str(file.parent / "report.txt"))

    assert status == 0
    assert "read it before you send it" in text
    assert (file.parent / "report.txt").read_text().startswith("wattround doctor")


def test_what_a_running_house_says_of_itself_is_scrubbed_too(tmp_path):
    text = '[[meters]]\nname = "zebrafish"\nlabel = "Zoe"\npower = { topic = "zigzag/zebrafish" }\n'
    with HouseRun(tmp_path, text) as run:
        run.core.begin()
        scrubber = Scrubber()
        scrubber.learn(run.settings.model_dump(exclude_unset=True, by_alias=True))
        found = json.dumps(scrubber.scrub(view(run.core.house, run.clock.now_ms)))

    assert "zebrafish" not in found
    assert "Zoe" not in found
    assert '"today_in_wh"' in found
    assert '"role": "circuit"' in found


def test_a_text_that_nobody_knows_does_not_pass():
    scrubber = Scrubber()

    assert scrubber.scrub({"event": "zebra crossing", "zebra": ["a zebra", 3, None, True]}) == {
        "(text of 5 characters)" if key == "zebra" else key: value
        for key, value in {
            "event": "(text of 14 characters)",
            "zebra": ["(text of 7 characters)", 3, None, True],
        }.items()
    }
    assert scrubber.scrub({"latitude": 51.2}) == {"latitude": "(not shown)"}


def test_what_leaked_all_the_same_is_found_and_nothing_is_given_out():
    scrubber = Scrubber()
    scrubber.know("meter", "zebrafish")

    assert scrubber.leaks("a zebrafish swims") == ["meter-1"]
    assert scrubber.leaks("zebrafishes swim") == []
    assert scrubber.leaks("the Zx9 key", ["Zx9"]) == ["a secret"]


def test_a_ledger_that_is_not_there_is_a_fact(tmp_path):
    facts = ledger_facts(tmp_path)

    assert facts["file_bytes"]["main"] is None
    assert facts["sqlite_error"] == 14  # SQLITE_CANTOPEN of sqlite.org/rescode.html


def test_sections_have_their_headings():
    assert "Log\n---\na\nb\n" in text_of({"Log": ["a", "b"]})
    assert versions()["jinja2"] != "not installed"
    assert "new meter" in own_words()
