"""`wattround scout` as a person meets it: a real broker, real recordings, drafts that are right, troubles that are told."""

import json
import shutil
import signal
import subprocess
import threading
import tomllib

import paho.mqtt.client as mqtt
import pandas as pd
import pytest

from conftest import missing
from ports import free_port
from simulated.day import ordinary_day
from simulated.house import METERS, messages
from simulated.wiring import metered, wired
from support.daemon import COMMAND
from support.history import write
from support.house import HEAD
from support.servers import MOSQUITTO, Mosquitto, until
from support.wiring import rows
from wattround.analysis.scout.capture import first_line, last_line, line, message
from wattround.config.load import load

pytestmark = pytest.mark.server
BEGIN_MS = 1_781_064_000_000
PASSWD = shutil.which("mosquitto_passwd")


def scout(*words, timeout=100):
    return subprocess.run([*COMMAND, "scout", *map(str, words)], capture_output=True, text=True, timeout=timeout)


def check(file):
    return subprocess.run([*COMMAND, "check", str(file)], capture_output=True, text=True, timeout=60)


class Speaker:
    """Publishes a house in a loop, five times a second."""

    def __init__(self, port, **login):
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        if login:
            self.client.username_pw_set(**login)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self):
        second = 0
        while not self.stop.wait(0.2):
            second += 1
            for plug in ("tv", "fan", "lamp"):
                watts = json.dumps({"power_w": 50 + second % 9, "secret": "hunter2"})
                self.client.publish(f"plugs/{plug}/state", watts)
            self.client.publish("board/total/kwh", f"{4000 + second / 100:.2f}")
            self.client.publish("presence/imre", "home", retain=True)

    def close(self):
        self.stop.set()
        self.thread.join()
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def speaker(mosquitto):
    made = Speaker(mosquitto.port)
    yield made
    made.close()


@pytest.mark.usefixtures("speaker")
def test_a_broker_is_listened_to_and_the_draft_can_be_checked(mosquitto, tmp_path):
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "3s")
    file = tmp_path / "draft.toml"
    file.write_text(answer.stdout)

    assert answer.returncode == 0, answer.stderr
    assert check(file).returncode == 0
    settings = load(file).settings
    assert {meter.name for meter in settings.meters} == {"{plug}", "board"}
    assert settings.broker.port == mosquitto.port
    assert [person.name for person in settings.people] == ["imre"]
    assert "Left out of the draft, and why:" in answer.stderr
    assert "hunter2" not in answer.stdout + answer.stderr


@pytest.mark.usefixtures("speaker")
def test_what_was_heard_can_be_kept_and_read_again(mosquitto, tmp_path):
    kept = tmp_path / "kept.jsonl"
    live = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "3s", "--record", kept, "--filter", "plugs/#")
    again = scout(kept)

    assert live.returncode == again.returncode == 0
    assert kept.stat().st_mode & 0o077 == 0
    first = json.loads(kept.read_text().splitlines()[0])
    assert set(first) == {"wattround_capture", "begun_ms"}
    assert 'name = "{plug}"' in again.stdout
    assert "[broker]" not in again.stdout
    assert all(json.loads(each).get("topic", "plugs/").startswith("plugs/") for each in kept.read_text().splitlines())
    refused = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "1s", "--record", kept)
    assert (refused.returncode, "is there already" in refused.stderr) == (2, True)


def test_what_is_known_already_is_not_asked(tmp_path):
    """From a recording to settings that nobody needs to edit: the broker, the house, the ledger are said."""
    kept, file = tmp_path / "kept.jsonl", tmp_path / "draft.toml"
    said = [message(BEGIN_MS + at * 10_000, "a/tv/watts", str(100 + at % 7).encode()) for at in range(30)]
    kept.write_text("\n".join([first_line(BEGIN_MS), *map(line, said), last_line(BEGIN_MS + 300_000)]) + "\n")
    words = ("--house", "quince", "--time-zone", "Europe/Madrid", "--currency", "CHF", "--price", "0.31")
    answer = scout(kept, *words, "--ledger", f"{tmp_path}/l", "--broker", "hub:1999", "--user", "ears")
    file.write_text(answer.stdout)
    settings = load(file).settings

    assert answer.returncode == 0, answer.stderr
    assert (settings.house.id, settings.house.time_zone, settings.house.currency) == ("quince", "Europe/Madrid", "CHF")
    assert (str(settings.house.price_per_kwh), settings.ledger.folder) == ("0.31", f"{tmp_path}/l")
    assert (settings.broker.host, settings.broker.port, settings.broker.user) == ("hub", 1999, "ears")
    assert not [each for each in answer.stdout.splitlines() if "# ?" in each and "supply" not in each]


