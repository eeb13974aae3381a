"""Payloads: RFC 6901 pointers, numbers, times; whatever else comes is refused and nothing else happens."""

import json
import re

import jsonpointer
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.config.model import Meter, PowerSource
from wattround.ingest.feed import feeds_of
from wattround.ingest.payload import (
    MAX_PAYLOAD_BYTES,
    BadPayload,
    as_stamp,
    checked_stamp,
    json_number,
    json_pointer,
    plain_number,
    plain_text,
    word,
    written_number,
)
from wattround.ingest.senml import senml_number

NOW_MS = 1_780_000_000_000
# RFC 6901, section 5
DOCUMENT = {
    "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8,
}  # fmt: skip
TABLE = {
    "": DOCUMENT, "/foo": ["bar", "baz"], "/foo/0": "bar", "/": 0, "/a~1b": 1, "/c%d": 2, "/e^f": 3,
    "/g|h": 4, "/i\\j": 5, '/k"l': 6, "/ ": 7, "/m~0n": 8,
}  # fmt: skip


@pytest.mark.parametrize("pointer", TABLE)
def test_pointers_of_the_rfcs_table(pointer):
    assert json_pointer(pointer)(DOCUMENT) == TABLE[pointer]


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/01", "/foo/-", "/foo/-1", "/foo/x", "/none", "/foo/0/x", "//"])
def test_pointers_that_name_no_value_are_refused(pointer):
    with pytest.raises(BadPayload, match="nothing at"):
        json_pointer(pointer)(DOCUMENT)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text("ab/~", max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("ab/~01", max_size=3), inner, max_size=3),
    max_leaves=8,
)
pointers = st.lists(st.sampled_from(["a", "b", "~0", "~1", "0", "1", ""]), max_size=3).map(
    lambda tokens: "".join("/" + token for token in tokens)
)


@given(json_values, pointers)
def test_pointers_agree_with_a_reference_library(document, pointer):
    try:
        expected = jsonpointer.resolve_pointer(document, pointer)
    except jsonpointer.JsonPointerException:
        with pytest.raises(BadPayload):
            json_pointer(pointer)(document)
        return

    assert json_pointer(pointer)(document) == expected


@pytest.mark.parametrize(("payload", "value"), [(b"12.5", 12.5), (b" -3 ", -3.0), (b"1e3", 1000.0), (b"0", 0.0)])
def test_a_plain_number_is_read(payload, value):
    assert plain_number(payload, NOW_MS) == [(value, None)]


HOSTILE = [
    b"", b"on", b"nan", b"NaN", b"inf", b"-Infinity", b"1e999", b"1_000", b"12,5", b"12 W", b"\xff\xfe", b"\x00", b"null",
    b"[" * 100_000, b'{"w":' * 50_000, b'{"w": NaN}', b'{"w": Infinity}', b'{"w": 1e999}', b'{"w": true}', b'{"w": null}',
    b'{"w": {}}', b'{"w": "x"}', b'{"w": "nan"}', b'{"w": ' + b"9" * 400 + b"}", b'{"w": ' + b"9" * 5000 + b"}",
    b'{"v": 1}', b"[]", b'"12"', b"x" * (MAX_PAYLOAD_BYTES + 1), b'{"w": 1' + b" " * MAX_PAYLOAD_BYTES + b"}",
    b'[{"n":"w","v":1}]', b'[{"n":"w","u":"W","v":"x"}]', b'[{"n":"w","u":"W","vs":"x"}]', b'[{"n":"w","u":"W","v":1,"new_":1}]',
    b'[{"bver":11,"n":"w","u":"W","v":1}]', b"[1]", b'[{"n":"w","u":["W"],"v":1}]', b'[{"n":"w","u":"W","v":1,"t":"x"}]',
    b'{"w": 1, "t": 1e308}', b'{"w": 1, "t": -1e308}', b'[{"n":"w","u":{},"v":1}]', b'[{"bn":"w","bu":[1],"v":1}]',
    b'[{"n":"w","bt":1e308,"t":1e308,"u":"W","v":1}]', b'[{"n":"w","bv":1e308,"v":1e308,"u":"W"}]', b"5" + b" " * 100,
    '{"w": 1, "t": 5}'.encode("utf-16"), b'[{"n":"w","u":"W","v":1,"t":1e300}]', b'[{"bt":[],"n":"w","u":"W","v":1}]',
]  # fmt: skip
DECODERS = {
    "number": plain_number,
    "json": json_number("/w", "/t", "ms"),
    "json with time": json_number("/w", "/t", "rfc3339"),
    "senml": senml_number("w", "power"),
    "text": plain_text(written_number("kW", decimal_comma=True)),
    "json with text": json_number("/w", None, "s", written_number("W", decimal_comma=False)),
}


