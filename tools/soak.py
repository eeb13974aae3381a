"""Weeks of a house at speed, 40 meters, its page open: does the daemon grow? What does it write?

The real daemon on a fast clock, with a real broker. Each house day: resident memory, open files, bytes handed to the
disk, the ledger's size.
"""

from __future__ import annotations

import argparse
import http.client
import os
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from itertools import cycle
from pathlib import Path
from statistics import median
from typing import NamedTuple

from bench_ingest import packet
from faulty.clock import HouseClock
from faulty.servers import mosquitto, until
from ports import free_port
from wattround.control import NoDaemon, ask_daemon

METERS = 40
EVERY_S = 30
"""House seconds from a meter's reading to its next."""
LOOKS_APART_S = 0.4
"""Of the machine's own clock, whatever the house's factor."""
EVENING_S = 3 * 3600
"""The end of a house day, of whose looks at memory and files the median counts: a page in the making takes some."""
BEGIN_MS = 1_780_000_000_000
DAY_S = 86_400
MOST_GROWTH = 1_000_000
"""Bytes after the first day."""
DAILY_WRITES = 25_000_000
"""Bytes, as `tools/bench ingest` has it."""
HEAD = """
[house]
id = "soak"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28
[broker]
port = {port}
[ledger]
folder = "{folder}"
[page]
listen = "127.0.0.1:{page}"
[[people]]
name = "imre"
topic = "soak/imre"
home = ["home"]
[[channels]]
name = "hub"
mqtt = true
"""


class Sample(NamedTuple):
    """At the end of a house day; bytes. `resident` and `files`: the median of its evening."""

    day: int
    resident: int
    files: int
    written: int
    ledger: int
    rows: int


def settings(folder: Path, port: int, page: int) -> str:
    parts = [HEAD.format(port=port, folder=folder / "ledger", page=page)]
    for number in range(METERS):
        parts.append(
            f'[[meters]]\nname = "m{number}"\nactive_w = 100\nhold = "2m"\npower = {{ topic = "soak/m{number}/w" }}\n'
        )
    parts += [f'[[rules]]\nname = "r{number}"\nload = "m{number}"\nlasting = "1h"\n' for number in range(10)]
    return "\n".join(parts)


