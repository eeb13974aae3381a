"""What the broker's thread hands on, and to whom. The core's inbox has this shape."""

from __future__ import annotations

from typing import NamedTuple, Protocol

LIVE, RETAINED, QUEUED = 0, 1, 2
"""How much a message's arrival says about its time: all, nothing (retained), nothing (it waited at the broker)."""


class Ack(NamedTuple):
    """What the broker needs to hear once a message is on disk; void once the connection has changed."""

    generation: int
    mid: int
    qos: int


Arrival = tuple[str, bytes, int, int, Ack | None]
"""A message as it came: topic, payload, monotonic milliseconds, timing (as above), what to acknowledge.

A plain tuple, as there is one for each message.
"""


class Receiver(Protocol):
    """Takes arrivals; must return at once."""

    def put(self, arrival: Arrival) -> None:
        """Hand over a message."""
        ...
