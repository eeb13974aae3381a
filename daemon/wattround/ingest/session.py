"""How we present ourselves to the broker: a paho client made ready, its session, its last will."""

from __future__ import annotations

import json
import ssl

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from wattround import __version__
from wattround.config.model import Broker, Settings
from wattround.config.secrets import MissingSecret, secret_of

RECEIVE_MAXIMUM = 500
"""Messages that the broker may send before the first is acknowledged (MQTT 5): its bounded queue for us."""
IN_FLIGHT_311 = 20
"""What brokers commonly keep in flight under MQTT 3.1.1, where we cannot tell them."""
SESSION_EXPIRY_S = 7 * 86_400


def most_unacknowledged(settings: Settings) -> int:
    """Kept messages after which the core should commit, so that the broker does not stop sending."""
    return (RECEIVE_MAXIMUM if settings.protocol == "5" else IN_FLIGHT_311) // 2


def status_topic(settings: Settings) -> str:
    """Where our own state stands, retained."""
    return f"{settings.topic_root}/status"


def status(state: str) -> str:
    """Payload of the status topic: running, stopped, or lost (the last will)."""
    return json.dumps({"state": state, "version": __version__})


def make_client(settings: Settings, *, keep_session: bool, visitor: str = "") -> mqtt.Client:
    """A client for one connection. Its acknowledgements are ours to send.

    A visitor beside the daemon has a name of its own, and nothing is said of it when it is gone.

    Raises:
        MissingSecret: if the password or a TLS file cannot be read.
    """
    broker = settings.broker
    five = settings.protocol == "5"
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"{settings.client_id}-{visitor}" if visitor else settings.client_id,
        protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
        clean_session=None if five else not keep_session,
        manual_ack=not visitor,
        reconnect_on_failure=False,
    )
    if broker.user is not None:
        secret = secret_of(broker.password, broker.password_file, broker.password_credential)
        client.username_pw_set(broker.user, secret)
    if broker.tls is not None:
        client.tls_set_context(_tls_context(broker))
    if not visitor:
        client.will_set(status_topic(settings), status("lost"), qos=1, retain=True)
    return client


def connect(client: mqtt.Client, settings: Settings, *, keep_session: bool) -> None:
    """Open the connection; a session is asked for only where something is to be kept while we are away.

    Raises:
        OSError: if the broker cannot be reached.
    """
    broker = settings.broker
    seconds = broker.keepalive // 1000
    if settings.protocol != "5":
        client.connect(broker.host, broker.port, seconds)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.SessionExpiryInterval = SESSION_EXPIRY_S if keep_session else 0
    client.connect(broker.host, broker.port, seconds, clean_start=not keep_session, properties=properties)


def _tls_context(broker: Broker) -> ssl.SSLContext:
    tls = broker.tls
    try:
        context = ssl.create_default_context(cafile=tls.ca_file if tls else None)
        if tls is not None and tls.certificate_file is not None:
            context.load_cert_chain(tls.certificate_file, tls.key_file)
    except (OSError, ssl.SSLError) as error:
        raise MissingSecret(f"broker.tls: {error}") from None
    return context
