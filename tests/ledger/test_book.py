"""The book's table: rows of a kind by number, whole commits, ledgers from before there was one."""

import sqlite3

import pytest

from wattround.ledger.batch import Batch, EntryRow
from wattround.ledger.opening import FILE
from wattround.ledger.reader import Reader
from wattround.ledger.schema import STEPS
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute

NOW = 1_780_000_000_000
BEFORE_THE_BOOK = next(at for at, step in enumerate(STEPS) if "CREATE TABLE entry" in step)


def commit(folder, *rows, house="h", minutes=()):
    writer = Writer(folder, house, NOW)
    try:
        writer.register({"m": "circuit"})
        writer.commit(Batch(rows=list(minutes), entries=list(rows)), NOW, lambda _name: (0, 0))
    finally:
        writer.close()


def kept(folder, kind="bill", house="h"):
    reader = Reader(folder, house)
    rows, newest = reader.book.rows(kind), reader.book.newest(kind)
    reader.close()
    return rows, newest


def test_entries_are_read_by_kind_and_house_in_order(tmp_path):
    commit(
        tmp_path, EntryRow("bill", 2, NOW, '{"b": 2}'), EntryRow("bill", 1, NOW, "{}"), EntryRow("other", 7, 5, "{}")
    )
    commit(tmp_path, EntryRow("bill", 1, NOW, "{}"), house="next-door")

    assert kept(tmp_path) == ([EntryRow("bill", 1, NOW, "{}"), EntryRow("bill", 2, NOW, '{"b": 2}')], 2)
    assert kept(tmp_path, "other") == ([EntryRow("other", 7, 5, "{}")], 7)
    assert kept(tmp_path, "nothing") == ([], 0)


def test_a_removed_entry_is_gone_and_its_number_is_not_given_again(tmp_path):
    commit(tmp_path, EntryRow("bill", 1, NOW, "{}"), EntryRow("bill", 2, NOW, "{}"))
    commit(tmp_path, EntryRow("bill", 2, NOW + 1, None))

    assert kept(tmp_path) == ([EntryRow("bill", 1, NOW, "{}")], 2)
    db = sqlite3.connect(tmp_path / FILE)
    assert db.execute("SELECT at_ms, body FROM entry WHERE number = 2").fetchone() == (NOW + 1, None)
    db.close()


def test_an_entry_is_written_with_its_commit_or_not_at_all(tmp_path):
    """The batch names a meter that has no number: the whole commit is refused."""
    minute = Minute("stranger", 1, 1, 0, 60_000, 1, 1, 1)
    with pytest.raises(KeyError):
        commit(tmp_path, EntryRow("bill", 1, NOW, "{}"), minutes=[minute])

    assert kept(tmp_path) == ([], 0)


def test_a_ledger_from_before_the_book_gets_one_and_keeps_what_it_has(tmp_path):
    old = sqlite3.connect(tmp_path / FILE)
    for step in STEPS[:BEFORE_THE_BOOK]:
        old.executescript(step)
    old.executescript(f"PRAGMA user_version = {BEFORE_THE_BOOK};")
    old.execute("INSERT INTO meter (house, name, role) VALUES ('h', 'm', 'circuit')")
    old.execute("INSERT INTO minute_row VALUES ((29666666 << 16) + 1, 5, 0, 0, 1, 1, 1)")
    old.commit()
    old.close()

    commit(tmp_path, EntryRow("bill", 1, NOW, "{}"))

    assert kept(tmp_path)[0] == [EntryRow("bill", 1, NOW, "{}")]
    reader = Reader(tmp_path, "h")
    assert [row.in_uwh for row in reader.minutes(0, 1 << 31)] == [5]
    reader.close()


def test_the_table_takes_no_other_types(tmp_path):
    commit(tmp_path)
    db = sqlite3.connect(tmp_path / FILE)
    with pytest.raises(sqlite3.IntegrityError):
        db.execute("INSERT INTO entry VALUES ('h', 'bill', 'one', 1, '{}')")
    db.close()
