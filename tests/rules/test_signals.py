"""Signals: what a claim asks, for how long it has held, and when nothing is known any more."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.rules import HOUR, MINUTE
from wattround.rules.signals import FOREVER_MS, Claim, Signals

OPEN = Claim("window", words=frozenset({"open", "ajar"}), lasting_ms=5 * MINUTE)


def heard(claim, *said):
    signals = Signals({claim.signal: HOUR}, [claim])
    for at_ms, value in said:
        signals.hear(claim.signal, at_ms, value, retained=False)
    return signals


@pytest.mark.parametrize(
    ("claim", "value", "truth"),
    [
        (Claim("s", words=frozenset({"open", "ajar"})), "ajar", True),
        (Claim("s", words=frozenset({"open", "ajar"})), "closed", False),
        (Claim("s", not_words=frozenset({"closed"})), "open", True),
        (Claim("s", not_words=frozenset({"closed"})), "closed", False),
        (Claim("s", words=frozenset({"open"}), not_words=frozenset({"open"})), "open", False),
        (Claim("s", above=20.0), "20.5", True),
        (Claim("s", above=20.0), "20", False),
        (Claim("s", below=20.0), "20", False),
        (Claim("s", below=20.0), "-3e1", True),
        (Claim("s", above=10.0, below=20.0), "15", True),
        (Claim("s", above=10.0, below=20.0), "25", False),
        (Claim("s", above=10.0), "warm", None),
        (Claim("s", above=10.0), "NaN", None),
        (Claim("s", above=10.0), "", None),
        (Claim("s", not_words=frozenset({"unavailable"}), above=10.0), "unavailable", False),
        (Claim("s", not_words=frozenset({"unavailable"}), above=10.0), "12", True),
    ],
)
def test_a_claim_asks_for_words_or_for_a_number_within_bounds(claim, value, truth):
    assert heard(claim, (0, value)).truth(claim, 0) is truth


def test_nothing_heard_is_unknown():
    signals = Signals({"window": HOUR}, [OPEN])

    assert signals.truth(OPEN, 0) is None
    assert signals.next_change_ms(OPEN, 0) == FOREVER_MS


def test_a_signal_that_is_not_configured_is_unknown():
    claim = Claim("door", words=frozenset({"open"}))
    signals = Signals({"window": HOUR}, [claim])
    signals.hear("door", 0, "open", retained=False)

    assert signals.truth(claim, 0) is None


def test_a_claim_holds_only_once_it_has_for_so_long():
    signals = heard(OPEN, (0, "open"))

    assert signals.next_change_ms(OPEN, 0) == 5 * MINUTE
    assert signals.truth(OPEN, 5 * MINUTE - 1) is False
    assert signals.truth(OPEN, 5 * MINUTE) is True


def test_saying_it_again_or_in_another_word_that_passes_does_not_start_the_wait_anew():
    signals = heard(OPEN, (0, "open"), (2 * MINUTE, "ajar"), (4 * MINUTE, "open"))

    assert signals.truth(OPEN, 5 * MINUTE) is True


def test_a_word_that_does_not_pass_starts_the_wait_anew():
    signals = heard(OPEN, (0, "open"), (2 * MINUTE, "closed"), (3 * MINUTE, "open"))

    assert signals.truth(OPEN, 8 * MINUTE - 1) is False
    assert signals.truth(OPEN, 8 * MINUTE) is True


def test_the_last_word_of_one_instant_stands():
    assert heard(OPEN, (0, "open"), (10 * MINUTE, "closed"), (10 * MINUTE, "open")).truth(OPEN, 10 * MINUTE) is False


def test_a_stale_word_is_unknown_and_what_is_heard_after_starts_the_wait_anew():
    signals = heard(OPEN, (0, "open"))
    assert signals.next_change_ms(OPEN, 5 * MINUTE) == HOUR
    assert signals.truth(OPEN, HOUR - 1) is True
    assert signals.truth(OPEN, HOUR) is None
    assert signals.value("window", HOUR) is None

    signals.hear("window", 2 * HOUR, "open", retained=False)
    assert signals.truth(OPEN, 2 * HOUR + 5 * MINUTE - 1) is False
    assert signals.truth(OPEN, 2 * HOUR + 5 * MINUTE) is True


def test_a_word_where_a_number_is_asked_for_is_unknown_and_ends_the_wait():
    warm = Claim("t", above=20.0, lasting_ms=5 * MINUTE)
    signals = heard(warm, (0, "21"), (MINUTE, "unavailable"))
    assert signals.truth(warm, 6 * MINUTE) is None

    signals.hear("t", 7 * MINUTE, "21", retained=False)
    assert signals.truth(warm, 12 * MINUTE - 1) is False
    assert signals.truth(warm, 12 * MINUTE) is True


def test_a_retained_word_that_repeats_does_not_grow_younger():
    signals = heard(OPEN, (0, "open"))

    assert signals.hear("window", HOUR - 1, "open", retained=True) is False
    assert signals.truth(OPEN, HOUR) is None
    assert signals.hear("window", HOUR, "closed", retained=True) is True
    assert signals.truth(OPEN, HOUR) is False


def test_two_claims_of_one_signal_each_have_their_own_wait():
    closed = Claim("window", words=frozenset({"closed"}), lasting_ms=MINUTE)
    signals = Signals({"window": HOUR}, [OPEN, closed])
    signals.hear("window", 0, "open", retained=False)
    signals.hear("window", 10 * MINUTE, "closed", retained=False)

    assert signals.truth(OPEN, 10 * MINUTE) is False
    assert signals.truth(closed, 11 * MINUTE - 1) is False
    assert signals.truth(closed, 11 * MINUTE) is True


def test_the_same_claim_with_another_wait_shares_what_was_heard():
    sooner = OPEN._replace(lasting_ms=MINUTE)
    signals = Signals({"window": HOUR}, [OPEN, sooner])
    signals.hear("window", 0, "open", retained=False)

    assert (signals.truth(sooner, MINUTE), signals.truth(OPEN, MINUTE)) == (True, False)


def restored(signals, claims, believable=HOUR):
    fresh = Signals({"window": believable}, claims)
    fresh.restore(json.loads(json.dumps(signals.snapshot())))
    return fresh


def test_what_was_heard_and_waited_for_is_taken_up_again():
    signals = heard(OPEN, (0, "open"), (4 * MINUTE, "open"))

    fresh = restored(signals, [OPEN])
    assert fresh.truth(OPEN, 5 * MINUTE) is True
    assert fresh.truth(OPEN, HOUR + 4 * MINUTE) is None


def test_a_claim_that_is_new_after_a_change_waits_from_the_last_word():
    signals = heard(OPEN, (0, "closed"), (MINUTE, "open"), (4 * MINUTE, "ajar"))
    ajar = Claim("window", words=frozenset({"ajar"}), lasting_ms=MINUTE)

    fresh = restored(signals, [ajar])
    assert fresh.truth(ajar, 5 * MINUTE - 1) is False
    assert fresh.truth(ajar, 5 * MINUTE) is True


def test_a_signal_that_is_gone_after_a_change_is_forgotten():
    fresh = Signals({}, [])
    fresh.restore(heard(OPEN, (0, "open")).snapshot())

    assert fresh.snapshot() == {"said": {}, "since": {}}


@pytest.mark.parametrize("by_ms", [-HOUR, HOUR])
def test_what_was_heard_is_as_old_as_before_when_the_clock_is_set(by_ms):
    signals = heard(OPEN, (10 * HOUR, "open"))
    signals.clock_was_set(by_ms)

    assert signals.truth(OPEN, 10 * HOUR + by_ms + 5 * MINUTE - 1) is False
    assert signals.truth(OPEN, 10 * HOUR + by_ms + 5 * MINUTE) is True
    assert signals.truth(OPEN, 10 * HOUR + by_ms + HOUR) is None


words = st.lists(
    st.tuples(st.integers(0, 40 * MINUTE), st.sampled_from(["open", "ajar", "closed"]), st.booleans()), max_size=15
)


def look_back(said, at_ms):
    """Whether the window was open or ajar, as far as anybody could know, for the last five minutes."""
    if not said or at_ms >= said[-1][0] + HOUR:
        return None
    if said[-1][1] == "closed":
        return False
    since_ms = said[-1][0]
    for (earlier_ms, value), (later_ms, _) in zip(said[-2::-1], said[::-1], strict=False):
        if value == "closed" or later_ms >= earlier_ms + HOUR:
            break
        since_ms = earlier_ms
    return at_ms - since_ms >= 5 * MINUTE


@given(words, st.integers(0, 2 * HOUR), st.integers(0, 15))
def test_a_claim_holds_as_a_look_back_over_all_that_was_said_has_it(told, later, saved_after):
    """Whatever is retained, and wherever it is saved and taken up again."""
    signals, said, now = Signals({"window": HOUR}, [OPEN]), [], 0
    for number, (gap, value, retained) in enumerate(told):
        now += gap
        signals.hear("window", now, value, retained=retained)
        if not (retained and said and said[-1][1] == value):
            said.append((now, value))
        if number == saved_after:
            signals = restored(signals, [OPEN])
    at_ms = now + later

    assert signals.truth(OPEN, at_ms) is look_back(said, at_ms)
    named_ms = min(signals.next_change_ms(OPEN, at_ms), at_ms + 3 * HOUR)
    assert named_ms > at_ms
    assert look_back(said, named_ms - 1) is look_back(said, at_ms)