@pytest.mark.parametrize("kind", DECODERS)
@pytest.mark.parametrize("payload", HOSTILE, ids=lambda payload: repr(payload[:24]))
def test_a_hostile_payload_is_refused(kind, payload):
    with pytest.raises(BadPayload):
        DECODERS[kind](payload, NOW_MS)


@given(
    st.binary(max_size=300) | json_values.map(lambda value: json.dumps(value).encode()), st.sampled_from(list(DECODERS))
)
def test_nothing_but_a_refusal_comes_of_any_bytes(payload, kind):
    try:
        values = DECODERS[kind](payload, NOW_MS)
    except BadPayload:
        return

    assert all(abs(value) < float("inf") for value, _ in values)


@given(st.binary(max_size=300), st.sampled_from([None, "/state", ""]))
def test_words_are_text_or_refused(payload, pointer):
    try:
        found = word(pointer)(payload)
    except BadPayload:
        return

    assert isinstance(found, str)


def test_times_in_their_units():
    assert as_stamp(1_780_000_000.5, "s") == 1_780_000_000_500
    assert as_stamp(1_780_000_000_500, "ms") == 1_780_000_000_500
    assert as_stamp("2026-05-28T20:26:40Z", "rfc3339") == 1_780_000_000_000
    assert as_stamp("2026-05-28T22:26:40.250+02:00", "rfc3339") == 1_780_000_000_250


@pytest.mark.parametrize(
    ("found", "unit"), [("2026-05-28T20:26:40", "rfc3339"), ("soon", "rfc3339"), (5, "rfc3339"), (None, "s")]
)
def test_times_that_are_none_are_refused(found, unit):
    with pytest.raises(BadPayload):
        as_stamp(found, unit)


def test_a_stamp_from_before_there_were_meters_is_refused():
    assert checked_stamp(NOW_MS) == NOW_MS
    for wrong in (5, -1):
        with pytest.raises(BadPayload):
            checked_stamp(wrong)


# -- numbers that are not bare ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "behind", "comma", "value"),
    [
        (b"118.5 W", "W", False, 118.5), (b"118.5W", "W", False, 118.5), (b" -3 W\n", "W", False, -3.0),
        ("21 \u00b5W".encode(), "\u00b5W", False, 21.0), (b"4 kilowatt hours", "kilowatt hours", False, 4.0),
        (b"118,5", None, True, 118.5), (b"118", None, True, 118.0), (b"-0,5 W", "W", True, -0.5),
        (b"1.5e3 W", "W", False, 1500.0),
    ],
)  # fmt: skip
def test_a_number_is_read_as_it_is_said_to_be_written(payload, behind, comma, value):
    assert plain_text(written_number(behind, decimal_comma=comma))(payload, NOW_MS) == [(value, None)]


@pytest.mark.parametrize(
    ("payload", "behind", "comma", "says"),
    [
        (b"118.5", "W", False, 'no "W" behind a number'), (b"118.5 kW", "W", False, "no number"),
        (b"118.5 mW", "W", False, "no number"), (b"118.5 w", "W", False, 'no "W" behind a number'),
        (b"W", "W", False, "no number"), (b"118.5 W W", "W", False, "no number"),
        (b"118.5", None, True, "a point where a decimal comma was expected"), (b"1.234,5", None, True, "a point"),
        (b"1,234,5", None, True, "no number"), (b",", None, True, "no number"), (b"nan W", "W", False, "no finite number"),
        (b"1_0 W", "W", False, "no finite number"), ("\u0663 W".encode(), "W", False, "no number"),
        (b"\xff W", "W", False, "no UTF-8 text"), (b"1" * 70, None, True, "more than a number"),
    ],
)  # fmt: skip
def test_what_is_written_otherwise_is_refused(payload, behind, comma, says):
    with pytest.raises(BadPayload, match=re.escape(says)):
        plain_text(written_number(behind, decimal_comma=comma))(payload, NOW_MS)


def test_in_json_a_number_needs_no_comma_and_a_text_is_read_by_the_same_rule():
    comma = json_number("/w", None, "s", written_number(None, decimal_comma=True))
    behind = json_number("/w", "/t", "ms", written_number("W", decimal_comma=False))

    assert comma(b'{"w": 118.5}', NOW_MS) == comma(b'{"w": "118,5"}', NOW_MS) == [(118.5, None)]
    assert behind(b'{"w": "118.5 W", "t": %d}' % NOW_MS, NOW_MS) == [(118.5, NOW_MS)]
    for payload in (b'{"w": 118.5, "t": 1780000000000}', b'{"w": null, "t": 1780000000000}'):
        with pytest.raises(BadPayload, match='no "W" behind a number'):
            behind(payload, NOW_MS)


def test_a_bare_number_takes_the_path_it_always_took():
    assert feeds_of(Meter(name="a", power=PowerSource(topic="a")), "a")[0].plain
    assert not feeds_of(Meter(name="a", power=PowerSource(topic="a", behind="W")), "a")[0].plain
