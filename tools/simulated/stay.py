"""The invented house in real time: everything stays as it is, but for what somebody switches."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Mapping

import paho.mqtt.client as mqtt

from simulated.day import Day
from simulated.house import METERS, SimMeter, payloads

EVERY_S = 0.2


class Stay:
    """Publishes every meter five times a second, from a thread of its own.

    Registers stay as they were last: in so short a time they do not move.
    """

    def __init__(self, client: mqtt.Client, day: Day, at_ms: int, last: Mapping[str, bytes]) -> None:
        self.watts = {load: day.watts(load, at_ms) for load in day.loads}
        self._client, self._last = client, last
        self._rng = random.Random(at_ms)
        self._shapes = {meter.name: payloads(meter, 0) for meter in METERS if meter.shape != "counter"}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def switch(self, load: str, watts: float) -> None:
        """Somebody switches a load, just now."""
        self.watts[load] = watts

    def close(self) -> None:
        """The house falls silent."""
        self._stop.set()
        self._thread.join()

    def true_w(self, meter: SimMeter) -> float:
        """What a meter ought to show."""
        sign = -1.0 if meter.role == "supply" else 1.0
        return sum((sign if load == "roof" else 1.0) * self.watts[load] for load in meter.loads)

    def _run(self) -> None:
        while not self._stop.wait(EVERY_S):
            for meter in METERS:
                self._client.publish(meter.topic, self._payload(meter))

    def _payload(self, meter: SimMeter) -> bytes:
        if meter.shape == "counter":
            return self._last[meter.topic]
        true_w = self.true_w(meter)
        seen = round(true_w + self._rng.gauss(0, abs(true_w) * meter.noise), 1)
        return self._shapes[meter.name](time.time_ns() // 1_000_000, seen, 0.0)
