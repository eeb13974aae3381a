"""Unknown is never empty."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.rules.occupancy import Presence

HOUR = 3_600_000


def test_nothing_heard_is_unknown():
    assert Presence({"imre": HOUR}).occupancy(0) == "unknown"


def test_no_people_configured_is_unknown():
    assert Presence({}).occupancy(0) == "unknown"


def test_one_person_at_home_makes_it_occupied():
    presence = Presence({"imre": HOUR, "odile": HOUR})
    presence.hear("imre", 0, is_home=True, retained=False)

    assert presence.occupancy(1) == "occupied"


def test_empty_needs_everybodys_word():
    presence = Presence({"imre": HOUR, "odile": HOUR})
    presence.hear("imre", 0, is_home=False, retained=False)
    assert presence.occupancy(1) == "unknown"

    presence.hear("odile", 10, is_home=False, retained=False)
    assert presence.occupancy(11) == "empty"


def test_a_word_that_is_too_old_is_no_longer_believed():
    presence = Presence({"imre": HOUR})
    presence.hear("imre", 0, is_home=False, retained=False)

    assert presence.next_change_ms(0) == HOUR
    assert presence.occupancy(HOUR - 1) == "empty"
    assert presence.occupancy(HOUR) == "unknown"


def test_a_retained_word_that_repeats_does_not_grow_younger():
    presence = Presence({"imre": HOUR})
    presence.hear("imre", 0, is_home=False, retained=False)
    presence.hear("imre", HOUR - 1, is_home=False, retained=True)

    assert presence.occupancy(HOUR + 1) == "unknown"


words = st.lists(
    st.tuples(st.sampled_from("abc"), st.integers(0, 10 * HOUR), st.booleans(), st.booleans()), max_size=20
)


@given(words, st.integers(0, 12 * HOUR))
def test_empty_means_that_everybodys_last_believable_word_was_away(told, later):
    presence = Presence(dict.fromkeys("abc", HOUR))
    now = 0
    for person, gap, is_home, retained in told:
        now += gap
        presence.hear(person, now, is_home=is_home, retained=retained)
    at_ms = now + later

    if presence.occupancy(at_ms) == "empty":
        assert set(presence.home) == set("abc")
        assert all(not is_home and at_ms - heard < HOUR for is_home, heard in presence.home.values())
