"""What is said of a broker that went away is for the person who reads it."""

import socket
import threading
from types import SimpleNamespace

import paho.mqtt.client as mqtt
import pytest

from support.house import HandClock, settings_of
from wattround.core.inbox import Inbox
from wattround.ingest.broker import BrokerLink, Lost


def test_a_line_that_the_library_has_closed_already_is_said_in_words():
    settings = settings_of('[[meters]]\nname = "m"\npower = { topic = "t" }\n')
    link = BrokerLink(settings, {}, Inbox(), HandClock(0), lambda *_: None, {}, lambda _filters: None)
    closed = socket.socket()
    closed.close()
    link._client = SimpleNamespace(
        socket=lambda: closed, want_write=lambda: False, loop_misc=lambda: mqtt.MQTT_ERR_SUCCESS
    )

    with pytest.raises(Lost, match="the broker closed the connection"):
        link._serve(threading.Event())
    for end in (link._waker, link._woken):
        end.close()
