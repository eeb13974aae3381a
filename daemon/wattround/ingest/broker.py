"""The broker's thread: the only one that touches the MQTT client.

paho's own loop dies silently when a callback raises, waits without jitter, and costs a select per message.
We drive its documented external-loop calls instead, in a thread that is supervised like the others.
"""

from __future__ import annotations

import random
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
import structlog

from wattround.clock import Clock
from wattround.config.model import Settings
from wattround.config.secrets import MissingSecret
from wattround.ingest.delivery import LIVE, QUEUED, RETAINED, Ack, Receiver
from wattround.ingest.payload import MAX_PAYLOAD_BYTES
from wattround.ingest.session import connect, make_client, status, status_topic

log = structlog.get_logger("broker")

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
ANSWER_S = 10.0
"""How long the broker may take to accept us, and to return our sounding."""
SHORT_LIFE_S = 30.0
"""A connection that ends sooner is waited after like one that failed."""
GATHER_S = 0.003
"""A pause after each burst: waking for every single message would cost more than the message."""
BURST = 500
"""Messages read before housekeeping gets its turn."""
TAKEN_OVER = 0x8E
"""MQTT 5 reason code: another client connected with our client identifier."""

Sent = Callable[[int, bool, str], None]
"""Told what became of a publication: its number, whether the broker has it, what went wrong."""


class Publication(NamedTuple):
    """A message of ours, to be acknowledged by the broker; retained: it stays there for whoever comes later."""

    number: int
    topic: str
    payload: str
    retained: bool = False


class Lost(Exception):  # noqa: N818 - reads as what it is
    """The connection is over; the text says why."""


def wait_s(failures: int, jitter: float) -> float:
    """Seconds before the next try: doubling to a minute, 50 to 100 % of it by `jitter` in [0, 1)."""
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(failures, 10)) * (0.5 + jitter / 2))


