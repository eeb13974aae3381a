"""Loopback ports for servers that tools and tests start."""

from __future__ import annotations

import random
import socket
from contextlib import suppress

LOW, HIGH = 12_000, 32_000
"""Below those that a system gives to outgoing connections: one of them would have it while its server restarts."""


def free_port() -> int:
    """A port that nobody listens on just now."""
    while True:
        port = random.SystemRandom().randrange(LOW, HIGH)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def listening(port: int) -> bool:
    """Whether somebody listens there."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
