"""Messages in: the callback only stamps and queues; the acknowledgement waits until the reading is on disk."""

import logging
import queue
import re
import socket
import sys
import threading
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt

from controller.clock import Clock, Moment
from controller.settings import Settings
from controller.wire import session
from controller.wire.outstanding import Outstanding, Told
from controller.wire.presence import Presence

log = logging.getLogger("soilward.wire")
LONGEST_DRAIN = 400
QUEUE_BOUND = 20_000

REOPEN_EVERY_S = 30.0
"""[s] Shortest time between two reconnections made to have messages sent again. Source: engineering judgement."""

DROP_REMEMBERED_S = 600.0
"""[s] A full inbox is told for this long after its last dropped message."""

FEW = 5
"""Topics that are told by name: each enclosure tells of all that the whole site is refused. Source: engineering
judgement."""

_DATED = re.compile(rb'"bt":\d{10}')
"""A base time that does not count from now (RFC 8428, section 4.5.3)."""


class Message(NamedTuple):
    """One message as it came.

    Parameters
    ----------
    mid, qos
        The broker's number for it, and whether it waits for our acknowledgement (1) or not (0).
    link
        Number of the connection it came on.
    """

    topic: str
    payload: bytes
    retained: bool
    arrived: Moment
    mid: int
    qos: int
    link: int

    @property
    def content(self) -> int:
        """A check sum of what it says and where; the same in every run of the program."""
        return zlib.crc32(self.payload, zlib.crc32(self.topic.encode()))

    @property
    def is_dated(self) -> bool:
        """Whether it is surely a SenML pack with a time from 1970 on, by which its readings are known again."""
        return self.payload.startswith(b"[") and _DATED.search(self.payload) is not None


class LinkNow(NamedTuple):
    """How the session stands.

    Parameters
    ----------
    resumed_s
        [s] monotonic since when what comes is about now.
    fault
        Why this link is not good enough to heat by, in words; "" if it is.
    """

    connected: bool
    resumed_s: float
    fault: str = ""


