"""The archive against a real time-series database: row for row, through outages, amendments and refills."""

import json
import subprocess
import time
import urllib.parse

import pytest

from support.daemon import COMMAND
from support.servers import VictoriaMetrics, until
from wattround.ledger.reader import Reader
from wattround.metering.minute import ESTIMATED

pytestmark = pytest.mark.server
METERS = """
[[meters]]
name = "m"
power = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }
[[meters]]
name = "c"
hold = "5m"
role = "appliance"
counter = { topic = "t/c", pointer = "/wh", unit = "Wh", time_pointer = "/t", time_unit = "ms" }
"""


def archive(url, extra=""):
    return f'[archive]\nurl = "{url}"\n{extra}\n'


def exported(server, begin_ms, end_ms):
    """{(meter, role, field): {timestamp in ms: [values]}} by the database's own export."""
    server.get("/internal/force_flush")
    query = urllib.parse.urlencode(
        {"match[]": '{__name__=~"wattround_minute_.*"}', "start": begin_ms / 1000, "end": end_ms / 1000 + 1}
    )
    found = {}
    for text in server.get(f"/api/v1/export?{query}").splitlines():
        series = json.loads(text)
        labels = series["metric"]
        assert labels["house"] == "testhouse"
        key = (labels["meter"], labels["role"], labels["__name__"].removeprefix("wattround_minute_"))
        values = found.setdefault(key, {})
        for at_ms, value in zip(series["timestamps"], series["values"], strict=True):
            values.setdefault(at_ms, []).append(value)
    return found


def expected(daemon):
    """The ledger's rows in the same shape."""
    reader = Reader(daemon.folder, "testhouse")
    found = {}
    for row in reader.minutes(0, 1 << 31):
        role = {"m": "circuit", "c": "appliance"}[row.meter]
        fields = {
            "in_wh": row.in_uwh / 1e6, "out_wh": row.out_uwh / 1e6, "covered_s": row.covered_ms / 1000,
            "estimated": float(bool(row.origin & ESTIMATED)),
        }  # fmt: skip
        if row.peak_milliw is not None:
            fields |= {"peak_w": row.peak_milliw / 1000, "low_w": row.low_milliw / 1000}
        for name, value in fields.items():
            found.setdefault((row.meter, role, name), {})[row.minute * 60_000] = [pytest.approx(value, rel=1e-11)]
    reader.close()
    return found


def publish(hub, begin_ms, minutes, *, watts=1000.0):
    for second in range(0, minutes * 60, 20):
        at_ms = begin_ms + second * 1000
        hub.client.publish("t/m", json.dumps({"w": watts + second / 7, "t": at_ms}), qos=1)
        hub.client.publish("t/c", json.dumps({"wh": 50_000 + second / 3, "t": at_ms}), qos=1)
    last = begin_ms + minutes * 60_000
    hub.say("t/m", json.dumps({"w": 0, "t": last}))
    hub.say("t/c", json.dumps({"wh": 50_000 + minutes * 20, "t": last}))


def status(daemon):
    answer = subprocess.run(
        [*COMMAND, "archive", "status", "--json", str(daemon.file)], capture_output=True, text=True, timeout=60
    )
    return json.loads(answer.stdout)


def shipped(daemon):
    facts = status(daemon)
    return facts["cursor_minute"] is not None and facts["rows_waiting"] == facts["amended_waiting"] == 0


