"""What the local page costs: its own times and sizes, and what fifty open pages do to the core and to memory."""

from __future__ import annotations

import argparse
import http.client
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

from bench_rehearse import BEGIN_MS, WEEK_MS
from bench_report import build
from ports import free_port
from wattround.control import NoDaemon, ask_daemon

OPEN = 50
ROUNDS = 40
LOADS = ("tv", "freezer", "refrigerator", "dehumidifier", "heat-pump", "computer0", "computer1", "m0", "m1", "m2")


def fetch(port: int, path: str) -> tuple[float, bytes]:
    """Milliseconds until all of it is there, and what it is."""
    began = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    if answer.status != 200:
        raise SystemExit(f"{path}: {answer.status}")
    return 1000 * (time.perf_counter() - began), body


@contextmanager
def open_pages(port: int, count: int) -> Iterator[list[int]]:
    """So many pages, each with its style, its script and its live news; bytes of news that came."""
    stop, heard, listening = threading.Event(), [0], threading.Semaphore(0)
    adding = threading.Lock()

    def page() -> None:
        for path in ("/", "/look.css", "/page.js"):
            fetch(port, path)
        with socket.create_connection(("127.0.0.1", port), timeout=5) as news:
            news.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            news.recv(65_536)
            listening.release()
            news.settimeout(0.5)
            while not stop.is_set():
                try:
                    part = news.recv(65_536)
                except TimeoutError:
                    continue
                with adding:
                    heard[0] += len(part)

    threads = [threading.Thread(target=page, daemon=True) for _ in range(count)]
    for thread in threads:
        thread.start()
    for _ in threads:
        if not listening.acquire(timeout=60):
            raise SystemExit("not every page was opened")
    try:
        yield heard
    finally:
        stop.set()
        for thread in threads:
            thread.join(10)


def core_ms(folder: Path) -> list[float]:
    """How long the core takes to answer, by the control socket, again and again."""
    found = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        ask_daemon(folder, "now")
        found.append(1000 * (time.perf_counter() - began))
        time.sleep(0.05)
    return found


def wait_for(folder: Path, child: subprocess.Popen[bytes]) -> None:
    for _ in range(1200):
        if child.poll() is not None:
            raise SystemExit("the daemon did not start")
        try:
            ask_daemon(folder, "now")
        except NoDaemon:
            time.sleep(0.1)
        else:
            return


def measure(folder: Path, port: int, child: subprocess.Popen[bytes]) -> None:
    process = psutil.Process(child.pid)

    def megabytes() -> float:
        return process.memory_info().rss / 1e6

    wait_for(folder, child)
    before = core_ms(folder)
    empty_mb = megabytes()
    first, _ = fetch(port, "/")
    fetch(port, "/account?period=last30")
    now = []
    for _ in range(15):
        time.sleep(1.1)  # beyond what is kept of the last answer
        now.append(fetch(port, "/")[0])
    page = sum(len(fetch(port, path)[1]) for path in ("/", "/look.css", "/page.js"))
    cpu_before = process.cpu_times()
    years = [fetch(port, f"/load/{load}?span=year")[0] for load in LOADS]
    cpu_after = process.cpu_times()
    year_cpu = (cpu_after.user + cpu_after.system - cpu_before.user - cpu_before.system) / len(years)
    one_mb = megabytes()
    quiet = core_ms(folder)
    with open_pages(port, OPEN) as heard:
        time.sleep(3)
        busy_at = process.cpu_times()
        news_from, began = heard[0], time.monotonic()
        busy = core_ms(folder)
        spent = process.cpu_times()
        seconds = time.monotonic() - began
        news = (heard[0] - news_from) / seconds / OPEN
        many_mb = megabytes()
    cpu = (spent.user + spent.system - busy_at.user - busy_at.system) / seconds

    print("| what | found | aim |\n|---|---|---|")
    print(
        f"| Now, 40 meters: median of {len(now)}, slowest | {statistics.median(now):.0f} ms, {max(now):.0f} ms | under 50 ms |"
    )
    print(f"| Now in all: page, style, script | {page / 1000:.0f} kB | under 100 kB |")
    print(
        f"| a year of a load: median of {len(years)}, slowest | {statistics.median(years):.0f} ms, {max(years):.0f} ms | under 150 ms |"
    )
    print(f"| the processor's time of that | {1000 * year_cpu:.0f} ms | |")
    print(f"| the very first page, with its libraries | {first:.0f} ms | |")
    for name, found in (
        ("nobody has looked yet", before),
        ("nobody looks any more", quiet),
        (f"{OPEN} pages are open", busy),
    ):
        ranked = sorted(found)
        print(
            f"| the core's answer while {name}: median, 95 % | {statistics.median(ranked):.0f} ms, {ranked[int(0.95 * len(ranked))]:.0f} ms | the same |"
        )
    print(
        f"| memory before the first page, after some, with {OPEN} open | {empty_mb:.0f} MB, {one_mb:.0f} MB, {many_mb:.0f} MB | the last two the same |"
    )
    print(f"| processor while {OPEN} are open | {100 * cpu:.0f} % of one | |")
    print(f"| news to each page | {news:.0f} bytes a second | |")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--weeks", type=int, default=52)
    options.add_argument("--meters", type=int, default=40)
    given = options.parse_args()
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="wattround-bench-") as made:
        house = build(Path(made), given.meters, given.weeks)
        with house.file.open("a") as settings:
            settings.write(f'\n[page]\nlisten = "127.0.0.1:{port}"\n[broker]\nport = {free_port()}\n')
        print(f"tools/bench page, {given.meters} meters, {given.weeks} weeks\n")
        daemon = [sys.executable, str(Path(__file__).parent / "demo_daemon.py"), str(house.file)]
        with (Path(made) / "log").open("wb") as log:
            child = subprocess.Popen([*daemon, str(BEGIN_MS + given.weeks * WEEK_MS), "1", "0"], stdout=log, stderr=log)
            try:
                measure(house.ledger.parent, port, child)
            finally:
                child.terminate()
                child.wait(30)


if __name__ == "__main__":
    main()
