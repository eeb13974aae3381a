"""A client of the broker that speaks for the house and hears what wattround says."""

from __future__ import annotations

import json
import threading

import paho.mqtt.client as mqtt

from support.servers import until


class Hub:
    """A client of the broker: publishes for the house, hears what wattround says."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, str, bool]] = []
        self.lock = threading.Lock()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._hear
        self.client.on_connect = lambda client, *_: client.subscribe("wattround/#", 1)
        granted = threading.Event()
        self.client.on_subscribe = lambda *_: granted.set()
        self.client.max_queued_messages_set(0)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        until(granted.is_set)  # being connected is not enough: what is said before it is granted is never heard

    def _hear(self, _client, _data, message) -> None:
        with self.lock:
            self.heard.append((message.topic, message.payload.decode(), message.retain))

    def say(self, topic: str, payload: object, *, qos: int = 1, retain: bool = False) -> None:
        """Publish, and wait until the broker has it."""
        raw = payload if isinstance(payload, bytes) else str(payload)
        self.client.publish(topic, raw, qos=qos, retain=retain).wait_for_publish(10)

    def episodes(self) -> list[dict[str, object]]:
        with self.lock:
            return [json.loads(payload) for topic, payload, _ in self.heard if topic.endswith("/episodes")]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
