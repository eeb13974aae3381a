"""Topic filters against the examples of MQTT 3.1.1 and 5.0, section 4.7."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from wattround.ingest.topics import FilterTrie, captured, filter_fault, subscription

MATCHES = [
    ("sport/tennis/player1/#", "sport/tennis/player1"),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
    ("sport/#", "sport"),
    ("sport/tennis/+", "sport/tennis/player1"),
    ("sport/+", "sport/"),
    ("+/+", "/finance"),
    ("/+", "/finance"),
    ("$SYS/#", "$SYS/uptime"),
    ("$SYS/monitor/+", "$SYS/monitor/Clients"),
    ("#", "sport/tennis"),
]
OTHERS = [
    ("sport/tennis/+", "sport/tennis/player1/ranking"),
    ("sport/+", "sport"),
    ("+", "/finance"),
    ("#", "$SYS/uptime"),
    ("+/monitor/Clients", "$SYS/monitor/Clients"),
]


def matches(topic_filter, topic):
    trie = FilterTrie()
    trie.add(topic_filter, "here")
    return trie.match(topic) == ["here"]


@pytest.mark.parametrize(("topic_filter", "topic"), MATCHES)
def test_what_the_specification_says_matches_matches(topic_filter, topic):
    assert matches(topic_filter, topic)


@pytest.mark.parametrize(("topic_filter", "topic"), OTHERS)
def test_what_it_says_does_not_match_does_not(topic_filter, topic):
    assert not matches(topic_filter, topic)


@pytest.mark.parametrize("topic_filter", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a/+b", "#/a"])
def test_invalid_filters_are_refused(topic_filter):
    assert filter_fault(topic_filter)
    with pytest.raises(ValueError, match=r".+"):
        FilterTrie().add(topic_filter, 1)


levels = st.lists(st.sampled_from(["a", "b", "", "$s"]), min_size=1, max_size=4)
filters = st.tuples(st.lists(st.sampled_from(["a", "b", "", "+", "$s"]), min_size=1, max_size=4), st.booleans()).map(
    lambda parts: "/".join([*parts[0], *(["#"] if parts[1] else [])])
).filter(bool)  # fmt: skip


@given(st.lists(filters, max_size=12), levels.map("/".join).filter(bool))
def test_a_trie_of_many_filters_agrees_with_the_client_librarys_matcher(many, topic):
    trie = FilterTrie()
    for number, topic_filter in enumerate(many):
        trie.add(topic_filter, number)

    assert sorted(trie.match(topic)) == [
        n for n, topic_filter in enumerate(many) if topic_matches_sub(topic_filter, topic)
    ]


def test_a_level_in_braces_becomes_a_plus_and_is_captured():
    assert subscription("plugs/{plug}/watts") == "plugs/+/watts"
    assert captured("plugs/{plug}/watts", "plugs/kettle/watts") == "kettle"
    assert captured("plugs/watts", "plugs/watts") is None
