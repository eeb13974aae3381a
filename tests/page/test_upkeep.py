"""Upkeep has everything looked at while somebody watches: what `wattround check --live` says, on the page and for programs."""

import json

import pytest
from typer.testing import CliRunner

from ports import free_port
from support.pages import read
from support.paper import Paper
from support.servers import until
from support.speaker import Speaker
from wattround.cli.app import app

pytestmark = pytest.mark.server
SPOKEN = {"t/supply": "420", "t/tv": "120.5", "t/freezer": "80"}


def look(made):
    """Ask as a browser without a script does; the page once it is done."""
    answer = made.post("/upkeep", {}, Origin=made.url)
    assert (answer.status, answer.headers["Location"]) == (303, "/upkeep")
    until(lambda: made.get("/api/check").json["state"] != "at work", 90)
    return read(made.get("/upkeep?wait=yes").text)


def lines_of(page):
    table = next(each for each in page.all("table") if each.attributes.get("aria-labelledby") == "live")
    return {row[0]: (row[1], row[2]) for row in table.rows()[1:]}


def test_the_page_says_what_the_command_says(tmp_path, mosquitto):
    with Paper(tmp_path, broker_port=mosquitto.port) as made, Speaker(mosquitto.port, SPOKEN):
        before = made.get("/api/check").json
        page = look(made)
        facts = made.get("/api/check").json
        done = CliRunner().invoke(app, ["check", str(made.file), "--live", "--json"])
        again = look(made)

    assert before == {"state": "not asked", "trouble": None, "at_ms": None, "problems": [], "live": []}
    assert "Look now" not in page.text
    found = json.loads(done.output)
    assert [(line["what"], line["state"]) for line in found["live"]] == [
        (line["what"], line["state"]) for line in facts["live"]
    ]
    assert set(lines_of(page)) == {line["what"] for line in facts["live"]}
    shown = next(says for what, (_, says) in lines_of(page).items() if "tv" in what.casefold() and "W" in says)
    assert "120.5 W" in shown
    assert facts["problems"] == found["problems"] == []
    assert facts["at_ms"] > 0
    assert "to look at" in again.text


def test_what_is_wrong_comes_first(tmp_path, mosquitto):
    silent = {topic: value for topic, value in SPOKEN.items() if topic != "t/freezer"}
    with Paper(tmp_path, broker_port=mosquitto.port) as made:
        text = made.file.read_text()
        made.file.write_text(text.replace('[[rules]]\nname = "day-spent"', '[[rules]]\nnaem = "day-spent"'))
        wrong = look(made)
        made.file.write_text(text)
        with Speaker(mosquitto.port, silent):
            page = look(made)
            facts = made.get("/api/check").json

    assert any("naem" in each.text for each in wrong.all("p", "trouble"))
    assert [each.attributes.get("class") for each in page.all("tr") if "t/freezer" in each.text] == ["open"]
    states = [line[0] for line in lines_of(page).values()]
    assert states == sorted(states, key=["look", "not yet known", "right"].index)
    assert {line["state"] for line in facts["live"]} <= {"look", "wait", "right"}


def test_a_broker_that_is_not_there_is_said_in_words(tmp_path):
    port = free_port()
    with Paper(tmp_path, broker_port=port) as made:
        page = look(made)
        facts = made.get("/api/check").json
        refused = made.ask("POST", "/upkeep", headers={"Origin": "http://evil.example"}).status
        begun = made.ask("POST", "/api/check", headers={"Origin": made.url})

    assert facts["state"] == "failed"
    assert f"127.0.0.1:{port} cannot be reached" in facts["trouble"]
    assert facts["trouble"] in page.text
    assert refused == 403
    assert begun.json == {"state": "at work", "trouble": None}
