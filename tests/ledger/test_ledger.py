"""The ledger: whole commits or none, totals that follow, a damaged file set aside, one writer."""

import sqlite3
import stat
from contextlib import closing
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wattround.ledger.batch import Batch, Message
from wattround.ledger.opening import FILE, LedgerBusy, LedgerUnusable, open_for_writing
from wattround.ledger.reader import NoLedger, Reader
from wattround.ledger.schema import STEPS, NewerLedger
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute, Patch

NOW_MS = 1_780_000_000_000
MINUTE = NOW_MS // 60_000


def row(meter, minute, into=1_000, covered=60_000):
    return Minute(meter, minute, into, 0, covered, 5_000, 1_000, 1)


def meter_of(shipped):
    return shipped.line.partition(",meter=")[2][0]


def writer(folder, now_ms=NOW_MS):
    made = Writer(folder, "h", now_ms)
    made.register({"a": "circuit", "b": "appliance"})
    return made


def commit(made, *rows, now_ms=NOW_MS, **changes):
    made.commit(Batch(rows=list(rows), **changes), now_ms, lambda _name: (1 << 31, 60_000))


def test_only_its_owner_may_read_it(tmp_path):
    made = writer(tmp_path / "l")
    commit(made, row("a", MINUTE))

    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in (tmp_path / "l").glob("ledger.sqlite3*")}
    assert set(modes) == {FILE, FILE + "-wal", FILE + "-shm"}
    assert set(modes.values()) == {0o600}
    assert stat.S_IMODE((tmp_path / "l").stat().st_mode) == 0o700
    made.close()


def test_a_second_writer_is_refused(tmp_path):
    made = writer(tmp_path)

    with pytest.raises(LedgerBusy, match="another wattround"):
        writer(tmp_path)
    made.close()
    writer(tmp_path).close()


def test_rows_fill_their_pages_in_whatever_order_meters_are_heard(tmp_path):
    """Each minute 40 meters' rows come in another order, some of the minute before among them."""
    dice, names = Random(8), [f"m{number:02}" for number in range(40)]
    pages = []
    for shuffles in (False, True):
        made = Writer(tmp_path / str(shuffles), "h", NOW_MS)
        made.register(dict.fromkeys(names, "circuit"))
        for minute in range(MINUTE, MINUTE + 300):
            early = [row(name, minute - (minute + at) % 2) for at, name in enumerate(names)]
            if shuffles:
                dice.shuffle(early)
            commit(made, *early, now_ms=minute * 60_000)
        made.close()
        with closing(sqlite3.connect(tmp_path / str(shuffles) / FILE)) as file:
            pages.append(file.execute("PRAGMA page_count").fetchone()[0])

    assert pages[0] == pages[1]


def test_a_row_written_again_replaces_and_a_patch_adds(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE, 100), row("a", MINUTE, 200), Patch("a", MINUTE, 50, 0, 10, 4))
    commit(made, Patch("a", MINUTE + 1, 70, 0, 90_000, 4))

    rows = {found.minute: found for found in Reader(tmp_path, "h").minutes(0, 1 << 31)}
    assert (rows[MINUTE].in_uwh, rows[MINUTE].covered_ms, rows[MINUTE].origin) == (250, 60_000, 5)
    assert (rows[MINUTE + 1].in_uwh, rows[MINUTE + 1].covered_ms) == (70, 60_000)
    made.close()


actions = st.lists(
    st.tuples(
        st.sampled_from(["row", "patch", "commit", "restart"]),
        st.sampled_from("ab"),
        st.integers(0, 400),
        st.integers(0, 999),
    ),
    max_size=60,
)


