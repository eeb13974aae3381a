"""What a report of a year and of a month cost, beside pandas doing the same sums on the same data in the same run."""

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
from datetime import date, timedelta
from pathlib import Path

from bench_rehearse import BEGIN_MS, FIRST, HOUR_MS, MINUTE_MS, WEEK_MS, loads, minutes
from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute

HEAD = """
[house]
id = "bench"
time_zone = "Europe/Madrid"
currency = "EUR"
[ledger]
folder = "{folder}"
[[tariffs]]
tax_percent = 21
bands = [
    {{ name = "peak", price_per_kwh = 0.31, between = ["10:00", "14:00"], weekdays = ["mon", "tue", "wed", "thu", "fri"] }},
    {{ name = "night", price_per_kwh = 0.14, between = ["00:00", "08:00"] }},
    {{ name = "else", price_per_kwh = 0.22 }},
]
export = {{ price_per_kwh = 0.07 }}
"""
BOARDS = ("board0", "board1", "board2")


def build(folder: Path, meters: int, weeks: int) -> str:
    """A ledger of a house with a supply, a roof, three boards and loads within them; returns the settings' text."""
    rng = random.Random(11)
    found = loads(rng, meters - 2 - len(BOARDS))
    within = {name: BOARDS[number % len(BOARDS)] for number, name in enumerate(found)}
    by_load = {name: list(minutes(rng, name, steps)) for name, (_, steps) in found.items()}
    rows = [row for each in by_load.values() for row in each]
    for board in BOARDS:
        mine = [by_load[name] for name in found if within[name] == board]
        rows += [_sum(board, parts, rng.randrange(1_000_000)) for parts in zip(*mine, strict=True)]
    house = [_sum("supply", parts, 3_500_000) for parts in zip(*by_load.values(), strict=True)]
    roof = [_roof(row.minute) for row in house]
    rows += roof
    rows += [_less(row, sun.in_uwh) for row, sun in zip(house, roof, strict=True)]
    rows.sort(key=lambda row: row.minute)
    writer = Writer(folder, "bench", BEGIN_MS)
    writer.register({"supply": "supply", "roof": "generation", **dict.fromkeys((*BOARDS, *found), "circuit")})
    writer.commit(Batch(rows=rows), BEGIN_MS + WEEK_MS, lambda _name: (1 << 31, 90_000))
    writer.close()
    copy(folder, weeks)
    parts = [
        HEAD.format(folder=folder),
        _entry("supply", "", 'role = "supply"'),
        _entry("roof", "supply", 'role = "generation"'),
    ]
    parts += [_entry(board, "supply") for board in BOARDS]
    parts += [_entry(name, within[name], f"active_w = {active_w or 25}") for name, (active_w, _) in found.items()]
    return "\n".join(parts)


def _entry(name: str, within: str, *more: str) -> str:
    inside = [f'within = "{within}"'] if within else []
    return "\n".join(["[[meters]]", f'name = "{name}"', *inside, *more, f'power = {{ topic = "t/{name}" }}'])


