"""A short soak: what `tools/soak` looks at over a month, over one day."""

import pytest

from conftest import missing
from faulty.servers import MOSQUITTO
from soak import DAILY_WRITES, Sample, soak, verdict

DAY_ROWS = 1440 * 40


@pytest.mark.server
def test_a_day_at_speed_covers_nearly_every_minute_in_little_room(tmp_path):
    if MOSQUITTO is None:
        missing("mosquitto")
    (found,) = soak(tmp_path, 1, 3600)
    assert 0.9 * DAY_ROWS < found.rows <= DAY_ROWS + 80
    assert found.files < 40
    assert found.ledger / found.rows < 30
    assert found.written < DAILY_WRITES


@pytest.mark.parametrize(
    ("spoilt", "good"),
    [({}, True), ({"resident": 62_000_000}, False), ({"files": 21}, False), ({"written": 400_000_000}, False)],
)
def test_the_verdict_is_bad_where_something_grows(spoilt, good):
    first = Sample(1, 60_000_000, 20, 10_000_000, 1_000_000, DAY_ROWS)
    last = Sample(3, 60_400_000, 20, 40_000_000, 3_000_000, 3 * DAY_ROWS)._replace(**spoilt)
    assert verdict([first, last]) is good
