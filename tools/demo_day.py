"""The demo: a broker, an invented house, the real daemon, on an accelerated day."""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from rich.console import Console, Group
from rich.live import Live
from rich.rule import Rule
from rich.text import Text

from ports import free_port, listening
from simulated.day import Day, ordinary_day
from simulated.house import METERS, Published, messages
from simulated.settings import settings_text, with_page
from wattround.cli.now import screen
from wattround.config.load import load
from wattround.control import NoDaemon, ask_daemon
from wattround.ledger.reader import Reader

HERE = Path(__file__).parent
ZONE = ZoneInfo("Europe/Madrid")
BEGIN_MS = int(datetime(2026, 6, 10, 6, 0, tzinfo=ZONE).timestamp()) * 1000
SEED = 4

WELCOME = """\
Meters tell how many watts each circuit draws; hubs switch things on and off. Nobody says what runs for nothing,
and what it costs. wattround does: it listens to the meters' topics on your own broker, keeps every minute's energy
in a ledger on your own disk, and tells you when something runs that nobody needs.

Here is a day of an invented house: 20 circuits, 7 plugs, panels on the roof, two people. They will leave the
television on when they go to work, and the computer when they go to bed. A meter will fall silent for an hour, one
will forget its count, one will send nonsense. The daemon is the real one; only its clock runs fast.
"""


@dataclass
class Stage:
    """The demo's processes and what has been heard from them."""

    folder: Path
    factor: float
    port: int = field(default_factory=free_port)
    children: list[subprocess.Popen[bytes]] = field(default_factory=list)
    told: deque[tuple[int, str]] = field(default_factory=deque)
    zero_ns: int = 0
    qos: int = 1
    most_late_ms: int = 0

    def start_broker(self, wanted: str) -> str:
        """Start mosquitto, or amqtt where it is not installed; returns the protocol to speak."""
        mosquitto = shutil.which("mosquitto", path="/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")
        if wanted == "amqtt":
            mosquitto = None
        if mosquitto:
            config = self.folder / "mosquitto.conf"
            config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
            self.spawn([mosquitto, "-c", str(config)], "broker.log")
        else:
            self.spawn([sys.executable, str(HERE / "demo_broker.py"), str(self.port)], "broker.log")
        until = time.monotonic() + 20
        while not listening(self.port):
            if time.monotonic() > until:
                raise SystemExit(f"the demo's broker did not start, see {self.folder / 'broker.log'}")
            time.sleep(0.05)
        self.qos = 1 if mosquitto else 0  # amqtt is in Python: at QoS 1 it needs twice the time
        return "5" if mosquitto else "3.1.1"

    def spawn(self, command: list[str], log: str) -> subprocess.Popen[bytes]:
        with (self.folder / log).open("ab") as out:
            child = subprocess.Popen(command, stdout=out, stderr=out, stdin=subprocess.DEVNULL)
        self.children.append(child)
        return child

    def start_daemon(self, file: Path) -> subprocess.Popen[bytes]:
        self.zero_ns = time.monotonic_ns() + 2_000_000_000  # the day begins in two seconds
        clock = [str(BEGIN_MS), str(self.factor), str(self.zero_ns)]
        return self.spawn([sys.executable, str(HERE / "demo_daemon.py"), str(file), *clock], "daemon.log")

    def day_ms(self) -> int:
        """Milliseconds since the day's begin, on the demo's clock."""
        return int((time.monotonic_ns() - self.zero_ns) * self.factor) // 1_000_000

    def publish(self, what: list[Published], stop: threading.Event) -> None:
        """The house: every message at its time."""
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="quince-meters")
        client.max_queued_messages_set(0)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        for message in what:
            while (ahead_ms := message.at_ms - self.day_ms()) > 0 and not stop.is_set():
                time.sleep(min(0.05, ahead_ms / self.factor / 1000))
            if stop.is_set():
                break
            self.most_late_ms = max(self.most_late_ms, self.day_ms() - message.at_ms)
            client.publish(message.topic, message.payload, qos=self.qos, retain=message.retain)
        client.loop_stop()

    def listen(self) -> mqtt.Client:
        """A hub of the house: hears what wattround tells."""
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="quince-hub")
        client.on_message = lambda _c, _u, message: self.told.append((self.day_ms(), message.payload.decode()))
        client.connect("127.0.0.1", self.port)
        client.subscribe("wattround/quince/episodes", 1)
        client.loop_start()
        return client

    def close(self) -> None:
        for child in reversed(self.children):
            child.send_signal(signal.SIGTERM)
            try:
                child.wait(10)
            except subprocess.TimeoutExpired:
                child.kill()


def clock_text(day_ms: int) -> str:
    return datetime.fromtimestamp((BEGIN_MS + day_ms) / 1000, UTC).astimezone(ZONE).strftime("%H:%M")


def message_lines(told: list[tuple[int, str]]) -> list[Text]:
    lines = []
    for day_ms, payload in told:
        facts = json.loads(payload)
        lines.append(Text(f"{clock_text(day_ms)}  {facts['text']}", style="bold" if facts["event"] == "raised" else ""))
    return lines


