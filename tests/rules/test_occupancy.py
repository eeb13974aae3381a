"""Unknown is never empty."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import HOUR, MINUTE
from wattround.rules.occupancy import Presence, Ways
from wattround.rules.signals import FOREVER_MS, Claim, Signals

GUESTS = Claim("guests", words=frozenset({"on"}))


def house(*people, settling_ms=0, guests=None, signals=None):
    return Presence.of(Ways(dict.fromkeys(people, HOUR), settling_ms, guests), signals)


def with_guests(*people, settling_ms=0):
    signals = Signals({"guests": HOUR}, [GUESTS])
    return house(*people, settling_ms=settling_ms, guests=GUESTS, signals=signals), signals


def away(presence, at_ms, *people, retained=False):
    for person in people:
        presence.hear(person, at_ms, is_home=False, retained=retained)


def test_nothing_heard_is_unknown():
    assert house("imre").occupancy(0) == "unknown"


def test_no_people_configured_is_unknown():
    assert house().occupancy(0) == "unknown"


def test_one_person_at_home_makes_it_occupied():
    presence = house("imre", "odile")
    presence.hear("imre", 0, is_home=True, retained=False)

    assert presence.occupancy(1) == "occupied"


def test_empty_needs_everybodys_word():
    presence = house("imre", "odile")
    away(presence, 0, "imre")
    assert presence.occupancy(1) == "unknown"

    away(presence, 10, "odile")
    assert presence.occupancy(11) == "empty"


def test_a_word_that_is_too_old_is_no_longer_believed():
    presence = house("imre")
    away(presence, 0, "imre")

    assert presence.next_change_ms(0) == HOUR
    assert presence.occupancy(HOUR - 1) == "empty"
    assert presence.occupancy(HOUR) == "unknown"


def test_one_stale_word_among_many_makes_it_unknown_but_not_where_another_is_home():
    presence = house("imre", "odile")
    away(presence, 0, "imre")
    away(presence, 30 * MINUTE, "odile")
    assert presence.occupancy(HOUR) == "unknown"

    presence.hear("odile", HOUR, is_home=True, retained=False)
    assert presence.occupancy(HOUR + 1) == "occupied"


def test_word_of_a_stranger_counts_for_nothing():
    presence = house("imre")
    away(presence, 0, "nobody-knows")

    assert presence.occupancy(1) == "unknown"
    assert presence.next_change_ms(1) == FOREVER_MS


def test_a_retained_word_that_repeats_does_not_grow_younger():
    presence = house("imre")
    away(presence, 0, "imre")
    away(presence, HOUR - 1, "imre", retained=True)

    assert presence.occupancy(HOUR + 1) == "unknown"


def test_a_retained_word_that_is_new_is_taken():
    presence = house("imre")
    presence.hear("imre", 0, is_home=True, retained=False)
    away(presence, 10, "imre", retained=True)

    assert presence.occupancy(11) == "empty"


def test_a_house_settles_into_empty_after_the_last_has_left():
    presence = house("imre", "odile", settling_ms=10 * MINUTE)
    away(presence, 0, "imre")
    away(presence, 5 * MINUTE, "odile")

    assert presence.next_change_ms(5 * MINUTE) == 10 * MINUTE
    assert presence.occupancy(15 * MINUTE - 1) == "occupied"
    assert presence.occupancy(15 * MINUTE) == "empty"


def test_somebody_who_looks_in_while_it_settles_starts_the_wait_anew():
    presence = house("imre", settling_ms=10 * MINUTE)
    away(presence, 0, "imre")
    presence.hear("imre", 5 * MINUTE, is_home=True, retained=False)
    away(presence, 6 * MINUTE, "imre")

    assert presence.occupancy(16 * MINUTE - 1) == "occupied"
    assert presence.occupancy(16 * MINUTE) == "empty"


def test_saying_away_again_does_not_put_off_the_settling():
    presence = house("imre", settling_ms=10 * MINUTE)
    for minute in range(12):
        away(presence, minute * MINUTE, "imre")

    assert presence.occupancy(11 * MINUTE) == "empty"


def test_away_after_an_unknown_stretch_settles_from_when_it_was_heard_again():
    presence = house("imre", settling_ms=10 * MINUTE)
    away(presence, 0, "imre")
    away(presence, 2 * HOUR, "imre")

    assert presence.occupancy(2 * HOUR + 10 * MINUTE - 1) == "occupied"
    assert presence.occupancy(2 * HOUR + 10 * MINUTE) == "empty"


def test_guests_make_it_occupied_though_everybody_is_away():
    presence, signals = with_guests("imre")
    away(presence, 0, "imre")
    signals.hear("guests", 0, "on", retained=False)
    assert presence.occupancy(1) == "occupied"

    signals.hear("guests", 10, "off", retained=False)
    assert presence.occupancy(11) == "empty"


def test_unknown_guests_are_not_nobody():
    presence, signals = with_guests("imre")
    away(presence, 0, "imre")
    assert presence.occupancy(1) == "unknown"

    signals.hear("guests", 10, "off", retained=False)
    away(presence, HOUR - 1, "imre")
    assert presence.occupancy(HOUR + 10 - 1) == "empty"
    assert presence.next_change_ms(HOUR) == HOUR + 10
    assert presence.occupancy(HOUR + 10) == "unknown"


def test_guests_are_enough_where_nobody_has_been_heard():
    presence, signals = with_guests("imre")
    signals.hear("guests", 0, "on", retained=False)

    assert presence.occupancy(1) == "occupied"


def test_a_saved_presence_is_taken_up_by_those_who_are_still_configured():
    presence = house("imre", "odile", settling_ms=10 * MINUTE)
    away(presence, 0, "imre", "odile")
    fresh = house("imre", settling_ms=10 * MINUTE)
    fresh.restore(json.loads(json.dumps(presence.snapshot())))

    assert fresh.occupancy(10 * MINUTE - 1) == "occupied"
    assert fresh.occupancy(10 * MINUTE) == "empty"
    assert list(fresh.words) == ["imre"]


@pytest.mark.parametrize("by_ms", [-HOUR, HOUR])
def test_what_was_heard_is_as_old_as_before_when_the_clock_is_set(by_ms):
    presence = house("imre", settling_ms=10 * MINUTE)
    away(presence, 100 * HOUR, "imre")
    presence.clock_was_set(by_ms)

    assert presence.occupancy(100 * HOUR + by_ms + 10 * MINUTE - 1) == "occupied"
    assert presence.occupancy(100 * HOUR + by_ms + 10 * MINUTE) == "empty"


words = st.lists(
    st.tuples(st.sampled_from(["a", "b", "c"]), st.integers(0, 3 * HOUR // 2), st.booleans(), st.booleans()),
    max_size=20,
)


def play(told, settling_ms):
    presence, now = house("a", "b", "c", settling_ms=settling_ms), 0
    heard = {"a": [], "b": [], "c": []}
    for person, gap, is_home, retained in told:
        now += gap
        presence.hear(person, now, is_home=is_home, retained=retained)
        said = heard[person]
        if not (retained and said and said[-1][1] == is_home):
            said.append((now, is_home))
    return presence, heard, now


def oracle(heard, at_ms, settling_ms):
    """Occupancy by looking back over everything that was said."""
    last = {person: said[-1] for person, said in heard.items() if said and at_ms < said[-1][0] + HOUR}
    if any(is_home for _, is_home in last.values()):
        return "occupied"
    if len(last) < len(heard):
        return "unknown"
    left_ms = 0
    for said in heard.values():
        since_ms = said[-1][0]
        for (earlier_ms, was_home), (later_ms, _) in zip(said[-2::-1], said[::-1], strict=False):
            if was_home or later_ms >= earlier_ms + HOUR:
                break
            since_ms = earlier_ms
        left_ms = max(left_ms, since_ms)
    return "empty" if at_ms >= left_ms + settling_ms else "occupied"


@given(words, st.integers(0, 3 * HOUR), st.sampled_from([0, 10 * MINUTE, 2 * HOUR]))
def test_occupancy_is_what_a_look_back_over_all_that_was_said_gives(told, later, settling_ms):
    presence, heard, now = play(told, settling_ms)

    assert presence.occupancy(now + later) == oracle(heard, now + later, settling_ms)


@given(words, st.integers(0, 3 * HOUR), st.sampled_from([0, 10 * MINUTE, 2 * HOUR]))
def test_nothing_changes_before_the_instant_that_is_named(told, later, settling_ms):
    presence, _, now = play(told, settling_ms)
    named_ms = min(presence.next_change_ms(now), now + 4 * HOUR)

    assert presence.occupancy(min(now + later, named_ms - 1)) == presence.occupancy(now)
