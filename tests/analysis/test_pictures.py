"""Pictures: what they show is what the ledger has, what is not known looks unknown, and all of it can be told apart."""

import re
import subprocess
import sys
from datetime import date
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.homes import FLAT, METERS, by_name, frame, house, ms, of, random_house, row
from wattround.analysis.comparison import bridge, changes, leaves, scale
from wattround.analysis.report import Scene
from wattround.analysis.reporting.nights import nights as nights_of
from wattround.analysis.reporting.watts import house_signs, load_signs, rows_signs, seen
from wattround.ledger.tally import Tally
from wattround.ledger.writer import Writer
from wattround.pictures import base
from wattround.pictures import bridge as bridges
from wattround.pictures.grain import sheet, strip_cells, ticks
from wattround.pictures.heat import Heat
from wattround.pictures.ink import BELOW, DARK, INKS, LIGHT, SHARED, UNKNOWN, Drawing, even_scale, watts_text
from wattround.pictures.painting import darknesses, key, paint
from wattround.pictures.seen import mean_w
from wattround.pictures.strips import Strips

BERLIN = ZoneInfo("Europe/Berlin")
DAY_MS = 86_400_000
FROM, TO = ms(2026, 5, 29, zone=BERLIN), ms(2026, 5, 31, zone=BERLIN)
ZONES = ["Europe/Berlin", "Asia/Kolkata", "Australia/Lord_Howe", "America/Santiago", "UTC"]
"""One that skips its midnight (Santiago), one that goes by half an hour, one half an hour off."""

# -- one ink, and enough of it --------------------------------------------------------------------


def channels(colour):
    return [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]


def on_paper(paper, ink_share):
    """Ink of some opacity on paper: source-over, on coded values, as browsers do (W3C Compositing 1, 5.1 and 10)."""
    pairs = zip(channels(paper["paper"]), channels(paper["ink"]), strict=True)
    return [under * (1 - ink_share) + over * ink_share for under, over in pairs]


def luminance(rgb):
    """Relative luminance, as WCAG 2.2 defines it."""
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first, second):
    """Contrast ratio, as WCAG 2.2 defines it."""
    darker, lighter = sorted((luminance(first), luminance(second)))
    return (lighter + 0.05) / (darker + 0.05)


def lightness(rgb):
    """CIE 1976 L* of a luminance relative to white (CIE 15, from memory)."""
    y = luminance(rgb)
    return 116 * y ** (1 / 3) - 16 if y > (6 / 29) ** 3 else y * (29 / 3) ** 3


