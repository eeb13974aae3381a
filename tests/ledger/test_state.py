"""Saved states: what is saved comes back, and is written where it was."""

from random import Random

import pytest

from support.history import BEGIN_MINUTE
from wattround.ledger.batch import Batch
from wattround.ledger.opening import FILE
from wattround.ledger.writer import Writer

FRAME = 2048 + 24
"""A page in the write-ahead log, with its head (SQLite's file format, section 4.1)."""


@pytest.mark.parametrize("numbers", [0, 10, 100, 500, 3000])
def test_a_state_comes_back_as_it_was(tmp_path, numbers):
    value = {"numbers": [Random(numbers).random() for _ in range(numbers)]}
    made = Writer(tmp_path, "h", BEGIN_MINUTE * 60_000)
    made.commit(Batch(states={"house": value}), 5, lambda _name: (0, 60_000))

    assert made.state("house") == (5, value)
    made.close()


def test_a_state_of_more_than_a_page_takes_the_pages_that_it_had(tmp_path):
    """It changes its length by a little all the time; the log must not grow by pages given back and taken anew."""
    dice = Random(3)
    made = Writer(tmp_path, "h", BEGIN_MINUTE * 60_000)
    log = tmp_path / f"{FILE}-wal"
    frames = []
    for at in range(40):
        value = [dice.randrange(10**9) for _ in range(dice.randrange(500, 520))]
        before = log.stat().st_size
        made.commit(Batch(states={"house": value}), BEGIN_MINUTE * 60_000 + at, lambda _name: (0, 60_000))
        frames.append((log.stat().st_size - before) / FRAME)
    made.close()

    assert frames[1:] == [2] * 39  # its leaf, and the page behind it