def test_the_demos_house_is_found(tmp_path):
    """The demo's own messages of a day: every meter, each in its place, and the draft is right."""
    kept, file = tmp_path / "kept.jsonl", tmp_path / "draft.toml"
    with kept.open("w") as out:
        print(first_line(BEGIN_MS), file=out)
        for each in messages(ordinary_day(4), BEGIN_MS, 4):
            if each.at_ms < 24 * 3_600_000:
                print(line(message(BEGIN_MS + each.at_ms, each.topic, each.payload, retained=each.retain)), file=out)
        print(last_line(BEGIN_MS + 24 * 3_600_000), file=out)
    answer = scout(kept)
    file.write_text(answer.stdout)
    settings = load(file).settings
    topics = {meter.power.topic for meter in settings.meters if meter.power} | {
        meter.counter.topic for meter in settings.meters if meter.counter
    }

    assert check(file).returncode == 0
    for meter in METERS:
        opened = meter.topic.replace(f"/{meter.name}/", "/{meter}/")
        assert meter.topic in topics or opened in topics, meter.name
    roles = {meter.name: meter.role for meter in settings.meters}
    assert (roles["supply"], roles["roof"], roles["television"]) == ("supply", "generation", "appliance")
    truth = {meter.name: meter.within for meter in METERS}
    within = {meter.name: meter.within for meter in settings.meters if meter.within}
    assert len(within) >= 10
    assert within["dishwasher"] == "supply"  # it has a register alone
    assert {name: truth[name] for name in within} == within
    assert {person.topic for person in settings.people} == {"quince/people/imre", "quince/people/odile"}


@pytest.mark.usefixtures("speaker")
def test_settings_are_held_against_the_broker(mosquitto, tmp_path):
    file = tmp_path / "w.toml"
    file.write_text(
        HEAD + f'[broker]\nport = {mosquitto.port}\n[[meters]]\nname = "total"\n'
        'counter = { topic = "board/total/kwh" }\n[[meters]]\nname = "gone"\npower = { topic = "gone/watts" }\n'
    )
    answer = scout("--compare", file, "--for", "3s")

    assert answer.returncode == 0, answer.stderr
    text = " ".join(answer.stdout.split())
    assert "plugs/tv/state /power_w sure: power in W" in text
    assert "gone power nothing on gone/watts in" in text
    assert "3 not read, 1 not heard, 0 with another unit." in text


# -- troubles ---------------------------------------------------------------------------------------


def test_a_silent_broker(mosquitto):
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "1s")

    assert answer.returncode == 1
    assert "nothing was said in 1 s" in answer.stderr
    assert answer.stdout == ""


def test_only_retained_messages(mosquitto, hub):
    hub.say("a/watts", "5", retain=True)
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "1s")

    assert answer.returncode == 1
    assert "only 1 retained messages came in 1 s" in answer.stderr
    assert answer.stdout == ""


def test_nothing_that_can_be_read(mosquitto, hub):
    stop = threading.Event()

    def say():
        while not stop.wait(0.1):
            hub.say("a/meter", "power=118.5;energy=4.2", qos=0)

    thread = threading.Thread(target=say)
    thread.start()
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "2s")
    stop.set()
    thread.join()

    assert answer.returncode == 1
    assert "no power and no energy that wattround can read" in answer.stderr
    assert "keys and values in a line of text" in " ".join(answer.stderr.split())


