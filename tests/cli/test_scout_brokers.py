"""`wattround scout` on brokers that are no friends: a flood of topics, junk, a tree that changes, what may not be read."""

import json
import os
import random
import subprocess
import threading
import time
import tomllib
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from conftest import missing
from ports import free_port
from support.daemon import COMMAND
from support.servers import MOSQUITTO, Mosquitto, until

pytestmark = pytest.mark.server
TOPICS = 50_000
MOST_KB = 250_000


def client_of(port):
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    made.max_queued_messages_set(0)
    made.connect("127.0.0.1", port)
    made.loop_start()
    return made


def scout(out, *words):
    """Its exit status, the most memory that it had in kilobytes, and what it said.

    The memory is what /proc says of it while it runs: what wait4 says has that of whoever started it in it (getrusage(2):
    the largest of all that the process has been, and before it was ours it was a copy of the tests').
    """
    with (out / "stdout").open("wb") as said, (out / "stderr").open("wb") as told:
        process = subprocess.Popen([*COMMAND, "scout", *map(str, words)], stdout=said, stderr=told)
        used_kb = 0
        while process.poll() is None:
            used_kb = most_kb(process.pid) or used_kb
            time.sleep(0.05)
    return process.returncode, used_kb, (out / "stdout").read_text(), (out / "stderr").read_text()


def most_kb(number):
    """The most memory that a process has had so far; 0 if it is over."""
    try:
        rows = Path(f"/proc/{number}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(row.split()[1]) for row in rows if row.startswith("VmHWM:")), 0)


@pytest.fixture
def junk(mosquitto):
    """A broker that keeps 50,000 topics: bytes, lines of text, objects without end, names with anything in them."""
    rng = random.Random(3)
    client = client_of(mosquitto.port)
    last = None
    for number in range(TOPICS):
        payload = (
            rng.randbytes(rng.randrange(1, 400)), b"ready; steady; go " * 9, b'{"a": [1, {"b": null}]}', b"\0\0", b"17",
            json.dumps({f"k{rng.randrange(10**9)}": rng.random() for _ in range(9)}).encode(),
        )[number % 6]  # fmt: skip
        name = f"junk/{number % 977}/{number}/" + ("{x}", "\U0001f50c", "a b", "$y", "power")[number % 5]
        last = client.publish(name, payload, qos=1, retain=True)
    last.wait_for_publish(60)
    yield mosquitto
    client.loop_stop()
    client.disconnect()


@pytest.fixture
def living(junk):
    """The same, and a house on it: three plugs, one of which goes silent, and topics that come and go all the time."""
    client, stop = client_of(junk.port), threading.Event()

    def run():
        turn = 0
        while not stop.wait(0.2):
            turn += 1
            for plug in ("tv", "fan", "lamp") if turn < 25 else ("tv", "fan"):
                client.publish(f"plugs/{plug}/state", json.dumps({"power_w": 50 + turn % 9}))
            client.publish(f"session/{turn}/{os.urandom(4).hex()}/power", f"{turn}")
            client.publish(f"junk/{turn % 977}/{turn}/power", b"", retain=True)  # and that is taken away
            client.publish(f"camera/{turn % 5}/still", os.urandom(90_000))

    thread = threading.Thread(target=run)
    thread.start()
    yield junk
    stop.set()
    thread.join()
    client.loop_stop()
    client.disconnect()


@pytest.mark.timeout(180)
def test_50000_topics_of_junk_and_a_tree_that_changes_leave_the_house_to_be_seen(living, tmp_path):
    """Within 250 MB, whatever is published: what only lies there gives way to what speaks, and is counted and told."""
    status, used_kb, draft, told = scout(tmp_path, "--broker", f"127.0.0.1:{living.port}", "--for", "12s")

    assert status == 0, told
    assert 50_000 < used_kb < MOST_KB
    text = " ".join(told.split())
    assert "binary payloads" in text
    assert "payloads of more than 65536 bytes" in text
    assert int(told.split(" messages, ")[0].split()[-1]) >= TOPICS
    assert "messages of topics that are only retained" in text
    by_name = {meter["name"]: meter["power"] for meter in tomllib.loads(draft)["meters"]}
    assert by_name["{plug}"] == {"topic": "plugs/{plug}/state", "pointer": "/power_w", "unit": "W"}


@pytest.fixture
def closed(tmp_path):
    """A broker that lets anybody in and refuses every subscription."""
    plugin = next(Path("/usr").glob("lib*/**/mosquitto_dynamic_security.so"), None)
    if not MOSQUITTO or plugin is None:
        missing("mosquitto's dynamic security plugin")
    access = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    rules, port = tmp_path / "rules.json", free_port()
    rules.write_text(json.dumps({"defaultACLAccess": access}))
    rules.chmod(0o666)
    server = Mosquitto(
        tmp_path / "closed", port, f"listener {port} 127.0.0.1", "allow_anonymous true", f"plugin {plugin}",
        f"plugin_opt_config_file {rules}",
    )  # fmt: skip
    server.start()
    yield server
    server.stop()


def test_a_subscription_that_is_refused_is_told_at_once(closed, tmp_path):
    status, _, draft, told = scout(tmp_path, "--broker", f"127.0.0.1:{closed.port}", "--for", "3s")

    assert (status, draft) == (69, "")
    assert "refuses #: may this user read it?" in told


def test_a_broker_that_grants_everything_and_hands_out_nothing_is_asked_about(tmp_path):
    """As mosquitto does with an access list: it answers a forbidden subscription with success, and stays silent."""
    if not MOSQUITTO:
        missing("mosquitto")
    rules, port = tmp_path / "acl", free_port()
    rules.write_text("topic write #\n")
    server = Mosquitto(
        tmp_path / "mute", port, f"listener {port} 127.0.0.1", "allow_anonymous true", f"acl_file {rules}"
    )
    server.start()
    client = client_of(port)
    until(client.is_connected)
    client.publish("plugs/tv/watts", "5", qos=1, retain=True).wait_for_publish(20)
    status, _, draft, told = scout(tmp_path, "--broker", f"127.0.0.1:{port}", "--for", "1s")
    client.loop_stop()
    client.disconnect()
    server.stop()

    assert (status, draft) == (1, "")
    assert "nothing was said in 1 s: is it the right broker, may this user read its topics" in told
