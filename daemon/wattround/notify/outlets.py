"""One way out for each channel: MQTT through the broker's thread, anything else by apprise in its own thread."""

from __future__ import annotations

import json
import queue
import threading
import time
from collections.abc import Callable
from typing import Protocol

from wattround.config.model import Channel, Settings
from wattround.config.secrets import MissingSecret, secret_of
from wattround.ingest.broker import BrokerLink, Publication
from wattround.ledger.batch import Message, Waiting
from wattround.notify.mail import send_letter, takes_html

QUEUE_LENGTH = 32

Done = Callable[[int, bool, str], None]
"""Told what became of a message: its number, whether it was sent, what went wrong."""


class Outlet(Protocol):
    """A channel that can be offered a message."""

    def submit(self, waiting: Waiting) -> bool:
        """Take a message on its way; False if that is not possible now."""
        ...


class MqttOutlet:
    """Publishes the facts of a message as JSON at QoS 1."""

    def __init__(self, channel: Channel, settings: Settings, link: BrokerLink) -> None:
        self._topic = channel.topic or f"{settings.topic_root}/episodes"
        self._link = link

    def submit(self, waiting: Waiting) -> bool:
        """Hand it to the broker's thread."""
        return self._link.publish(Publication(waiting.id, self._topic, waiting.message.facts))


class AppriseOutlet:
    """Sends to one service URL. The service's own thread may hang; the core never does."""

    def __init__(self, channel: Channel, done: Done) -> None:
        self._channel, self._done = channel, done
        self._queue: queue.Queue[Waiting] = queue.Queue(QUEUE_LENGTH)
        self.beat_s = time.monotonic()

    def submit(self, waiting: Waiting) -> bool:
        """Queue it for the thread."""
        try:
            self._queue.put_nowait(waiting)
        except queue.Full:
            return False
        return True

    def channel_changed(self, channel: Channel) -> None:
        """Use other settings from the next message on."""
        self._channel = channel

    def run(self, stop: threading.Event) -> None:
        """Send what is queued until told to stop."""
        while not stop.is_set():
            self.beat_s = time.monotonic()
            try:
                waiting = self._queue.get(timeout=0.5)
            except queue.Empty:
                continue
            trouble = self.send(waiting.message)
            self._done(waiting.id, not trouble, trouble)

    def send(self, message: Message) -> str:
        """Send one message; what went wrong, or nothing. The URL is a secret and never part of the answer."""
        import apprise  # noqa: PLC0415 - 20 MB that a house without such a channel does not need

        channel = self._channel
        try:
            url = secret_of(channel.url, channel.url_file, channel.url_credential)
        except MissingSecret as error:
            return str(error)
        target = apprise.Apprise()
        if not url or not target.add(url):
            return "the channel's URL is not one that can be sent to"
        # apprise never raises for delivery problems; the result is false unless every service took the message
        html = json.loads(message.facts).get("html")
        if html is not None and takes_html(target[0]):
            sent = send_letter(target[0], message.title, message.body, html)
        else:
            sent = bool(target.notify(title=message.title, body=message.body, body_format=apprise.NotifyFormat.TEXT))
        return "" if sent else "the service did not take the message"


class Outlets:
    """All channels by name."""

    def __init__(self, done: Done) -> None:
        self._done = done
        self._outlets: dict[str, Outlet] = {}
        self._link: BrokerLink | None = None
        self._replies = 0
        self._urls: dict[str, AppriseOutlet] = {}

    def configure(self, settings: Settings, link: BrokerLink) -> list[AppriseOutlet]:
        """Take up the channels; returns the outlets whose threads are to be started."""
        self._link = link
        outlets: dict[str, Outlet] = {}
        fresh = []
        for channel in settings.channels:
            if channel.mqtt:
                outlets[channel.name] = MqttOutlet(channel, settings, link)
                continue
            known = self._urls.get(channel.name)
            if known is not None:
                known.channel_changed(channel)
                outlets[channel.name] = known
            else:
                outlets[channel.name] = self._urls[channel.name] = AppriseOutlet(channel, self._done)
                fresh.append(self._urls[channel.name])
        self._outlets = outlets
        return fresh

    def submit(self, waiting: Waiting) -> bool:
        """Offer a message to its channel. One whose channel is no longer configured waits until it is given up."""
        outlet = self._outlets.get(waiting.message.channel)
        if outlet is None:
            self._done(waiting.id, False, "no such channel in the settings")
            return True
        return outlet.submit(waiting)

    def reply(self, topic: str, payload: bytes) -> None:
        """Answer a request; one that cannot be sent is dropped, and who asked asks again."""
        self._replies -= 1  # no message of the outbox has a negative number
        if self._link is not None:
            self._link.publish(Publication(self._replies, topic, payload.decode()))

    def retain(self, topic: str, text: str) -> int | None:
        """Leave a text with the broker; the number under which it is answered for, None without a connection."""
        self._replies -= 1
        publication = Publication(self._replies, topic, text, retained=True)
        return self._replies if self._link is not None and self._link.publish(publication) else None
