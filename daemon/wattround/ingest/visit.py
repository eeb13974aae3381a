"""A visit to the broker: listen for a while, as a client of another name, without a will and without a session."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from typing import Any

import paho.mqtt.client as mqtt

from wattround.config.model import Settings
from wattround.ingest.session import connect, make_client

LOOP_S = 0.2
CONNECT_S = 10.0

Hear = Callable[[str, bytes, bool], None]
"""Topic, payload, whether it was retained."""


class CannotVisit(Exception):  # noqa: N818 - reads as what it is
    """The broker was not reached, or refused us; the text says why."""


class Visit:
    """One connection that subscribes and, if asked to, publishes; closed by `close`."""

    def __init__(self, settings: Settings) -> None:
        broker = settings.broker
        self._where = f"{broker.host}:{broker.port}"
        self._client = make_client(settings, keep_session=False, visitor=f"visit-{os.getpid()}")
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._answer: str | None = None
        self._asked: dict[int, str] = {}
        self.refused: list[str] = []
        try:
            connect(self._client, settings, keep_session=False)
        except OSError as error:
            raise CannotVisit(f"the broker at {self._where} cannot be reached: {error.strerror or error}") from None
        self._until(lambda: self._answer is not None, CONNECT_S)
        if self._answer:
            raise CannotVisit(f"the broker at {self._where} refuses us: {self._answer}")
        if self._answer is None:
            raise CannotVisit(f"{self._where} does not answer as an MQTT broker does")

    def _on_connect(self, _client: mqtt.Client, _data: object, _flags: Any, reason: Any, _properties: object) -> None:
        self._answer = str(reason) if reason.is_failure else ""

    def _on_subscribe(self, _client: mqtt.Client, _data: object, mid: int, reasons: Any, _properties: object) -> None:
        topic = self._asked.pop(mid, "")
        if any(reason.is_failure for reason in reasons):
            self.refused.append(topic)

    def _until(self, done: Callable[[], bool], seconds: float) -> None:
        until_s = time.monotonic() + seconds
        while not done() and time.monotonic() < until_s:
            if self._client.loop(LOOP_S) != mqtt.MQTT_ERR_SUCCESS:
                return

    def listen(self, wanted: Mapping[str, int], seconds: float, hear: Hear, done: Callable[[], bool]) -> None:
        """Subscribe, and hand over what comes until it is enough or the time is over.

        Raises:
            CannotVisit: if the connection is lost meanwhile.
        """
        self._client.on_message = lambda _client, _data, message: hear(
            message.topic, bytes(message.payload), bool(message.retain)
        )
        for topic, qos in wanted.items():
            _, mid = self._client.subscribe(topic, qos)
            self._asked[mid or 0] = topic
        self._until(done, seconds)
        if not self._client.is_connected():
            raise CannotVisit(f"the broker at {self._where} closed the connection: may this user read these topics?")

    def publish(self, topic: str, payload: str) -> bool:
        """Publish at QoS 1; whether the broker took it."""
        info = self._client.publish(topic, payload, qos=1)
        self._until(info.is_published, CONNECT_S)
        return info.is_published()

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop(LOOP_S)
