"""Power cuts and failing writes at any write of the ledger: it must open again, and be whole."""

from __future__ import annotations

import random
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from faulty.disk import FULL, IO_ERROR_WRITE, Disk, Note, after_power_cut
from wattround.ledger.batch import Batch, Message
from wattround.ledger.opening import FILE, open_for_writing
from wattround.ledger.reader import Reader
from wattround.ledger.schema import STEPS
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute

NOW_MS = 1_776_150_000_000
FIRST = NOW_MS // 60_000
METERS = ("a", "b", "c")
COMMITS = 900
"""Enough for some checkpoints of the write-ahead log, which come by themselves."""


class Cuts(NamedTuple):
    """How many were tried, and what was wrong."""

    tried: dict[str, int]
    violations: list[str]


def try_cuts(seed: int, count: int) -> Cuts:
    """Play `count` of each kind."""
    chance = random.Random(seed)
    tried: dict[str, int] = {}
    found: list[str] = []
    kinds = (("power cut while it is written", _writing), ("power cut while it is brought up to date", _migrating),
             ("failing writes", _failing))  # fmt: skip
    for name, play in kinds:
        for wrong in play(chance, count):
            tried[name] = tried.get(name, 0) + 1
            found += [f"{name}: {wrong}"] if wrong else []
    return Cuts(tried, found)


def _home() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


# -- what is written ------------------------------------------------------------------------------------


def _batch(number: int) -> Batch:
    """The commit with this number: a minute of each meter, a late change to an older one, a message, the state."""
    batch = Batch(rows=[_row(meter, number) for meter in METERS], states={"house": {"number": number}})
    batch.journal[("a", NOW_MS + number * 60_000)] = float(number)
    if number % 7 == 0:
        batch.messages.append(Message("hub", NOW_MS + number, f"title {number}", "body", "{}"))
    if number % 5 == 0:
        batch.rows.append(_row("b", number - 5)._replace(origin=9))
    return batch


def _row(meter: str, number: int) -> Minute:
    energy = 1_000 * number + METERS.index(meter)
    return Minute(meter, FIRST + number, energy, 0, 60_000, energy, energy, 1)


def _commit(writer: Writer, number: int) -> None:
    writer.commit(_batch(number), NOW_MS + number * 60_000, lambda _name: (1 << 31, 60_000))


def _fresh(folder: Path) -> Writer:
    writer = Writer(folder, "h", NOW_MS)
    writer.register(dict.fromkeys(METERS, "circuit"))
    return writer


def _examine(folder: Path, least: int, most: int) -> str:
    """Open it as the daemon does; what is wrong with it: it must hold the first so many commits, whole."""
    try:
        writer = Writer(folder, "h", NOW_MS)
    except Exception as trouble:  # noqa: BLE001 - that is the verdict
        return f"it does not open: {type(trouble).__name__}: {trouble}"
    saved, aside = writer.state("house"), writer.set_aside
    messages = [int(waiting.message.title.split()[1]) for waiting in writer.waiting(0)]
    writer.close()
    if aside is not None:
        return "it was taken for damaged" if least else ""
    number = saved[1]["number"] if saved else 0
    if not least <= number <= most:
        return f"it holds {number} commits, expected {least} to {most}"
    reader = Reader(folder, "h")
    rows = {(row.meter, row.minute - FIRST): row.in_uwh for row in reader.minutes(0, 1 << 31)}
    reader.close()
    expected = {(meter, at): _row(meter, at).in_uwh for meter in METERS for at in range(1, number + 1)}
    expected |= {("b", 0): _row("b", 0).in_uwh} if number >= 5 else {}
    if rows != expected:
        return f"after {number} commits it holds {len(rows)} rows, expected {len(expected)}"
    if messages != [at for at in range(1, number + 1) if at % 7 == 0]:
        return f"after {number} commits it holds the messages {messages}"
    return _integrity(folder)


def _integrity(folder: Path) -> str:
    connection = sqlite3.connect(folder / FILE)
    answer = str(connection.execute("PRAGMA integrity_check").fetchone()[0])
    connection.close()
    return "" if answer == "ok" else answer


# -- power cuts -----------------------------------------------------------------------------------------


def _put(files: dict[str, bytes], old: Path, new: Path) -> None:
    for path, data in files.items():
        (new / Path(path).relative_to(old)).write_bytes(data)


