"""Messages on their way: each waiting one is offered to its channel until that has taken it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import structlog

from wattround.config.kinds import duration_text
from wattround.ledger.batch import Delivery, Message, Waiting

log = structlog.get_logger("outbox")

FIRST_RETRY_MS = 5_000
LONGEST_RETRY_MS = 900_000
GIVE_UP_MS = 3 * 86_400_000
DELAYED_MS = 600_000
"""News that reaches its channel later than this says so."""
GIVE_UP_ATTEMPTS = 100
"""A message that could not be sent for three days and so many attempts (the clock may have been set) is given up."""

Submit = Callable[[Waiting], bool]
"""Offers a message to its channel; False if the channel cannot take it now."""


def retry_in_ms(attempts: int) -> int:
    """Wait before the next attempt: doubling, with an end."""
    return min(LONGEST_RETRY_MS, FIRST_RETRY_MS << min(attempts, 16))


def _dated(waiting: Waiting, now_ms: int) -> Waiting:
    """The message, saying so if it is delayed."""
    message = waiting.message
    late_ms = now_ms - message.created_ms
    if late_ms < DELAYED_MS:
        return waiting
    told = json.loads(message.facts)
    if told.get("event") == "letter":  # it names its week, and its page must say what its text says
        return waiting
    facts = json.dumps({**told, "delayed_s": late_ms // 1000})
    body = f"{message.body}\n(This was news {duration_text(late_ms)} ago: the message was delayed.)"
    return waiting._replace(message=message._replace(body=body, facts=facts))


@dataclass(slots=True)
class _Item:
    waiting: Waiting
    due_ms: int
    in_flight: bool = False


class Outbox:
    """The unsent messages of the ledger, with their next attempt."""

    def __init__(self) -> None:
        self._items: dict[int, _Item] = {}
        self.newest_id = 0

    def load(self, messages: list[Waiting], now_ms: int) -> None:
        """Take up messages that the ledger holds."""
        for waiting in messages:
            self._items[waiting.id] = _Item(waiting, now_ms)
            self.newest_id = max(self.newest_id, waiting.id)

    def __len__(self) -> int:
        return len(self._items)

    def clock_was_set(self, now_ms: int) -> None:
        """Waits are counted anew."""
        for item in self._items.values():
            item.due_ms = now_ms

    def attempts(self) -> Iterator[int]:
        """How often each waiting message has been tried."""
        return (item.waiting.attempts for item in self._items.values())

    def withdraw(self, channel: str, ref: int, now_ms: int) -> Delivery | None:
        """Take back a bulletin that nobody has been given; the record of it, or None if it is too late."""
        for number, item in self._items.items():
            if item.waiting.message.channel == channel and item.waiting.message.ref == ref:
                if item.in_flight:
                    return None
                del self._items[number]
                return Delivery(number, now_ms, sent=False, trouble="said in a later message", given_up=True)
        return None

    def message(self, number: int) -> Message | None:
        """A waiting message."""
        item = self._items.get(number)
        return None if item is None else item.waiting.message

    def offer(self, submit: Submit, now_ms: int) -> None:
        """Offer what is due."""
        for item in self._items.values():
            if not item.in_flight and now_ms >= item.due_ms:
                item.in_flight = submit(_dated(item.waiting, now_ms))
                if not item.in_flight:
                    item.due_ms = now_ms + FIRST_RETRY_MS

    def delivered(self, number: int, *, sent: bool, trouble: str, now_ms: int) -> Delivery | None:
        """What became of an offer; the record of it, for the ledger."""
        item = self._items.get(number)
        if item is None:
            return None
        message, attempts = item.waiting.message, item.waiting.attempts + 1
        given_up = not sent and now_ms - message.created_ms > GIVE_UP_MS and attempts >= GIVE_UP_ATTEMPTS
        if sent or given_up:
            del self._items[number]
            if given_up:
                log.error("message given up", channel=message.channel, title=message.title, trouble=trouble)
            elif attempts > 1:
                log.info("channel works again", channel=message.channel, attempts=attempts)
        else:
            item.waiting = item.waiting._replace(attempts=attempts)
            item.in_flight, item.due_ms = False, now_ms + retry_in_ms(attempts)
            if attempts == 1:
                log.warning("message not sent, will be tried again", channel=message.channel, trouble=trouble)
        return Delivery(number, now_ms, sent, trouble, given_up)
