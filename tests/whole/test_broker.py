"""The broker's own conditions: TLS, passwords, refusals, sessions, both protocols."""

import json
import signal
import ssl
import subprocess
import time

import paho.mqtt.client as mqtt
import pytest

from conftest import missing
from faulty.relay import Relay
from ports import free_port
from support.servers import MOSQUITTO, Mosquitto, until
from wattround.core.viewwords import trouble_lines
from wattround.ledger.reader import Reader

pytestmark = pytest.mark.server
METER = '[[meters]]\nname = "m"\npower = { topic = "t/m" }\n'
COUNTER = '[[meters]]\nname = "c"\nhold = "1h"\nhighest_w = 1e9\ncounter = { topic = "t/c", unit = "Wh" }\n'
STAMPED = '[[meters]]\nname = "m"\npower = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'


def openssl(*words, folder):
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True, timeout=60)


@pytest.fixture
def certificates(tmp_path):
    """A CA, a server's and a client's certificate made for this test."""
    folder = tmp_path / "tls"
    folder.mkdir()
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(
        "req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=test ca", "-days", "2", folder=folder
    )
    for name in ("server", "client"):
        openssl("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}", folder=folder)
        (folder / "ext").write_text("subjectAltName=IP:127.0.0.1\n")
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out",
                f"{name}.pem", "-days", "2", "-extfile", "ext", folder=folder)  # fmt: skip
    return folder


@pytest.fixture
def broker(tmp_path):
    """Makes brokers with lines of configuration of their own."""
    made = []

    def make(*lines, port=None):
        if not MOSQUITTO:
            missing("mosquitto")
        port = port or free_port()
        server = Mosquitto(
            tmp_path / f"broker{len(made)}", port, *(line.replace("{port}", str(port)) for line in lines)
        )
        server.start()
        made.append(server)
        return server

    yield make
    for server in made:
        server.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_tls_with_an_own_ca_and_a_client_certificate(broker, certificates, daemon, protocol):
    server = broker("listener {port} 127.0.0.1", f"cafile {certificates}/ca.pem", f"certfile {certificates}/server.pem",
                    f"keyfile {certificates}/server.key", "require_certificate true", "use_identity_as_username true")  # fmt: skip
    tls = (
        f'protocol = "{protocol}"\n[broker.tls]\nca_file = "{certificates}/ca.pem"\n'
        f'certificate_file = "{certificates}/client.pem"\nkey_file = "{certificates}/client.key"\n'
    )
    run = daemon(METER, server.port, broker=tls)
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    context = ssl.create_default_context(cafile=certificates / "ca.pem")
    context.load_cert_chain(certificates / "client.pem", certificates / "client.key")
    client.tls_set_context(context)
    client.connect("127.0.0.1", server.port)
    client.loop_start()
    for _ in range(300):  # more than one TLS record at once: none may be left in the library's buffer
        client.publish("t/m", 5)
    client.publish("t/m", 42).wait_for_publish(10)

    until(lambda: run.meter("m")["watts_w"] == 42)
    client.loop_stop()


def test_a_broker_whose_certificate_nobody_knows_is_refused(broker, certificates, daemon):
    server = broker("listener {port} 127.0.0.1", "allow_anonymous true", f"cafile {certificates}/ca.pem",
                    f"certfile {certificates}/server.pem", f"keyfile {certificates}/server.key")  # fmt: skip
    run = daemon(METER, server.port, broker="[broker.tls]\n", start=False)
    run.start(connected=False)

    until(lambda: any("CERTIFICATE_VERIFY_FAILED" in str(event.get("trouble")) for event in run.events()))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_password_from_a_file_and_a_wrong_one_said_as_such(broker, daemon, tmp_path, protocol):
    words = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(words), "wattround", "right"], check=True, capture_output=True)
    server = broker("listener {port} 127.0.0.1", f"password_file {words}")
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    user = f'protocol = "{protocol}"\nuser = "wattround"\npassword_file = "{secret}"\n'
    run = daemon(METER, server.port, broker=user, start=False)
    run.start(connected=False)
    event = until(lambda: next((event for event in run.events() if event["event"] == "no broker"), None))
    assert event["advice"] == "check broker.user and its password"
    assert "authori" in event["trouble"].lower()

    secret.write_text("right\n")
    until(lambda: run.connected, 30)