def test_the_contrast_is_measured_as_the_guidelines_do():
    assert contrast([0, 0, 0], [1, 1, 1]) == pytest.approx(21)
    # #767676 on white is the lightest grey with 4.5 : 1, a figure much quoted (from memory)
    assert contrast(channels("#767676"), [1, 1, 1]) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("paper", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_marks_stand_out(paper):
    """WCAG 2.2: 1.4.6 asks 7 : 1 of text, 1.4.3 at least 4.5, 1.4.11 asks 3 of what a picture is understood by."""
    ground = channels(paper["paper"])
    assert contrast(channels(paper["ink"]), ground) >= 7
    assert contrast(channels(paper["soft"]), ground) >= 4.5
    assert contrast(on_paper(paper, INKS[base.BAR_INK]), ground) >= 3
    assert contrast(on_paper(paper, INKS[-1]), on_paper(paper, INKS[bridges.LESS_INK])) >= 3  # more, beside less
    assert contrast(on_paper(paper, INKS[-1]), on_paper(paper, INKS[base.BAR_INK])) >= 3  # the median over the bars


@pytest.mark.parametrize("paper", [LIGHT, DARK], ids=["light", "dark"])
def test_darknesses_can_be_told_apart_in_grey(paper):
    """Each step is as large as others, in the lightness that eyes see, and larger than 8 (common practice, no source)."""
    shades = [lightness(on_paper(paper, share)) for share in (0, *INKS)]
    steps = np.diff(shades)
    assert (np.sign(steps) == np.sign(steps[0])).all()
    assert np.abs(steps[1:]).min() > 8
    assert np.abs(steps[1:]).max() < 2.2 * np.abs(steps[1:]).min()


def test_the_ink_has_no_colour_that_says_anything():
    """Pictures are black with opacities; the page's ink and paper are near grey: no channel is far from the others."""
    drawing = Drawing(100, 20)
    drawing.boxes([(0, 0, 10, 10)], 3)
    drawing.boxes([(20, 0, 30, 10)], UNKNOWN)
    drawing.line([(0, 15), (100, 15)], dashed=True)
    drawing.text(50, 15, "5 W")
    found = drawing.svg("a", "A picture", "of nothing")

    assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', found)) <= {"none", "currentColor"}
    for paper in (LIGHT, DARK):
        for colour in paper.values():
            assert max(channels(colour)) - min(channels(colour)) < 0.1


# -- drawings as elements of a page ---------------------------------------------------------------


def test_text_stays_text_and_what_is_hostile_stays_text_too():
    drawing = Drawing(100, 20)
    drawing.text(0, 10, "$\\frac{<b>")
    found = drawing.svg("a", '<script>alert("x")</script>', "bell \a & ]]> <!-- ")

    assert ">$\\frac{&lt;b&gt;</text>" in found
    assert '<title id="a-title">&lt;script&gt;alert("x")&lt;/script&gt;</title>' in found
    assert "bell \N{REPLACEMENT CHARACTER} &amp; ]]&gt; &lt;!-- " in found
    assert (
        'aria-labelledby="a-title a-says" role="img"' in found or 'role="img" aria-labelledby="a-title a-says"' in found
    )
    for never in ("http", "style=", "<style", "metadata", "xmlns", "<!--", "DOCTYPE"):
        assert never not in found


DRAW = """
from wattround.pictures.ink import Drawing, UNKNOWN
drawing = Drawing(120, 30)
drawing.boxes([(0, 0, 10.123456, 20), (20, 0, 33.3333333, 20)], 2)
drawing.boxes([(40, 0, 60, 20)], UNKNOWN)
drawing.line([(0, 25), (120, 25)], dashed=True)
drawing.text(60, 28, "12 W", anchor="center")
print(drawing.svg("a", "A", "b"))
"""


def test_the_same_picture_is_the_same_characters_wherever_it_is_drawn(tmp_path):
    plain = subprocess.run([sys.executable, "-c", DRAW], check=True, capture_output=True, text=True, timeout=60)
    odd = subprocess.run(
        [sys.executable, "-c", DRAW], check=True, capture_output=True, text=True, timeout=60, cwd=tmp_path,
        env={"PYTHONHASHSEED": "7", "LC_ALL": "de_DE.UTF-8", "TZ": "Asia/Kolkata"},
    )  # fmt: skip

    assert plain.stdout == odd.stdout
    assert plain.stdout.count("<path") == 3
    assert 'd="M0 0h10.12v20h-10.12zM20 0h13.33v20h-13.33z" fill-opacity="0.36"' in plain.stdout


@given(st.lists(st.integers(-2, 6), min_size=24 * 3, max_size=24 * 3))
def test_equal_neighbours_become_one_box_and_nothing_is_lost(dark):
    """Against plain arithmetic: every hour of three days is covered once, by a box of its own darkness."""
    cells = sheet(FROM, FROM + 3 * DAY_MS, BERLIN, minutes=False).cells
    boxes = {}

    class Counting:
        def boxes(self, found, darkness):
            boxes[darkness] = found

    paint(Counting(), cells, dark, lambda cell: (cell.left, cell.top, cell.right, cell.bottom))
    covered = np.full((24, 3), -99)
    for darkness, found in boxes.items():
        for left, top, right, bottom in found:
            part = covered[round(top) : round(bottom), round(left) : round(right)]
            assert (part == -99).all()
            part[:] = darkness
    assert (covered == np.array(dark).reshape(3, 24).T).all()


@given(st.floats(0, 30_000))
def test_a_scale_has_even_round_steps(most):
    edges = even_scale(most).edges_w
    steps = np.diff((0, *edges[1:]))

    assert len(edges) == len(INKS) - 1
    assert sorted(set(edges)) == list(edges)
    assert np.allclose(steps, steps[0])
    assert float(f"{steps[0]:.1e}") == pytest.approx(steps[0])
    if most >= 10:
        assert edges[-1] <= most * (1 + 1e-9) < edges[-1] * 1.7


def test_watts_as_people_write_them():
    assert watts_text(1234.4, kilo=False) == "1234 W"
    assert [watts_text(each) for each in (0, -0.04, -0.5, 9.96, 85.46, 999.4, 999.6, 1240, -1500)] == [
        "0 W", "0 W", "-0.5 W", "10 W", "85 W", "999 W", "1 kW", "1.2 kW", "-1.5 kW",
    ]  # fmt: skip


# -- cells ----------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    st.sampled_from(ZONES),
    st.dates(date(2025, 1, 1), date(2027, 12, 31)),
    st.sampled_from([1, 2, 3, 15, 17, 40, 63, 400, 801]),
    st.integers(0, 1439),
)
def test_cells_tile_the_time_and_stand_where_the_clock_shows_them(zone_name, day, days, short):
    """Against pandas' own time zones; a day that is not over ends in the middle."""
    zone = ZoneInfo(zone_name)
    midnights = pd.date_range(day, periods=days + 1, freq="D").tz_localize(
        zone, ambiguous=True, nonexistent="shift_forward"
    )
    from_ms, end = (round(midnights[at].timestamp()) * 1000 for at in (0, -1))
    to_ms = max(from_ms + 60_000, end - short * 60_000)

    across = strip_cells(from_ms, to_ms, zone)
    assert [across[0].left, across[-1].right] == [0, to_ms - from_ms]
    assert all(cell.right == after.left for cell, after in pairwise(across))
    assert len(across) <= 801

    of = sheet(from_ms, to_ms, zone, minutes=False)
    spans = sorted((span, cell) for cell in of.cells for span in cell.spans)
    assert [spans[0][0][0], spans[-1][0][1]] == [from_ms, to_ms]
    assert all(before[0][1] == after[0][0] for before, after in pairwise(spans))
    begins = pd.to_datetime([span[0] for span, _ in spans], unit="ms", utc=True).tz_convert(zone)
    assert [int(cell.top) for _, cell in spans] == list(begins.hour)
    columns = (begins.tz_localize(None).normalize() - pd.Timestamp(day)).days // (7 if of.of == "week" else 1)
    assert [int(cell.left) for _, cell in spans] == list(columns)


