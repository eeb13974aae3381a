"""What receiving costs: the whole daemon beside a bare paho subscriber that only counts, same broker, same messages."""

from __future__ import annotations

import argparse
import shutil
import signal
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import psutil

from ports import free_port
from wattround.control import NoDaemon, ask_daemon

BARE = """
import sys, time
import paho.mqtt.client as mqtt
port, wanted = int(sys.argv[1]), int(sys.argv[2])
count = 0
def on_message(client, data, message):
    global count, first, cpu
    if not count:
        first, cpu = time.monotonic(), time.process_time()
    count += 1
    if count == wanted:
        print(time.monotonic() - first, time.process_time() - cpu, flush=True)
        client.disconnect()
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda client, *_: client.subscribe("bench/+/watts")
client.connect("127.0.0.1", port)
client.loop_forever()
"""
STEADY_S, LONGEST_S = 0.01, 60.0
"""How often a steady source publishes; how long a daemon may take for all of it."""
IMPORT_ONLY = "import paho.mqtt.client, os, psutil; print(psutil.Process().memory_info().rss)"
HEAD = """
[house]
id = "bench"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28
[broker]
port = {port}
[ledger]
folder = "{folder}"
[[people]]
name = "imre"
topic = "bench/imre"
home = ["home"]
[marks.bedtime]
every = "23:00"
[marks.rising]
every = "06:30"
[[channels]]
name = "hub"
mqtt = true
"""


def settings(folder: Path, port: int, meters: int) -> str:
    parts = [HEAD.format(port=port, folder=folder / "ledger")]
    for number in range(meters):
        parts.append(f'[[meters]]\nname = "m{number}"\nactive_w = 100\npower = {{ topic = "bench/m{number}/watts" }}\n')
    for number in range(10):
        parts.append(f'[[rules]]\nname = "r{number}"\nload = "m{number}"\noccupancy = "empty"\n')
    return "\n".join(parts)


def packet(topic: bytes, payload: bytes) -> bytes:
    """An MQTT PUBLISH at QoS 0."""
    body = struct.pack(">H", len(topic)) + topic + payload
    length, encoded = len(body), b""
    while True:
        length, digit = divmod(length, 128)
        encoded += bytes([digit | (128 if length else 0)])
        if not length:
            return b"\x30" + encoded + body


def flood(port: int, meters: int, count: int, rate: float) -> None:
    """Publish `count` messages round the meters, watts that wander; `rate` a second (0: as fast as it goes)."""
    with socket.create_connection(("127.0.0.1", port)) as wire:
        identifier = b"bench-source"
        connect = b"\x00\x04MQTT\x04\x02\x00\x00" + struct.pack(">H", len(identifier)) + identifier
        wire.sendall(b"\x10" + bytes([len(connect)]) + connect)
        wire.recv(4)
        begin, sent, chunk = time.monotonic(), 0, max(1, int(rate * STEADY_S)) if rate else 200
        while sent < count:
            part = min(chunk, count - sent)
            wire.sendall(
                b"".join(
                    packet(b"bench/m%d/watts" % (number % meters), b"%.1f" % (60 + number * 7919 % 800 / 10))
                    for number in range(sent, sent + part)
                )
            )
            sent += part
            if rate and (ahead := sent / rate - (time.monotonic() - begin)) > 0:
                time.sleep(ahead)
        wire.sendall(b"\xe0\x00")


@dataclass
class Cost:
    """Messages a second and CPU microseconds a message."""

    rate: float
    cpu_us: float


def measure_bare(port: int, meters: int, count: int, rate: float) -> Cost:
    child = subprocess.Popen([sys.executable, "-c", BARE, str(port), str(count)], stdout=subprocess.PIPE, text=True)
    time.sleep(1.0)
    flood(port, meters, count, rate)
    out, _ = child.communicate(timeout=120)
    wall, cpu = map(float, out.split())
    return Cost(count / wall, cpu / count * 1e6)


class RunningDaemon:
    """The real daemon with so many meters."""

    def __init__(self, folder: Path, port: int, meters: int) -> None:
        self.folder, self.meters = folder, meters
        folder.mkdir()
        file = folder / "wattround.toml"
        file.write_text(settings(folder, port, meters))
        with (folder / "log").open("w") as log:
            self.child = subprocess.Popen([sys.executable, "-m", "wattround", "run", str(file)], stderr=log)
        self.process = psutil.Process(self.child.pid)
        while not self.connected():
            time.sleep(0.1)
        time.sleep(1.0)

    def connected(self) -> bool:
        try:
            return bool(ask_daemon(self.folder / "ledger", "now")["daemon"]["broker"] == "connected")
        except NoDaemon:
            return False

    def cpu_s(self) -> float:
        times = self.process.cpu_times()
        return float(times.user + times.system)

    def readings(self) -> int:
        facts = ask_daemon(self.folder / "ledger", "now")
        if facts["daemon"]["messages_dropped"]:
            raise SystemExit("the daemon dropped messages: the flood is faster than the measurement allows for")
        return sum(meter["readings"] for meter in facts["meters"])

    def measure(self, port: int, count: int, rate: float) -> Cost:
        """Wait on CPU time, and only then ask: that costs too. On a busy machine it may just not have been its turn."""
        before, cpu, begin = self.readings(), self.cpu_s(), time.monotonic()
        flood(port, self.meters, count, rate)
        last = self.cpu_s()
        while True:
            end = time.monotonic()
            time.sleep(0.03)
            now = self.cpu_s()
            if now - last < 0.005:
                if (taken := self.readings() - before) == count:
                    break
                if end - begin > LONGEST_S:
                    raise SystemExit(f"{taken} of {count} messages arrived")
            last = now
        return Cost(count / (end - begin), (last - cpu) / count * 1e6)

    def stop(self) -> None:
        self.child.send_signal(signal.SIGTERM)
        self.child.wait(20)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def medians(costs: list[Cost]) -> Cost:
    return Cost(statistics.median(cost.rate for cost in costs), statistics.median(cost.cpu_us for cost in costs))


