"""A house that speaks: values on topics ten times a second, and what comes on our own channel."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from typing import Any, Self

import paho.mqtt.client as mqtt


class Speaker:
    """Publishes a value ten times a second, and keeps what comes on our channel."""

    def __init__(self, port: int, topics: Mapping[str, str]) -> None:
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.got: list[Any] = []
        self.client.on_message = lambda _client, _data, message: self.got.append(json.loads(message.payload))
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("wattround/testhouse/episodes")
        self.client.loop_start()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.speak, args=(topics,))
        self.thread.start()

    def speak(self, topics: Mapping[str, str]) -> None:
        while not self.stop.wait(0.1):
            for topic, payload in topics.items():
                self.client.publish(topic, payload)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join()
        self.client.loop_stop()
        self.client.disconnect()
