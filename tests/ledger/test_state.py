"""Saved states: what is saved comes back, and is written where it was."""

import sqlite3
from contextlib import closing
from random import Random

import pytest

from support.history import BEGIN_MINUTE
from support.house import HouseRun
from wattround.ingest.delivery import LIVE
from wattround.ledger.batch import Batch
from wattround.ledger.opening import FILE
from wattround.ledger.writer import Writer

METERS = "".join(
    f'[[meters]]\nname = "m{at}"\nactive_w = 100\nhold = "2m"\npower = {{ topic = "t/m{at}" }}\n' for at in range(40)
)
RULES = "".join(f'[[rules]]\nname = "r{at}"\nload = "m{at}"\nlasting = "9h"\n' for at in range(5))
LOG_HEAD, FRAME = 32, 24 + 2048
"""Bytes of the write-ahead log's head, and of a page in it with its own (SQLite's file format, section 4.1)."""


@pytest.mark.parametrize("numbers", [0, 10, 100, 500, 3000])
def test_a_state_comes_back_as_it_was(tmp_path, numbers):
    value = {"numbers": [Random(numbers).random() for _ in range(numbers)]}
    made = Writer(tmp_path, "h", BEGIN_MINUTE * 60_000)
    made.commit(Batch(states={"house": value}), 5, lambda _name: (0, 60_000))

    assert made.state("house") == (5, value)
    made.close()


@pytest.mark.parametrize(("about", "pages"), [(360, 1), (510, 2), (900, 3)])
def test_a_state_takes_the_pages_that_it_had(tmp_path, about, pages):
    """It changes its length by a little all the time; the log must not grow by pages given back and taken anew.

    360 numbers are packed to 1,800 to 1,910 bytes, which fit into one page with what else a row has.
    """
    dice = Random(3)
    made = Writer(tmp_path, "h", BEGIN_MINUTE * 60_000)
    log = tmp_path / f"{FILE}-wal"
    frames = []
    for at in range(40):
        value = [dice.randrange(10**9) for _ in range(dice.randrange(about - 10, about + 10))]
        before = log.stat().st_size
        made.commit(Batch(states={"house": value}), BEGIN_MINUTE * 60_000 + at, lambda _name: (0, 60_000))
        frames.append((log.stat().st_size - before) / FRAME)
    made.close()

    assert frames[1:] == [pages] * 39  # its leaf, and those behind it


def test_a_house_of_forty_meters_and_five_brewing_rules_takes_one_page(tmp_path):
    """After hours of readings with a decimal, each meter's heard a moment after the one before."""
    dice = Random(5)
    with HouseRun(tmp_path, METERS + RULES) as run:
        for at in range(6 * 120 * 40):
            run.clock.pass_ms(750)
            watts = 200 + at % 40 + dice.randrange(100) / 10
            run.inbox.put((f"t/m{at % 40}", b"%.1f" % watts, run.clock.mono_ms(), LIVE, None))
            if at % 80 == 0:
                run.core.turn()
        run.commit(run.clock.now_ms)
        with closing(sqlite3.connect(run.folder / FILE)) as other:
            other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        run.commit(run.clock.now_ms + 1)

        assert len(run.house.snapshot()["rules"]["runs"]) == 5
        assert (run.folder / f"{FILE}-wal").stat().st_size == LOG_HEAD + FRAME