def written_per_day(meters: int) -> dict[str, float]:
    """Bytes that a simulated day at a reading each 10 s makes the process write, in a child of its own."""
    script = Path(__file__).with_name("bench_day.py")
    out = subprocess.run([sys.executable, str(script), str(meters)], capture_output=True, text=True, check=True).stdout
    written, ledger, rows = map(float, out.split())
    return {"written_mb": written / 1e6, "ledger_mb": ledger / 1e6, "bytes_per_minute": ledger / rows}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--messages", type=int, default=60_000)
    options.add_argument("--repeat", type=int, default=5)
    given = options.parse_args()
    mosquitto = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    if not mosquitto:
        raise SystemExit("this benchmark needs mosquitto")
    folder = Path(tempfile.mkdtemp(prefix="wattround-bench-"))
    port = free_port()
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    broker = subprocess.Popen([mosquitto, "-c", str(config)], stderr=subprocess.DEVNULL)
    time.sleep(0.5)
    try:
        report(folder, port, given.messages, given.repeat)
    finally:
        broker.terminate()
        broker.wait(10)
        shutil.rmtree(folder)


def report(folder: Path, port: int, count: int, repeat: int) -> None:
    with RunningDaemon(folder / "house", port, 40) as daemon:
        rss = daemon.process.memory_info().rss
    bare_rss = int(
        subprocess.run([sys.executable, "-c", IMPORT_ONLY], capture_output=True, text=True, check=True).stdout
    )
    found: dict[str, list[Cost]] = {}
    # 40 meters flooded, and at a steady 2000 messages a second; interleaved, so that both meet the same noise
    for index in range(repeat):
        for name, rate, messages in (("flood", 0.0, count), ("steady", 2000.0, 8000)):
            found.setdefault(f"bare {name}", []).append(measure_bare(port, 40, messages, rate))
            with RunningDaemon(folder / f"{name}{index}", port, 40) as daemon:
                found.setdefault(f"daemon {name}", []).append(daemon.measure(port, messages, rate))
    for index in range(repeat):
        for meters in (10, 10_000):
            with RunningDaemon(folder / f"many{meters}-{index}", port, meters) as daemon:
                found.setdefault(f"meters {meters}", []).append(daemon.measure(port, count, 0.0))
    cost = {name: medians(costs) for name, costs in found.items()}
    day = written_per_day(40)
    print_table(cost, rss, bare_rss, day, count, repeat)


def print_table(cost: dict[str, Cost], rss: int, bare_rss: int, day: dict[str, float], count: int, repeat: int) -> None:
    flood_d, flood_b, steady_d, steady_b = (
        cost[key] for key in ("daemon flood", "bare flood", "daemon steady", "bare steady")
    )
    ten, many = cost["meters 10"], cost["meters 10000"]
    rows = [
        ("messages a second, flooded, 40 meters", f"{flood_d.rate:,.0f}", f"{flood_b.rate:,.0f} bare subscriber",
         f"{flood_d.rate / flood_b.rate:.2f}", "at least 0.9"),
        ("CPU per message, flooded", f"{flood_d.cpu_us:.0f} us", f"{flood_b.cpu_us:.0f} us bare subscriber",
         f"{flood_d.cpu_us / flood_b.cpu_us:.2f}", ""),
        ("CPU per message at 2,000 a second", f"{steady_d.cpu_us:.0f} us", f"{steady_b.cpu_us:.0f} us bare subscriber",
         f"{steady_d.cpu_us / steady_b.cpu_us:.2f}", ""),
        ("CPU per message, 10,000 meters", f"{many.cpu_us:.0f} us", f"{ten.cpu_us:.0f} us with 10 meters",
         f"{many.cpu_us / ten.cpu_us:.2f}", "at most 1.2"),
        ("resident memory, default configuration", f"{rss / 1e6:.0f} MB", f"{bare_rss / 1e6:.0f} MB import paho.mqtt.client",
         f"{rss / bare_rss:.2f}", "at most 50 MB"),
        ("written to disk a day, 40 meters", f"{day['written_mb']:.1f} MB", f"{day['ledger_mb']:.1f} MB ledger at its end",
         f"{day['written_mb'] / day['ledger_mb']:.1f}", "at most 25 MB"),
        ("ledger bytes per meter and minute", f"{day['bytes_per_minute']:.1f}", "", "", ""),
    ]  # fmt: skip
    print(f"tools/bench ingest, {count:,} messages, median of {repeat} interleaved runs\n")
    print("| what | wattround | beside | ratio | aim |\n|---|---|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
