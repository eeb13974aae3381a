"""An hour known by its outline gives what its minutes give, whatever the watts did."""

import random

import pytest

from support.history import BEGIN_MINUTE, minutes, write
from wattround.analysis.outline import first_outside, moved
from wattround.analysis.track import HOUR_MS, Ways
from wattround.analysis.tracks import Tracks
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally
from wattround.metering.level import Thresholds

HOUR = BEGIN_MINUTE // 60
HOURS = 30
WAYS = [
    Ways(Thresholds(5, 40, 32)),
    Ways(Thresholds(5, 40, 32), (100, 250), apart=False),
    Ways(Thresholds(0, None, None), (100,), apart=False),
    Ways(Thresholds(5, 60, 60)),
]


def readings(seed):
    """A load that runs, rests, jumps at and within minutes, sits on a bound, gives power; not covered now and then."""
    rng = random.Random(seed)
    watts, found = 0.0, []
    for minute in range(HOURS * 60):
        if seed % 3 == 2 and minute % 700 < 5:
            found.append([])
            continue
        parts = []
        for _ in range(3):
            if rng.random() < 0.04:
                watts = rng.choice([0.0, 1.0, 4.99, 5.0, 33.0, 40.0, 39.9, 80.0, 100.0, 260.0, -20.0])
            parts.append(watts * rng.uniform(0.999, 1.001) if seed % 2 else watts)
        found.append(parts)
    return found


@pytest.fixture
def past(tmp_path):
    def made(seed):
        write(tmp_path / str(seed), minutes("m", readings(seed)), {"m": "appliance"})
        opened.append(Past(tmp_path / str(seed), "testhouse"))
        return opened[-1]

    opened = []
    yield made
    for each in opened:
        each.close()


def gone_through(past, ways, monkeypatch, *, outlined):
    tracks = Tracks(past, {"m": ways}, ())
    if not outlined:
        monkeypatch.setattr(Past, "outlines", lambda *_: {})
    changes, waste = [], []
    for first in range(HOUR, HOUR + HOURS, 12):
        changes += tracks.through(first, min(first + 12, HOUR + HOURS))
        waste += [tracks.by_name["m"].had(first * HOUR_MS + at * 1_234_567) for at in range(30)]
    tracks.close()
    return changes, waste


@pytest.mark.parametrize("ways", WAYS)
@pytest.mark.parametrize("seed", range(9))
def test_it_gives_what_its_minutes_give(past, seed, ways, monkeypatch):
    opened = past(seed)
    changes, waste = gone_through(opened, ways, monkeypatch, outlined=True)
    plain_changes, plain_waste = gone_through(opened, ways, monkeypatch, outlined=False)

    assert len(changes) > 20
    assert changes == plain_changes
    assert waste == pytest.approx(plain_waste)


def test_an_outline_says_of_each_minute_where_its_watts_lay(past):
    opened = past(1)
    rows = opened.rows("m", HOUR, HOUR + HOURS)
    found = opened.outlines("m", [5000.0, 40_000.0], 5000.0, HOUR, HOUR + HOURS)

    assert len(found) == HOURS
    for hour, outline in found.items():
        mine = [row for row in rows if row[0] // 60 == hour]
        for cut in (5000.0, 40_000.0):
            assert outline.lows[cut] == sum(1 << at for at, row in enumerate(mine) if row[5] >= cut)
            assert outline.peaks[cut] == sum(1 << at for at, row in enumerate(mine) if row[4] >= cut)
        assert outline.above_minutes == sum(row[5] >= 5000 for row in mine)
        assert outline.above_uwh == sum(row[1] for row in mine if row[5] >= 5000)
        for at in range(60):
            inside = [row[5] >= 5000 and row[4] < 40_000 for row in mine]
            expected = next((index for index in range(at, 60) if not inside[index]), 60)
            assert first_outside(outline, 5000.0, 40_000.0, at) == expected
        assert moved(outline)[0] == 0
        assert [row[0] % 60 for row in opened.picked_rows("m", [hour * 60 + at for at in moved(outline)])] == moved(
            outline
        )


def test_an_hour_that_is_not_covered_whole_has_none(past):
    opened = past(2)

    found = opened.outlines("m", [5000.0], 5000.0, HOUR, HOUR + HOURS)

    assert HOUR not in found  # its first minutes are missing
    assert HOUR + 11 not in found
    assert len(found) == HOURS - 3


def test_whoever_adds_up_may_look_at_minutes_too(past, tmp_path):
    past(1)
    tally = Tally(tmp_path / "1", "testhouse")

    assert len(tally.rows("m", HOUR, HOUR + 1)) == 60
    tally.close()