def test_a_subscription_that_is_refused_is_said(daemon, broker, tmp_path):
    """mosquitto answers a forbidden subscription with success and stays silent; so the sounding is what tells."""
    acl = tmp_path / "acl"
    acl.write_text("topic write wattround/#\n")
    server = broker("listener {port} 127.0.0.1", "allow_anonymous true", f"acl_file {acl}")
    run = daemon(COUNTER, server.port)
    run.stop()
    run.start()

    until(lambda: any("sounding did not come back" in event["event"] for event in run.events()), 30)


class LosesSubscriptions(Relay):
    """Passes on one packet to the broker, the wish to connect, and loses what follows until it is told to pass it."""

    has_connected = False

    def _pass_on(self, side):
        super()._pass_on(side)
        if not self.has_connected:
            self.has_connected = True
            self.be("swallows")


def test_it_is_not_connected_before_the_broker_has_answered_its_subscriptions(mosquitto, hub, daemon):
    relay = LosesSubscriptions(mosquitto.port)
    run = daemon(METER, relay.port, start=False)
    run.start(connected=False)
    until(lambda: any(event["event"] == "connected" for event in run.events()))

    assert trouble_lines(run.now()) == ["broker: subscribing: no answer to our subscriptions yet"]

    relay.be("passes")
    until(lambda: run.connected)
    hub.say("t/m", 5)
    until(lambda: run.meter("m")["watts_w"] == 5)
    run.stop()
    relay.close()


def test_another_client_with_our_identifier_is_named(mosquitto, daemon):
    run = daemon(STAMPED, mosquitto.port)
    thief = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="wattround-testhouse", protocol=mqtt.MQTTv5)
    thief.connect("127.0.0.1", mosquitto.port)
    thief.loop_start()

    until(lambda: any("wattround-testhouse" in str(event.get("trouble")) for event in run.events()), 60)
    thief.loop_stop()
    thief.disconnect()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waited_at_the_broker_has_no_arrival_time_but_a_counters_value_counts(mosquitto, hub, daemon, protocol):
    """Down while the counter goes on: its energy is spread over the time we were away, none of it put into now."""
    run = daemon(COUNTER, mosquitto.port, broker=f'protocol = "{protocol}"')
    hub.say("t/c", 1000)
    until(lambda: run.meter("c")["age_s"] is not None)
    run.stop()
    for value in range(1010, 1610, 10):
        hub.say("t/c", value)
    run.start()
    until(lambda: hub.say("t/c", 1610) or run.meter("c")["today_in_wh"] > 600, every=0.2)

    assert abs(run.meter("c")["today_in_wh"] - 610) < 0.01


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_broker_keeps_stamped_readings_over_a_restart_of_both(mosquitto, hub, daemon, protocol):
    run = daemon(STAMPED, mosquitto.port, broker=f'protocol = "{protocol}"')
    begin = int(time.time() * 1000) // 60_000 * 60_000 - 1_800_000
    first = json.dumps({"w": 360, "t": begin - 600_000})
    until(lambda: hub.say("t/m", first) or run.heard_ms("m"), every=0.1)  # the broker has our subscription
    run.stop(signal.SIGKILL)
    for step in range(61):
        hub.say("t/m", json.dumps({"w": 360, "t": begin + step * 10_000}))
    time.sleep(1.2)  # mosquitto's autosave_interval
    mosquitto.stop()
    mosquitto.start()
    run.start()

    until(lambda: run.heard_ms("m") >= begin + 600_000 - 1)
    run.stop()
    reader = Reader(run.folder, "testhouse")
    whole = [row for row in reader.minutes(0, 1 << 31) if 0 <= row.minute - begin // 60_000 < 10]
    reader.close()
    assert [row.in_uwh for row in whole] == [6_000_000] * 10  # 360 W for ten minutes


def test_a_topic_that_is_no_longer_wanted_is_unsubscribed_from_the_kept_session(mosquitto, hub, daemon):
    run = daemon(STAMPED + COUNTER, mosquitto.port)
    until(lambda: run.connected)
    time.sleep(3.5)  # a checkpoint, and time to spare: what we subscribed to is known at the next start
    run.stop()
    run.file.write_text(run.file.read_text().replace(COUNTER, ""))
    run.start()
    hub.say("t/c", 5)
    hub.say("t/m", json.dumps({"w": 1, "t": int(time.time() * 1000)}))
    until(lambda: run.meter("m")["watts_w"] == 1)

    assert run.now()["bad_payloads"] == {}
