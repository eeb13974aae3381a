"""Whatever a load's past was: an answer, and one that settings can hold."""

from itertools import cycle, islice

from hypothesis import given, settings
from hypothesis import strategies as st

from support.history import BEGIN_MINUTE, DAY, minutes, write
from support.house import settings_of
from wattround.analysis.levels import propose
from wattround.cli.levels import lines, toml
from wattround.ledger.reader import Reader

power = st.one_of(st.just(0.0), st.floats(-60, 5), st.floats(0, 20), st.floats(0, 9_000), st.floats(0, 400_000))
stretch = st.tuples(st.integers(1, 900), st.lists(power, min_size=1, max_size=6), st.booleans(), st.booleans())
"""Minutes long, what it reads within each of them, whether a meter hears it, whether readings give peaks."""


@settings(max_examples=40)
@given(st.lists(stretch, min_size=1, max_size=7), st.integers(1, 6), st.sampled_from([1, 5]))
def test_an_answer_that_settings_can_hold(tmp_path_factory, stretches, days, every):
    folder = tmp_path_factory.mktemp("any")
    readings, peaks = [], []
    for length, watts, heard, peaked in islice(cycle(stretches), 400):
        readings += [watts if heard else []] * length
        peaks += [peaked] * length
        if len(readings) > days * DAY:
            break
    rows = [
        row if peaks[row.minute - BEGIN_MINUTE] else row._replace(peak_milliw=None, low_milliw=None)
        for row in minutes("m", readings)
    ]
    write(folder, rows, {"m": "appliance"})
    reader = Reader(folder, "testhouse")
    span = reader.span() or (0, 1)
    (found,) = propose(reader, ["m"], *span, every)
    reader.close()

    assert all(line.plain for line in lines(found, "Load", width=80) if line.plain.strip())
    assert (found.verdict == "proposed") == (not found.reason) == (found.active_w is not None)
    if found.rows:
        assert abs(sum(row.time_share for row in found.rows) - 1) < 1e-9
    if found.classes:
        assert abs(sum(each.time_share for each in found.classes) - 1) < 1e-9
        assert abs(sum(each.energy_share for each in found.classes) - 1) < 1e-9
        assert [each.mean_w for each in found.classes] == sorted(each.mean_w for each in found.classes)
    if found.active_w is not None:
        assert 0 < found.standby_w < found.active_w
        assert found.active_release_w is None or 0.8 * found.active_w < found.active_release_w < found.active_w
        entry = "\n".join(toml(found)).replace('name = "m"', 'name = "m"\npower = { topic = "t" }\nhighest_w = 500000')
        assert settings_of(entry).meters[0].active_w == found.active_w
