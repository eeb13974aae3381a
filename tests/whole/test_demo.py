"""The demo as a person sees it, shortened: the real daemon on a fast clock, with either broker."""

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import psutil
import pytest

from ports import listening
from support.servers import until

pytestmark = [pytest.mark.server, pytest.mark.timeout(180)]
DEMO = Path(__file__).parents[2] / "tools" / "demo_day.py"


@pytest.mark.parametrize(("broker", "seconds"), [("mosquitto", "60"), ("amqtt", "80")])
def test_the_demo_tells_what_was_forgotten_and_keeps_the_days_energy(tmp_path, broker, seconds):
    words = [sys.executable, str(DEMO), "--seconds", seconds, "--broker", broker]

    answer = subprocess.run(
        words,
        capture_output=True,
        text=True,
        timeout=150,
        env={**os.environ, "TMPDIR": str(tmp_path), "COLUMNS": "140"},
    )

    assert answer.returncode == 0, answer.stdout + answer.stderr
    text = answer.stdout
    assert "could not keep pace" not in text
    told = re.findall(r"^\d\d:\d\d +(\S.*)$", text, flags=re.MULTILINE)
    assert [line.split()[0] for line in told] == ["Television", "Television:", "Computer", "Computer:"]
    assert "nobody home" in told[0]
    assert "past bedtime" in told[2]
    pairs = re.findall(r"([\d.]+) kWh +[\d.]+ EUR +\(in truth ([\d.]+) kWh\)", text)
    assert len(pairs) == 6
    for measured, true in pairs:
        assert abs(float(measured) - float(true)) <= 0.02 * float(true) + 0.02
    assert re.search(r"Freezer +\d+ minutes not covered", text)
    assert "bad payloads from oven: 3" in text
    (folder,) = tmp_path.glob("wattround-demo-*")
    assert str(folder) in text
    assert list(tmp_path.iterdir()) == [folder]  # nothing else is left behind


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_a_demo_that_is_ended_early_leaves_nothing_running(tmp_path, number):
    with (tmp_path / "out").open("w") as out:
        demo = subprocess.Popen(
            [sys.executable, str(DEMO)], stdout=out, stderr=out, env={**os.environ, "TMPDIR": str(tmp_path)}
        )
    try:
        until(lambda: any("connected" in log.read_text() for log in tmp_path.glob("wattround-demo-*/daemon.log")))
        children = psutil.Process(demo.pid).children(recursive=True)
        assert len(children) >= 2
        address, port = re.search(r"http://127\.0\.0\.1:(\d+)/", (tmp_path / "out").read_text()).group(0, 1)
        until(lambda: listening(int(port)))  # the page begins beside the rest, a moment sooner or later
        with urllib.request.urlopen(address, timeout=30) as page:
            assert "Quince House: now" in page.read().decode()

        demo.send_signal(number)
        demo.wait(20)
    finally:
        demo.kill()
        demo.wait()

    psutil.wait_procs(children, timeout=40)
    assert not [child for child in children if child.is_running() and child.status() != psutil.STATUS_ZOMBIE]