def picture(facts: dict[str, Any], told: list[tuple[int, str]]) -> Group:
    lines = message_lines(told) or [Text("nothing told yet", style="dim")]
    told_so_far = Rule("told so far", align="left", style="dim")
    return Group(told_so_far, *lines, Rule("wattround now", align="left", style="dim"), screen(facts))


def watch(stage: Stage, ledger: Path, length_ms: int, console: Console) -> None:
    """Show the house until the day is over."""
    shown = 0
    with Live(console=console, auto_refresh=False, vertical_overflow="ellipsis") as live:
        while stage.day_ms() < length_ms:
            time.sleep(0.5)
            if stage.children[-1].poll() is not None:
                raise SystemExit(f"the daemon ended early, see {stage.folder / 'daemon.log'}")
            try:
                facts = ask_daemon(ledger, "now")
            except NoDaemon:
                continue
            if console.is_terminal:
                live.update(picture(facts, list(stage.told)), refresh=True)
            for line in message_lines(list(stage.told)[shown:]) if not console.is_terminal else []:
                console.print(line)
            shown = len(stage.told)
    if not console.is_terminal:
        console.print(screen(ask_daemon(ledger, "now")))


def summary(stage: Stage, file: Path, day: Day, console: Console) -> None:
    """What the ledger says of the day, beside what the simulator knows to be true."""
    settings = load(file).settings
    begin = BEGIN_MS // 60_000
    reader = Reader(Path(settings.ledger.folder), settings.house.id)
    sums = reader.sums(begin, begin + day.length_ms // 60_000)
    labels = {meter.name: meter.label for meter in METERS}
    price = float(settings.house.price_per_kwh)
    loads = sorted((meter for meter in METERS if meter.role == "circuit"), key=lambda meter: -sums[meter.name].in_uwh)
    console.print(Rule("the day in the ledger", align="left", style="dim"))
    for meter in loads[:6]:
        kwh = sums[meter.name].in_uwh / 1e9
        true_kwh = sum(day.energy_wh(load) for load in meter.loads) / 1000
        console.print(
            f"{labels[meter.name]:<22} {kwh:7.2f} kWh  {kwh * price:6.2f} EUR   (in truth {true_kwh:.2f} kWh)"
        )
    for meter in METERS:
        missing = day.length_ms - sums[meter.name].covered_ms
        if missing > 15 * 60_000:
            console.print(
                f"{labels[meter.name]:<22} {missing // 60_000} minutes not covered: shown as such, never guessed"
            )
    raised = [json.loads(text) for _, text in stage.told]
    waste = sum(facts["waste_wh"] for facts in raised if facts["event"] == "settled")
    cost = sum(float(facts["cost"]) for facts in raised if facts["event"] == "settled")
    console.print(f"\n{len(raised)} messages in a day. What ran for nothing: {waste / 1000:.2f} kWh, {cost:.2f} EUR;"
                  f" every working day of a year that is {cost * 250:.0f} EUR.")  # fmt: skip
    if stage.most_late_ms > 10 * 60_000:
        console.print(
            "This machine could not keep pace with the fast clock, so some of it came late: try --seconds 200."
        )
    console.print(
        f"Everything of this demo lies in {stage.folder}: the settings (wattround.toml), the ledger, the logs."
    )
    console.print("Your own house: README, 'Your own house'.")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=float, default=96.0, help="how long the day takes (default 96)")
    options.add_argument(
        "--broker", choices=["mosquitto", "amqtt"], default="mosquitto", help="amqtt needs nothing installed"
    )
    given = options.parse_args()
    seconds = given.seconds
    for number in (signal.SIGTERM, signal.SIGHUP):  # a window that is closed must leave nothing running either
        signal.signal(number, lambda *_: sys.exit("stopped"))
    console = Console()
    console.print(WELCOME)
    day = ordinary_day(SEED)
    stage = Stage(Path(tempfile.mkdtemp(prefix="wattround-demo-")), day.length_ms / 1000 / seconds)
    stop = threading.Event()
    try:
        protocol = stage.start_broker(given.broker)
        file = stage.folder / "wattround.toml"
        ledger = stage.folder / "ledger"
        page = free_port()
        file.write_text(with_page(settings_text(ledger, stage.port, protocol, "10m", "15m"), page))
        console.print(f"Its page, as long as the day lasts: http://127.0.0.1:{page}/\n")
        sys.stdout.flush()
        hub = stage.listen()
        stage.start_daemon(file)
        house = threading.Thread(target=stage.publish, args=(messages(day, BEGIN_MS, SEED), stop), daemon=True)
        house.start()
        watch(stage, ledger, day.length_ms, console)
        time.sleep(1.0)
        hub.loop_stop()
    except KeyboardInterrupt:
        console.print(f"interrupted; what there is lies in {stage.folder}")
        return
    finally:
        stop.set()
        stage.close()
    summary(stage, file, day, console)


if __name__ == "__main__":
    main()