class BrokerLink:
    """Keeps the connection up, hands on what arrives, sends what is asked for."""

    def __init__(
        self, settings: Settings, wanted: dict[str, int], receiver: Receiver, clock: Clock, sent: Sent,
        saved_filters: dict[str, int], filters_changed: Callable[[dict[str, int]], None],
    ) -> None:  # fmt: skip
        self._settings, self._wanted = settings, wanted
        self._receiver, self._clock, self._sent = receiver, clock, sent
        self._old_filters, self._filters_changed = saved_filters, filters_changed
        self._commands: deque[Callable[[mqtt.Client], None]] = deque()
        self._waker, self._woken = socket.socketpair()
        self._waker.setblocking(False)
        self._woken.setblocking(False)
        self._client: mqtt.Client | None = None
        self._offering = threading.Lock()
        self._offered: set[int] = set()
        self._generation = 0
        self._reset_connection()
        self.state = "starting"
        self.trouble = ""
        self.beat_s = time.monotonic()

    def _reset_connection(self) -> None:
        self._accepted = self._live = self._reconnect = False
        self._refusal = ""
        self._count = 0
        self._sounding = b""
        self._pending: dict[int, int] = {}
        self._subscribing: dict[int, list[str]] = {}
        self._opened_s = self._heard_s = time.monotonic()

    @property
    def _keeps(self) -> bool:
        return any(self._wanted.values())

    # -- asked by other threads -------------------------------------------------------------------

    def acknowledge(self, acks: Sequence[Ack]) -> None:
        """Acknowledge messages that are on disk."""
        if acks:
            self._command(lambda client: self._send_acks(client, acks))

    def publish(self, publication: Publication) -> bool:
        """Send a message at QoS 1; False while there is no connection."""
        with self._offering:
            if not self._accepted:
                return False
            self._offered.add(publication.number)
        self._command(lambda client: self._publish(client, publication))
        return True

    def reload(self, settings: Settings, wanted: dict[str, int]) -> None:
        """Connect anew with other settings or subscriptions."""
        self._old_filters = self._old_filters | self._wanted
        self._settings, self._wanted = settings, wanted
        self._reconnect = True
        self.wake()

    def _command(self, action: Callable[[mqtt.Client], None]) -> None:
        self._commands.append(action)
        self.wake()

    def wake(self) -> None:
        """Interrupt the wait for the broker."""
        with suppress(BlockingIOError):  # it is about to wake anyway
            self._waker.send(b"x")

    # -- the thread -------------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Stay connected until told to stop."""
        failures = 0
        while not stop.is_set():
            try:
                self._connect()
                self._serve(stop)
                failures = 0
            except (OSError, Lost, MissingSecret, ValueError) as error:
                trouble = self._refusal or str(error) or type(error).__name__
                short = self._accepted and time.monotonic() - self._opened_s < SHORT_LIFE_S
                failures = failures + 1 if short or not self._accepted or self._refusal else 0
                if short and failures >= 3:
                    trouble = (
                        f"the connection ends each time shortly after it is accepted ({trouble}): "
                        f"another client may use our identifier {self._settings.client_id}"
                    )
                self._note_trouble(trouble, failures)
            finally:
                self._close()
            jitter = random.random()  # noqa: S311 - spreads reconnections, guards nothing
            self._pause(stop, 0.0 if self._reconnect else wait_s(failures, jitter))
        self.state = "stopped"

    def _pause(self, stop: threading.Event, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not stop.is_set() and not self._reconnect and (left := until - time.monotonic()) > 0:
            self.beat_s = time.monotonic()
            stop.wait(min(left, 0.5))

    def _note_trouble(self, trouble: str, failures: int) -> None:
        broker = self._settings.broker
        if trouble != self.trouble or failures in (1, 5) or failures % 60 == 0:
            log.warning(
                "no broker",
                host=broker.host,
                port=broker.port,
                trouble=trouble,
                advice=_advice(trouble, self._settings.protocol),
            )
        self.trouble, self.state = trouble, "no broker"

    def _connect(self) -> None:
        self._reset_connection()
        self._generation += 1
        client = make_client(self._settings, keep_session=self._keeps)
        client.on_connect, client.on_message = self._on_connect, self._on_message
        client.on_disconnect, client.on_subscribe = self._on_disconnect, self._on_subscribe
        client.on_publish = self._on_publish
        self._client = client
        connect(client, self._settings, keep_session=self._keeps)

    def _close(self) -> None:
        with self._offering:
            self._accepted = False
            unanswered, self._offered = self._offered, set()
        if self.state == "connected":
            self.state = "connecting"
        for number in unanswered:
            self._sent(number, False, "the connection to the broker was lost")
        self._commands.clear()  # acknowledgements of a lost connection are void
        client, self._client = self._client, None
        if client is not None and (sock := client.socket()) is not None:
            sock.close()

    def _serve(self, stop: threading.Event) -> None:
        client = self._client
        if client is None:
            return
        next_misc_s = 0.0
        while not stop.is_set() and not self._reconnect:
            now_s = self.beat_s = time.monotonic()
            sock = client.socket()
            if sock is None or sock.fileno() < 0 or self._refusal:
                raise Lost(self._refusal or "the broker closed the connection")
            if now_s >= next_misc_s:
                self._housekeep(client, now_s)
                next_misc_s = now_s + 1.0
            readable, writable, _ = select.select([sock, self._woken], [sock] if client.want_write() else [], [], 0.5)
            if self._woken in readable:
                self._run_commands(client)
            if sock in readable:
                self._read(client, sock)
            if writable:
                _check(client.loop_write())
        self._leave(client)

    def _read(self, client: mqtt.Client, sock: Any) -> None:
        """Read until nothing more comes, or for one burst; then let a few messages gather before the next."""
        pending, loop_read = getattr(sock, "pending", None), client.loop_read
        begin = self._count
        while self._count - begin < BURST:
            before = self._count
            if code := loop_read():
                _check(code)
            # a TLS socket may hold what the kernel no longer shows as readable
            if self._count == before and not (pending is not None and client.socket() is sock and pending()):
                break
        if begin < self._count < begin + BURST:
            time.sleep(GATHER_S)

    def _housekeep(self, client: mqtt.Client, now_s: float) -> None:
        _check(client.loop_misc())
        waiting_s = now_s - self._opened_s
        if not self._accepted and waiting_s > ANSWER_S:
            raise Lost("the broker did not answer")
        if self._accepted and not self._live and now_s - self._heard_s > ANSWER_S:
            log.warning(
                "our own sounding did not come back: may this user read and write it?",
                topic=self._sounding_topic,
            )
            self._live = True

    def _run_commands(self, client: mqtt.Client) -> None:
        with suppress(BlockingIOError):
            while self._woken.recv(4096):
                pass
        while self._commands:
            self._commands.popleft()(client)

    def _leave(self, client: mqtt.Client) -> None:
        """Say goodbye: send what is waiting, our state, and a proper disconnect (the last will stays unsent)."""
        self._run_commands(client)
        if self._accepted:
            client.publish(status_topic(self._settings), status("stopped"), qos=1, retain=True)
        client.disconnect()
        until = time.monotonic() + 2.0
        while (sock := client.socket()) is not None and client.want_write() and time.monotonic() < until:
            select.select([], [sock], [], 0.2)
            client.loop_write()

    # -- what is sent -----------------------------------------------------------------------------

    def _send_acks(self, client: mqtt.Client, acks: Sequence[Ack]) -> None:
        for ack in acks:
            if ack.generation == self._generation:  # a number of an older connection means another message now
                client.ack(ack.mid, ack.qos)

    def _publish(self, client: mqtt.Client, publication: Publication) -> None:
        info = client.publish(publication.topic, publication.payload, qos=1, retain=publication.retained)
        if info.rc == mqtt.MQTT_ERR_SUCCESS:
            self._pending[info.mid] = publication.number
        else:
            self._answer(publication.number, mqtt.error_string(info.rc))

    # -- callbacks: none may raise into paho --------------------------------------------------------

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self._count += 1
        if not self._live:
            self._heard_s = time.monotonic()
        ack = Ack(self._generation, message.mid, message.qos) if message.qos else None
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        if not self._live and message.payload == self._sounding and topic == self._sounding_topic:
            self._live = True
        payload = bytes(message.payload)
        if len(payload) > MAX_PAYLOAD_BYTES:
            payload = payload[: MAX_PAYLOAD_BYTES + 1]  # long enough to be refused as too long
        timing = RETAINED if message.retain else LIVE if self._live else QUEUED
        self._receiver.put((topic, payload, self._clock.mono_ms(), timing, ack))

    def _on_connect(self, client: mqtt.Client, _data: object, flags: Any, reason: Any, _properties: object) -> None:
        if reason.is_failure:
            self._refusal = f"the broker refused us: {reason}"
            return
        self._accepted = True
        self.state, self.trouble = "subscribing", ""
        present = bool(flags.session_present)
        log.info("connected", host=self._settings.broker.host, session_present=present)
        client.publish(status_topic(self._settings), status("running"), qos=1, retain=True)
        if present and (stale := [old for old in self._old_filters if old not in self._wanted]):
            client.unsubscribe(stale)
        self._live = not present
        if present:
            self._sound(client)
        wanted = list(self._wanted.items())
        for start in range(0, len(wanted), 100):
            part = wanted[start : start + 100]
            _, mid = client.subscribe(part)
            if mid is not None:
                self._subscribing[mid] = [topic_filter for topic_filter, _ in part]
        self._heed_grants()
        self._old_filters = dict(self._wanted)
        self._filters_changed(self._old_filters)

    @property
    def _sounding_topic(self) -> str:
        return f"{self._settings.topic_root}/sounding"

    def _sound(self, client: mqtt.Client) -> None:
        """Send ourselves a message: it comes back behind all that waited for us; what comes later is live."""
        self._sounding = f"{self._generation}-{random.getrandbits(64):016x}".encode()
        client.subscribe(self._sounding_topic, 1)
        client.publish(self._sounding_topic, self._sounding, qos=1)

    def _on_disconnect(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: Any, _properties: object
    ) -> None:
        if getattr(reason, "value", 0) == TAKEN_OVER:
            self._refusal = f"another client uses our identifier {self._settings.client_id}"

    def _on_subscribe(self, _client: mqtt.Client, _data: object, mid: int, reasons: Any, _properties: object) -> None:
        topics = self._subscribing.pop(mid, [])
        refused = [topic for topic, reason in zip(topics, reasons, strict=False) if reason.is_failure]
        if refused:
            log.error("subscription refused", topics=refused, advice="check the broker's access list for our user")
            self.trouble = f"subscription refused: {', '.join(refused)}"
        self._heed_grants()

    def _heed_grants(self) -> None:
        """What is said before the broker has answered our subscriptions is not heard: not connected until then."""
        if not self._subscribing:
            self.state = "connected"

    def _on_publish(self, _client: mqtt.Client, _data: object, mid: int, reason: Any, _properties: object) -> None:
        number = self._pending.pop(mid, None)
        if number is not None:
            failed = bool(reason.is_failure)
            self._answer(number, str(reason) if failed else "")

    def _answer(self, number: int, trouble: str) -> None:
        with self._offering:
            self._offered.discard(number)
        self._sent(number, not trouble, trouble)


def _check(code: Any) -> None:
    if code not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_AGAIN):
        raise Lost(mqtt.error_string(code))


def _advice(trouble: str, protocol: str) -> str:
    lowered = trouble.lower()
    if "protocol" in lowered and protocol == "5":
        return 'this broker may not know MQTT 5: try protocol = "3.1.1"'
    if "authori" in lowered or "user name" in lowered:
        return "check broker.user and its password"
    if "identifier" in lowered:
        return "give each client its own client_id"
    return "it is tried again"
