"""The whole daemon with a real broker: measuring, telling, stopping, reloading, surviving."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import psutil
import pytest

from ports import free_port
from support.daemon import COMMAND
from support.house import TV_RULE
from support.servers import Mosquitto, until
from wattround.ledger.reader import Reader

pytestmark = pytest.mark.server
TV = TV_RULE + '[[channels]]\nname = "hub"\nmqtt = true\n'
STAMPED = '[[meters]]\nname = "m"\npower = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'


def rows(daemon, house="testhouse"):
    reader = Reader(daemon.folder, house)
    found = list(reader.minutes(0, 1 << 31))
    reader.close()
    return found


def test_a_television_in_an_empty_house_is_told_once_and_settles(mosquitto, hub, daemon):
    run = daemon(TV, mosquitto.port)
    hub.say("p/imre", "away", retain=True)
    until(lambda: run.now()["occupancy"] == "empty")

    def watch():
        hub.say("t/tv", 120)
        return hub.episodes()

    until(watch, every=0.1)
    until(lambda: run.now()["episodes"])
    hub.say("t/tv", 1)
    until(lambda: len(hub.episodes()) == 2)

    raised, settled = hub.episodes()
    assert (raised["event"], settled["event"]) == ("raised", "settled")
    assert raised["label"] == "Television"
    assert raised["watts_w"] == 120
    assert float(raised["cost_per_day"]) == 0.72  # 0.120 kW x 24 h x 0.25 EUR/kWh
    assert "Television is on, nobody home, since" in raised["text"]
    assert settled["because"] == "level"
    assert float(settled["waste_wh"]) > 0
    assert settled["began"] == raised["began"]


def test_an_episode_survives_a_kill_without_a_second_message(mosquitto, hub, daemon):
    run = daemon(TV.replace('release = "1s"', 'release = "0s"'), mosquitto.port)
    hub.say("p/imre", "away", retain=True)
    until(lambda: hub.say("t/tv", 120) or hub.episodes(), every=0.1)

    run.stop(signal.SIGKILL)
    run.start()
    until(lambda: hub.say("t/tv", 120) or run.meter("tv")["level"] == "active", every=0.1)
    until(lambda: run.now()["episodes"])

    assert len(hub.episodes()) == 1
    assert run.now()["episodes"][0]["rule"] == "tv-nobody-home"


def test_the_status_topic_says_running_stopped_and_lost(mosquitto, hub, daemon):
    def states():
        return [json.loads(payload)["state"] for topic, payload, _ in list(hub.heard) if topic.endswith("/status")]

    run = daemon(TV, mosquitto.port)
    until(lambda: states() == ["running"])
    assert run.stop() == 0
    until(lambda: states() == ["running", "stopped"])
    run.start()
    run.stop(signal.SIGKILL)
    until(lambda: states() == ["running", "stopped", "running", "lost"])


def test_term_stops_cleanly_within_five_seconds_and_loses_nothing(mosquitto, hub, daemon):
    run = daemon(STAMPED, mosquitto.port)
    now = int(time.time() * 1000)
    for second in range(20):
        hub.say("t/m", json.dumps({"w": 3600, "t": now - 20_000 + second * 1000}))
    began = time.monotonic()

    assert run.stop() == 0

    assert time.monotonic() - began < 5
    run.start()
    hub.say("t/m", json.dumps({"w": 0, "t": now}))
    hub.say("t/m", json.dumps({"w": 0, "t": now + 80_000}))
    until(lambda: run.meter("m")["today_in_wh"] > 19.9)
    assert abs(run.meter("m")["today_in_wh"] - 20) < 0.001  # 20 s at 3.6 kW


def test_kills_at_random_moments_lose_nothing_that_the_broker_kept_and_count_nothing_twice(mosquitto, hub, daemon):
    """Stamped readings at QoS 1 through four kills: the minutes equal the integral of what was published."""
    run = daemon(STAMPED, mosquitto.port)
    begin = int(time.time() * 1000) // 60_000 * 60_000 - 3_600_000
    published = []
    for number in range(400):
        at_ms, watts = begin + number * 5_000, 1000 + (number * 37) % 900
        published.append((at_ms, watts))
        hub.client.publish("t/m", json.dumps({"w": watts, "t": at_ms}), qos=1)
        if number in (60, 155, 230, 390):
            until(lambda: run.meter("m")["age_s"] is not None)
            run.stop(signal.SIGKILL)
            run.start()
        time.sleep(0.005)
    last = published[-1][0]
    until(lambda: run.heard_ms("m") >= last - 1)
    run.stop()

    expected: dict[int, float] = {}
    for (at_ms, watts), (following, _) in pairwise(published):
        expected[at_ms // 60_000] = expected.get(at_ms // 60_000, 0) + watts * (following - at_ms) / 3.6
    found = {row.minute: row for row in rows(run)}
    whole = range(begin // 60_000, last // 60_000)
    for minute in whole:
        assert abs(found[minute].in_uwh - expected[minute]) <= 1, minute - whole[0]
        assert found[minute].covered_ms == 60_000


def test_a_kill_of_live_power_loses_at_most_the_checkpoint_and_shows_it_as_uncovered(mosquitto, hub, daemon):
    run = daemon('[[meters]]\nname = "m"\npower = { topic = "t/m" }\n', mosquitto.port)
    began = time.time()
    until(lambda: hub.say("t/m", 3600, qos=0) or time.time() - began > 5, every=0.1)
    run.stop(signal.SIGKILL)
    killed = time.time()
    run.start()
    back = time.time()
    until(lambda: hub.say("t/m", 3600, qos=0) or time.time() - back > 3, every=0.1)
    ended = time.time()

    covered_s = run.meter("m")["today_in_wh"]  # 3600 W make a watt-hour a second
    wall_s = killed - began + ended - back
    assert wall_s - 2.0 - 2.5 <= covered_s <= wall_s + 0.5  # checkpoint 2 s, and what starting takes


def test_hang_up_reloads_a_right_file_and_keeps_the_old_settings_for_a_wrong_one(mosquitto, hub, daemon):
    run = daemon(TV, mosquitto.port)
    right = run.file.read_text()
    run.file.write_text(right.replace("active_w = 40", "active_w = forty"))
    run.process.send_signal(signal.SIGHUP)
    until(lambda: any("the file is wrong" in event["event"] for event in run.events()))
    assert run.connected

    run.file.write_text(right + '[[meters]]\nname = "lamp"\npower = { topic = "t/lamp" }\n')
    run.process.send_signal(signal.SIGHUP)
    until(lambda: any(meter["name"] == "lamp" for meter in run.now()["meters"]))
    until(lambda: run.connected)
    until(lambda: hub.say("t/lamp", 9) or run.meter("lamp")["watts_w"] == 9, every=0.1)


def test_a_librarys_own_thread_does_not_keep_it_from_ending(mosquitto, daemon):
    """One that sends messages has workers; whoever waits for those at the end may wait for a name server."""
    run = daemon(TV, mosquitto.port, start=False)
    code = (
        "import sys, time; from concurrent.futures import ThreadPoolExecutor; from wattround.daemon import run; "
        "ThreadPoolExecutor(1).submit(time.sleep, 60); run(sys.argv[1])"
    )
    with run.log.open("ab") as log:
        run.process = subprocess.Popen([sys.executable, "-c", code, str(run.file)], stderr=log)
    until(lambda: run.connected)
    run.process.send_signal(signal.SIGTERM)

    assert run.process.wait(15) == 0
    assert run.events()[-1]["event"] == "stopped"


def test_a_hang_up_while_it_still_reads_its_settings_does_not_end_it(tmp_path):
    """A pipe in the file's place: it reads until we have said all."""
    file = tmp_path / "settings"
    os.mkfifo(file)
    process = subprocess.Popen([*COMMAND, "run", str(file)], stderr=subprocess.DEVNULL)

    def reader_is_there():
        try:
            return os.open(file, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:
            assert process.poll() is None
            return None

    pipe = until(reader_is_there)
    process.send_signal(signal.SIGHUP)
    os.write(pipe, b"[house]\nid = 5\n")
    os.close(pipe)

    assert process.wait(20) == 78


def test_a_broker_that_is_not_there_is_waited_for(tmp_path, daemon):
    port = free_port()
    run = daemon(TV, port, start=False)
    run.start(connected=False)
    until(lambda: any(event["event"] == "no broker" for event in run.events()))
    run.assert_running()

    broker = Mosquitto(tmp_path / "later", port)
    broker.start()
    until(lambda: run.connected)
    broker.stop(signal.SIGKILL)
    until(lambda: not run.connected)
    broker.start()
    until(lambda: run.connected)
    run.stop()
    broker.stop()


def test_hostile_messages_are_dropped_counted_and_named(mosquitto, hub, daemon):
    run = daemon(TV + STAMPED, mosquitto.port)
    for payload in (b"nan", b"\xff" * 100, b"[" * 60_000, b"9" * 10_000_000, b"1e9", b'{"w":1,"t":1e308}', b""):
        hub.say("t/tv", payload)
        hub.say("t/m", payload, retain=True)
    until(lambda: run.now()["bad_payloads"].get("tv", {}).get("count", 0) >= 6)

    assert run.now()["bad_payloads"]["m"]["count"] >= 6
    assert sum(event["event"] == "bad payload" for event in run.events()) == 2  # at most one a minute and source
    assert rows(run) == []
    assert run.stop() == 0
    run.start()  # retained junk comes again


def test_a_wrong_file_starts_nothing_and_says_all_at_once(tmp_path):
    file = tmp_path / "wrong.toml"
    file.write_text("[house]\nid = 5\n[brokr]\n")

    answer = subprocess.run([*COMMAND, "run", str(file)], capture_output=True, text=True, timeout=60)

    assert answer.returncode == 78  # EX_CONFIG: systemd does not try again
    assert answer.stderr.count("error:") >= 4


def test_a_second_daemon_on_the_same_ledger_is_refused(mosquitto, daemon):
    run = daemon(TV, mosquitto.port)

    answer = subprocess.run([*COMMAND, "run", str(run.file)], capture_output=True, text=True, timeout=60)

    assert answer.returncode == 1
    assert "another wattround" in answer.stderr


def test_messages_wait_while_the_broker_is_away(mosquitto, hub, daemon):
    run = daemon(TV.replace('lasting = "1s"', 'lasting = "2s"'), mosquitto.port)
    hub.say("p/imre", "away", retain=True)
    hub.say("t/tv", 120)
    until(lambda: run.meter("tv")["level"] == "active")
    mosquitto.stop()
    until(lambda: any(event["event"] == "episode" for event in run.events()))
    until(lambda: run.now()["daemon"]["messages_waiting"] == 1)
    mosquitto.start()
    until(hub.client.is_connected, 30)

    until(lambda: [episode for episode in hub.episodes() if episode["event"] == "raised"], 40)
    assert len([episode for episode in hub.episodes() if episode["event"] == "raised"]) == 1


def test_readiness_watchdog_and_stopping_are_told_to_systemd(mosquitto, tmp_path, daemon):
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(address))
        listener.settimeout(10)
        run = daemon(TV, mosquitto.port, start=False)
        run.start(env={**os.environ, "NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "1000000"})

        wanted = {"READY=1", "WATCHDOG=1"}  # in either order: the core may have turned before all threads are started
        until(lambda: not wanted.difference_update(listener.recv(4096).decode().splitlines()) and not wanted)
        run.process.send_signal(signal.SIGSTOP)  # a core that hangs feeds no watchdog
        time.sleep(0.6)
        listener.setblocking(False)
        while True:
            try:
                listener.recv(4096)
            except BlockingIOError:
                break
        time.sleep(0.7)
        with pytest.raises(BlockingIOError):
            listener.recv(4096)
        run.process.send_signal(signal.SIGCONT)
        listener.setblocking(True)
        listener.settimeout(10)
        run.process.send_signal(signal.SIGTERM)
        until(lambda: listener.recv(4096) == b"STOPPING=1")


def test_a_default_daemon_is_small(mosquitto, hub, daemon):
    """60 MB resident at most; what is not configured is not imported."""
    run = daemon(TV, mosquitto.port)
    hub.say("t/tv", 5)
    until(lambda: run.meter("tv")["watts_w"] == 5)

    assert psutil.Process(run.process.pid).memory_info().rss < 60_000_000
    assert "numpy" not in Path(f"/proc/{run.process.pid}/maps").read_text()


def test_the_daemon_imports_neither_the_terminals_nor_the_analysis_stack():
    code = (
        "import sys, wattround.__main__ as command; sys.argv = ['wattround', 'run', '/nowhere.toml']\n"
        "try: command.main()\n"
        "except SystemExit as ended: assert ended.code == 78\n"
        "present = {name for name, module in sys.modules.items() if module is not None}\n"
        "print(sorted({'typer', 'rich', 'numpy', 'pandas', 'influxdb_client', 'apprise'} & present))"
    )

    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)

    assert answer.stdout.strip() == "[]"
