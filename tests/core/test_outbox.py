"""Messages are offered until their channel has taken them; waits double to an end; giving up is rare and recorded."""

from hypothesis import given
from hypothesis import strategies as st

from wattround.core.outbox import FIRST_RETRY_MS, GIVE_UP_ATTEMPTS, GIVE_UP_MS, LONGEST_RETRY_MS, Outbox, retry_in_ms
from wattround.ledger.batch import Message, Waiting

WAITING = Waiting(7, Message("hub", 1_000, "title", "body", "{}"), 0)


class Channel:
    """Takes messages while open."""

    def __init__(self):
        self.open, self.offered = True, []

    def submit(self, waiting):
        self.offered.append(waiting)
        return self.open


def outbox():
    box = Outbox()
    box.load([WAITING], 1_000)
    return box


def test_a_message_in_flight_is_not_offered_again():
    box, channel = outbox(), Channel()
    box.offer(channel.submit, 1_000)
    box.offer(channel.submit, 10**9)

    assert channel.offered == [WAITING]


def test_a_channel_that_cannot_take_it_is_asked_again_later():
    box, channel = outbox(), Channel()
    channel.open = False
    box.offer(channel.submit, 1_000)
    box.offer(channel.submit, 1_000 + FIRST_RETRY_MS - 1)
    channel.open = True
    box.offer(channel.submit, 1_000 + FIRST_RETRY_MS)

    assert len(channel.offered) == 2


def test_a_failed_delivery_is_recorded_and_tried_again_after_its_wait():
    box, channel = outbox(), Channel()
    box.offer(channel.submit, 1_000)
    done = box.delivered(7, sent=False, trouble="refused", now_ms=2_000)
    assert (done.sent, done.given_up, done.trouble) == (False, False, "refused")

    box.offer(channel.submit, 2_000 + retry_in_ms(1) - 1)
    assert len(channel.offered) == 1
    box.offer(channel.submit, 2_000 + retry_in_ms(1))
    assert channel.offered[1].attempts == 1
    assert box.delivered(7, sent=True, trouble="", now_ms=3_000).sent
    assert len(box) == 0


def test_an_answer_for_a_message_that_is_gone_is_nothing():
    box = outbox()
    box.delivered(7, sent=True, trouble="", now_ms=2_000)

    assert box.delivered(7, sent=True, trouble="", now_ms=2_001) is None


def test_a_clock_that_jumps_by_years_gives_nothing_up():
    box, channel = outbox(), Channel()
    box.offer(channel.submit, 1_000)

    assert not box.delivered(7, sent=False, trouble="x", now_ms=10**12).given_up
    box.clock_was_set(5_000)
    box.offer(channel.submit, 5_000)
    assert len(channel.offered) == 2


def test_after_three_days_and_a_hundred_attempts_it_is_given_up():
    box = outbox()
    results = [
        box.delivered(7, sent=False, trouble="x", now_ms=GIVE_UP_MS + 2_000 + n) for n in range(GIVE_UP_ATTEMPTS)
    ]

    assert [done.given_up for done in results].index(True) == GIVE_UP_ATTEMPTS - 1
    assert len(box) == 0


@given(st.integers(0, 10_000))
def test_waits_grow_to_a_quarter_of_an_hour(attempts):
    assert FIRST_RETRY_MS <= retry_in_ms(attempts) <= LONGEST_RETRY_MS
    assert retry_in_ms(attempts) <= retry_in_ms(attempts + 1)