def hours_ago(hours):
    return (int(time.time()) // 3600 - hours) * 3_600_000 + 17_000


def test_every_row_arrives(mosquitto, victoria, hub, daemon):
    run = daemon(METERS + archive(victoria.url), mosquitto.port)
    begin = hours_ago(3)
    publish(hub, begin, 50)
    until(lambda: run.heard_ms("m") >= begin + 3_000_000 - 1)
    until(lambda: shipped(run), 80)

    assert len(expected(run)) == 10
    until(lambda: exported(victoria, begin - 60_000, begin + 3_600_000) == expected(run), 20, 0.5)


def test_an_outage_of_the_whole_run_costs_nothing(mosquitto, tmp_path, hub, daemon):
    server = VictoriaMetrics(tmp_path / "later", "-dedup.minScrapeInterval=1ms")
    run = daemon(METERS + archive(server.url), mosquitto.port)
    begin = hours_ago(3)
    publish(hub, begin, 30)
    until(lambda: "ConnectionError" in str(status(run)["trouble"]) or "NewConnection" in str(status(run)["trouble"]))
    run.stop()
    run.start()
    server.start()

    until(lambda: shipped(run), 80)
    until(lambda: exported(server, begin - 60_000, begin + 3_600_000) == expected(run), 20, 0.5)
    server.stop()


def test_amended_rows_are_shipped_again_and_the_newest_counts(mosquitto, tmp_path, hub, daemon):
    """For databases that keep the newest sample of an interval: the revision is in the milliseconds."""
    server = VictoriaMetrics(tmp_path / "newest", "-dedup.minScrapeInterval=1s")
    server.start()
    run = daemon(METERS + archive(server.url, 'amended = "newest"'), mosquitto.port)
    begin = hours_ago(3)
    publish(hub, begin, 20)
    until(lambda: shipped(run), 80)
    for amendment in range(2):
        hub.say("t/m", json.dumps({"w": 5000.0 - 100 * amendment, "t": begin + 65_000 + amendment}))
        until(lambda: status(run)["rows_shipped_since_start"] > 0 and shipped(run), 80)
        time.sleep(3.5)  # a checkpoint, and time to spare: the next amendment is one of its own
        until(lambda: shipped(run), 80)

    def newest():
        found = exported(server, begin - 60_000, begin + 3_600_000)
        return {key: {at // 60_000 * 60_000: values for at, values in series.items()} for key, series in found.items()}

    until(lambda: newest() == expected(run), 60, 0.5)
    server.stop()


def test_refill_ships_everything_from_a_day_on_again(mosquitto, tmp_path, hub, daemon):
    server = VictoriaMetrics(tmp_path / "first", "-dedup.minScrapeInterval=1ms")
    server.start()
    run = daemon(METERS + archive(server.url), mosquitto.port)
    begin = hours_ago(30)
    publish(hub, begin, 20)
    until(lambda: shipped(run), 80)
    server.get("/internal/force_flush")  # or what is younger than a second would not be deleted
    server.get('/api/v1/admin/tsdb/delete_series?match[]={__name__=~"wattround_minute_.*"}')
    assert exported(server, begin - 60_000, begin + 3_600_000) == {}

    day = time.strftime("%Y-%m-%d", time.gmtime(begin / 1000 - 86_400))
    answer = subprocess.run(
        [*COMMAND, "archive", "refill", "--from", day, str(run.file)], capture_output=True, text=True, timeout=60
    )

    assert answer.returncode == 0, answer.stderr
    assert "shipped again" in answer.stdout
    until(lambda: shipped(run), 80)
    until(lambda: exported(server, begin - 60_000, begin + 3_600_000) == expected(run), 20, 0.5)
    server.stop()


def test_status_and_refill_without_a_daemon(mosquitto, victoria, hub, daemon):
    run = daemon(METERS + archive(victoria.url), mosquitto.port)
    begin = hours_ago(3)
    publish(hub, begin, 5)
    until(lambda: shipped(run), 80)
    run.stop()

    def command(*words):
        return subprocess.run([*COMMAND, "archive", *words, str(run.file)], capture_output=True, text=True, timeout=60)

    assert "no daemon runs" in command("status").stdout
    assert "once it is started" in command("refill", "--from", "2020-01-01").stdout
    assert status(run)["rows_waiting"] > 0
    assert command("refill", "--from", "yesterday").returncode == 2


def test_archive_commands_need_an_archive(mosquitto, daemon):
    run = daemon(METERS, mosquitto.port)

    answer = subprocess.run([*COMMAND, "archive", "status", str(run.file)], capture_output=True, text=True, timeout=60)

    assert answer.returncode == 1
    assert "no [archive]" in answer.stderr
