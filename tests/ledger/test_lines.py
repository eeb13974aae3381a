"""Line protocol against its published rules (InfluxData, line protocol reference: special characters, data types)."""

import sqlite3

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.ledger.lines import Lines, escape_tag, series
from wattround.ledger.schema import migrate
from wattround.ledger.totals import place
from wattround.metering.minute import ESTIMATED, Minute

AT = 29_000_000
ROW = Minute("tv", AT, 1_500_000, 0, 60_000, 120_500, 1_000, 1)


def line(row, role="appliance", revision=0, *, newest_wins=False, house="h"):
    """A row's line, from a ledger that holds that row."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    db.execute("INSERT INTO meter VALUES (1, ?, ?, ?)", (house, row.meter, role))
    figures = (row.in_uwh, row.out_uwh, 60_000 - row.covered_ms, row.peak_milliw, row.low_milliw, row.origin)
    db.execute("INSERT INTO minute_row VALUES (?, ?, ?, ?, ?, ?, ?)", (place(row.minute, 1), *figures))
    if revision:
        db.execute("INSERT INTO reship VALUES (?, 1, ?, 0)", (row.minute, revision))
    (found,) = Lines(db, house).next_rows((-1, 0), 1 << 31, 10, newest_wins=newest_wins)
    db.close()
    assert found[:3] == (row.minute, 1, revision)
    return found.line


def test_comma_equals_and_space_in_tags_are_escaped():
    assert escape_tag("a,b=c d") == r"a\,b\=c\ d"


def test_an_empty_tag_is_left_out():
    assert series("h", "m", "") == "wattround_minute,house=h,meter=m"


def test_a_row_as_one_line():
    assert line(ROW) == (
        "wattround_minute,house=h,meter=tv,role=appliance in_wh=1.500000,out_wh=0.0,covered_s=60.0,"
        "estimated=0.0,peak_w=120.500,low_w=1.000 1740000000000"
    )


def test_a_counters_row_has_no_power_and_says_that_it_is_estimated():
    text = line(ROW._replace(peak_milliw=None, low_milliw=None, origin=ESTIMATED | 1))

    assert "peak_w" not in text
    assert "estimated=1.0" in text


@pytest.mark.parametrize(("revision", "more_ms"), [(0, 1), (1, 2), (2, 3), (5000, 999)])
def test_a_revision_is_told_by_the_millisecond_where_the_newest_sample_counts(revision, more_ms):
    assert int(line(ROW, revision=revision, newest_wins=True).split()[-1]) == AT * 60_000 + more_ms
    assert int(line(ROW, revision=revision).split()[-1]) == AT * 60_000


def test_a_meters_new_role_is_in_its_next_line():
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    db.execute("INSERT INTO meter VALUES (1, 'h', 'm', 'circuit'), (2, 'other', 'm', 'circuit')")
    for meter in (1, 2):
        db.execute("INSERT INTO minute_row VALUES (?, 1, 0, 0, NULL, NULL, 1)", (place(AT, meter),))
    lines = Lines(db, "h")
    before = lines.next_rows((-1, 0), AT, 10, newest_wins=False)
    db.execute("UPDATE meter SET role = 'appliance'")
    lines.renamed()
    after = lines.next_rows((-1, 0), AT, 10, newest_wins=False)
    db.close()

    assert [each.line.split(" ")[0] for each in [*before, *after]] == [
        "wattround_minute,house=h,meter=m,role=circuit", "wattround_minute,house=h,meter=m,role=appliance",
    ]  # fmt: skip


def parse(text):
    """A reader of the protocol, after its reference: escapes end at unescaped commas, equals signs and spaces."""
    parts, current, at = [], "", 0
    while at < len(text):
        if text[at] == "\\" and at + 1 < len(text) and text[at + 1] in ",= ":
            current += text[at + 1]
            at += 2
            continue
        if text[at] in ",= ":
            parts.append((current, text[at]))
            current = ""
        else:
            current += text[at]
        at += 1
    return [*parts, (current, "")]


names = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_characters="\\"), min_size=1, max_size=20)
watts = st.integers(-(10**9), 10**9) | st.integers(-2000, 2000)


@given(
    names, st.integers(0, 10**13), st.just(0) | st.integers(0, 10**13), st.just(60_000) | st.integers(0, 60_000),
    st.tuples(watts, watts),
)  # fmt: skip
def test_any_name_and_every_figure_survive_the_way_there(name, into, out, covered, powers):
    """Figures to the last bit: what is nearest to the decimal number is what the division gives (IEEE 754)."""
    row = Minute(name, AT, into, out, covered, max(powers), min(powers), 1)

    text = line(row)
    words = [word for word, _ in parse(text)]

    assert words[:7] == ["wattround_minute", "house", "h", "meter", name, "role", "appliance"]
    assert text.count("\n") == 0
    assert {name: float(value) for name, value in zip(words[7:-1:2], words[8:-1:2], strict=True)} == {
        "in_wh": into / 1e6, "out_wh": out / 1e6, "covered_s": covered / 1000, "estimated": 0.0,
        "peak_w": max(powers) / 1000, "low_w": min(powers) / 1000,
    }  # fmt: skip
