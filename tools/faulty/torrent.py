"""Somebody who publishes 50,000 messages a second to what wattround listens to, none of them a reading.

By itself a program: arguments are the broker's port, the house, messages a second; it ends when its input does, and
says how many it sent in how many seconds. MQTT 3.1.1, packets made beforehand: no client library is that fast.
"""

from __future__ import annotations

import select
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from faulty.clients import JUNK, TARGETS

A_SECOND = 50_000
TICK_S = 0.02
TOOLS = Path(__file__).parents[1]


def _packet(kind: int, body: bytes) -> bytes:
    """A control packet: its kind, the length in groups of seven bits, its body (MQTT 3.1.1, 2.2)."""
    left, length = len(body), b""
    while True:
        left, group = left >> 7, left & 127
        length += bytes([group | (128 if left else 0)])
        if not left:
            return bytes([kind]) + length + body


def _text(text: str) -> bytes:
    return struct.pack(">H", len(text)) + text.encode()


def connect(name: str) -> bytes:
    """CONNECT with a clean session, without keep-alive (3.1)."""
    return _packet(0x10, _text("MQTT") + b"\x04\x02\x00\x00" + _text(name))


def publish(topic: str, payload: bytes) -> bytes:
    """PUBLISH at QoS 0 (3.3)."""
    return _packet(0x30, _text(topic) + payload)


def torrent(port: int, house: str, a_second: int) -> tuple[int, float]:
    """Publish until the input ends; how many were sent, in how many seconds."""
    topics = [*(f"f/{name}" for name in TARGETS), *(f"wattround/{house}/{name}" for name in ("request", "sounding"))]
    short = [payload for payload in JUNK if len(payload) < 100]  # so many long ones are more than a wire carries
    count = round(a_second * TICK_S)
    packets = b"".join(publish(topics[n % len(topics)], short[n % len(short)]) for n in range(count))
    with socket.create_connection(("127.0.0.1", port)) as wire:
        wire.sendall(connect("torrent"))
        wire.recv(4)  # CONNACK
        begun_s = due_s = time.monotonic()
        sent = 0
        with suppress(OSError):  # the broker may die of other faults
            while not select.select([sys.stdin], [], [], max(0.0, due_s - time.monotonic()))[0]:
                wire.sendall(packets)
                sent += count
                due_s += TICK_S
        return sent, time.monotonic() - begun_s


class Torrent:
    """The program, beside us."""

    def __init__(self, port: int, house: str) -> None:
        command = [sys.executable, "-m", "faulty.torrent", str(port), house, str(A_SECOND)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=TOOLS, text=True
        )

    def close(self) -> tuple[int, float]:
        """Have done; how many were sent, in how many seconds."""
        try:
            said, _ = self._process.communicate("", timeout=10)
        except subprocess.TimeoutExpired:  # it waits for a broker that stands still
            self._process.kill()
            said, _ = self._process.communicate()
        sent, seconds = said.split() if said else ("0", "0")
        return int(sent), float(seconds)


class Lag:
    """How far the daemon is behind what is said, for as long as it is watched, at most; in wall seconds.

    `look` gives how far it is behind just now, and how many readings of what has no time of its own it has taken.
    """

    def __init__(self, look: Callable[[], tuple[float, int] | None]) -> None:
        self.most_s = 0.0
        self.took_s = 0.0
        """When it was last seen to have taken one of those, by the monotonic clock."""
        self._look, self._taken = look, -1
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._stop.wait(0.1):
            found = self._look()
            if found is not None:
                self.most_s = max(self.most_s, found[0])
                if found[1] != self._taken:
                    self._taken, self.took_s = found[1], time.monotonic()

    def close(self) -> None:
        """Have done."""
        self._stop.set()
        self._thread.join(5)


if __name__ == "__main__":
    print(*torrent(int(sys.argv[1]), sys.argv[2], int(sys.argv[3])))
