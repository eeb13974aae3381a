"""Copies of the ledger: made while it is written, of one moment; put back only where they belong, and whole."""

import os
import shutil
import sqlite3
import stat
import threading
from contextlib import closing

import pytest

from wattround.ledger.backup import WrongBackup, back_up, put_back
from wattround.ledger.batch import Batch, Message
from wattround.ledger.opening import FILE, LedgerBusy
from wattround.ledger.reader import NoLedger, Reader
from wattround.ledger.schema import STEPS, NewerLedger
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute

NOW_MS = 1_780_000_000_000
MINUTE = NOW_MS // 60_000
AS_OF = "2026-05-28T202640Z"


def commit(writer, number):
    batch = Batch(
        rows=[Minute(meter, MINUTE + number, number, 0, 60_000, 1, 1, 1) for meter in ("a", "b")],
        states={"house": {"number": number}},
        messages=[Message("hub", NOW_MS, f"title {number}", "body", "{}")] if number % 3 == 0 else [],
    )
    writer.commit(batch, NOW_MS + number, lambda _name: (1 << 31, 60_000))


def ledger(folder, commits=9, house="h"):
    writer = Writer(folder, house, NOW_MS)
    writer.register({"a": "circuit", "b": "circuit"})
    for number in range(1, commits + 1):
        commit(writer, number)
    return writer


def held(folder):
    """How many commits a ledger holds, after making sure that it holds each of them whole, and nothing else."""
    writer = Writer(folder, "h", NOW_MS)
    number = writer.state("house")[1]["number"]
    titles = [waiting.message.title for waiting in writer.waiting(0)]
    writer.close()
    reader = Reader(folder, "h")
    rows = [(row.meter, row.minute - MINUTE, row.in_uwh) for row in reader.minutes(0, 1 << 31)]
    reader.close()
    assert rows == [(meter, at, at) for at in range(1, number + 1) for meter in ("a", "b")]
    assert titles == [f"title {at}" for at in range(3, number + 1, 3)]
    return number


def files(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir() if file.name != "ledger.lock"}


def test_a_copy_holds_everything_and_can_be_put_back(tmp_path):
    ledger(tmp_path / "l").close()
    contents = back_up(tmp_path / "l", tmp_path / "copy")

    assert contents[:6] == ("h", NOW_MS + 9, 2, MINUTE + 1, MINUTE + 10, 3)
    assert stat.S_IMODE((tmp_path / "copy").stat().st_mode) == 0o600
    assert {file.name for file in tmp_path.iterdir()} == {"l", "copy"}
    found, aside = put_back(tmp_path / "copy", tmp_path / "new", "h", NOW_MS)
    assert (found[:6], aside) == (contents[:6], None)
    assert held(tmp_path / "new") == 9


def test_a_copy_made_while_the_ledger_is_written_is_that_of_one_moment(tmp_path):
    """Some thousand commits meanwhile, and checkpoints of the log; every copy holds the first so many, whole."""
    writer = ledger(tmp_path / "l", 500)
    stop, done = threading.Event(), [500]

    def write():
        while not stop.is_set():
            commit(writer, done[0] + 1)
            done[0] += 1

    thread = threading.Thread(target=write)
    thread.start()
    spans = []
    try:
        for number in range(12):
            before = done[0]
            back_up(tmp_path / "l", tmp_path / f"copy{number}")
            spans.append((before, done[0] + 1))
    finally:
        stop.set()
        thread.join(10)
        writer.close()

    assert spans[-1][1] > spans[0][0] + 20
    for number, (least, most) in enumerate(spans):
        put_back(tmp_path / f"copy{number}", tmp_path / f"again{number}", "h", NOW_MS)
        assert least <= held(tmp_path / f"again{number}") <= most
    assert held(tmp_path / "l") == done[0]


def test_who_makes_a_copy_neither_writes_to_the_ledger_nor_checkpoints_it(tmp_path):
    """After a kill the newest commits stand in the log only, and there they stay."""
    writer = ledger(tmp_path / "l")
    shutil.copytree(tmp_path / "l", tmp_path / "killed")
    writer.close()
    before = files(tmp_path / "killed")
    assert len(before[f"{FILE}-wal"]) > 0

    back_up(tmp_path / "killed", tmp_path / "copy")

    after = files(tmp_path / "killed")
    assert {name: data for name, data in after.items() if not name.endswith("-shm")} == {
        name: data for name, data in before.items() if not name.endswith("-shm")
    }
    put_back(tmp_path / "copy", tmp_path / "again", "h", NOW_MS)
    assert held(tmp_path / "again") == 9


def test_a_copy_is_never_written_over_something(tmp_path):
    ledger(tmp_path / "l").close()
    (tmp_path / "copy").write_text("dear")

    with pytest.raises(WrongBackup, match="is there already"):
        back_up(tmp_path / "l", tmp_path / "copy")
    with pytest.raises(WrongBackup, match="no such folder"):
        back_up(tmp_path / "l", tmp_path / "nowhere" / "copy")
    with pytest.raises(NoLedger, match="no such file"):
        back_up(tmp_path / "nothing", tmp_path / "other")
    assert (tmp_path / "copy").read_text() == "dear"
    assert {file.name for file in tmp_path.iterdir()} == {"l", "copy"}