def test_the_day_of_23_hours_has_no_third_hour_and_that_of_25_has_it_twice():
    """Berlin, 2026: the clock goes from 02:00 to 03:00 on 29 March, and from 03:00 back to 02:00 on 25 October."""
    spring, autumn = ms(2026, 3, 29, zone=BERLIN), ms(2026, 10, 25, zone=BERLIN)
    short = sheet(spring - DAY_MS, ms(2026, 3, 30, zone=BERLIN), BERLIN, minutes=False)
    long = sheet(autumn, ms(2026, 10, 26, zone=BERLIN), BERLIN, minutes=True)
    hours = sheet(autumn, ms(2026, 10, 26, zone=BERLIN), BERLIN, minutes=False)

    assert len(short.cells) == 47
    assert short.skipped == [(1, 2, 3)]
    assert {cell.top for cell in short.cells if cell.left == 1} == {*range(24)} - {2}
    assert len(long.cells) == 25 * 60
    assert [(cell.top, cell.bottom) for cell in hours.cells][1:5] == [(1, 2), (2, 2.5), (2.5, 3), (3, 4)]
    assert hours.cells[3].spans == ((autumn + 3 * 3_600_000, autumn + 4 * 3_600_000),)
    assert len(strip_cells(autumn, ms(2026, 10, 26, zone=BERLIN), BERLIN)) == 100


@given(st.sampled_from(ZONES), st.integers(0, 1200), st.integers(1, 3000), st.integers(4, 12))
def test_marks_at_the_axis_are_few_and_lie_within_the_time(zone, begin, days, most):
    zone = ZoneInfo(zone)
    days_of = pd.date_range("2024-01-01", periods=begin + days + 1, freq="D")
    edges = days_of.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
    from_ms, to_ms = (round(edges[at].timestamp()) * 1000 for at in (begin, -1))
    found = ticks(from_ms, to_ms, zone, most)

    assert 1 <= len(found) <= most + 1
    assert all(from_ms <= each.at_ms <= to_ms for each in found)
    assert all(before.at_ms < after.at_ms for before, after in pairwise(found))


# -- watts ----------------------------------------------------------------------------------------


