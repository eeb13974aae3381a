"""What a rehearsal of a year costs, beside a bare scan of the same ledger in the same run."""

from __future__ import annotations

import argparse
import json
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import MINUTE_MS, Minute, uwh

HOUR_MS, DAY_MS, WEEK_MS = 3_600_000, 86_400_000, 7 * 86_400_000
FIRST = date(2025, 6, 2)  # a Monday
BEGIN_MS = (FIRST - date(1970, 1, 1)).days * DAY_MS
HEAD = """
[house]
id = "bench"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28
[ledger]
folder = "{folder}"
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[signals]]
name = "window"
topic = "s/window"
[marks.bedtime]
every = "23:00"
[marks.rising]
every = "06:30"
[manners]
quiet = ["bedtime", "rising"]
[[channels]]
name = "phone"
url = "json://127.0.0.1"
[[channels]]
name = "hub"
mqtt = true
"""
RULES = """
[[rules]]
name = "tv-nobody-home"
load = "tv"
occupancy = "empty"
[[rules]]
name = "computers-past-bedtime"
loads = ["computer0", "computer1", "computer2"]
between = ["bedtime", "rising"]
lasting = "30m"
[[rules]]
name = "screens-together"
loads = ["tv", "computer0", "computer1"]
together = true
above_w = 200
lasting = "2h"
[[rules]]
name = "freezer-starts"
load = "freezer"
starts_per_hour = 2
[[rules]]
name = "dehumidifier-ran"
load = "dehumidifier"
ran_today = "10h"
[[rules]]
name = "heat-window"
load = "heat-pump"
signals = [{ signal = "window", is = "open", lasting = "5m" }]
[[rules]]
name = "heat-budget"
load = "heat-pump"
spent = { over_wh = 14000, per = "day", on_course = true }
[[rules]]
name = "house-month"
spent = { over_money = 90, per = "month" }
"""
Steps = list[tuple[int, float]]


def spells(rng: random.Random, rest_w: float, on_w: float, windows: list[tuple[float, float, float]]) -> Steps:
    """A week at rest but for a run in each window (from hour, to hour, hours long) of every day."""
    steps: Steps = [(0, rest_w)]
    for day in range(7):
        for begin, end, long in windows:
            at = day * DAY_MS + round(rng.uniform(begin, end) * HOUR_MS)
            steps += [(at, on_w * rng.uniform(0.9, 1.1)), (at + round(long * rng.uniform(0.7, 1.2) * HOUR_MS), rest_w)]
    return sorted(steps)


def cycling(rng: random.Random, on_w: float, off_w: float, on_min: float, off_min: float) -> Steps:
    """A compressor."""
    steps: Steps = []
    now = 0
    while now < WEEK_MS:
        steps.append((now, on_w * rng.uniform(0.97, 1.03)))
        now += round(on_min * rng.uniform(0.8, 1.2) * MINUTE_MS)
        steps.append((now, off_w))
        now += round(off_min * rng.uniform(0.8, 1.2) * MINUTE_MS)
    return steps


def loads(rng: random.Random, meters: int) -> dict[str, tuple[float | None, Steps]]:
    """The house's loads: where active begins, and a week's steps."""
    found: dict[str, tuple[float | None, Steps]] = {
        "tv": (40, spells(rng, 2.1, 118, [(7, 8, 0.8), (12, 15, 1), (19, 21, 3)])),
        "freezer": (40, cycling(rng, 80, 1.0, 14, 26)),
        "refrigerator": (40, cycling(rng, 95, 2.0, 18, 34)),
        "dehumidifier": (60, cycling(rng, 240, 1.5, 25, 30)),
        "heat-pump": (200, cycling(rng, 1350, 14, 21, 38)),
        "network": (None, [(0, 31.0)]),
    }
    for number in range(3):
        found[f"computer{number}"] = (35, spells(rng, 3.2, 142, [(9, 11, 3), (14, 16, 3), (20, 23, 2.5)]))
    for number in range(meters - len(found)):
        steps = spells(rng, rng.uniform(0, 6), rng.uniform(30, 2200), [(6, 9, 0.4), (17, 21, 0.7)])
        found[f"m{number}"] = (None, [(0, rng.uniform(4, 60))] if number % 3 == 0 else steps)
    return found


