"""Stamped readings in any order give the same minutes; each counts once."""

from hypothesis import given, settings
from hypothesis import strategies as st

from support.house import HouseRun, stamped_settings
from wattround.metering.late import Stamped, minute_of
from wattround.metering.minute import AMENDED, MINUTE_MS

BEGIN_MS = 1_780_000_020_000


def truth(readings, hold_ms):
    """Rows of all the readings together, in order, the larger of two for one instant: computed in one go."""
    best = {}
    for at_ms, watts in readings:
        best[at_ms] = max(watts, best.get(at_ms, watts))
    ordered = [Stamped(at_ms, watts) for at_ms, watts in sorted(best.items())]
    first, last = ordered[0].at_ms // MINUTE_MS, (ordered[-1].at_ms + hold_ms) // MINUTE_MS
    rows = [minute_of("m", minute, ordered, hold_ms) for minute in range(first, last + 1)]
    return {row.minute: row[2:7] for row in rows if row.covered_ms}


readings_in_any_order = st.lists(
    st.tuples(st.integers(0, 1_200_000).map(lambda ms: BEGIN_MS + ms), st.integers(-2000, 3000).map(float)),
    min_size=1,
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(readings_in_any_order, st.sets(st.integers(0, 40)), st.booleans())
def test_any_order_of_arrival_gives_the_same_minutes(tmp_path_factory, readings, commits, again):
    """Shuffled, repeated, committed at any moment: the ledger's rows are those of the whole series."""
    now = BEGIN_MS + 1_300_000
    with HouseRun(tmp_path_factory.mktemp("late"), stamped_settings()) as run:
        for index, (at_ms, watts) in enumerate(readings + (readings[::-1] if again else [])):
            run.stamped("m", at_ms, watts, now)
            if index in commits:
                run.commit(now)
        run.commit(now)
        run.silence("m", now)
        run.commit(now)

        assert run.rows("m") == truth(readings, 90_000)


def test_a_late_reading_amends_its_closed_minute(tmp_path):
    with HouseRun(tmp_path, stamped_settings()) as run:
        for at_ms in (0, 60_000, 120_000):
            run.stamped("m", BEGIN_MS + at_ms, 100.0, BEGIN_MS + at_ms)
        run.commit(BEGIN_MS + 120_000)
        before = run.rows("m")[BEGIN_MS // MINUTE_MS]

        run.stamped("m", BEGIN_MS + 10_000, 900.0, BEGIN_MS + 130_000)
        run.commit(BEGIN_MS + 130_000)

        row = run.row("m", BEGIN_MS // MINUTE_MS)
        assert row.in_uwh > before[0]
        assert row.origin & AMENDED