def test_a_number_with_its_unit_behind_it_is_drafted_as_it_is_written(mosquitto, hub, tmp_path):
    """ "118,5 W" as a draft, and by that draft in the ears of `check --live`."""
    stop = threading.Event()

    def say():
        while not stop.wait(0.1):
            hub.say("a/power", "118,5 W", qos=0)

    thread = threading.Thread(target=say)
    thread.start()
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "2s", "--ledger", tmp_path / "l")
    file = tmp_path / "draft.toml"
    file.write_text(answer.stdout)
    live = subprocess.run(
        [*COMMAND, "check", str(file), "--live", "--for", "2s"], capture_output=True, text=True, timeout=60, check=False
    )
    stop.set()
    thread.join()

    assert answer.returncode == 0, answer.stderr
    (meter,) = load(file).settings.meters
    assert (meter.power.behind, meter.power.decimal_comma, meter.power.unit) == ("W", True, "W")
    heard = " ".join(live.stdout.split())
    assert "118.5 W" in heard
    assert "bad" not in heard


def test_a_broker_that_is_not_there():
    answer = scout("--broker", f"127.0.0.1:{free_port()}", "--for", "1s")

    assert answer.returncode == 69
    assert "cannot be reached: Connection refused" in answer.stderr


def test_a_port_that_does_not_speak_mqtt():
    import socket

    with socket.create_server(("127.0.0.1", 0)) as silent:
        answer = scout("--broker", f"127.0.0.1:{silent.getsockname()[1]}", "--for", "1s")

    assert answer.returncode == 69
    assert "does not answer as an MQTT broker does" in answer.stderr


@pytest.fixture
def guarded(tmp_path):
    """A broker that wants a password."""
    if not MOSQUITTO or not PASSWD:
        missing("mosquitto")
    passwords, port = tmp_path / "passwords", free_port()
    subprocess.run([PASSWD, "-b", "-c", passwords, "ears", "right"], check=True, capture_output=True)
    passwords.chmod(0o644)
    server = Mosquitto(
        tmp_path / "guarded", port, f"listener {port} 127.0.0.1", "allow_anonymous false", f"password_file {passwords}"
    )
    server.start()
    yield server
    server.stop()


@pytest.mark.parametrize("word", ["wrong", None])
def test_a_wrong_password_or_none(guarded, tmp_path, word):
    secret = tmp_path / "secret"
    secret.write_text(f"{word}\n")
    login = ("--user", "ears", "--password-file", secret) if word else ()
    answer = scout("--broker", f"127.0.0.1:{guarded.port}", *login, "--for", "1s")

    assert answer.returncode == 69
    assert "refuses us: Not authorized" in answer.stderr
    assert "wrong" not in answer.stderr


