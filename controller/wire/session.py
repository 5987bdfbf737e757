"""One door to paho: a client made as settings say, whose Will tells of its absence."""

import socket
import ssl
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.matcher import MQTTMatcher
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.errors import BrokerError
from controller.settings import Broker, Settings
from controller.wire import few_calls
from controller.wire.empty_properties import lighten

lighten()

SESSION_KEPT_S = 7 * 86_400
"""[s] The broker keeps our queue this long while we are away."""

WINDOW = 4000
"""Messages the broker may have out unacknowledged (MQTT 5 Receive Maximum): what a few thousand enclosures say in a
second or two, for each message waits for its enclosure's tick. Source: engineering judgement."""
EMBEDDED_WINDOW, OLD_WINDOW = 100, 20
"""The same of our embedded broker, and of Mosquitto where the protocol cannot ask (its `max_inflight_messages`)."""

PIECE_BYTES = 8192
"""Most that the topics of one SUBSCRIBE take: a quarter of the largest packet that our embedded broker lets in, an
eighth of what `hardware-notes/broker.md` asks of another. Source: engineering judgement."""


def window(broker: Broker) -> int:
    """Return how many messages the broker sends before it waits for an acknowledgement."""
    if broker.kind == "embedded":
        return EMBEDDED_WINDOW
    return WINDOW if broker.protocol == "5" else OLD_WINDOW


def credentials(settings: Settings, reading_only: bool = False) -> tuple[str, str] | None:
    """Return user and password, or None where the broker asks for none.

    Parameters
    ----------
    reading_only
        Take the account that may only read, where settings name one.

    Raises
    ------
    BrokerError
        If the password file cannot be read.
    """
    broker = settings.broker
    if reading_only and broker.read_username is not None:
        return broker.read_username, _secret(broker.read_password_file)
    file = broker.password_file
    if broker.kind == "embedded" and file is None:
        file = embedded_password_file(settings)
    if file is None:
        return None
    return broker.username or "soilward", _secret(file)


def _secret(file: Path | None) -> str:
    if file is None:
        return ""
    try:
        return file.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise BrokerError(f"broker password file {file} cannot be read: {error.strerror}; check its owner") from error
    except UnicodeDecodeError as error:
        raise BrokerError(f"broker password file {file} is no UTF-8 text; write the password alone into it") from error


def embedded_password_file(settings: Settings) -> Path:
    """Return where the embedded broker's generated password lies."""
    return settings.store.folder / "broker-password"


def make_client(
    settings: Settings,
    client_id: str,
    will: tuple[str, bytes, bool] | None = None,
    manual_ack: bool = False,
    reading_only: bool = False,
) -> few_calls.Client:
    """Make an unconnected client.

    Parameters
    ----------
    will
        Topic, payload, retain.

    Raises
    ------
    BrokerError
        If a password file or the authority's certificate cannot be read.
    """
    broker = settings.broker
    version = mqtt.MQTTv5 if broker.protocol == "5" else mqtt.MQTTv311
    client = few_calls.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if version == mqtt.MQTTv5 else not manual_ack,
        protocol=version,
        manual_ack=manual_ack,
    )
    known = credentials(settings, reading_only)
    if known is not None:
        client.username_pw_set(*known)
    if broker.ca_file is not None:
        _trust(client, broker.ca_file)
    if will is not None:
        client.will_set(will[0], will[1], qos=1, retain=will[2])
    client.on_socket_open = _at_once
    client._on_message_filtered = _NoCallbacksByTopic()  # type: ignore[no-untyped-call]
    client.reconnect_delay_set(1, 5)
    return client


def _trust(client: mqtt.Client, authority: Path) -> None:
    try:
        client.tls_set(ca_certs=str(authority), cert_reqs=ssl.CERT_REQUIRED)
    except OSError as error:
        why = "it holds no certificate" if isinstance(error, ssl.SSLError) else error.strerror
        raise BrokerError(
            f"broker.ca_file {authority} cannot be used: {why}; name the PEM file of the broker's authority"
        ) from error


class _NoCallbacksByTopic(MQTTMatcher):
    """What paho asks for each message, answered at once: we have one callback for all.

    Its own matching takes a fifth of what a message costs there, and leaves five objects that only the collector finds.
    """

    def iter_match(self, topic: str) -> Iterator[Any]:
        return iter(())


def _at_once(_client: mqtt.Client, _data: Any, link: Any) -> None:
    """Send each packet at once: waiting to fill a segment costs an opening up to 40 ms (measured)."""
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def connect(client: mqtt.Client, broker: Broker, kept: bool) -> None:
    """Connect in the background, now and after every loss; `kept` asks for a persistent session.

    Raises
    ------
    RuntimeError
        If no thread is left for it.
    """
    options: dict[str, Any] = {}
    if broker.protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_KEPT_S if kept else 0
        properties.ReceiveMaximum = WINDOW
        options = {"clean_start": not kept, "properties": properties}
    client.connect_async(broker.host, broker.port, keepalive=20, **options)
    try:
        client.loop_start()
    except RuntimeError:
        # paho would wait for this thread, which never began, and lie in a circle with it, its sockets open.
        client._thread = None
        raise


def subscribe(client: mqtt.Client, topics: Sequence[tuple[str, int]]) -> dict[int, list[str]]:
    """Ask for topics, in pieces that a broker's largest packet has room for; returns the topics of each by its number.

    Called within `on_connect`, it returns before the first answer is read: one thread does both.
    """
    pieces: list[list[tuple[str, int]]] = [[]]
    room = PIECE_BYTES
    for topic, qos in topics:
        # Before each topic stands its length, after it the options. Source: MQTT 5.0, section 3.8.3.
        took = len(topic.encode()) + 3
        if took > room and pieces[-1]:
            pieces.append([])
            room = PIECE_BYTES
        room -= took
        pieces[-1].append((topic, qos))
    asked = {client.subscribe(piece)[1]: [topic for topic, _ in piece] for piece in pieces}
    return {number: piece for number, piece in asked.items() if number is not None}


def expiring(broker: Broker, seconds: float) -> Properties | None:
    """Return publish properties that let the broker drop the message after `seconds` [s]; None before MQTT 5."""
    return _expiring(seconds) if broker.protocol == "5" else None


class _Written(Properties):
    """Properties that are written once: every order carries the same, and paho would spell them out for each."""

    written: bytes

    def __init__(self, given: Properties) -> None:
        super().__init__(given.packetType)  # type: ignore[no-untyped-call]
        object.__setattr__(self, "written", given.pack())  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        return self.written


@cache
def _expiring(seconds: float) -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = max(1, int(seconds))
    return _Written(properties)
