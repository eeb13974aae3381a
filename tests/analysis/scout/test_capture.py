"""Recordings: what is written is read again, and what is no recording is refused with its line."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wattround.analysis.scout.capture import (
    BrokenCapture,
    Edge,
    Message,
    first_line,
    last_line,
    line,
    message,
    messages,
)

BEGIN_MS = 1_781_064_000_000
HEAD = first_line(BEGIN_MS).encode() + b"\n"


def read(*lines):
    begin, *rest = messages([HEAD, *lines])
    assert begin == Edge(BEGIN_MS)
    return rest


@given(
    topic=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40),
    payload=st.binary(max_size=300),
    retained=st.booleans(),
    duplicate=st.booleans(),
)
def test_any_message_is_read_as_it_was_written(topic, payload, retained, duplicate):
    written = message(BEGIN_MS + 5, topic, payload, retained=retained, duplicate=duplicate)

    assert read(line(written).encode() + b"\n", last_line(BEGIN_MS + 9).encode()) == [written, Edge(BEGIN_MS + 9)]


def test_of_a_payload_that_is_too_long_only_the_length_is_kept():
    written = message(BEGIN_MS, "a", b"x" * 1_000_000)

    assert len(line(written)) < 100
    assert read(line(written).encode() + b"\n") == [Message(BEGIN_MS, "a", b"", 1_000_000)]


def test_the_documented_lines_are_what_is_written():
    assert json.loads(HEAD) == {"wattround_capture": 1, "begun_ms": BEGIN_MS}
    assert json.loads(line(message(BEGIN_MS, "a/b", b"118.5"))) == {"at_ms": BEGIN_MS, "topic": "a/b", "text": "118.5"}
    assert json.loads(line(message(BEGIN_MS, "a", b"\x00\xff\x10", retained=True))) == {
        "at_ms": BEGIN_MS, "topic": "a", "base64": "AP8Q", "retained": True,
    }  # fmt: skip


def test_a_recording_that_was_cut_off_is_read_as_far_as_it_goes():
    whole = line(message(BEGIN_MS, "a", b"1")).encode() + b"\n"

    assert len(read(whole, whole[:20])) == 1


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ([], "it is empty"),
        ([b"hello\n"], "line 1: no recording"),
        ([b"[1]\n"], "line 1: no recording"),
        ([b'{"wattround_capture": 9}\n'], "line 1: a recording of version 9"),
        ([b'{"wattround_capture": 1}\n'], "line 1: expected begun_ms"),
        ([HEAD, b"{]\n"], "line 2: no JSON object"),
        ([HEAD, b"3\n"], "line 2: no JSON object"),
        ([HEAD, b'{"at_ms": "now", "topic": "a", "text": "1"}\n'], "line 2: expected at_ms"),
        ([HEAD, b'{"at_ms": 5, "text": "1"}\n'], "line 2: expected at_ms"),
        ([HEAD, b"\n", b'{"at_ms": 5, "topic": "a"}\n'], "line 3: expected the payload"),
        ([HEAD, b'{"at_ms": 5, "topic": "a", "base64": "?"}\n'], "line 2: base64"),
        ([HEAD, b'{"at_ms": 5, "topic": "a", "text": "\\ud800"}\n'], "line 2: text that cannot"),
        ([HEAD, b"[" * 100_000 + b"\n"], "line 2: no JSON object"),
        ([HEAD, b"\xff\xfe\n"], "line 2: no JSON object"),
    ],
)
def test_what_is_no_recording_is_refused_with_its_line(lines, says):
    with pytest.raises(BrokenCapture, match=says):
        list(messages(lines))