def test_the_right_password_opens_and_only_its_file_is_named(guarded, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text("right\n")
    speaker = Speaker(guarded.port, username="ears", password="right")
    answer = scout("--broker", f"127.0.0.1:{guarded.port}", "--user", "ears", "--password-file", secret, "--for", "3s")
    speaker.close()

    assert answer.returncode == 0, answer.stderr
    assert tomllib.loads(answer.stdout)["broker"]["password_file"] == str(secret)
    assert "right\n" not in answer.stdout


def test_a_password_in_the_settings_is_not_copied(guarded, tmp_path):
    file = tmp_path / "w.toml"
    file.write_text(
        HEAD + f'[broker]\nport = {guarded.port}\nuser = "ears"\npassword = "right"\n'
        '[[meters]]\nname = "tv"\npower = { topic = "t" }\n'
    )
    speaker = Speaker(guarded.port, username="ears", password="right")
    answer = scout("-f", file, "--for", "3s")
    speaker.close()

    assert answer.returncode == 0, answer.stderr
    assert "password" not in tomllib.loads(answer.stdout)["broker"]
    assert "# password_file" in answer.stdout


def test_a_certificate_that_is_not_trusted(mosquitto, tmp_path):
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--tls", "--for", "1s")
    lost = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--ca-file", tmp_path / "none.pem", "--for", "1s")

    assert (answer.returncode, lost.returncode) == (69, 69)
    assert "broker.tls" in lost.stderr


@pytest.mark.parametrize(
    ("text", "says"),
    [("", "it is empty"), ("hello\n", "line 1: no recording of wattround"),
     ('{"wattround_capture": 1, "begun_ms": 5}\n{]\n', "line 2: no JSON object")],
)  # fmt: skip
def test_a_broken_recording(tmp_path, text, says):
    file = tmp_path / "broken.jsonl"
    file.write_text(text)
    answer = scout(file)

    assert answer.returncode == 65
    assert f"{file}: " in answer.stderr
    assert says in answer.stderr
    assert scout(tmp_path / "none.jsonl").returncode == 65


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "expected --broker HOST, -f FILE, or a recording"),
        (("--broker", "h:x"), 'found "h:x"; expected HOST or HOST:PORT'),
        (("--broker", ":1883"), "expected HOST or HOST:PORT"),
        (("--broker", "h", "--for", "soon"), '--for: found "soon"'),
        (("--broker", "h", "--filter", "a#"), '--filter: found "a#"'),
        (("--broker", "h", "--password-file", "p"), "--password-file goes with --user"),
        (("x.jsonl", "-f", "w.toml"), "a recording and a broker to listen to"),
        (("x.jsonl", "--user", "u"), "a recording and a broker to listen to"),
        (("--broker", "h", "--from", "2026-01-01"), "--merge, --from and --to go with --tree"),
        (("--broker", "h", "--merge"), "--merge, --from and --to go with --tree"),
        (("--tree", "--likely", "-f", "x.toml"), "--likely goes with --merge, or with a draft"),
        (("x.jsonl", "--house", "My House"), '--house: found "My House"; expected a name of a-z, 0-9, - and _'),
        (("x.jsonl", "--price", "cheap"), '--price: found "cheap"; expected the price of a kilowatt-hour such as 0.28'),
        (("x.jsonl", "--time-zone", "Mars/Base"), '--time-zone: found "Mars/Base"; expected a time zone'),
        (("x.jsonl", "--currency", "far too long"), "--currency: found"),
        (("--tree",), "--tree works from a ledger: expected -f FILE"),
    ],
)
def test_a_wrong_request(words, says):
    answer = scout(*words)

    assert answer.returncode == 2
    assert says in answer.stderr


@pytest.mark.usefixtures("speaker")
def test_a_connection_that_ends_leaves_what_was_heard(mosquitto, tmp_path):
    kept = tmp_path / "kept.jsonl"

    def end():
        until(lambda: kept.exists() and kept.stat().st_size > 5_000, 60)
        mosquitto.stop()

    ended = threading.Thread(target=end)
    ended.start()
    answer = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "10m", "--record", kept)
    ended.join()
    mosquitto.start()

    assert answer.returncode == 0, answer.stderr
    assert 'name = "{plug}"' in answer.stdout
    assert "The listening ended early: the broker at" in answer.stderr


