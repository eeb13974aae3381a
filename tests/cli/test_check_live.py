"""`wattround check --live` against a real broker: what comes, what does not, who is refused; channels and archive."""

import json
import time

import pytest
from typer.testing import CliRunner

from ports import free_port
from support.servers import Mosquitto
from support.speaker import Speaker
from wattround.cli.app import app

SETTINGS = """
[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
host = "127.0.0.1"
port = {port}
[ledger]
folder = "{folder}"
[[meters]]
name = "tv"
power = {{ topic = "t/tv" }}
[[meters]]
name = "fan"
power = {{ topic = "t/fan" }}
[[channels]]
name = "hub"
mqtt = true
"""


def check(file, *words):
    done = CliRunner().invoke(app, ["check", str(file), "--live", *words])
    return done.exit_code, done.output


def settings(folder, port, more=""):
    file = folder / "wattround.toml"
    file.write_text(SETTINGS.format(port=port, folder=folder / "ledger") + more)
    return file


def test_all_that_comes_is_right_and_the_channel_takes_a_test_message(tmp_path, mosquitto):
    with Speaker(mosquitto.port, {"t/tv": "80.5", "t/fan": "12"}) as speaker:
        status, out = check(settings(tmp_path, mosquitto.port), "--send-test", "--for", "20s")
        until = time.monotonic() + 5
        while not speaker.got and time.monotonic() < until:
            time.sleep(0.05)

    assert status == 0
    assert "80.5 W" in out
    assert "0.2500 EUR a kWh now" in out
    assert "took a test message" in out
    assert out.rstrip().endswith("nothing to look at.")
    assert [message["what"] for message in speaker.got] == ["test"]


def test_a_source_that_does_not_come_is_told_and_nothing_is_sent_unasked(tmp_path, mosquitto):
    with Speaker(mosquitto.port, {"t/tv": "80.5"}) as speaker:
        status, out = check(settings(tmp_path, mosquitto.port), "--for", "2s")

    assert status == 1
    assert "on t/fan: is that its topic?" in out
    assert "1 to look at, 1 cannot be told yet." in out
    assert speaker.got == []


def test_a_broker_that_is_not_there_is_told(tmp_path):
    port = free_port()
    status, out = check(settings(tmp_path, port), "--for", "2s")

    assert status == 69
    assert f"the broker at 127.0.0.1:{port} cannot be reached" in out


@pytest.mark.usefixtures("mosquitto")
def test_a_broker_that_refuses_us_says_so(tmp_path):
    port = free_port()
    server = Mosquitto(tmp_path, port, f"listener {port} 127.0.0.1", "allow_anonymous false")
    server.start()
    try:
        status, out = check(settings(tmp_path, server.port), "--for", "2s")
    finally:
        server.stop()

    assert status == 69
    assert "refuses us: Not authorized" in out


def test_an_archive_that_takes_rows_is_right_and_one_that_is_not_there_is_not(tmp_path, mosquitto, victoria):
    with Speaker(mosquitto.port, {"t/tv": "80.5", "t/fan": "12"}):
        status, out = check(settings(tmp_path, mosquitto.port, f'[archive]\nurl = "{victoria.url}"\n'), "--for", "5s")
        assert status == 0
        assert "takes what we write" in out
        away = f'[archive]\nurl = "http://127.0.0.1:{free_port()}"\n'
        assert "cannot be reached" in check(settings(tmp_path, mosquitto.port, away), "--for", "5s")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [(["--for", "soon"], '--for: found "soon"; expected'), (["--for", "2"], '--for: found "2"; expected')],
)
def test_a_time_that_is_none_is_refused(tmp_path, words, said):
    status, out = check(settings(tmp_path, 1), *words)

    assert status == 2
    assert said in out


def test_its_options_need_it(tmp_path):
    done = CliRunner().invoke(app, ["check", str(settings(tmp_path, 1)), "--send-test"])

    assert done.exit_code == 2
    assert "--for and --send-test go with --live" in done.output


def test_for_programs_it_is_one_object(tmp_path, mosquitto):
    file = settings(tmp_path, mosquitto.port)
    with Speaker(mosquitto.port, {"t/tv": "80.5"}):
        done = CliRunner().invoke(app, ["check", str(file), "--live", "--json", "--for", "2s"])
    found = json.loads(done.output)

    assert done.exit_code == 1
    assert [line["state"] for line in found["live"] if "t/fan" in line["says"]] == ["look"]
    assert any(line["state"] == "right" and "80.5 W" in line["says"] for line in found["live"])
    assert json.loads(CliRunner().invoke(app, ["check", str(file), "--json"]).output)["live"] == []
    file.write_text(file.read_text().replace("price_per_kwh", "price_per_kw"))
    done = CliRunner().invoke(app, ["check", str(file), "--live", "--json"])
    assert (done.exit_code, json.loads(done.output)["live"]) == (1, [])
    assert "price_per_kw" in json.loads(done.output)["problems"][0]["text"]
    assert CliRunner().invoke(app, ["check", str(file), "--history", "--json"]).exit_code == 2