def hourly(rows, name, zone):
    theirs = frame(rows, zone)
    theirs = theirs[theirs["meter"] == name]
    return theirs.groupby([theirs["local"].dt.date, theirs["local"].dt.hour])[["net", "covered_ms"]].sum()


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Asia/Kolkata"])
def test_the_hours_of_a_heat_map_equal_pandas(tmp_path, zone):
    rows = random_house(21, 3 * 1440, gaps=0.2)
    scene, tally = house(tmp_path, rows, METERS, FLAT.replace("Europe/Berlin", zone))
    begin = ms(2026, 5, 29, zone=ZoneInfo(zone))
    of_sheet = sheet(begin, begin + 2 * DAY_MS, ZoneInfo(zone), minutes=False)
    [found] = seen(scene, tally.kept(), of_sheet.cells, [load_signs(scene, "oven")], 2 * DAY_MS)
    tally.close()

    expected, days = hourly(rows, "oven", zone), [date(2026, 5, 29), date(2026, 5, 30)]
    assert len(found) == 48
    for cell, mine in zip(of_sheet.cells, found, strict=True):
        key = days[int(cell.left)], int(cell.top)
        if mine is None:
            assert key not in expected.index
            continue
        net, covered = expected.loc[key]
        assert mine.covered_ms == covered
        assert mine.watts == pytest.approx(net * 3.6 / covered)
        assert (mine.drawn_w is None) == (covered < 1_800_000)