@pytest.mark.usefixtures("speaker")
def test_who_has_heard_enough_may_stop_it(mosquitto, tmp_path):
    kept = tmp_path / "kept.jsonl"
    words = ("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "10m", "--record", kept)
    with subprocess.Popen(
        [*COMMAND, "scout", *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        until(lambda: kept.exists() and kept.stat().st_size > 5_000, 60)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)

    assert process.returncode == 0, err
    assert 'name = "{plug}"' in out
    assert "The listening ended early: stopped." in err


# -- the tree ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """A day of a house of 24 circuits and 8 plugs in a ledger, and settings that know no places."""
    folder = tmp_path_factory.mktemp("lived")
    house = wired(3)
    write(folder / "ledger", rows(metered(house, 3)), house.roles)
    entries = "".join(
        f'[[meters]]\nname = "{name}"\nrole = "{role}"\npower = {{ topic = "t/{name}" }}\n'
        for name, role in house.roles.items()
    )
    file = folder / "w.toml"
    file.write_text(f'{HEAD}[ledger]\nfolder = "{folder}/ledger"\n{entries}')
    return house, file


def test_the_tree_is_told_from_the_ledger_and_can_be_pasted(lived):
    house, file = lived
    answer = scout("--tree", "-f", file)

    assert answer.returncode == 0, answer.stderr
    pasted = answer.stdout.split("To paste into the entries of these meters:\n")[1].strip().splitlines()
    found = {}
    for name, within in zip(pasted[::2], pasted[1::2], strict=True):
        found |= {tomllib.loads(name)["name"]: tomllib.loads(within)["within"]}
    assert len(found) >= 15
    assert found == {name: house.parents[name] for name in found}
    assert "Benjamini and Yekutieli" in answer.stdout
    assert "Nothing is changed by this." in answer.stdout


def test_the_tree_is_written_into_the_settings_with_nothing_else_changed(lived, tmp_path):
    house, file = lived
    sure, likely = (scout("--tree", "--merge", *words, "-f", file) for words in ((), ("--likely",)))
    found = {}
    for answer in (sure, likely):
        assert answer.returncode == 0, answer.stderr
        assert "Benjamini and Yekutieli" in answer.stderr
        new = tmp_path / "new.toml"
        new.write_text(answer.stdout)
        assert check(new).returncode == 0
        kept = [line for line in answer.stdout.splitlines() if not line.startswith("within = ")]
        assert kept == file.read_text().splitlines()
        found[answer.args[-3]] = {meter.name: meter.within for meter in load(new).settings.meters if meter.within}

    sure_ones, both = found["--merge"], found["--likely"]
    assert len(sure_ones) >= 15
    assert len(both) >= 0.95 * (len(house.parents) - 1)
    assert both == {name: house.parents[name] for name in both}
    assert sure_ones.items() <= both.items()


def test_days_that_the_ledger_does_not_have(lived):
    _, file = lived
    answer = scout("--tree", "-f", file, "--from", "2031-01-01")

    assert answer.returncode == 2
    assert "no minutes are kept of these days" in answer.stderr


def test_a_ledger_that_is_not_there(tmp_path):
    file = tmp_path / "w.toml"
    file.write_text(f'{HEAD}[ledger]\nfolder = "{tmp_path}/none"\n[[meters]]\nname = "a"\npower = {{ topic = "t" }}\n')
    answer = scout("--tree", "-f", file)

    assert answer.returncode == 69
    assert "no such file" in answer.stderr


def test_a_real_house_republished_through_a_broker_is_drafted_as_its_makers_describe_it(mosquitto, tmp_path, open_data):
    """UK-DALE (Kelly and Knottenbelt, Sci. Data 2:150007; CC BY 4.0): watts, a value every 6 s, four appliances, a main."""
    frame = pd.read_csv(open_data / "ukdale" / "2014-11-09.csv.gz").iloc[3 * 600 :, 1:]
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    stop, kept = threading.Event(), tmp_path / "kept.jsonl"

    def publish():
        for values in frame.to_numpy(float):
            for name, watts in zip(frame.columns, values, strict=True):
                client.publish(f"house/{name.replace(' ', '-')}/watts", f"{watts:g}")
            if stop.wait(6):
                return

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        done = scout("--broker", f"127.0.0.1:{mosquitto.port}", "--for", "45s", "--record", kept)
    finally:
        stop.set()
        thread.join()
        client.disconnect()
        client.loop_stop()
    assert done.returncode == 0, done.stderr
    assert "it came every 6 s" in done.stdout
    draft = tomllib.loads(done.stdout)
    assert [meter.get("power") for meter in draft["meters"]] == [{"topic": "house/{meter}/watts", "unit": "W"}, None]
    assert draft["meters"][1] == {"name": "main", "role": "supply"}
    assert f"{len(frame.columns)} meters: main, dish-washer, fridge, microwave, washer-dryer" in done.stdout
    heard = [json.loads(each) for each in kept.read_text().splitlines()]
    for name in frame.columns:
        mine = [float(each["text"]) for each in heard if each.get("topic") == f"house/{name.replace(' ', '-')}/watts"]
        assert len(mine) >= 6
        assert mine in [list(frame[name][at : at + len(mine)]) for at in range(3)]
