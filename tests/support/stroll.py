"""A simulated house on a real broker, and a person at a pseudo-terminal who switches its loads."""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pexpect

from simulated.walk import Kind, Load, Meter, Walked

SETTINGS = """
[house]
id = "testhouse"
name = "Quince House"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
port = {port}
[ledger]
folder = "{folder}"
[[meters]]
name = "supply"
role = "supply"
power = {{ topic = "t/supply" }}
[[meters]]
name = "study"
label = "Study sockets"
within = "supply"
power = {{ topic = "t/study" }}
[[meters]]
name = "kitchen"
within = "supply"
power = {{ topic = "t/kitchen" }}
"""
WIDTH = 40
FAST = Kind(100, 1, mean=False, noise_w=0.2)
NAMES = ("supply", "study", "kitchen")


class Speaking:
    """Publishes a simulated house as time goes by, so many times as fast as ours, from a thread of its own."""

    def __init__(self, port: int, meters: list[Meter], factor: float = 1.0) -> None:
        self.factor = factor
        self.house = Walked(meters)
        self.lock = threading.Lock()
        self.silent = False
        self._port = port
        self._begun_s = time.monotonic()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._connect()
        self._thread.start()

    def _connect(self) -> None:
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()

    def _run(self) -> None:
        while not self._stop.wait(0.03 / self.factor):
            with self.lock:
                for word in self.house.pass_ms(self.now_ms() - self.house.now_ms):
                    if not self.silent:
                        self._client.publish(f"t/{word.meter}", f"{word.watts}")

    def now_ms(self) -> int:
        return int((time.monotonic() - self._begun_s) * 1000 * self.factor)

    def switch(self, load: Load, *, on: bool, plugged: bool = True) -> None:
        """Somebody switches a load, just now."""
        with self.lock:
            load.switch(self.now_ms(), on=on, plugged=plugged)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.loop_stop()
        self._client.disconnect()


class Person:
    """At a terminal as wide as a phone; does what it says there."""

    def __init__(self, file: Path, speaking: Speaking, *words: str) -> None:
        env = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        command = ["-m", "wattround", "walk", "-f", str(file), *words]
        if not words and speaking.factor != 1.0:
            command = ["-m", "support.quick_walk", str(file), str(speaking.factor)]
            env["PYTHONPATH"] = str(Path(__file__).parents[1])
        self.terminal = pexpect.spawn(
            sys.executable, command, dimensions=(30, WIDTH), env=env, timeout=40, encoding="utf-8"
        )
        self.terminal.delaybeforesend = None
        self.log = Path(file).with_suffix(f".{id(self)}.log").open("w", encoding="utf-8")
        self.terminal.logfile_read = self.log
        self._speaking = speaking

    def says(self, text: str) -> None:
        """Wait for words, wherever the lines break."""
        self.terminal.expect(r"\s+".join(_escaped(word) for word in text.split()))

    def types(self, line: str = "") -> None:
        self.terminal.sendline(line)

    def switches(self, load: Load) -> str:
        """Do as told until the load is known: off, on, off; what was last asked for."""
        self.says("Switch it OFF. Press Enter when it is off.")
        self._speaking.switch(load, on=False)
        self.types()
        while True:
            told = self.terminal.expect(
                [r"switch\s+it\s+ON\.", r"switch\s+it\s+OFF\.", r"Standby:", r"cannot\s+be\s+measured"]
            )
            if told > 1:
                return ("standby", "no")[told - 2]
            self.says("Press Enter")
            self._speaking.switch(load, on=told == 0)
            self.types()

    def unplugs(self, load: Load) -> None:
        """Pull the plug and put it in as told, until the standby is known."""
        self.types("y")
        self.says("Switch it OFF, its plug still in.")
        self._speaking.switch(load, on=False)
        self.types()
        while True:
            told = self.terminal.expect([r"Put\s+the\s+plug\s+in", r"Pull\s+its\s+plug", r"Hours\s+a\s+day"])
            if told == 2:
                return
            self.says("Press Enter when done.")
            self._speaking.switch(load, on=False, plugged=told == 0)
            self.types()

    def lines(self) -> list[str]:
        """All that it printed, as lines; what was counted down on one line is several."""
        return Path(self.log.name).read_text(encoding="utf-8").replace("\r", "\n").splitlines()

    def close(self) -> None:
        """However it went: nothing is left running."""
        self.terminal.close(force=True)
        self.log.close()

    def ends(self) -> int:
        """The exit status, once it has ended by itself."""
        self.terminal.expect(pexpect.EOF)
        self.close()
        return int(self.terminal.exitstatus if self.terminal.exitstatus is not None else -1)


def _escaped(word: str) -> str:
    return "".join(f"\\{each}" if each in ".+*?()[]{}|^$\\" else each for each in word)