def _sum(name: str, parts: tuple[Minute, ...], more_uwh: int) -> Minute:
    energy = sum(part.in_uwh for part in parts) + more_uwh
    return Minute(name, parts[0].minute, energy, 0, MINUTE_MS, energy * 60 // 1000, energy * 60 // 1000, 1)


def _roof(minute: int) -> Minute:
    energy = max(0, round(60e6 * (1 - ((minute % 1440 - 720) / 360) ** 2)))
    return Minute("roof", minute, energy, 0, MINUTE_MS, energy * 60 // 1000, energy * 60 // 1000, 1)


def _less(row: Minute, made_uwh: int) -> Minute:
    net = row.in_uwh - made_uwh
    return row._replace(in_uwh=max(0, net), out_uwh=max(0, -net), low_milliw=net * 60 // 1000)


def copy(folder: Path, weeks: int) -> None:
    """Make the other weeks of the first."""
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
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def report(file: Path, last: date, days: int) -> tuple[float, float, float]:
    """Seconds and peak megabytes of the command, and the kilowatt-hours that it found."""
    command = [sys.executable, "-m", "wattround", "report", str(file), "--json"]
    command += ["--from", f"{last - timedelta(days=days - 1)}", "--to", f"{last}"]
    with tempfile.TemporaryFile() as out:
        began = time.monotonic()
        child = subprocess.Popen(command, stdout=out)
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.monotonic() - began
        if status:
            raise SystemExit("the report failed")
        out.seek(0)
        return seconds, usage.ru_maxrss / 1000, json.load(out)["rows"][0]["energy_kwh"]


PANDAS = """
import sqlite3, sys
import pandas as pd
file, table, first, last = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
db = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
if table == "hour":
    rows = pd.read_sql("SELECT hour AS at, meter, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw FROM hour"
                       " WHERE hour >= ? AND hour < ?", db, params=(first // 60, last // 60))
    seconds = 3600
else:
    rows = pd.read_sql("SELECT place >> 16 AS at, place & 65535 AS meter, in_uwh, out_uwh, 60000 - uncovered_ms AS"
                       " covered_ms, peak_milliw, low_milliw FROM minute_row WHERE place >= ? AND place < ?",
                       db, params=(first << 16, last << 16))
    seconds = 60
names = dict(db.execute("SELECT name, id FROM meter"))
local = pd.to_datetime(rows["at"] * seconds, unit="s", utc=True).dt.tz_convert("Europe/Madrid")
hour, workday = local.dt.hour, local.dt.day_of_week < 5
price = pd.Series(0.22, index=rows.index).mask((hour >= 10) & (hour < 14) & workday, 0.31).mask(hour < 8, 0.14)
net = rows["in_uwh"] - rows["out_uwh"]
supply, roof = (rows[rows["meter"] == names[name]].set_index("at") for name in ("supply", "roof"))
consumed = supply["in_uwh"] - supply["out_uwh"] + roof["in_uwh"] - roof["out_uwh"]
part = (supply["in_uwh"] / consumed).clip(upper=1)
rows["money"] = net * price * 1.21 / 1e9 * rows["at"].map(part)
mean = rows["in_uwh"] * 3600 / rows["covered_ms"]
low, peak, active = rows["low_milliw"].clip(lower=0), rows["peak_milliw"], 25_000
share = ((mean - low) / (peak - low)).clip(0, 1).fillna(0).mask(low >= active, 1).mask(peak < active, 0)
rows["running"] = share * rows["covered_ms"]
rows["standby"] = (low * rows["covered_ms"] * (1 - share) / 3600).where(low < active, 0)
sums = rows.groupby("meter")[["in_uwh", "out_uwh", "covered_ms", "money", "running", "standby"]].sum()
print(consumed.sum() / 1e9)
"""


def beside(ledger: Path, table: str, first: int, last: int) -> tuple[float, float, float]:
    """The same of pandas: energy, money by band and hour's share, running time and standby of each meter."""
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-c", PANDAS, str(ledger), table, str(first), str(last)], stdout=subprocess.PIPE
    )
    out = child.stdout.read() if child.stdout else b""
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit("pandas failed")
    return time.monotonic() - began, usage.ru_maxrss / 1000, float(out)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--weeks", type=int, default=52)
    options.add_argument("--meters", type=int, default=40)
    options.add_argument("--repeat", type=int, default=3)
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="wattround-bench-") as made:
        file, folder = Path(made) / "wattround.toml", Path(made) / "ledger"
        file.write_text(build(folder, given.meters, given.weeks))
        ledger = folder / "ledger.sqlite3"
        last = FIRST + timedelta(days=given.weeks * 7 - 2)  # the last day ends in the middle of the ledger's
        end = BEGIN_MS // MINUTE_MS + (last - FIRST).days * 1440 + 1320
        spans = {
            "year": ("hour", given.weeks * 7 - 2),
            "half": ("hour", given.weeks * 7 // 2),
            "month": ("minute_row", 30),
        }
        found: dict[str, list[tuple[float, float, float]]] = {}
        for _ in range(given.repeat):
            for name, (table, days) in spans.items():
                found.setdefault(name, []).append(report(file, last, days))
                found.setdefault(f"{name}-pandas", []).append(beside(ledger, table, end - days * 1440, end))
        table_of(found, given, spans)


def table_of(
    found: dict[str, list[tuple[float, float, float]]], given: argparse.Namespace, spans: dict[str, tuple[str, int]]
) -> None:
    def middle(name: str, column: int = 0) -> float:
        return statistics.median(each[column] for each in found[name])

    print(
        f"tools/bench report, {given.meters} meters, {given.weeks} weeks, median of {given.repeat} interleaved runs\n"
    )
    print("| what | wattround | beside: pandas | ratio | aim |\n|---|---|---|---|---|")
    aims = {"year": "under 1 s", "half": "", "month": "under 2 s"}
    for name, (table, days) in spans.items():
        what = f"{days} days from {'hour totals' if table == 'hour' else 'minutes'}"
        mine, theirs = middle(name), middle(f"{name}-pandas")
        print(f"| {what} | {mine:.2f} s | {theirs:.2f} s | {mine / theirs:.2f} | {aims[name]} |")
        print(
            f"| peak memory of that | {middle(name, 1):.0f} MB | {middle(f'{name}-pandas', 1):.0f} MB | {middle(name, 1) / middle(f'{name}-pandas', 1):.2f} | |"
        )
        print(f"| energy, kWh | {middle(name, 2):.3f} | {middle(f'{name}-pandas', 2):.3f} | | |")


if __name__ == "__main__":
    main()
