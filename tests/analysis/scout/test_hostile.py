"""Anybody can publish anything: it is counted, bounded, and never ends a scouting."""

import json
import random
import tomllib
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wattround.analysis.scout import heard as heard_module
from wattround.analysis.scout.capture import Edge, message
from wattround.analysis.scout.draft import Broker, draft, quoted
from wattround.analysis.scout.heard import MOST_FIELDS, MOST_TOPICS, Heard
from wattround.analysis.scout.scouting import scouted
from wattround.analysis.scout.shapes import MOST_VALUES, shape
from wattround.config.load import examine_text

BEGIN_MS = 1_781_064_000_000


def said(*payloads, topic="a/b"):
    found = [message(BEGIN_MS + at * 1000, topic, payload) for at, payload in enumerate(payloads)]
    return scouted([*found, Edge(BEGIN_MS + len(payloads) * 1000)])


@pytest.mark.parametrize(
    "payload",
    [
        b"", b" ", b"\0", b"\xff\xfe", b"NaN", b"Infinity", b"1e999", b"-1e999", b"9" * 400, b"{", b"[" * 60_000,
        b'{"a":' * 5_000 + b"1" + b"}" * 5_000, b'{"a": 1e999}', b'{"a": ' + b"9" * 5_000 + b"}", b'{"": {"": 1}}',
        b'{"a\\u0000b": 1}', b"[[[[[[[[[[[[1]]]]]]]]]]]]", b'[{"n": 5, "v": 1}]', b'[{"bn": "x", "bver": 99, "v": 1}]',
        b'[{"n": "x", "v": "y"}]', json.dumps({f"k{at}": at for at in range(8_000)}).encode(), b"1;2;3;" * 9_000,
        b"=" * 60_000, b"a=" * 30_000, "٣".encode(), "1\uff12".encode(), b"2026-99-99T00:00:00Z", b"0001-01-01T00:00:00+14:00",
    ],
)  # fmt: skip
def test_no_payload_ends_it(payload):
    found = said(*[payload] * 5)

    assert found.heard.messages == 5
    assert found.meters == []
    assert "house" in tomllib.loads(draft(found, Broker(), "UTC"))


@settings(max_examples=300)
@given(payload=st.binary(max_size=200) | st.text(max_size=80).map(str.encode))
def test_any_bytes_have_some_shape(payload):
    found = shape(payload, len(payload))

    assert len(found.leaves) <= MOST_VALUES


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=12), inner, max_size=5),
    max_leaves=25,
)


@settings(max_examples=200)
@given(documents=st.lists(json_values, min_size=6, max_size=6), topic=st.text(min_size=1, max_size=20))
def test_whatever_json_comes_the_draft_can_be_read(documents, topic):
    """Topics and keys with quotes, braces, control characters: the text stays TOML, and right if there are meters."""
    found = said(*[json.dumps(each).encode() for each in documents], topic=topic.replace("\0", "x"))
    problems, _ = examine_text(draft(found, Broker(), "UTC"))

    assert [each.text("draft") for each in problems if found.meters] == []


@given(text=st.text())
def test_any_text_can_be_quoted(text):
    if not any(0xD800 <= ord(sign) < 0xE000 for sign in text):
        assert tomllib.loads(f"a = {quoted(text)}") == {"a": text}


def test_topics_beyond_the_bound_are_counted(monkeypatch):
    monkeypatch.setattr(heard_module, "MOST_TOPICS", 100)
    found = Heard.of(message(BEGIN_MS + at, f"t/{at}", b"1") for at in range(1_000))

    assert len(found.topics) == 100
    assert sum(found.beyond.values()) == 900


def test_what_is_only_retained_gives_way_to_what_speaks(monkeypatch):
    """But descriptions stay, and what has spoken; the newest that has not goes first."""
    monkeypatch.setattr(heard_module, "MOST_TOPICS", 10)
    kept = [message(BEGIN_MS, f"kept/{at}", b"1", retained=True) for at in range(8)]
    described = [message(BEGIN_MS, f"device/{at}/$unit", b"W", retained=True) for at in range(2)]
    spoken = [message(BEGIN_MS + 100, "kept/0", b"2")]
    live = [message(BEGIN_MS + 200 + at, f"live/{at}", b"3") for at in range(9)]
    found = Heard.of([*kept, *described, *spoken, *live, message(BEGIN_MS + 300, "late", b"1", retained=True)])

    assert [*found.topics] == ["kept/0", "device/0/$unit", "device/1/$unit", *(f"live/{at}" for at in range(7))]
    assert found.fields == sum(len(topic.fields) for topic in found.topics.values())
    assert found.beyond == {
        "messages of topics that are only retained": 7, f"messages of topics beyond the first {10}": 3,
    }  # fmt: skip


def test_a_flood_of_topics_and_values_stays_within_200_megabytes():
    """A million messages would: half a million topics of ten values each, and one that changes its keys each time."""
    rng = random.Random(1)
    tracemalloc.start()
    found = Heard()
    for at in range(60_000):
        payload = json.dumps({f"k{rng.randrange(10**9)}": rng.random() for _ in range(6)}).encode()
        found.add(message(BEGIN_MS + at, f"flood/{at % 25_000}/{'x' * 200}", payload))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert len(found.topics) == MOST_TOPICS
    assert found.fields == MOST_FIELDS
    assert found.beyond.total() > 10_000
    assert peak < 200_000_000


def test_points_are_thinned_and_their_sums_stay_exact():
    found = Heard()
    rng = random.Random(2)
    truth = last = 0.0
    for second in range(20_000):
        value = round(rng.uniform(0, 100), 2)
        truth += last / 3600 if second else 0.0
        last = value
        found.add(message(BEGIN_MS + second * 1000, "a", str(value).encode()))
    (of,) = found.topics["a"].fields.values()

    assert len(of.values) <= 512
    assert of.taken_vh == pytest.approx(truth)
    assert of.count == 20_000


def test_what_comes_twice_counts_once_and_what_is_retained_has_no_beat():
    said_twice = [message(BEGIN_MS + 1000 * at + part, "a", b"5") for at in range(10) for part in (0, 3)]
    again = message(BEGIN_MS + 20_000, "a", b"6", duplicate=True)
    kept = message(BEGIN_MS, "b", b"5", retained=True)
    found = Heard.of([kept, *said_twice, again])

    assert (found.duplicates, found.retained) == (11, 1)
    assert next(iter(found.topics["a"].fields.values())).count == 10
    assert next(iter(found.topics["b"].fields.values())).count == 0
