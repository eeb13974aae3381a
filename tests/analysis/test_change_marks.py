"""Changes in pictures: where they were, in words too, and only on the loads that they are about."""

import re
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from support.homes import ms
from wattround.analysis.changemarks import marks_of
from wattround.core.change import Change
from wattround.pictures import curve, heat, strips
from wattround.pictures.curve import Curve
from wattround.pictures.grain import sheet, strip_cells
from wattround.pictures.heat import Heat
from wattround.pictures.mark import Mark, told, within
from wattround.pictures.seen import Seen
from wattround.pictures.strips import Strips

BERLIN = ZoneInfo("Europe/Berlin")
HOUR_MS = 3_600_000


def dashed(svg):
    """The x of each dashed line."""
    return [float(found) for found in re.findall(r'd="M([\d.]+)[^"]*"[^>]*stroke-dasharray', svg)]


def at(day, hour=0):
    return ms(2026, 5, day, hour, zone=BERLIN)


def change(**more):
    return Change.model_validate({"name": "slower", "on": ["pump"], "at": "2026-05-20T12:00:00+02:00", **more})


def test_a_change_marks_its_own_loads_when_it_was_made_and_when_it_was_taken_back():
    back = change(until="2026-05-22T12:00:00+02:00")
    assert marks_of([change()], "pump") == [Mark(at(20, 12), "slower")]
    assert marks_of([back], "pump") == [Mark(at(20, 12), "slower"), Mark(at(22, 12), "slower, taken back")]
    assert marks_of([change()], "tv") == []


def test_only_what_lies_in_the_time_is_marked_in_its_order():
    marks = [Mark(5, "b"), Mark(3, "a"), Mark(10, "after"), Mark(2, "before")]
    assert [each.name for each in within(marks, 3, 10)] == ["a", "b"]
    assert told([Mark(at(20, 23), "late")], BERLIN) == "; changed on 2026-05-20: late"
    assert told([], BERLIN) == ""


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_a_strip_has_it_at_its_share_of_the_time(share):
    begin, end = at(18), at(22)
    cells = strip_cells(begin, end, BERLIN)
    drawn = [Seen(100.0, HOUR_MS, HOUR_MS)] * len(cells)
    mark = Mark(begin + round(share * (end - begin)), "<b>slower</b>")
    svg = Strips(begin, end, BERLIN).strip("s", "Pump", cells, drawn, [mark])
    assert dashed(svg) == [pytest.approx(share * strips.WIDE, abs=0.1)]
    assert "changed on 2026-05-" in svg
    assert "&lt;b&gt;slower" in svg
    assert dashed(Strips(begin, end, BERLIN).strip("s", "Pump", cells, drawn)) == []


@pytest.mark.parametrize("days", [7, 30, 365])
def test_a_heat_map_has_it_in_the_column_of_its_day(days):
    begin, end = ms(2025, 6, 1, zone=BERLIN), 0
    last = date(2025, 6, 1) + timedelta(days=days)
    end = ms(last.year, last.month, last.day, zone=BERLIN)
    of_sheet = sheet(begin, end, BERLIN, minutes=False)
    made = Heat(of_sheet, begin, end, BERLIN)
    drawn = [Seen(100.0, HOUR_MS, HOUR_MS)] * len(of_sheet.cells)
    mark = Mark(ms(2025, 6, 4, 12, zone=BERLIN), "slower")
    svg = made.draw("h", "Pump", drawn, "", [mark])
    column = 3.5 if of_sheet.of == "day" else 3 / 7
    wide = (heat.WIDE - heat.LEFT) / of_sheet.columns
    assert dashed(svg) == [pytest.approx(heat.LEFT + column * wide, abs=0.1)]
    assert dashed(made.draw("h", "Pump", drawn, "", [Mark(end, "later")])) == []


def test_a_curve_has_it_at_its_minute():
    begin = at(20)
    made = Curve(begin, [50.0] * 1440, BERLIN)
    svg = made.draw("c", "Pump", [Mark(begin + 6 * HOUR_MS, "slower")])
    assert dashed(svg) == [pytest.approx(curve.LEFT + (curve.WIDE - curve.LEFT) / 4, abs=0.1)]
    assert made.says([Mark(begin + 6 * HOUR_MS, "slower")]).endswith("; changed on 2026-05-20: slower")
    assert "changed" not in made.says()
