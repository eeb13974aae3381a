"""The commands as a person or a script meets them."""

import json
import socket
import subprocess
import threading
import time

import pytest
from rich.console import Console

from support.daemon import COMMAND
from support.servers import until
from wattround.cli.now import screen
from wattround.control import NoDaemon, ask_daemon

METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "kitchen"
label = "Kitchen [/not markup] [red]"
within = "supply"
active_w = 50
power = { topic = "t/kitchen" }
[[meters]]
name = "{plug}"
role = "appliance"
power = { topic = "p/{plug}/w" }
at_most = 2
"""


def command(*words, **more):
    return subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=60, **more)


FACTS = {
    "house": "Quince House", "time_zone": "Europe/Madrid", "currency": "EUR", "now_ms": 1_780_000_000_000, "occupancy": "empty",
    "meters": [
        {"name": "s", "label": "Supply", "role": "supply", "depth": 0, "within": None, "watts_w": 812.4, "unmeasured_w": 12.4,
         "level": None, "today_in_wh": 4210.0, "today_out_wh": 100.0, "today_cost": "1.17880", "today_unpriced_wh": 0.0, "age_s": 1.0, "bad_payloads": 0},
        {"name": "t", "label": "Television [/x]", "role": "appliance", "depth": 1, "within": "s", "watts_w": None, "unmeasured_w": None,
         "level": None, "today_in_wh": 0.0, "today_out_wh": 0.0, "today_cost": "0", "today_unpriced_wh": 0.0, "age_s": None, "bad_payloads": 3},
    ],
    "bad_payloads": {"t": {"count": 3, "last": "no number"}},
    "episodes": [{"rule": "r", "load": "t", "label": "Television [/x]", "hushed": False, "began_ms": 0, "raised_ms": 0, "lasting_s": 7800, "waste_wh": 240.0, "cost": "0.0672", "unpriced_wh": 0.0}],
    "daemon": {"broker": "no broker", "broker_trouble": "Connection refused", "ledger_trouble": "database or disk is full",
               "messages_dropped": 5, "messages_waiting": 0},
}  # fmt: skip


def drawn(facts):
    console = Console(width=100, file=None, record=True, force_terminal=False)
    with console.capture() as capture:
        console.print(screen(facts))
    return capture.get()


def test_the_screen_says_what_there_is_and_what_is_wrong():
    text = drawn(FACTS)

    for words in (
        "Quince House · 22:26:40 · nobody home", "Supply", "812", "4.21", "1.18", "(not metered within)", "Television [/x]", "never",
        "open: Television [/x] for 2 h 10 min, 240 Wh, 0.07 EUR (rule r)", "broker: no broker: Connection refused",
        "database or disk is full", "5 readings were dropped", "bad payloads from t: 3, last: no number",
    ):  # fmt: skip
        assert words in text


def test_a_retained_value_is_shown_as_not_live():
    meter = {**FACTS["meters"][1], "watts_w": 33.0}

    assert "not live yet" in drawn({**FACTS, "meters": [meter]})


def test_now_without_a_daemon_says_where_it_looked(tmp_path):
    file = tmp_path / "w.toml"
    file.write_text(
        f'[house]\nid = "h"\ntime_zone = "UTC"\ncurrency = "EUR"\nprice_per_kwh = 1\n[ledger]\nfolder = "{tmp_path}"\n{METERS}'
    )

    answer = command("now", str(file))

    assert answer.returncode == 69
    assert "no daemon answers at" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_now_with_a_wrong_file_shows_its_problems(tmp_path):
    file = tmp_path / "w.toml"
    file.write_text("[house]\n")

    answer = command("now", str(file))

    assert answer.returncode == 78
    assert "house.id" in answer.stderr


def test_version_and_help():
    assert command("--version").stdout.startswith("wattround 0.")
    assert "archive" in command("--help").stdout


@pytest.mark.server
def test_now_shows_nested_meters_and_ends_when_piped(mosquitto, hub, daemon):
    run = daemon(METERS, mosquitto.port)
    hub.say("t/supply", 900)
    hub.say("t/kitchen", 400)
    for name in ("kettle", "[bold]x", "third"):
        hub.say(f"p/{name}/w", 100)
    until(lambda: hub.say("p/kettle/w", 100) or any(meter["name"] == "kettle" for meter in run.now()["meters"]))

    facts = json.loads(command("now", "--json", str(run.file)).stdout)
    assert [meter["name"] for meter in facts["meters"]] == ["supply", "kitchen", "kettle", "[bold]x"]  # at_most is 2
    assert facts["meters"][0]["unmeasured_w"] == 500
    assert facts["meters"][1]["level"] == "active"
    text = command("now", str(run.file)).stdout
    assert "  Kitchen [/not markup] [red]" in text
    assert "[bold]x" in text

    piped = subprocess.run(
        f"{' '.join(COMMAND)} now {run.file} | head -n 1", shell=True, capture_output=True, text=True, timeout=60
    )
    assert piped.stderr == ""
    assert len(piped.stdout.splitlines()) == 1


@pytest.mark.server
def test_the_control_socket_survives_misuse(mosquitto, daemon):
    """It is for its owner only; garbage, floods and dawdlers get an answer or are cut off, and others their turn."""
    run = daemon(METERS, mosquitto.port)
    path = run.folder / "control.sock"
    assert path.stat().st_mode & 0o777 == 0o600

    def say(raw):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
            client.settimeout(15)
            client.connect(str(path))
            try:
                client.sendall(raw)
                client.shutdown(socket.SHUT_WR)
                return client.recv(65_536)
            except OSError:
                return b""

    for raw in (b"", b"\n", b"{}\n", b"[" * 60_000 + b"\n", b"\xff\n", b"1\n", b'{"do": "stop"}\n', b'{"do": "settings"}\n',
                b'{"do": "now", "reply": 1}\n', b"x" * 200_000, b'{"do": "archive-refill", "from_minute": -5}\n',
                b'{"do": "archive-refill", "from_minute": 1e400}\n', b'{"do": "archive-refill"}\n'):  # fmt: skip
        assert b'"ok": true' not in say(raw) or raw.startswith(b'{"do": "now"')
    slow = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    slow.connect(str(path))
    slow.sendall(b"{")
    began = time.monotonic()
    assert run.now()["house"] == "testhouse"
    assert time.monotonic() - began < 4
    slow.close()
    threads = [threading.Thread(target=run.now) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    run.assert_running()


def test_a_control_socket_may_lie_in_a_folder_with_a_long_name(tmp_path):
    """Socket paths are limited to some hundred bytes; folders are not."""
    from concurrent.futures import Future

    from wattround.control import ControlServer

    folder = tmp_path / ("long" * 30)
    folder.mkdir()

    def answer(what, **_facts):
        reply = Future()
        reply.set_result(what)
        return reply

    server, stop = ControlServer(folder, answer), threading.Event()
    thread = threading.Thread(target=server.run, args=(stop,))
    thread.start()
    assert ask_daemon(folder, "now") == "now"
    stop.set()
    thread.join(5)

    with pytest.raises(NoDaemon):
        ask_daemon(folder, "now")
