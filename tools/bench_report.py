"""What reports cost, beside pandas doing the same sums on the same data in the same run; both must find the same."""

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
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from bench_rehearse import BEGIN_MS, FIRST, HOUR_MS, MINUTE_MS, WEEK_MS, loads, minutes
from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute

ZONE = "Europe/Madrid"
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


class House(NamedTuple):
    """A ledger of a house with a supply, a roof, three boards and loads within them."""

    file: Path
    ledger: Path
    active_w: Mapping[str, float]
    within: Mapping[str, str]

    @property
    def remainders(self) -> dict[str, dict[str, int]]:
        """What is left over of the house, and of each board."""
        boards = {board: {board: 1} | {name: -1 for name, at in self.within.items() if at == board} for board in BOARDS}
        return {"bench": {"supply": 1, "roof": 1} | dict.fromkeys(BOARDS, -1), **boards}


def build(folder: Path, meters: int, weeks: int) -> House:
    """One week is made, with some silences of its meters; the others are its copies."""
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
    silent = {name: _silences(rng) for name in ("supply", "roof", *BOARDS, *found)}
    rows = [row for row in rows if (row.minute - BEGIN_MS // MINUTE_MS) not in silent[row.meter]]
    rows.sort(key=lambda row: row.minute)
    writer = Writer(folder, "bench", BEGIN_MS)
    writer.register({"supply": "supply", "roof": "generation", **dict.fromkeys((*BOARDS, *found), "circuit")})
    writer.commit(Batch(rows=rows), BEGIN_MS + WEEK_MS, lambda _name: (1 << 31, 90_000))
    writer.close()
    copy(folder, weeks)
    active = {name: active_w or 25 for name, (active_w, _) in found.items()}
    parts = [HEAD.format(folder=folder), _entry("supply", "", 'role = "supply"')]
    parts += [_entry("roof", "supply", 'role = "generation"'), *(_entry(board, "supply") for board in BOARDS)]
    parts += [_entry(name, within[name], f"active_w = {watts}") for name, watts in active.items()]
    file = folder / "wattround.toml"
    file.write_text("\n".join(parts))
    return House(file, folder / "ledger.sqlite3", active, within)


def _silences(rng: random.Random) -> set[int]:
    """Minutes of the week that are not covered: some by themselves, and some hours on end."""
    begin = rng.randrange(7 * 1440 - 200)
    return {rng.randrange(7 * 1440) for _ in range(5)} | set(range(begin, begin + rng.randrange(20, 200)))


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


class Run(NamedTuple):
    """CPU seconds and peak megabytes of a whole command, and what it wrote."""

    seconds: float
    megabytes: float
    found: Any


def run(command: list[str], asked: object = None) -> Run:
    """A command from the start of its process to the end."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as given:
        given.write(json.dumps(asked).encode())
        given.seek(0)
        child = subprocess.Popen([sys.executable, *command], stdin=given, stdout=out)
        _, status, usage = os.wait4(child.pid, 0)
        if status:
            raise SystemExit(f"{command[0]} failed")
        out.seek(0)
        return Run(usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000, json.load(out))


class Stretch(NamedTuple):
    """Local days of a house, up to its ledger's last whole one."""

    house: House
    days: int
    last: date
    by_minute: bool

    @property
    def first(self) -> date:
        return self.last - timedelta(days=self.days - 1)

    def report(self) -> Run:
        days = ("--from", f"{self.first}", "--to", f"{self.last}")
        return run(["-m", "wattround", "report", str(self.house.file), "--json", *days])

    def pandas(self) -> Run:
        asked = {
            "ledger": str(self.house.ledger), "zone": ZONE, "first": f"{self.first}",
            "after": f"{self.last + timedelta(days=1)}", "by_minute": self.by_minute,
            "active_w": self.house.active_w, "remainders": self.house.remainders,
        }  # fmt: skip
        return run([str(Path(__file__).with_name("bench_pandas.py"))], asked)


def compare(mine: Mapping[str, Any], theirs: Mapping[str, Any]) -> int:
    """How many figures both have; another one in any of them ends the run.

    Energies and times to the last digit that is written; money to within two cents, as rows are rounded to add up.
    """
    count = 0
    for row in mine["rows"]:
        part = {"load": "loads", "remainder": "left"}.get(row["kind"])
        if part is None:
            continue
        other = theirs[part][row["name"]]
        pairs = [(row["energy_kwh"], other["net"] / 1e9, 1e-9), (float(row["money"]), other["money"], 0.02)]
        if row["running_h"] is not None:
            pairs += [(row["running_h"], other["running_ms"] / 3.6e6, 6e-5)]
            pairs += [(row["standby_kwh"], other["standby_uwh"] / 1e9, 6e-7)]
        for figure, beside, tolerance in pairs:
            if abs(figure - beside) > tolerance:
                raise SystemExit(f"{row['kind']} {row['name']}: {figure}, and {beside} of pandas")
        count += len(pairs)
    return count


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--weeks", type=int, default=53)
    options.add_argument("--meters", type=int, nargs="+", default=[10, 20, 40])
    options.add_argument("--repeat", type=int, default=5)
    given = options.parse_args()
    last = FIRST + timedelta(days=given.weeks * 7 - 2)  # the ledger ends within the day after, in local time
    with tempfile.TemporaryDirectory(prefix="wattround-bench-") as made:
        # in a process of its own: what a child's memory is measured from must not be large itself
        with ProcessPoolExecutor(1) as builder:
            houses = {
                meters: builder.submit(build, Path(made) / f"{meters}", meters, given.weeks).result()
                for meters in given.meters
            }
        largest = max(given.meters)
        stretches = {
            f"a year, {meters} meters": Stretch(house, 365, last, by_minute=False) for meters, house in houses.items()
        }
        for name, days in (("half a year", 182), ("a quarter of it", 91)):
            stretches[f"{name}, {largest} meters"] = Stretch(houses[largest], days, last, by_minute=False)
        stretches[f"31 days to the minute, {largest} meters"] = Stretch(houses[largest], 31, last, by_minute=True)
        print(
            f"tools/bench report: whole commands, CPU seconds and peak memory, medians of {given.repeat} interleaved runs\n"
        )
        print("| what | wattround report | beside: pandas | ratio | aim |\n|---|---|---|---|---|")
        aims = {f"a year, {largest} meters": "under 1 s", f"31 days to the minute, {largest} meters": "under 2 s"}
        figures = 0
        for name, stretch in stretches.items():
            mine, theirs = [], []
            for _ in range(given.repeat):
                mine.append(stretch.report())
                theirs.append(stretch.pandas())
            figures += compare(mine[0].found, theirs[0].found)
            print(_line(name, mine, theirs, aims.get(name, "")), flush=True)
        print(f"\n{figures:,} figures of loads and remainders are the same in both.")


def _line(name: str, mine: list[Run], theirs: list[Run], aim: str) -> str:
    seconds = [statistics.median(each.seconds for each in runs) for runs in (mine, theirs)]
    memory = [statistics.median(each.megabytes for each in runs) for runs in (mine, theirs)]
    cells = [f"{each:.2f} s, {peak:.0f} MB" for each, peak in zip(seconds, memory, strict=True)]
    return f"| {name} | {cells[0]} | {cells[1]} | {seconds[0] / seconds[1]:.2f} | {aim} |"


if __name__ == "__main__":
    main()