def test_a_copy_that_finds_no_room_leaves_nothing_behind(tmp_path):
    ledger(tmp_path / "l").close()
    with closing(sqlite3.connect(tmp_path / "l" / FILE)) as connection:
        connection.execute("UPDATE state SET body = zeroblob(3000000)")
        connection.commit()
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, before[1]))
    try:
        with pytest.raises(sqlite3.OperationalError):
            back_up(tmp_path / "l", tmp_path / "copy")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert {file.name for file in tmp_path.iterdir()} == {"l"}


# -- putting back ---------------------------------------------------------------------------------------


@pytest.fixture
def copied(tmp_path):
    """A copy with 9 commits, and a ledger that has gone on to 20 and was killed: its newest commits are in the log."""
    writer = ledger(tmp_path / "first")
    back_up(tmp_path / "first", tmp_path / "copy")
    for number in range(10, 21):
        commit(writer, number)
    shutil.copytree(tmp_path / "first", tmp_path / "l")
    writer.close()
    return tmp_path


def test_the_ledger_that_was_there_is_kept_whole(copied):
    _, aside = put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert held(copied / "l") == 9
    assert aside == copied / "l" / f"ledger-before-restore-{AS_OF}.sqlite3"
    (copied / "old").mkdir()
    shutil.copy(aside, copied / "old" / FILE)
    assert held(copied / "old") == 20
    assert stat.S_IMODE((copied / "l" / FILE).stat().st_mode) == 0o600


def test_while_a_daemon_runs_nothing_is_put_back(copied):
    writer = Writer(copied / "l", "h", NOW_MS)

    with pytest.raises(LedgerBusy, match="another wattround"):
        put_back(copied / "copy", copied / "l", "h", NOW_MS)

    writer.close()
    assert held(copied / "l") == 20


def test_a_damaged_ledger_is_kept_as_it_is_with_its_log(copied):
    (copied / "l" / FILE).write_bytes(b"damaged" * 1000)
    log = b"damaged, too" * 1000
    (copied / "l" / f"{FILE}-wal").write_bytes(log)

    _, aside = put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert held(copied / "l") == 9
    assert aside.read_bytes() == b"damaged" * 1000
    assert aside.with_name(aside.name + "-wal").read_bytes() == log


def spoil(copy, how):
    data = copy.read_bytes()
    match how:
        case "cut short":
            copy.write_bytes(data[: len(data) // 2])
        case "a page of it overwritten":
            copy.write_bytes(data[:4096] + b"\xa5" * 2048 + data[6144:])
        case "no database":
            copy.write_bytes(b"minutes\n1,2,3\n" * 500)
        case "empty":
            copy.write_bytes(b"")
        case "another program's":
            copy.unlink()
            with closing(sqlite3.connect(copy)) as connection:
                connection.executescript("CREATE TABLE song (title TEXT); PRAGMA user_version = 3;")


@pytest.mark.parametrize("how", ["cut short", "a page of it overwritten", "no database", "empty", "another program's"])
def test_what_is_no_whole_ledger_is_refused_and_nothing_changes(copied, how):
    spoil(copied / "copy", how)
    before = files(copied / "l")

    with pytest.raises(WrongBackup, match=r"damaged|no ledger"):
        put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert files(copied / "l") == before


def test_a_copy_of_another_house_or_of_a_newer_program_is_refused(copied):
    with pytest.raises(WrongBackup, match='holds the house "h", these settings are of "other"'):
        put_back(copied / "copy", copied / "l", "other", NOW_MS)
    with pytest.raises(WrongBackup, match="no such file"):
        put_back(copied / "nothing", copied / "l", "h", NOW_MS)
    with closing(sqlite3.connect(copied / "copy")) as connection:
        connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    with pytest.raises(NewerLedger, match="install the newer one"):
        put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert held(copied / "l") == 20


def test_somebody_who_reads_meanwhile_sees_the_old_ledger_to_the_end(copied):
    """A long report is under way."""
    held(copied / "l")
    reader = Reader(copied / "l", "h")
    rows = reader.minutes(0, 1 << 31)
    assert next(rows).minute == MINUTE + 1

    put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert 1 + sum(1 for _ in rows) == 40
    reader.close()
    assert held(copied / "l") == 9


def test_somebody_who_reads_what_stands_in_the_log_only_is_waited_for(copied):
    reader = Reader(copied / "l", "h")
    rows = reader.minutes(0, 1 << 31)
    next(rows)

    with pytest.raises(WrongBackup, match="somebody reads it just now"):
        put_back(copied / "copy", copied / "l", "h", NOW_MS)

    reader.close()
    assert held(copied / "l") == 20


def test_a_copy_of_the_files_by_hand_is_taken_with_its_log(copied):
    """As a plain copy of the folder holds it: the file and the log beside it."""
    put_back(copied / "l" / FILE, copied / "again", "h", NOW_MS)

    assert held(copied / "again") == 20


def test_a_copy_on_a_medium_that_cannot_be_written_can_be_put_back(copied):
    (copied / "medium").mkdir()
    shutil.copy(copied / "copy", copied / "medium" / "copy")
    (copied / "medium" / "copy").chmod(0o400)
    (copied / "medium").chmod(0o500)
    try:
        put_back(copied / "medium" / "copy", copied / "l", "h", NOW_MS)
        assert [file.name for file in (copied / "medium").iterdir()] == ["copy"]
    finally:
        (copied / "medium").chmod(0o700)

    assert held(copied / "l") == 9


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_root_puts_back_what_the_daemons_own_user_is_to_write(copied):
    os.chown(copied / "l", 4321, 4321)

    put_back(copied / "copy", copied / "l", "h", NOW_MS)

    assert (copied / "l" / FILE).stat().st_uid == 4321
