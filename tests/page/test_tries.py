"""Who tries too often is slowed down, remembered in bounds, and forgiven in the end. Time is an argument."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.page.tries import ALL_TRIES, FREE_TRIES, LONGEST_WAIT_S, MOST_ADDRESSES, Bucket, Rates, Tries


def test_five_wrong_tokens_are_free_and_each_further_one_doubles_the_wait():
    tries, waits = Tries(), []
    for _ in range(FREE_TRIES + 6):
        tries.failed("a", 0.0)
        waits.append(tries.wait_s("a", 0.0))

    assert waits == [0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64]
    assert tries.wait_s("a", 60.0) == 4
    assert tries.wait_s("a", 64.0) == 0
    assert tries.wait_s("b", 0.0) == 0


def test_nobody_waits_longer_than_five_minutes_and_a_right_token_ends_it():
    tries = Tries()
    for at in range(40):
        tries.failed("a", at * 10.0)

    assert tries.wait_s("a", 390.0) == LONGEST_WAIT_S
    tries.passed("a")
    assert tries.wait_s("a", 390.0) == 0


def test_many_addresses_together_are_slowed_down_too():
    tries = Tries()
    for number in range(int(ALL_TRIES)):
        assert tries.wait_s(f"other{number}", 0.0) == 0
        tries.failed(f"other{number}", 0.0)

    assert tries.wait_s("new", 0.0) > 0
    assert tries.wait_s("new", 3.0) == 0


def test_memory_has_a_bound_and_the_first_is_forgotten_first():
    tries, rates = Tries(), Rates(1, 0)
    for number in range(MOST_ADDRESSES + 1):
        assert rates.take(f"a{number}", 0.0)
        for _ in range(FREE_TRIES + 1):
            tries.failed(f"a{number}", number * 100.0)

    assert not rates.take(f"a{MOST_ADDRESSES}", 0.0)
    assert rates.take("a0", 0.0)
    assert tries.failed(f"a{MOST_ADDRESSES}", MOST_ADDRESSES * 100.0) == FREE_TRIES + 2
    assert tries.failed("a0", MOST_ADDRESSES * 100.0) == 1


@given(st.floats(1, 50), st.floats(0.1, 20), st.lists(st.floats(0, 5), max_size=200))
def test_a_bucket_never_gives_more_than_its_size_and_its_rate_allow(size, per_s, waits):
    bucket, now_s, taken = Bucket(size, per_s), 0.0, 0
    for wait in waits:
        now_s += wait
        taken += bucket.take(now_s)

    assert taken <= size + per_s * now_s + 1e-6
