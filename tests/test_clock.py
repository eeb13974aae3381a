"""Event time follows the wall clock, notices when it is set, and never folds or stretches what lies between."""

from hypothesis import given
from hypothesis import strategies as st

from support.house import HandClock
from wattround.clock import JUMP_MS, ScaledClock, SystemClock, Timekeeper
from wattround.ingest.broker import FIRST_WAIT_S, LONGEST_WAIT_S, wait_s

BEGIN = 1_780_000_000_000


def test_arrivals_keep_their_distance_whatever_the_wall_clock_does_between_them():
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    first = clock.mono_ms()
    clock.pass_ms(10_000)
    second = clock.mono_ms()
    clock.set_ms(clock.now_ms + 7_200_000)

    assert time.at(second) - time.at(first) == 10_000


def test_a_clock_that_is_set_is_noticed_once():
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    clock.pass_ms(5_000)
    clock.set_ms(clock.now_ms - 3_600_000)

    now_ms, jump = time.sample()
    assert (jump.expected_ms, jump.now_ms, now_ms) == (BEGIN, BEGIN - 3_600_000, BEGIN + 5_000 - 3_600_000)
    assert time.sample()[1] is None


def test_what_arrived_before_a_clock_was_set_and_what_came_after_lie_side_by_side():
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    before = clock.mono_ms()
    clock.pass_ms(5_000)
    time.sample()
    seen = clock.mono_ms()
    clock.pass_ms(2_000)
    clock.set_ms(clock.now_ms + 7_200_000)
    _, jump = time.sample()

    assert jump.before(before) == BEGIN
    assert jump.before(seen) == jump.expected_ms
    assert time.at(seen) == jump.now_ms


def test_a_look_at_the_time_leaves_a_clock_that_was_set_to_be_noticed():
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    clock.pass_ms(5_000)
    clock.set_ms(clock.now_ms + 7_200_000)

    assert time.now() == BEGIN + 5_000
    assert time.sample()[1] is not None


@given(st.lists(st.tuples(st.integers(0, 60_000), st.integers(-JUMP_MS + 1, JUMP_MS - 1)), max_size=40))
def test_a_clock_that_drifts_never_goes_backwards(steps):
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    last = 0
    for span, drift in steps:
        clock.pass_ms(span)
        clock.set_ms(clock.now_ms + drift)
        now_ms, jump = time.sample()
        assert jump is None
        assert now_ms >= last
        last = now_ms


def test_real_and_scaled_clocks_go_forward():
    real = SystemClock()
    assert real.wall_ms() > BEGIN - 10**11
    assert real.mono_ms() <= real.mono_ms()
    scaled = ScaledClock(BEGIN, 1000.0, 0)
    assert scaled.wall_ms() == BEGIN + scaled.mono_ms() or scaled.wall_ms() > BEGIN


@given(st.integers(0, 10_000), st.floats(0, 1, exclude_max=True))
def test_waits_for_the_broker_grow_to_a_minute_with_jitter(failures, jitter):
    assert FIRST_WAIT_S / 2 <= wait_s(failures, jitter) <= LONGEST_WAIT_S


def test_a_pause_between_looking_at_one_clock_and_at_the_other_is_not_taken_for_a_clock_that_was_set():
    """A process that is stopped, or starved, in just that moment."""
    clock = HandClock(BEGIN)
    time = Timekeeper(clock)
    look = clock.wall_ms
    pauses = [90_000, 5_000]

    def paused():
        if pauses:
            clock.pass_ms(pauses.pop())
        return look()

    clock.wall_ms = paused

    assert time.sample() == (BEGIN + 95_000, None)
    assert time.sample() == (BEGIN + 95_000, None)