class Inbox:
    """The controller's one broker session.

    Parameters
    ----------
    kept, passing
        Topics the broker keeps for us while we are away (QoS 1), and those it need not (QoS 0).
    bound
        Most messages that wait here.
    recalled
        Number and check sum of messages that an earlier controller kept and may not have acknowledged.
    """

    def __init__(
        self,
        settings: Settings,
        client_id: str,
        kept: Sequence[str],
        passing: Sequence[str],
        clock: Clock,
        bound: int = QUEUE_BOUND,
        recalled: Iterable[tuple[int, int]] = (),
    ) -> None:
        # Not `queue.Queue`, which takes ten times as long: only the network thread puts, so it may see to the bound.
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._bound = bound
        self.refused_topics: tuple[str, ...] = ()
        self.dropped = 0
        self._settings, self._clock = settings, clock
        self._presence = Presence(settings.broker.root, client_id, clock)
        # QoS 0 for what is only true now: the broker then keeps nothing of it while we are away.
        self.canary_topic = self._presence.canary_topic
        self._topics = [*((topic, 1) for topic in kept), *((topic, 0) for topic in (*passing, self.canary_topic))]
        self._wanted = {topic for topic, _ in self._topics}
        self._asked: dict[int, list[str]] = {}
        self._lock = threading.Lock()
        self._link = 0
        self._outstanding = Outstanding(session.WINDOW)
        for number, content in recalled:
            self._outstanding.recall(number, content)
        self._connected = self._owed = False
        self._resumed_s = clock.now().mono_s
        self._dropped_s = self._reopened_s = float("-inf")
        will = (self._presence.topic, b"offline", True)
        self.client = session.make_client(settings, client_id, will, manual_ack=True)
        self._unreached = ""
        self.client.on_connect = self._on_connect
        self.client.on_connect_fail = self._on_connect_fail
        self.client.on_disconnect = self._on_disconnect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message

    def open(self) -> None:
        """Connect in the background; keeps trying for ever."""
        session.connect(self.client, self._settings.broker, kept=True)

    def close(self) -> None:
        """Say goodbye and stop the network thread."""
        if self._connected:
            # A connection that breaks just now: its Will says it in our stead.
            with suppress(RuntimeError, ValueError):
                self.client.publish(self._presence.topic, b"offline", qos=1, retain=True).wait_for_publish(1.0)
        self.client.disconnect()
        self.client.loop_stop()

    @property
    def link_now(self) -> LinkNow:
        """How the session stands now."""
        # Asked at every tick, so nothing is locked: a link that comes back has its time before it is connected.
        return LinkNow(self._connected, self._resumed_s, self._presence.fault)

    @property
    def has_yielded(self) -> bool:
        """Whether another client has won our name: we connect no more."""
        return self._presence.has_yielded

    @property
    def has_died(self) -> bool:
        """Whether a fault has ended the network's thread: nothing is heard until the next start."""
        return self.client.has_died

    def notes(self, now_s: float) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of what a person should know of this session."""
        yield from self._presence.notes(now_s)
        if self.refused_topics:
            yield "broker:refuses", f"the broker refuses to let us hear {_few(self.refused_topics)}"
        if now_s - self._dropped_s <= DROP_REMEMBERED_S:
            yield "broker:full", f"messages came faster than they could be kept; {self.dropped} were dropped so far"

    def look(self, now: Moment) -> None:
        """Once a second: send the canary, see whether it came back, have dropped messages sent again."""
        if self._presence.look(self.client, self._connected):
            with self._lock:
                # What the broker held back meanwhile says nothing about now.
                self._resumed_s = now.mono_s
        if self._owed and self.messages.qsize() * 2 <= self._bound:
            self._reopen(now)

    def _reopen(self, now: Moment) -> None:
        """Break the connection: the broker sends again what we did not acknowledge, and only then."""
        if not self._connected or now.mono_s - self._reopened_s < REOPEN_EVERY_S:
            return
        self._owed, self._reopened_s = False, now.mono_s
        log.warning("%d messages dropped so far; reconnecting to have them sent again", self.dropped)
        link = self.client.socket()
        with suppress(OSError):
            if isinstance(link, socket.socket):
                # TLS's own `shutdown` gives up deciphering first: what has come already would be read as it lies there.
                socket.socket.shutdown(link, socket.SHUT_RDWR)

    def drain(self, wait_s: float) -> list[Message]:
        """Return what waits, at most some hundreds; wait up to `wait_s` [s] for the first."""
        messages = []
        try:
            messages.append(self.messages.get(timeout=wait_s) if wait_s > 0 else self.messages.get_nowait())
            while len(messages) < LONGEST_DRAIN:
                messages.append(self.messages.get_nowait())
        except queue.Empty:
            pass
        return messages

    def acknowledge(self, message: Message) -> None:
        """Tell the broker that this message is safe with us: now, or when a later connection tells it again."""
        if message.qos == 0:
            return
        with self._lock:
            link = self._link if self._connected else 0
            can_hear = self._outstanding.keep(message.mid, message.link, link)
        if can_hear:
            self.client.ack(message.mid, message.qos)

    def drop(self, message: Message) -> None:
        """Give a message up unacknowledged: the broker keeps it, and is asked for it again."""
        self.dropped += 1
        self._dropped_s = self._clock.now().mono_s
        if message.qos:
            self._owed = True
            with self._lock:
                self._outstanding.drop(message.mid)

    def _on_connect(self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("broker refused us: %s", reason)
            return
        with self._lock:
            if not flags.session_present:
                self._outstanding.begin()
            self._link += 1
            self._resumed_s = self._clock.now().mono_s
            self._connected = True
        self._unreached = ""
        self._asked = session.subscribe(client, self._topics)
        self._presence.begin(client)

    def _on_connect_fail(self, *_: Any) -> None:
        """Say why, once: an expired certificate, a name that nobody knows, a port that nobody listens on."""
        why = str(sys.exc_info()[1])
        if why != self._unreached:
            self._unreached, broker = why, self._settings.broker
            log.warning("the broker at %s:%d cannot be reached: %s; trying it again", broker.host, broker.port, why)

    def _on_disconnect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._lock:
            self._connected = False
        if reason.is_failure:
            log.warning("broker connection ended: %s", reason)
        self._presence.ended(client, reason)

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, mid: int, reasons: Any, _properties: Any) -> None:
        piece = self._asked.pop(mid, [])
        bad = [topic for topic, reason in zip(piece, reasons, strict=False) if reason.is_failure]
        self.refused_topics = (*(topic for topic in self.refused_topics if topic not in piece), *bad)
        if bad:
            log.error("broker refuses to let us hear %s", _few(bad))

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        arrived = self._clock.now()
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "?"
        if topic == self._presence.canary_topic:
            self._presence.take(client, bytes(message.payload), message.retain)
            return
        if topic not in self._wanted:
            self._leave(client, topic)
        item = Message(topic, bytes(message.payload), message.retain, arrived, message.mid, message.qos, self._link)
        if item.qos and self._is_told_again(item, message.dup):
            return
        if self.messages.qsize() < self._bound:
            self.messages.put(item)
        else:
            self.drop(item)

    def _leave(self, client: mqtt.Client, topic: str) -> None:
        """Hear a topic no more: settings of an earlier start named it, and the broker's session holds it still."""
        self._wanted.add(topic)
        # One without a name is a broker's fault; paho raises at it, and its thread would end.
        if topic:
            client.unsubscribe(topic)

    def _is_told_again(self, message: Message, duplicate: bool) -> bool:
        """Whether we have this message already; if it is kept, its acknowledgement was lost and goes out anew."""
        with self._lock:
            told = self._outstanding.take(message.mid, message.content, message.link, duplicate)
        if told is Told.KEPT:
            self.client.ack(message.mid, message.qos)
        return told is not Told.NEW


def _few(topics: Sequence[str]) -> str:
    more = len(topics) - FEW
    return ", ".join(topics[:FEW]) + (f" and {more} more topics" if more > 0 else "")
