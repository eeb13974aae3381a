"""Line protocol against its published rules (InfluxData, line protocol reference: special characters, data types)."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.archive.line import escape_tag, line, series
from wattround.ledger.batch import ArchiveRow
from wattround.metering.minute import ESTIMATED

ROW = ArchiveRow(1, "appliance", 0, "tv", 29_000_000, 1_500_000, 0, 60_000, 120_500, 1_000, 1)


def test_comma_equals_and_space_in_tags_are_escaped():
    assert escape_tag("a,b=c d") == r"a\,b\=c\ d"


def test_an_empty_tag_is_left_out():
    assert series("h", "m", "") == "wattround_minute,house=h,meter=m"


def test_a_row_as_one_line():
    assert line("h", ROW, newest_wins=False) == (
        "wattround_minute,house=h,meter=tv,role=appliance in_wh=1.500000,out_wh=0.0,covered_s=60.0,estimated=0.0,"
        "peak_w=120.500,low_w=1.000 1740000000000"
    )


def test_a_counters_row_has_no_power_and_says_that_it_is_estimated():
    row = ROW._replace(peak_milliw=None, low_milliw=None, origin=ESTIMATED)

    text = line("h", row, newest_wins=False)

    assert "peak_w" not in text
    assert "estimated=1.0" in text


def test_a_revision_is_told_by_the_millisecond_where_the_newest_sample_counts():
    times = [
        int(line("h", ROW._replace(revision=revision), newest_wins=True).split()[-1]) for revision in (0, 1, 2, 5000)
    ]

    assert times == [1740000000001, 1740000000002, 1740000000003, 1740000000999]


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


@given(names, st.integers(0, 10**12), st.integers(0, 60_000))
def test_any_name_survives_the_way_there(name, energy, covered):
    row = ROW._replace(meter=name, in_uwh=energy, covered_ms=covered)

    text = line("h", row, newest_wins=False)
    words = [word for word, _ in parse(text)]

    assert words[:7] == ["wattround_minute", "house", "h", "meter", name, "role", "appliance"]
    assert float(words[8]) == energy / 1e6  # floats are written so that they come back the same
    assert text.count("\n") == 0


watts = st.integers(-(10**9), 10**9) | st.integers(-2000, 2000)


@given(st.integers(0, 10**13), st.integers(0, 10**13), st.integers(0, 60_000), st.tuples(watts, watts))
def test_every_figure_comes_back_the_same(into, out, covered, powers):
    """To the last bit: what is nearest to the decimal number is what the division gives (IEEE 754, exact operands)."""
    row = ROW._replace(
        in_uwh=into, out_uwh=out, covered_ms=covered, peak_milliw=max(powers), low_milliw=min(powers), origin=ESTIMATED
    )
    fields = dict(pair.split("=") for pair in line("h", row, newest_wins=False).split(" ")[1].split(","))

    assert {name: float(text) for name, text in fields.items()} == {
        "in_wh": into / 1e6, "out_wh": out / 1e6, "covered_s": covered / 1000, "estimated": 1.0,
        "peak_w": max(powers) / 1000, "low_w": min(powers) / 1000,
    }  # fmt: skip