def _writing(chance: random.Random, count: int) -> Iterator[str]:
    """Cuts at any write, half of them while the log is being carried over into the file itself."""
    with tempfile.TemporaryDirectory(prefix="wattround-cuts-", dir=_home()) as home:
        folder = Path(home) / "ledger"
        folder.mkdir()
        marks: list[int] = []
        with Disk(folder) as disk:
            writer = _fresh(folder)
            for number in range(1, COMMITS + 1):
                _commit(writer, number)
                marks.append(len(disk.notes))
            writer.close()
        notes = disk.notes
        carrying = [at for at, note in enumerate(notes) if note.path.endswith(FILE) and note.what == "write"]
        for index in range(count):
            cut = chance.choice(carrying) if index % 2 else chance.randrange(len(notes))
            least = sum(mark <= cut for mark in marks)
            yield _cut({}, folder, notes[:cut], chance, (least, min(least + 1, COMMITS)))


def _cut(
    before: dict[str, bytes], folder: Path, notes: list[Note], chance: random.Random, held: tuple[int, int]
) -> str:
    again = folder.parent / "again"
    again.mkdir()
    try:
        _put(after_power_cut(before, notes, chance), folder, again)
        return _examine(again, *held)
    finally:
        shutil.rmtree(again)


def _migrating(chance: random.Random, count: int) -> Iterator[str]:
    """Cuts while a ledger of each older format is brought up to date, and while a new one is made."""
    per_format = max(1, count // len(STEPS))
    for version in range(len(STEPS)):
        with tempfile.TemporaryDirectory(prefix="wattround-cuts-", dir=_home()) as home:
            folder = Path(home) / "ledger"
            folder.mkdir()
            if version:
                old_ledger(folder, version)
            before = {str(file): file.read_bytes() for file in folder.iterdir()}
            with Disk(folder) as disk:
                opened = open_for_writing(folder, NOW_MS)
                opened.connection.close()
                opened.lock.close()
            held = (3, 3) if version else (0, 0)
            for _ in range(per_format):
                cut = chance.randrange(len(disk.notes) + 1)
                yield _cut(before, folder, disk.notes[:cut], chance, held)


def old_ledger(folder: Path, version: int) -> None:
    """A ledger of an older format with three commits in it, as far as that format has what they hold."""
    connection = sqlite3.connect(folder / FILE, isolation_level=None)
    connection.execute("PRAGMA page_size = 2048")
    connection.execute("PRAGMA journal_mode = WAL")
    for number in range(version):
        connection.executescript(f"BEGIN; {STEPS[number]} PRAGMA user_version = {number + 1}; COMMIT;")
    for number, meter in enumerate(METERS, 1):
        connection.execute("INSERT INTO meter VALUES (?, 'h', ?, 'circuit')", (number, meter))
    for at in range(1, 4):
        for number, meter in enumerate(METERS, 1):
            row = _row(meter, at)
            values = (row.minute * 65_536 + number, row.in_uwh, 0, 0, row.peak_milliw, row.low_milliw, 1)
            connection.execute("INSERT INTO minute_row VALUES (?, ?, ?, ?, ?, ?, ?)", values)
    from wattround.ledger.state import packed

    connection.execute("INSERT INTO state (house, kind, saved_ms, body) VALUES ('h', 'house', ?, ?)",
                       (NOW_MS, packed({"number": 3})))  # fmt: skip
    connection.close()


# -- failing writes -------------------------------------------------------------------------------------


def _failing(chance: random.Random, count: int) -> Iterator[str]:
    """From some write on the disk is full, or fails, for a while; what was not written is tried again, as is."""
    for _ in range(count):
        with tempfile.TemporaryDirectory(prefix="wattround-cuts-", dir=_home()) as home:
            folder = Path(home) / "ledger"
            folder.mkdir()
            yield _fail(folder, chance)


def _fail(folder: Path, chance: random.Random) -> str:
    with Disk(folder) as disk:
        writer = _fresh(folder)
        begin = len(disk.notes) + chance.randrange(200)
        left, code = chance.randint(1, 30), chance.choice((IO_ERROR_WRITE, FULL))

        def fails(note: Note) -> int:
            nonlocal left
            if note.what == "sync" or len(disk.notes) < begin or left <= 0:
                return 0
            left -= 1
            return code

        disk.fails = fails
        number, refused = 1, 0
        while number <= 30:
            try:
                _commit(writer, number)
            except sqlite3.OperationalError:
                refused += 1
                if refused > 100:
                    return "it never works again"
                continue
            number += 1
        writer.close()
    return _examine(folder, 30, 30)
