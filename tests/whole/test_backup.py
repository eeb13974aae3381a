"""A copy of the ledger while the real daemon writes it, and the house goes on from it later."""

import json
import subprocess
import time

import pytest

from support.daemon import COMMAND
from support.servers import until
from wattround.ledger.reader import Reader

pytestmark = pytest.mark.server
METERS = """
[[meters]]
name = "m"
power = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }
[[meters]]
name = "c"
hold = "5m"
counter = { topic = "t/c", pointer = "/wh", unit = "Wh", time_pointer = "/t", time_unit = "ms" }
"""


def command(run, *words):
    done = subprocess.run([*COMMAND, "ledger", *words, "-f", str(run.file)], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout + done.stderr


def publish(hub, begin_ms, minutes):
    for minute in minutes:
        hub.say("t/m", json.dumps({"w": 600, "t": begin_ms + minute * 60_000}))
        hub.say("t/c", json.dumps({"wh": 100 + 10 * minute, "t": begin_ms + minute * 60_000}))


def energy_wh(run, meter):
    reader = Reader(run.folder, "testhouse")
    found = [row for row in reader.minutes(0, 1 << 31) if row.meter == meter]
    reader.close()
    return round(sum(row.in_uwh for row in found) / 1e6, 3)


def test_a_house_goes_on_from_a_copy_that_was_made_while_it_ran(mosquitto, hub, daemon, tmp_path):
    """What the broker did not keep is missing since the copy; what a counter remembers is not."""
    run = daemon(METERS, mosquitto.port)
    begin = int(time.time() * 1000) // 60_000 * 60_000 - 7_200_000
    publish(hub, begin, range(20))
    until(lambda: run.heard_ms("m") >= begin + 19 * 60_000 - 1)
    time.sleep(4.0)  # a checkpoint, and time to spare

    status, said = command(run, "backup", str(tmp_path / "copy"))
    assert status == 0, said
    publish(hub, begin, range(20, 40))
    until(lambda: run.heard_ms("m") >= begin + 39 * 60_000 - 1)
    status, said = command(run, "restore", str(tmp_path / "copy"))
    assert (status, "another wattround is writing" in said) == (69, True)
    run.stop()
    assert energy_wh(run, "c") == 390

    status, said = command(run, "restore", str(tmp_path / "copy"))
    assert status == 0, said
    run.start()
    publish(hub, begin, range(60, 62))
    until(lambda: run.heard_ms("m") >= begin + 61 * 60_000 - 1)
    run.stop()

    assert energy_wh(run, "c") == 610
    assert energy_wh(run, "m") == pytest.approx(10 * 19 + 15 + 10 + 15, abs=0.01)  # each held for 90 s at most