def test_hours_whose_minutes_are_gone_are_drawn_as_they_were(tmp_path):
    rows = random_house(22, 2880, gaps=0.05)
    scene, tally = house(tmp_path, rows)
    cells = sheet(FROM, TO, BERLIN, minutes=False).cells
    before = seen(scene, tally.kept(), cells, [load_signs(scene, "tv"), house_signs(scene)], TO - FROM)
    tally.close()
    writer = Writer(tmp_path / "ledger", "testhouse", TO)
    writer.prune(0, FROM // 60_000 + 2000)
    writer.close()
    tally = Tally(tmp_path / "ledger", "testhouse")
    scene = Scene.of(tally, scene.settings)
    after = seen(scene, tally.kept(), cells, [load_signs(scene, "tv"), house_signs(scene)], TO - FROM)
    tally.close()

    assert after == before


def test_the_strips_of_a_report_add_up_to_the_house(tmp_path):
    """With everything heard: in each cell, and each over all cells to its row."""
    scene, tally = house(tmp_path, random_house(23, 2880, begin=FROM // 60_000, gaps=0))
    found = of(scene, FROM, TO)
    parts = list(rows_signs(scene, found.total))
    cells = strip_cells(FROM, TO, BERLIN)
    *drawn, whole = seen(scene, tally.kept(), cells, [*(signs for _, signs in parts), house_signs(scene)], TO - FROM)
    tally.close()

    assert [row for row, _ in parts] == [row for row, _ in leaves(found.total)]
    assert {row.kind for row, _ in parts} == {"load", "remainder"}
    for (row_of, _), mine in zip(parts, drawn, strict=True):
        assert sum(each.watts * each.covered_ms for each in mine) / 3.6 == pytest.approx(row_of.uwh, rel=1e-9)
    for at, total in enumerate(whole):
        assert sum(mine[at].watts for mine in drawn) == pytest.approx(total.watts, abs=1e-6)
    assert mean_w(whole) * (TO - FROM) / 3.6 == pytest.approx(found.total.uwh)


def test_what_was_not_heard_is_hatched_and_nothing_drawn_is_not(tmp_path):
    """A television that is silent for a day, and off for the next: neither is drawn, but one is known."""
    begin = FROM // 60_000
    rows = [row("supply", begin + at, 300) for at in range(2880)] + [row("roof", begin + at, 0) for at in range(2880)]
    rows += [row("board", begin + at, 100) for at in range(2880)]
    rows += [row("tv", begin + at, 0) for at in range(1440, 2880)] + [row("tv", begin, 50)]
    scene, tally = house(tmp_path, rows)
    cells = strip_cells(FROM, TO, BERLIN)
    tv, rest = seen(scene, tally.kept(), cells, [{"tv": 1}, {"supply": 1, "board": -1, "tv": -1}], TO - FROM)
    tally.close()

    assert darknesses(tv, SHARED) == [UNKNOWN] * 96 + [0] * 96
    assert darknesses(rest, SHARED) == [UNKNOWN] * 96 + [SHARED.darkness(200)] * 96
    strips = Strips(FROM, TO, BERLIN)
    drawn = strips.strip("tv", "Television", cells, tv)
    hatching, plain = re.findall(r'<path d="([^"]*)" (fill="none"|fill-opacity="0.06")', drawn)
    assert hatching[1] == 'fill="none"'
    # both halves of the strip, each its own way
    assert all(0 <= float(x) <= 165.01 for x in re.findall(r"[ML](\S+) ", hatching[0]))
    assert plain == ("M165 0h165v14h-165z", 'fill-opacity="0.06"')
    assert "not heard 50 % of the time" in drawn
    assert [each.label for each in strips.key("key")][-1] == "not heard"


def test_less_than_nothing_has_a_mark_of_its_own():
    assert [SHARED.darkness(each) for each in (-500, -1, -0.5, 0, 0.99, 1, 2500, None)] == [
        BELOW, BELOW, 0, 0, 0, 1, 6, UNKNOWN,
    ]  # fmt: skip
    assert [each.label for each in key("k", SHARED, {BELOW})][-2:] == ["from 2 kW", "below 0"]


def test_the_heat_maps_table_says_what_the_picture_does(tmp_path):
    """1800 W from 12:00 to 13:00 of the second day; 3 W else."""
    begin = FROM // 60_000
    rows = [row("oven", begin + at, 1800 if 2160 <= at < 2220 else 3) for at in range(2880)]
    rows += [row("supply", begin + at, 2000) for at in range(2880)]
    scene, tally = house(tmp_path, rows)
    of_sheet = sheet(FROM, TO, BERLIN, minutes=False)
    [mine] = seen(scene, tally.kept(), of_sheet.cells, [{"oven": 1}], TO - FROM)
    tally.close()
    heat = Heat(of_sheet, FROM, TO, BERLIN)
    hours = heat.hours(mine)

    assert (hours[12].mean_w, hours[12].most_w, hours[12].when) == (901.5, 1800, "2026-05-30")
    assert hours[12].kwh == pytest.approx(1.803)
    assert (hours[11].mean_w, hours[11].most_w) == (3, 3)
    assert heat.says(hours, mine) == (
        "most between 12:00 and 13:00, 902 W in the mean; least between 0:00 and 1:00, 3 W; the most in one cell is"
        " 1.8 kW, 2026-05-30"
    )


# -- base load ------------------------------------------------------------------------------------


def test_the_nights_are_those_of_the_report_and_a_silent_one_is_not_known(tmp_path):
    """80, 95 and 110 W at 3 in the morning; the supply is silent in the third night of four."""
    begin, low = FROM // 60_000, (80, 95, 60, 110)
    rows = [
        row("supply", begin + at, low[at // 1440] if at % 1440 // 60 == 3 else 200)
        for at in range(4 * 1440)
        if not 2880 <= at < 2880 + 360
    ]
    rows += [row("roof", begin + at, 0) for at in range(4 * 1440)]
    scene, tally = house(tmp_path, rows)
    found = of(scene, FROM, FROM + 4 * DAY_MS)
    nights = nights_of(scene, tally.kept(), FROM, FROM + 4 * DAY_MS)
    tally.close()

    assert [None if each.watts is None else round(each.watts, 3) for each in nights] == [80, 95, None, 110]
    assert found.base.nights == 3
    assert np.median([each.watts for each in nights if each.watts]) == pytest.approx(found.base.watts)
    assert base.says(nights, 70.0) == (
        "median 95 W of 3 nights, from 80 W (2026-05-29) to 110 W (2026-06-01); before: 70 W; 1 night not known"
    )
    drawn = base.draw("base", nights, 70.0, BERLIN)
    assert len(re.findall(r'<path d="M[^"]*L[^"]*" fill="none" stroke="currentColor" stroke-width="0.9"', drawn)) == 1
    assert drawn.count("stroke-dasharray") == 1


# -- bridge ---------------------------------------------------------------------------------------


def exactly(found):
    assert sum((each.kwh for each in found.steps), found.total.then_kwh) == found.total.now_kwh
    assert sum((each.money for each in found.steps), found.total.then_money) == found.total.now_money
    assert sum(each.then_kwh for each in found.steps) == found.total.then_kwh
    assert sum(each.now_money for each in found.steps) == found.total.now_money


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.02, 0.3]), st.integers(1, 3), st.integers(1, 30))
def test_the_bridge_adds_up_to_the_last_digit(tmp_path_factory, seed, gaps, days, hours):
    """Also where the times differ in length and one is scaled, where meters were silent, and when it is shortened."""
    rows = random_house(seed, 5 * 1440, gaps=gaps)
    scene, tally = house(tmp_path_factory.mktemp("h"), rows)
    before = of(scene, FROM, FROM + days * DAY_MS)
    now = of(scene, FROM + 3 * DAY_MS, FROM + 3 * DAY_MS + hours * 3_600_000)
    tally.close()
    found, then = bridge(now, before), changes(now, before)

    exactly(found)
    for most in (1, 2, 3):
        short = found.shortened(most)
        exactly(short)
        assert len(short.steps) == min(most, len(found.steps))
    assert (scale(now, before) == 1) == (round(hours / 24) == days and hours >= 24)
    assert found.total.then_money == then["total", "testhouse"].money
    labels = {label: (row_of.kind, row_of.name) for row_of, label in leaves(now.total)}
    for step in found.steps:
        if step.label in labels and labels[step.label] in then:
            assert (step.then_kwh, step.then_money) == then[labels[step.label]]


def test_a_scaled_comparison_is_multiplied_by_the_lengths(tmp_path):
    scene, tally = house(tmp_path, random_house(31, 5 * 1440, gaps=0))
    before, now = of(scene, FROM, FROM + DAY_MS), of(scene, FROM + DAY_MS, FROM + 3 * DAY_MS)
    tally.close()

    assert scale(now, before) == 2
    tv, step = (
        by_name(before)["load", "tv"],
        next(step for step in bridge(now, before).steps if step.label == "Television"),
    )
    assert abs(step.then_kwh - 2 * tv.kwh) <= Decimal("0.02")
    assert step.now_kwh == by_name(now)["load", "tv"].kwh


@given(st.decimals(0, 9999, places=2), st.lists(st.decimals(-500, 500, places=2), min_size=1, max_size=12))
def test_each_bar_begins_where_the_one_before_has_ended(then, steps):
    found = bridges.bars(then, steps)

    assert found[0] == (then, then)
    assert found[-1] == (then + sum(steps), then + sum(steps))
    assert all(bar.end == after.begin for bar, after in pairwise(found))
    assert [bar.end - bar.begin for bar in found[1:-1]] == steps


def test_bars_are_drawn_on_one_axis():
    """100, then 25 less, then 50 more: the axis reaches from 75 to 125, so a step of 25 is half of it."""
    found = list(bridges.draw("b", bridges.bars(Decimal(100), [Decimal(-25), Decimal(50)]), ["a", "b", "c", "d"]))
    boxes = [re.findall(r'd="M([\d.]+) [\d.]+h([\d.]+)v', each)[0] for each in found]
    whole = bridges.WIDE - 2 * bridges.MARGIN

    assert [float(wide) for _, wide in boxes][1:3] == pytest.approx([whole / 2 + 0.6, whole + 0.6], abs=0.02)
    assert float(boxes[1][0]) == pytest.approx(float(boxes[2][0]), abs=0.02)
    assert [f'fill-opacity="{INKS[bridges.LESS_INK]}"' in each for each in found] == [False, True, False, False]
    assert all(f">{text}</title>" in each for text, each in zip("abcd", found, strict=True))


def test_a_picture_is_drawn_with_nothing_but_the_standard_library():
    """So that it can be drawn wherever the daemon runs; pages are filled by what messages are filled by, too."""
    code = (
        "import sys; before = set(sys.modules)\n"
        "import wattround.pictures.heat, wattround.pictures.strips, wattround.pictures.base, wattround.pictures.bridge\n"
        "names = {each.partition('.')[0] for each in set(sys.modules) - before if each[0] != '_'}\n"
        "print(sorted(names - set(sys.stdlib_module_names)))"
    )
    answer = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60)

    assert answer.stdout == "['wattround']\n"


def test_bands_and_dots_are_drawn_where_they_are():
    drawing = Drawing(100, 50)
    drawing.polygon([(0, 10), (100, 5.5), (100, 20), (0, 30.126)], ink=1)
    drawing.circles([(5, 5), (50, 25)], 1.5, ink=3)
    drawing.circles([(7, 7)], 2, hollow=True)
    found = drawing.svg("a", "A", "b")

    assert '<path d="M0 10L100 5.5L100 20L0 30.13z" fill-opacity="0.2">' in found
    assert found.count('r="1.5" fill-opacity="0.52"') == 2
    assert '<circle cx="7" cy="7" r="2" fill="none" stroke="currentColor" stroke-width="0.8">' in found
