"""The broker's other clients: the house's meters, a hub that hears what wattround tells, and somebody hostile."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections import deque
from contextlib import suppress
from itertools import count
from typing import Any

import paho.mqtt.client as mqtt

from faulty.house import Said
from faulty.servers import until


def _client(name: str, port: int, *, keep: bool) -> mqtt.Client:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, clean_session=not keep)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(500)
    client.reconnect_delay_set(0.1, 0.3)  # type: ignore[arg-type] # whole seconds are all that is documented
    client.connect("127.0.0.1", port)
    return client


class Meters:
    """Publishes for the house. What is at QoS 1 is kept until the broker has it; watts on arrival are not."""

    def __init__(self, port: int) -> None:
        self._client = _client("meters", port, keep=False)
        self._sent: list[tuple[int, str]] = []
        self._had: dict[int, float] = {}
        self._client.on_publish = self._is_published
        self._client.loop_start()
        until("the meters are connected", self._client.is_connected, 20)

    def say(self, message: Said) -> None:
        """Publish; returns at once."""
        info = self._client.publish(message.topic, message.payload, message.qos)
        if message.qos:
            self._sent.append((info.mid, message.payload))  # numbers of a run's messages are all different

    def _is_published(self, _client: object, _data: object, mid: int, _reason: object, _properties: object) -> None:
        self._had[mid] = time.monotonic()

    @property
    def done(self) -> bool:
        """Whether the broker has all of it."""
        return all(mid in self._had for mid, _ in self._sent)

    def had_s(self) -> dict[str, list[float]]:
        """When the broker had each payload, by the monotonic clock; more than once where it was sent twice."""
        found: dict[str, list[float]] = {}
        for mid, payload in self._sent:
            found.setdefault(payload, []).append(self._had.get(mid, 0.0))
        return found

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


class Hub:
    """Hears the raw channel, in a session that the broker keeps."""

    def __init__(self, port: int, house: str) -> None:
        self.told: list[tuple[float, dict[str, Any]]] = []
        self._topic = f"wattround/{house}/episodes"
        self._client = _client("hub", port, keep=True)
        self._client.on_message = self._hear
        self._client.on_connect = self._connected
        self._subscribed = False
        self._client.on_subscribe = self._is_subscribed
        self._client.loop_start()
        until("the hub is subscribed", lambda: self._subscribed, 20)

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(self._topic, 1)

    def _is_subscribed(self, *_: object) -> None:
        self._subscribed = True

    def _hear(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if not message.dup:  # what the broker itself sends twice was told once
            self.told.append((time.monotonic(), json.loads(message.payload)))

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


JUNK: tuple[bytes, ...] = (
    b"", b"nan", b"inf", b"-1e400", b"1e9", b"-5000000", b"1_000", b"\xff\xfe\x00", b"[" * 60_000, b'{"w":', b"0x10",
    b'{"w":1e999,"t":1e308}', b'{"w":1,"t":99999999999999}', b'{"w":1,"t":-1}', b'{"w":true,"t":null}', b"{}", b"null",
    b'{"wh":-5,"t":0}', b'{"wh":"a lot"}', b"9" * 70_000, b'{"w":1,"t":1}' + b" " * 70_000, b"\x00" * 1_000,
)  # fmt: skip
"""Payloads none of which is a reading."""
TARGETS = ("stamped", "register", "pulses", "both/w", "both/wh", "plain", "load")


class Idlers:
    """Browsers that ask the page for more than they ever read, again and again: some for pages, most for its news."""

    PATHS = ("/live", "/live", "/", "/live", "/load/stamped?span=day", "/api/now", "/account")
    AT_ONCE = 40

    def __init__(self, port: int) -> None:
        self._stop, self._port = threading.Event(), port
        self._thread = threading.Thread(target=self._sit, daemon=True)
        self._thread.start()

    def _sit(self) -> None:
        idle: deque[socket.socket] = deque(maxlen=self.AT_ONCE)
        for number in count():
            if self._stop.wait(0.02):
                break
            wire = socket.socket()
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            with suppress(OSError):  # the daemon may be dead, or have had enough of us
                wire.settimeout(0.2)
                wire.connect(("127.0.0.1", self._port))
                path = self.PATHS[number % len(self.PATHS)]
                for _ in range(20):
                    wire.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            if len(idle) == self.AT_ONCE:
                idle.popleft().close()
            idle.append(wire)
        for wire in idle:
            wire.close()

    def close(self) -> None:
        """Have done."""
        self._stop.set()
        self._thread.join(5)


class Hostile:
    """Floods the house's topics, and wattround's own, with what is no reading."""

    def __init__(self, port: int, house: str) -> None:
        self._topics = [f"f/{name}" for name in TARGETS] + [
            f"wattround/{house}/{name}" for name in ("request", "sounding")
        ]
        self._stop = threading.Event()
        self._port = port
        self._thread = threading.Thread(target=self._flood, daemon=True)
        self._thread.start()

    def _flood(self) -> None:
        with suppress(OSError):
            client = _client("somebody", self._port, keep=False)
            client.loop_start()
            number = 0
            while not self._stop.is_set():
                for _ in range(40):
                    number += 1
                    topic = self._topics[number % len(self._topics)]
                    client.publish(topic, JUNK[number % len(JUNK)], qos=number % 2, retain=number % 50 == 0)
                time.sleep(0.05)
            client.disconnect()
            client.loop_stop()

    def close(self) -> None:
        """Have done."""
        self._stop.set()
        self._thread.join(5)
