"""How soon the daemon answers, how fast it ships, what all of it holds in memory: each beside what it is compared with.

From a reading that completes a rule to the message about it; from the start to the first reading; rows a second into the
archive; resident memory with nothing but the default, and with everything on.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import paho.mqtt.client as mqtt

from bench_ingest import HEAD, flood
from bench_report import build
from faulty.servers import Database, Server, Stuck, mosquitto, until
from ports import free_port
from wattround.control import NoDaemon, ask_daemon
from wattround.core.archiving import BATCH_ROWS
from wattround.ledger.lines import Lines

RATE = 1000.0
METERS, PROBES = 40, 40
"""Those of the load beside, and those whose loads are switched on, one after another, over and over."""
BETWEEN_S = 0.02
ON, OFF = b"500", b"0"
RULE = '[[rules]]\nname = "probe"\ntag = "probe"\nlevel = "active"\nlasting = "0s"\nrelease = "0s"\n'
LIBRARIES = "import paho.mqtt.client, os, psutil; {more}print(psutil.Process().memory_info().rss)"
ALL = "from influxdb_client.client.influxdb_client import InfluxDBClient; import apprise, fastapi, uvicorn, jinja2; "


class Listener:
    """A client that notes when it hears of which probe: its reading, and the message about it."""

    def __init__(self, port: int) -> None:
        self.reading: defaultdict[str, list[float]] = defaultdict(list)
        self.message: defaultdict[str, list[float]] = defaultdict(list)
        granted = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._hear
        self.client.on_subscribe = lambda *_: granted.set()
        self.client.connect("127.0.0.1", port)
        self.client.subscribe([("bench/+/probe", 0), ("wattround/bench/episodes", 1)])
        self.client.loop_start()
        until("the listener's subscription", granted.is_set, 20)

    def _hear(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        now = time.perf_counter()
        if message.topic.endswith("/probe"):
            if message.payload == ON:
                self.reading[message.topic.split("/")[1]].append(now)
        else:
            told = json.loads(message.payload)
            if told["event"] == "raised":
                self.message[told["load"]].append(now)


def latency(folder: Path, port: int, probes: int) -> tuple[list[float], list[float]]:
    """Milliseconds from each publishing to the message, and to the same reading at another client, under load."""
    folder.mkdir()
    parts = [HEAD.format(port=port, folder=folder / "ledger"), RULE]
    parts += [
        f'[[meters]]\nname = "m{n}"\nactive_w = 100\npower = {{ topic = "bench/m{n}/watts" }}\n' for n in range(METERS)
    ]
    parts += [
        f'[[meters]]\nname = "p{n}"\nactive_w = 100\ntags = ["probe"]\npower = {{ topic = "bench/p{n}/probe" }}\n'
        for n in range(PROBES)
    ]
    daemon = Started(folder, "\n".join(parts))
    try:
        listener = Listener(port)
        sent: defaultdict[str, list[float]] = defaultdict(list)
        seconds = probes * BETWEEN_S + 4
        load = f"from bench_ingest import flood; flood({port}, {METERS}, {int(seconds * RATE)}, {RATE})"
        child = subprocess.Popen([sys.executable, "-c", load], cwd=Path(__file__).parent)
        time.sleep(2.0)
        for number in range(probes):
            name, long_on = f"p{number % PROBES}", f"p{(number + PROBES // 2) % PROBES}"
            listener.client.publish(f"bench/{long_on}/probe", OFF)
            sent[name].append(time.perf_counter())
            listener.client.publish(f"bench/{name}/probe", ON)
            time.sleep(BETWEEN_S)
        child.wait(60)
        until("every message", lambda: sum(map(len, listener.message.values())) == probes, 30)
        listener.client.disconnect()
    finally:
        daemon.stop()
    return tuple(  # type: ignore[return-value]
        sorted(1000 * (late - at) for name in sent for at, late in zip(sent[name], heard[name], strict=True))
        for heard in (listener.message, listener.reading)
    )


class Started:
    """The daemon with some settings, until it is connected; `took_s` since its start."""

    def __init__(self, folder: Path, text: str) -> None:
        self.folder, file = folder, folder / "wattround.toml"
        file.write_text(text)
        begin = time.perf_counter()
        with (folder / "log").open("a") as log:
            self.child = subprocess.Popen([sys.executable, "-m", "wattround", "run", str(file)], stderr=log)
        try:
            until("a connected daemon", self.connected, 30)
        except Stuck:
            self.stop()
            raise Stuck(f"the daemon says: {(folder / 'log').read_text()[-2000:]}") from None
        self.took_s = time.perf_counter() - begin

    def now(self) -> dict[str, object]:
        """What it answers; empty while it does not."""
        try:
            return dict(ask_daemon(self.folder / "ledger", "now"))
        except NoDaemon:
            return {}

    def connected(self) -> bool:
        return dict(self.now().get("daemon", {})).get("broker") == "connected"  # type: ignore[call-overload]

    def resident(self) -> int:
        """Bytes."""
        status = Path(f"/proc/{self.child.pid}/status").read_text()
        return 1024 * int(next(row.split()[1] for row in status.splitlines() if row.startswith("VmRSS")))

    def stop(self) -> None:
        self.child.terminate()
        self.child.wait(30)


def first_reading(folder: Path, port: int) -> tuple[float, float]:
    """Seconds from the start of the daemon, and of a bare subscriber, until the first of a steady stream is counted."""
    folder.mkdir()
    stop = threading.Event()
    with ThreadPoolExecutor(1) as pool:

        def publish() -> None:
            while not stop.is_set():
                flood(port, 1, 20, 100.0)

        stream = pool.submit(publish)
        try:
            meter = '[[meters]]\nname = "m0"\npower = { topic = "bench/m0/watts" }\n'
            begin = time.perf_counter()
            daemon = Started(folder, HEAD.format(port=port, folder=folder / "ledger") + meter)
            until("a first reading", lambda: daemon.now()["meters"][0]["readings"], 30)  # type: ignore[index]
            ours = time.perf_counter() - begin
            daemon.stop()
            begin = time.perf_counter()
            bare = (
                "import paho.mqtt.client as m; c = m.Client(m.CallbackAPIVersion.VERSION2); "
                "c.on_message = lambda *_: c.disconnect(); c.on_connect = lambda *_: c.subscribe('bench/m0/watts'); "
                f"c.connect('127.0.0.1', {port}); c.loop_forever()"
            )
            subprocess.run([sys.executable, "-c", bare], check=True)
            return ours, time.perf_counter() - begin
        finally:
            stop.set()
            stream.result()


def shipped(folder: Path, port: int, weeks: int) -> tuple[float, float, int]:
    """Rows a second from a ledger to the archive by the daemon, and ready-made lines by the same client; how many."""
    folder.mkdir()
    ledger = folder / "ledger"
    ledger.mkdir()
    house = build(ledger, METERS, weeks)
    rates = []
    for way in (_by_daemon, _ready_made):
        database = Database(folder / way.__name__)
        database.start()
        try:
            rates.append(way(house.file.read_text(), house.ledger, port, database))
        finally:
            database.stop()
    with sqlite3.connect(house.ledger) as db:
        return rates[0], rates[1], int(db.execute("SELECT count(*) FROM minute").fetchone()[0])


def _archive(database: Database) -> str:
    return f'\n[archive]\nurl = "http://127.0.0.1:{database.port}"\namended = "newest"\n'


def _taken(database: Database) -> int:
    """Lines that the database has read, by its own count; asking the daemon would cost it time."""
    name = 'vm_protoparser_rows_read_total{type="influx"} '
    return next((int(row[len(name) :]) for row in database.get("/metrics").splitlines() if row.startswith(name)), 0)


def _by_daemon(text: str, ledger: Path, port: int, database: Database) -> float:
    daemon = Started(ledger.parent.parent, text + f"\n[broker]\nport = {port}\n" + _archive(database))
    try:
        with sqlite3.connect(ledger) as db:
            every = int(db.execute("SELECT count(*) FROM minute").fetchone()[0])
        # what it says of itself it looks up once a second: only the instants at which that changes tell a rate
        seen: list[tuple[float, int]] = []
        while not seen or seen[-1][1] < every:
            taken = _taken(database)
            if taken and (not seen or taken > seen[-1][1]):
                seen.append((time.perf_counter(), taken))
            time.sleep(0.02)
        (begin, first), (end, last) = seen[0], seen[-2]
        return (last - first) / (end - begin)
    finally:
        daemon.stop()


def _ready_made(_text: str, ledger: Path, _port: int, database: Database) -> float:
    from wattround.archive.shipper import Port
    from wattround.config.model import Archive

    with sqlite3.connect(ledger) as db:
        lines = Lines(db, "bench")
        texts = [row.line for row in lines.next_rows((-1, 0), 1 << 31, 1 << 31, newest_wins=True)]
    port = Port(Archive(url=f"http://127.0.0.1:{database.port}"))
    begin = time.perf_counter()
    for at in range(0, len(texts), BATCH_ROWS):
        port.write(texts[at : at + BATCH_ROWS])
    took_s = time.perf_counter() - begin
    port.close()
    return len(texts) / took_s


def memory(folder: Path, port: int) -> list[tuple[int, int]]:
    """Resident bytes of the daemon and of bare imports: by default, and with archive, messages, page and visitors."""
    page, hook = free_port(), free_port()
    database = Database(folder / "database")
    database.start()
    found = []
    more = (
        f'\n[page]\nlisten = "127.0.0.1:{page}"\n' + _archive(database)
        + f'[[channels]]\nname = "mail"\nurl = "json://127.0.0.1:{hook}/"\n'
    )  # fmt: skip
    for name, text, imports in (("default", "", ""), ("all", more, ALL)):
        own = folder / name
        own.mkdir()
        meters = "".join(
            f'[[meters]]\nname = "m{n}"\nactive_w = 100\npower = {{ topic = "bench/m{n}/watts" }}\n'
            for n in range(METERS)
        )
        daemon = Started(own, HEAD.format(port=port, folder=own / "ledger") + meters + text)
        flood(port, METERS, 20_000, 2000.0)
        if text:
            for path in ("/", "/load/m1", "/episodes", "/upkeep", "/letters") * 3:
                urllib.request.urlopen(f"http://127.0.0.1:{page}{path}", timeout=30).read()
        time.sleep(2)
        bare = subprocess.run(
            [sys.executable, "-c", LIBRARIES.format(more=imports)], capture_output=True, text=True, check=True
        ).stdout
        found.append((daemon.resident(), int(bare)))
        daemon.stop()
    database.stop()
    return found


def quantile(values: Sequence[float], share: float) -> float:
    return values[min(int(share * len(values)), len(values) - 1)]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--probes", type=int, default=1000)
    options.add_argument("--weeks", type=int, default=4)
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="wattround-bench-") as name:
        folder = Path(name)
        broker = mosquitto(folder / "broker")
        broker.start()
        try:
            report(folder, broker, given)
        finally:
            broker.stop()


def report(folder: Path, broker: Server, given: argparse.Namespace) -> None:
    port = broker.port
    told, echo = latency(folder / "latency", port, given.probes)
    starts = [first_reading(folder / f"start{each}", port) for each in range(5)]
    ours_s, bare_s = (statistics.median(each) for each in zip(*starts, strict=True))
    by_us, ready, rows = shipped(folder / "shipped", port, given.weeks)
    (folder / "memory").mkdir()
    default, everything = memory(folder / "memory", port)
    at = {share: (quantile(told, share), quantile(echo, share)) for share in (0.5, 0.99)}
    table = [
        (f"reading to message, {share:.0%} of {given.probes} within, at {RATE:,.0f} messages a second",
         f"{ours:.1f} ms", f"{bare:.1f} ms the reading itself, at another client", ours / bare,
         "under 100 ms" if share > 0.5 else "")
        for share, (ours, bare) in at.items()
    ] + [
        ("start to the first reading", f"{ours_s:.2f} s", f"{bare_s:.2f} s bare subscriber", ours_s / bare_s, ""),
        (f"rows a second into the archive, of {rows:,}", f"{by_us:,.0f}", f"{ready:,.0f} ready-made lines",
         by_us / ready, "at least 0.5"),
        ("resident memory, default", *mb(default), "at most 50 MB"),
        ("resident memory, everything on, page looked at", *mb(everything), "at most 80 MB"),
    ]  # fmt: skip
    print("tools/bench answers\n\n| what | wattround | beside | ratio | aim |\n|---|---|---|---|---|")
    for what, ours_text, beside, ratio, aim in table:
        print(f"| {what} | {ours_text} | {beside} | {ratio:.2f} | {aim} |")


def mb(found: tuple[int, int]) -> tuple[str, str, float]:
    return f"{found[0] / 1e6:.0f} MB", f"{found[1] / 1e6:.0f} MB bare imports", found[0] / found[1]


if __name__ == "__main__":
    main()
