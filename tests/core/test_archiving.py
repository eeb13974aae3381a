"""The archive's cursor, where the next rows are asked for while those before are still on their way."""

import pytest

from support.house import HouseRun
from wattround.core.archiving import Parcel
from wattround.metering.minute import MINUTE_MS

BEGIN = 1_780_000_020_000
FIRST = BEGIN // MINUTE_MS
STAMPED = '[[meters]]\nname = "m"\npower = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'
ARCHIVE = '[archive]\nurl = "http://127.0.0.1:1"\n'


@pytest.fixture
def run(tmp_path, monkeypatch):
    """A house with twenty minutes in its ledger, whose parcels hold three rows."""
    monkeypatch.setattr("wattround.core.archiving.BATCH_ROWS", 3)
    with HouseRun(tmp_path, STAMPED + ARCHIVE, BEGIN) as house:
        for second in range(0, 1200, 30):
            house.stamped("m", BEGIN + second * 1000, 1000, BEGIN + second * 1000)
        house.clock.pass_ms(1_200_000)
        house.core.turn()
        house.commit(house.clock.now_ms)
        yield house


def parcel(run, following=None):
    return run.inbox_answer("archive-rows", following=following)


def minutes(parcel):
    return [row.minute - FIRST for row in parcel.rows]


def arrived(run, parcel):
    run.inbox_answer("archive-arrived", parcel=parcel)


def cursor(run):
    return run.core.archive.done[0] - FIRST


def test_what_follows_a_parcel_is_handed_out_before_that_has_arrived(run):
    first = parcel(run)
    second = parcel(run, first)

    assert (minutes(first), minutes(second)) == ([0, 1, 2], [3, 4, 5])
    arrived(run, first)
    assert cursor(run) == 2
    arrived(run, second)
    assert cursor(run) == 5


def test_one_that_follows_what_never_arrived_does_not_move_the_cursor(run):
    first = parcel(run)
    second = parcel(run, first)
    arrived(run, second)

    assert run.core.archive.done == (-1, 0)
    assert minutes(parcel(run)) == [0, 1, 2]


def test_after_a_refill_nothing_follows_on_what_went_out_before(run):
    first = parcel(run)
    second = parcel(run, first)
    arrived(run, first)
    run.inbox_answer("archive-refill", from_minute=FIRST + 3)  # just where the cursor stands
    arrived(run, second)

    assert cursor(run) == 2
    assert parcel(run, second).rows == []
    assert minutes(parcel(run)) == [3, 4, 5]


def test_amended_rows_come_before_others(run):
    first = parcel(run)
    run.stamped("m", BEGIN + MINUTE_MS + 5_000, 5_000, run.clock.now_ms)
    run.commit(run.clock.now_ms)

    assert parcel(run, first).rows == []
    arrived(run, first)
    amended = parcel(run)
    assert (minutes(amended), amended.in_order) == ([1], False)
    arrived(run, amended)
    run.commit(run.clock.now_ms)
    assert minutes(parcel(run)) == [3, 4, 5]


def test_only_a_full_parcel_in_order_has_more_behind_it(run):
    first = parcel(run)

    assert first.more
    assert not Parcel(first.rows, in_order=False).more
    assert not Parcel(first.rows[:2], in_order=True).more
