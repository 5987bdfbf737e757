"""Messages in: the callback only stamps and queues; the acknowledgement waits until the reading is on disk."""

import logging
import queue
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt

from controller.clock import Clock, Moment
from controller.settings import Settings
from controller.wire import session

log = logging.getLogger("soilward.wire")
QUEUE_BOUND = 20_000


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it came.

    Parameters
    ----------
    link
        Number of the connection it came on: a later connection must not acknowledge it.
    """

    topic: str
    payload: bytes
    retained: bool
    arrived: Moment
    mid: int
    qos: int
    link: int


class Inbox:
    """The controller's one broker session.

    Parameters
    ----------
    kept, passing
        Topics the broker keeps for us while we are away (QoS 1), and those it need not (QoS 0).
    """

    def __init__(
        self, settings: Settings, client_id: str, kept: Sequence[str], passing: Sequence[str], clock: Clock
    ) -> None:
        self.messages: queue.Queue[Message] = queue.Queue(QUEUE_BOUND)
        self.refused_topics: tuple[str, ...] = ()
        self.dropped = 0
        self._settings, self._clock = settings, clock
        # QoS 0 for what is only true now: the broker then keeps nothing of it while we are away.
        self._topics = [*((topic, 1) for topic in kept), *((topic, 0) for topic in passing)]
        self._lock = threading.Lock()
        self._link = 0
        self._connected = False
        self._resumed_s = clock.now().mono_s
        self._presence = f"{settings.broker.root}/presence/{client_id}"
        self.client = session.make_client(settings, client_id, (self._presence, b"offline", True), manual_ack=True)
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message

    def open(self) -> None:
        """Connect in the background; keeps trying for ever."""
        session.connect(self.client, self._settings.broker, kept=True)

    def close(self) -> None:
        """Say goodbye and stop the network thread."""
        if self._connected:
            self.client.publish(self._presence, b"offline", qos=1, retain=True).wait_for_publish(1.0)
        self.client.disconnect()
        self.client.loop_stop()

    @property
    def link_now(self) -> tuple[bool, float]:
        """Whether the session stands, and since when [s] monotonic."""
        with self._lock:
            return self._connected, self._resumed_s

    def acknowledge(self, message: Message) -> None:
        """Tell the broker that this message is safe with us, unless it came on an earlier connection."""
        if message.qos == 0:
            return
        with self._lock:
            same = message.link == self._link and self._connected
        if same:
            self.client.ack(message.mid, message.qos)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("broker refused us: %s", reason)
            return
        with self._lock:
            self._link += 1
            self._connected = True
            self._resumed_s = self._clock.now().mono_s
        client.subscribe(self._topics)
        client.publish(self._presence, b"online", qos=1, retain=True)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._lock:
            self._connected = False
        if reason.is_failure:
            log.warning("broker connection ended: %s", reason)

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        bad = [topic for (topic, _), reason in zip(self._topics, reasons, strict=False) if reason.is_failure]
        self.refused_topics = tuple(bad)
        if bad:
            log.error("broker refuses to let us hear %s", ", ".join(bad))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        arrived = self._clock.now()
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "?"
        item = Message(topic, bytes(message.payload), message.retain, arrived, message.mid, message.qos, self._link)
        try:
            self.messages.put_nowait(item)
        except queue.Full:
            # Not acknowledged: the broker keeps it and sends it again.
            self.dropped += 1