def watts(meter: int, at_s: int) -> bytes:
    """Loads that cycle, each in its own time, and are never twice the same."""
    on = (at_s // (600 + 97 * meter)) % 3 == 0
    return b"%.1f" % (((120 + 11 * meter) if on else 3) + at_s * 7919 % 50 / 10)


def publish(port: int, clock: HouseClock, stop: threading.Event) -> None:
    """Every meter's readings at their house time; somebody comes and goes."""
    with socket.create_connection(("127.0.0.1", port)) as wire:
        name = b"soak-house"
        hello = b"\x00\x04MQTT\x04\x02\x00\x00" + struct.pack(">H", len(name)) + name
        wire.sendall(b"\x10" + bytes([len(hello)]) + hello)
        wire.recv(4)
        beat = 0
        while not stop.is_set():
            due = clock.mono_ms() * METERS // (EVERY_S * 1000)
            parts = [
                packet(b"soak/m%d/w" % (at % METERS), watts(at % METERS, at * EVERY_S // METERS))
                for at in range(beat, due)
            ]
            if due // (METERS * 1000) != beat // (METERS * 1000):
                parts.append(packet(b"soak/imre", b"home" if due // (METERS * 1000) % 2 else b"away"))
            wire.sendall(b"".join(parts))
            beat = due
            time.sleep(0.005)


def visit(port: int, stop: threading.Event) -> None:
    """A page that stays open: Now again and again, between all others, each about once a house day.

    So the first day has seen all.
    """
    others = ("/episodes", "/upkeep", *(f"/load/m{number}" for number in range(METERS)))
    with socket.create_connection(("127.0.0.1", port), timeout=10) as news:
        news.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        news.settimeout(1.0)
        for other in cycle(others):
            if stop.is_set():
                return
            with suppress(TimeoutError):
                news.recv(1 << 20)
            for path in ("/", other):
                with suppress(OSError, http.client.HTTPException):
                    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
                    asked.request("GET", path)
                    asked.getresponse().read()
                    asked.close()
            stop.wait(LOOKS_APART_S)


def resident_bytes(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return 1024 * int(next(row.split()[1] for row in status if row.startswith("VmRSS")))


def open_files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def sample(day: int, pid: int, resident: int, files: int, ledger: Path) -> Sample:
    disk = Path(f"/proc/{pid}/io").read_text().splitlines()
    written = int(next(row.split()[1] for row in disk if row.startswith("write_bytes")))
    db = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    try:
        rows = int(db.execute("SELECT count(*) FROM minute").fetchone()[0])
    finally:
        db.close()
    return Sample(day, resident, files, written, ledger.stat().st_size, rows)


def soak(folder: Path, days: int, factor: int) -> list[Sample]:
    """One sample for each house day."""
    broker = mosquitto(folder / "broker")
    broker.start()
    page, file = free_port(), folder / "wattround.toml"
    file.write_text(settings(folder, broker.port, page))
    clock = HouseClock.make(folder / "clock", BEGIN_MS, factor)
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    command = [sys.executable, "-m", "faulty.child", str(file), str(folder / "clock")]
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
    stop, found = threading.Event(), []
    try:
        until("a connected daemon", lambda: connected(folder / "ledger"), 30)
        threads = [
            threading.Thread(target=publish, args=(broker.port, clock, stop), daemon=True),
            threading.Thread(target=visit, args=(page, stop), daemon=True),
        ]
        for thread in threads:
            thread.start()
        first_s = clock.mono_ms() / 1000
        for day in range(1, days + 1):
            residents: list[int] = []
            files: list[int] = []
            while (left_s := first_s + day * DAY_S - clock.mono_ms() / 1000) > 0:
                if left_s < EVENING_S:
                    residents.append(resident_bytes(daemon.pid))
                    files.append(open_files(daemon.pid))
                if daemon.poll() is not None:
                    raise SystemExit(f"the daemon has ended:\n{(folder / 'log').read_text()[-3000:]}")
                time.sleep(0.2)
            evening = int(median(residents)), int(median(files))
            found.append(sample(day, daemon.pid, *evening, folder / "ledger" / "ledger.sqlite3"))
            last = found[-1]
            print(f"day {day}: {last.resident / 1e6:.1f} MB, {last.files} files, {last.rows:,} rows", flush=True)
        dropped = ask_daemon(folder / "ledger", "now")["daemon"]["messages_dropped"]
        if dropped:
            raise SystemExit(f"{dropped} messages were dropped: a smaller --factor is needed here")
        return found
    finally:
        stop.set()
        daemon.terminate()
        daemon.wait(60)
        broker.stop()


def connected(ledger: Path) -> bool:
    with suppress(NoDaemon):
        return bool(ask_daemon(ledger, "now")["daemon"]["broker"] == "connected")
    return False


def verdict(found: list[Sample]) -> bool:
    """Says what came of it; whether all was as promised."""
    first, last = found[0], found[-1]
    days = last.day - first.day
    growth, files = last.resident - first.resident, last.files - first.files
    written = (last.written - first.written) / days
    covered = last.rows / (last.day * 1440 * METERS)
    rows = [
        ("resident memory after the last day", f"{last.resident / 1e6:.1f} MB", ""),
        ("grown since the first day", f"{growth / 1e6:+.2f} MB", "less than 1 MB"),
        ("open files, and more of them since the first day", f"{last.files}, {files:+d}", "none more"),
        ("written to disk a day", f"{written / 1e6:.1f} MB", "at most 25 MB"),
        ("ledger bytes per meter and minute", f"{last.ledger / last.rows:.1f}", ""),
        ("minutes in the ledger", f"{last.rows:,}, {covered:.1%} of all", ""),
    ]
    print("\n| what | found | promised |\n|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")
    return growth < MOST_GROWTH and files <= 0 and written <= DAILY_WRITES


def main() -> None:
    options = argparse.ArgumentParser(prog="tools/soak", description=__doc__)
    options.add_argument("--days", type=int, default=30, help="of the house (default 30)")
    options.add_argument("--factor", type=int, default=1200, help="house seconds in a second (default 1200)")
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="wattround-soak-", dir=Path.cwd()) as name:
        found = soak(Path(name), given.days, given.factor)
    sys.exit(not verdict(found))


if __name__ == "__main__":
    main()