@settings(max_examples=60)
@given(actions, st.integers(0, 10), st.integers(0, 420))
def test_hour_totals_are_the_sums_of_their_minutes(tmp_path_factory, steps, begin, end):
    """Whatever is written, amended, and restarted in between: totals of any stretch equal the minutes added up."""
    folder = tmp_path_factory.mktemp("hours")
    first = MINUTE - 600
    made = writer(folder)
    batch = Batch()
    for what, meter, minute, energy in steps:
        match what:
            case "row":
                batch.rows.append(row(meter, first + minute, energy))
            case "patch":
                batch.rows.append(Patch(meter, first + minute, energy, energy // 2, 1_000, 4))
            case _:
                commit(made, *batch.rows, now_ms=NOW_MS + minute * 60_000 - 12_000_000)
                batch = Batch()
        if what == "restart":
            made.close()
            made = writer(folder, NOW_MS)
    commit(made, *batch.rows, now_ms=NOW_MS)

    reader = Reader(folder, "h")
    expected = {}
    for found in reader.minutes(first + begin, first + end):
        into, out, covered = expected.get(found.meter, (0, 0, 0))
        expected[found.meter] = (into + found.in_uwh, out + found.out_uwh, covered + found.covered_ms)
    assert {name: tuple(total) for name, total in reader.sums(first + begin, first + end).items()} == expected
    reader.close()
    made.close()


def test_a_commit_that_fails_leaves_nothing_behind(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE))

    with pytest.raises(KeyError):
        commit(made, row("a", MINUTE + 1), row("nobody", MINUTE + 1))

    assert [found.minute for found in Reader(tmp_path, "h").minutes(0, 1 << 31)] == [MINUTE]
    commit(made, row("a", MINUTE + 2))
    made.close()


@pytest.mark.parametrize("damage", ["header", "middle", "garbage", "short"])
def test_a_damaged_file_is_set_aside_and_measuring_goes_on(tmp_path, damage):
    made = writer(tmp_path)
    for start in range(0, 3000, 500):
        commit(made, *(row("a", MINUTE - 3000 + start + index) for index in range(500)))
    made.close()
    file = tmp_path / FILE
    data = bytearray(file.read_bytes())
    if damage == "header":
        data[:16] = b"x" * 16
    elif damage == "middle":
        for page in range(4096 * 3, len(data), 4096):
            data[page : page + 512] = b"\xa5" * 512
    elif damage == "short":
        data = data[: len(data) // 2]
    else:
        data = bytearray(b"no database at all" * 1000)
    file.write_bytes(data)

    again = writer(tmp_path)

    assert again.set_aside is not None
    assert again.set_aside.name.startswith("ledger-damaged-2026-05-28T")
    assert again.set_aside.read_bytes() == bytes(data)
    commit(again, row("a", MINUTE))
    assert [found.minute for found in Reader(tmp_path, "h").minutes(0, 1 << 31)] == [MINUTE]
    again.close()


def test_a_whole_file_is_kept(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE))
    made.close()

    again = writer(tmp_path)

    assert again.set_aside is None
    assert len(list(Reader(tmp_path, "h").minutes(0, 1 << 31))) == 1
    again.close()


def test_a_folder_that_cannot_be_used_is_said(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")

    with pytest.raises(LedgerUnusable, match="a folder that wattround may write"):
        open_for_writing(blocked / "below", NOW_MS)


def test_a_ledger_of_a_newer_program_is_left_alone(tmp_path):
    writer(tmp_path).close()
    with sqlite3.connect(tmp_path / FILE) as connection:
        connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    connection.close()

    with pytest.raises(NewerLedger, match="install the newer one"):
        writer(tmp_path)
    assert not list(tmp_path.glob("ledger-damaged*"))


def test_readers_cannot_write_and_need_a_ledger(tmp_path):
    with pytest.raises(NoLedger, match="no such file"):
        Reader(tmp_path, "h")
    made = writer(tmp_path)
    commit(made, row("a", MINUTE))
    reader = Reader(tmp_path, "h")

    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.execute("DELETE FROM minute_row")
    reader.close()
    made.close()


def test_old_minutes_are_pruned_and_their_hours_stay(tmp_path):
    made = writer(tmp_path)
    commit(made, row("a", MINUTE - 5000, 77), row("a", MINUTE), journal={("a", NOW_MS - 10): 1.0, ("a", NOW_MS): 2.0})
    made.prune(NOW_MS - 5, MINUTE - 100)

    reader = Reader(tmp_path, "h")
    assert [found.minute for found in reader.minutes(0, 1 << 31)] == [MINUTE]
    hour = (MINUTE - 5000) // 60
    assert reader.sums(hour * 60, hour * 60 + 60)["a"].in_uwh == 77
    assert [reading.at_ms for reading in made.readings("a", 0, NOW_MS + 1)] == [NOW_MS]
    reader.close()
    made.close()


def test_a_row_and_the_record_of_it_commit_together(tmp_path):
    """Messages, states and rows: all of them after a good commit, none after a failed one."""
    made = writer(tmp_path)
    message = Message("hub", NOW_MS, "t", "b", "{}")
    commit(made, row("a", MINUTE), messages=[message], states={"house": {"x": 1}})
    with pytest.raises(KeyError):
        commit(made, row("nobody", MINUTE), messages=[message], states={"house": {"x": 2}})

    assert [waiting.message for waiting in made.waiting(0)] == [message]
    assert made.state("house") == (NOW_MS, {"x": 1})
    made.close()


def test_a_row_amended_again_while_it_is_on_its_way_to_the_archive_goes_once_more(tmp_path):
    made = writer(tmp_path)
    made.ship_mark = MINUTE
    commit(made, row("a", MINUTE, 100))
    (shipped,) = made.lines.amended_rows(10, newest_wins=True)
    commit(made, row("a", MINUTE, 200))  # before the database has answered
    commit(made, reshipped=[(MINUTE, shipped.meter_id, shipped.revision)])

    (again,) = made.lines.amended_rows(10, newest_wins=True)
    assert (" in_wh=0.000200," in again.line, again.revision > shipped.revision) == (True, True)
    commit(made, reshipped=[(MINUTE, again.meter_id, again.revision)])
    assert made.lines.amended_rows(10, newest_wins=True) == []
    made.close()


def test_a_row_that_went_out_as_amended_never_says_two_things_by_one_revision(tmp_path):
    """After a kill with the clock set back, what counts as shipped may lie before it."""
    made = writer(tmp_path)
    made.ship_mark = MINUTE
    commit(made, row("a", MINUTE, 100), row("b", MINUTE, 7))
    shipped = {meter_of(each): each for each in made.lines.amended_rows(10, newest_wins=True)}
    made.ship_mark = MINUTE - 60
    commit(made, row("a", MINUTE, 200))

    again = {meter_of(each): each for each in made.lines.next_rows((-1, 0), MINUTE, 10, newest_wins=True)}
    assert " in_wh=0.000200," in again["a"].line
    assert again["a"].revision > shipped["a"].revision
    assert again["b"] == shipped["b"]
    made.close()