def minutes(rng: random.Random, name: str, steps: Steps) -> Iterator[Minute]:
    """A week's rows, with some noise on the watts."""
    at, index = 0, 0
    for minute in range(7 * 1440):
        end, energy, low, peak = at + MINUTE_MS, 0.0, float("inf"), 0.0
        while at < end:
            until = min(end, steps[index + 1][0]) if index + 1 < len(steps) else end
            watts = steps[index][1]
            energy += watts * (until - at)
            low, peak = min(low, watts * rng.uniform(0.985, 1)), max(peak, watts * rng.uniform(1, 1.015))
            at = until
            if index + 1 < len(steps) and steps[index + 1][0] <= at:
                index += 1
        yield Minute(
            name, BEGIN_MS // MINUTE_MS + minute, uwh(energy), 0, MINUTE_MS, round(peak * 1000), round(low * 1000), 1
        )


def build(folder: Path, meters: int, weeks: int) -> str:
    """A ledger of so many weeks: one is made, the others are its copies; returns the settings' text."""
    rng = random.Random(11)
    found = loads(rng, meters)
    writer = Writer(folder, "bench", BEGIN_MS)
    writer.register(dict.fromkeys(found, "circuit"))
    rows = [row for name, (_, steps) in found.items() for row in minutes(rng, name, steps)]
    rows.sort(key=lambda row: row.minute)
    writer.commit(Batch(rows=rows), BEGIN_MS + WEEK_MS, lambda _name: (1 << 31, 90_000))
    writer.close()
    db = sqlite3.connect(folder / "ledger.sqlite3", isolation_level=None)
    db.execute("PRAGMA synchronous = OFF")
    last = (BEGIN_MS + WEEK_MS) // MINUTE_MS << 16
    for week in range(1, weeks):
        db.execute(
            "INSERT INTO minute_row SELECT place + ?, in_uwh, out_uwh, uncovered_ms, peak_milliw, low_milliw, origin"
            " FROM minute_row WHERE place < ? ORDER BY place",
            (week * 7 * 1440 << 16, last),
        )
        db.execute(
            "INSERT OR REPLACE INTO hour SELECT hour + ?, meter, in_uwh, out_uwh, covered_ms, estimated_uwh,"
            " peak_milliw, low_milliw FROM hour WHERE hour < ?",
            (week * 168, (BEGIN_MS + WEEK_MS) // HOUR_MS),
        )
    db.executemany("INSERT INTO signal_word VALUES (?, 'bench', ?, ?, ?)", words(rng, weeks * 7))
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    parts = [HEAD.format(folder=folder)]
    for name, (active_w, _) in found.items():
        active = f"active_w = {active_w}\n" if active_w is not None else ""
        parts.append(f'[[meters]]\nname = "{name}"\n{active}power = {{ topic = "t/{name}" }}\n')
    return "\n".join([*parts, RULES])


def words(rng: random.Random, days: int) -> Iterator[tuple[int, str, str, str]]:
    """Somebody who goes out on most days, and a window that is opened now and then."""
    for day in range(days):
        begin = BEGIN_MS + day * DAY_MS
        out = round(rng.uniform(6, 8) * HOUR_MS)
        yield begin + 1, "person", "imre", "home"
        yield begin + out, "person", "imre", "away"
        yield begin + out + round(rng.uniform(3, 9) * HOUR_MS), "person", "imre", "home"
        for _ in range(3):
            opened = begin + round(rng.uniform(5, 20) * HOUR_MS)
            yield opened, "signal", "window", "open"
            yield opened + round(rng.uniform(0.1, 1) * HOUR_MS), "signal", "window", "closed"


def rehearse(file: Path, last: date, days: int, extra: list[str]) -> tuple[float, float, float, int]:
    """Seconds, CPU seconds, peak megabytes of the command, and the episodes that it found."""
    first = last - timedelta(days=days - 1)
    command = [
        sys.executable,
        "-m",
        "wattround",
        "rehearse",
        "--file",
        str(file),
        "--json",
        "--from",
        f"{first}",
        "--to",
        f"{last}",
    ]
    with tempfile.TemporaryFile() as out:
        began = time.monotonic()
        child = subprocess.Popen([*command, *extra], stdout=out)
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.monotonic() - began
        if status:
            raise SystemExit("the rehearsal failed")
        out.seek(0)
        found = json.load(out)
    episodes = sum(len(rule["variants"][0]["episodes"]) for rule in found["rules"])
    return seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000, episodes


def scan(file: Path) -> float:
    """Seconds of a bare scan of every minute."""
    db = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    began = time.monotonic()
    db.execute("SELECT count(*), sum(in_uwh) FROM minute_row").fetchone()
    seconds = time.monotonic() - began
    db.close()
    return seconds


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--weeks", type=int, default=52)
    options.add_argument("--meters", type=int, default=40)
    options.add_argument("--repeat", type=int, default=3)
    options.add_argument("--build", type=Path, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.build is not None:
        (given.build / "wattround.toml").write_text(build(given.build / "ledger", given.meters, given.weeks))
        return
    with tempfile.TemporaryDirectory(prefix="wattround-bench-") as made:
        folder = Path(made)
        file = folder / "wattround.toml"
        # in a process of its own: what a child's memory is measured from must not be large itself
        sizes = ["--meters", str(given.meters), "--weeks", str(given.weeks)]
        subprocess.run([sys.executable, __file__, "--build", made, *sizes], check=True)
        ledger = folder / "ledger" / "ledger.sqlite3"
        last = FIRST + timedelta(days=given.weeks * 7 - 1)
        found: dict[str, list[tuple[float, ...]]] = {}
        for _ in range(given.repeat):
            found.setdefault("scan", []).append((scan(ledger),))
            found.setdefault("year", []).append(rehearse(file, last, given.weeks * 7, []))
            found.setdefault("tried", []).append(
                rehearse(file, last, given.weeks * 7, ["--try", "lasting=5m,10m,20m,40m"])
            )
            found.setdefault("month", []).append(rehearse(file, last, 30, []))
        report(found, given, ledger.stat().st_size)


def report(found: dict[str, list[tuple[float, ...]]], given: argparse.Namespace, size: int) -> None:
    def middle(name: str, column: int) -> float:
        return statistics.median(each[column] for each in found[name])

    bare = middle("scan", 0)
    rows = given.weeks * 7 * 1440 * given.meters
    print(f"tools/bench rehearse, {given.meters} meters, {given.weeks} weeks, {rows:,} minutes, {size / 1e6:,.0f} MB,"
          f" 8 rules, median of {given.repeat} interleaved runs\n")  # fmt: skip
    print("| what | wattround | beside | ratio | aim |\n|---|---|---|---|---|")
    for name, what, aim in (("year", "rehearse all of it", "at most 10 s"), ("tried", "with four other values of a key", ""),
                            ("month", "rehearse the last 30 days", "")):  # fmt: skip
        seconds = middle(name, 0)
        print(f"| {what} | {seconds:.1f} s | {bare:.1f} s a bare scan of all minutes | {seconds / bare:.1f} | {aim} |")
    print(f"| peak memory of that year | {middle('year', 2):.0f} MB | | | at most 150 MB |")
    print(f"| episodes found | {middle('year', 3):.0f} | | | |")


if __name__ == "__main__":
    main()
