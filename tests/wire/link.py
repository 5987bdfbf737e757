"""A wire that can fail: a relay of bytes between a client and the broker, cut or deaf on demand, and read as MQTT."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 3, 4, 8, 9
TAKEN_OVER = b"\xe0\x02\x8e\x00"
"""DISCONNECT, session taken over. Source: MQTT 5.0, section 3.14."""
Watch = Callable[[bool, int, bytes], None]
"""Called with (towards the broker?, first byte, body) for each whole packet that gets through."""
Loses = Callable[[bool, int, bytes], bool]
"""Asked the same for each whole packet: whether it is lost."""


def whole(first: int, body: bytes) -> bytes:
    """Return a packet as it goes over the wire. Source: MQTT 5.0, section 1.5.5."""
    length, left = b"", len(body)
    while True:
        left, low = divmod(left, 128)
        length += bytes([low | (0x80 if left else 0)])
        if not left:
            return bytes([first]) + length + body


def topic_of(first: int, body: bytes) -> str:
    """Return the topic of a PUBLISH, "" of any other packet."""
    return body[2 : 2 + int.from_bytes(body[:2], "big")].decode() if first >> 4 == PUBLISH else ""


class Packets:
    """Splits a byte stream into MQTT packets. Source: MQTT 5.0, section 2.1."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """Yield (first byte, body) of every packet that is whole by now."""
        self._rest += data
        while True:
            length, shift, at = 0, 0, 1
            while at < len(self._rest):
                byte = self._rest[at]
                length |= (byte & 0x7F) << shift
                shift, at = shift + 7, at + 1
                if byte < 0x80:
                    break
            else:
                return
            if len(self._rest) < at + length:
                return
            first, body, self._rest = self._rest[0], self._rest[at : at + length], self._rest[at + length :]
            yield first, body


class Link:
    """Listens on `port` and passes every connection on to `target`, both on loopback.

    `lost_up` drops all bytes that go to the broker, `lost_down` all that come from it; `loses` drops whole packets.
    Neither end is told.
    """

    def __init__(self, target: int, watch: Watch | None = None) -> None:
        self.lost_up = self.lost_down = False
        self.loses: Loses | None = None
        self._target, self._watch = target, watch
        self._whole = True
        self._stop = False
        self._lock = threading.Lock()
        self._sockets: set[socket.socket] = set()
        self._near: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._start(self._accept)

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._stop:
            near, _ = self._listener.accept()
            if self._stop or not self._whole:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._target))
            except OSError:
                near.close()
                continue
            with self._lock:
                self._sockets |= {near, far}
                self._near.add(near)
            self._start(self._pump, near, far, True)
            self._start(self._pump, far, near, False)

    def _pump(self, source: socket.socket, sink: socket.socket, up: bool) -> None:
        packets = Packets()
        with suppress(OSError):
            while data := source.recv(65536):
                if self.lost_up if up else self.lost_down:
                    continue
                sink.sendall(b"".join(self._passing(up, packets.feed(data))))
        for each in (source, sink):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        with self._lock:
            self._sockets.discard(source)
            self._near.discard(source)
        source.close()

    def _passing(self, up: bool, packets: Iterator[tuple[int, bytes]]) -> Iterator[bytes]:
        for first, body in packets:
            if self.loses is not None and self.loses(up, first, body):
                continue
            if self._watch is not None:
                self._watch(up, first, body)
            yield whole(first, body)

    def watched_by(self, watch: Watch) -> None:
        """Let somebody see every packet from here on."""
        self._watch = watch

    @property
    def quiet(self) -> bool:
        """Whether no connection stands, so all that was sent has been seen."""
        with self._lock:
            return not self._sockets

    def say(self, packet: bytes) -> None:
        """Send the clients a packet as if the broker had, and hang up."""
        with self._lock:
            for each in self._near:
                with suppress(OSError):
                    each.sendall(packet)
                    each.shutdown(socket.SHUT_WR)

    def cut(self) -> None:
        """Break every connection and let none be made."""
        self._whole = False
        with self._lock:
            for each in self._sockets:
                with suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)

    def mend(self) -> None:
        """Let connections be made again; those that were deaf are broken first, their stream is no longer whole."""
        self.cut()
        self.lost_up = self.lost_down = False
        self._whole = True

    def close(self) -> None:
        """End everything and wait for it."""
        self._stop = True
        self.cut()
        socket.create_connection(("127.0.0.1", self.port)).close()
        for thread in self._threads:
            thread.join(5.0)
        self._listener.close()


class Acknowledged:
    """Which QoS 1 payloads a client was given on an MQTT 5 connection, and which of them it acknowledged."""

    def __init__(self) -> None:
        self.given: list[bytes] = []
        self.acknowledged: set[bytes] = set()
        self._waiting: dict[int, bytes] = {}

    def __call__(self, up: bool, first: int, body: bytes) -> None:
        """Take note of one packet."""
        if up and first >> 4 == PUBACK:
            payload = self._waiting.pop(int.from_bytes(body[:2], "big"), None)
            if payload is not None:
                self.acknowledged.add(payload)
        elif not up and first >> 4 == PUBLISH and first & 0x06:
            at = 2 + int.from_bytes(body[:2], "big")
            # Property lists of ours are below 128 bytes, so their length is one byte.
            payload = body[at + 3 + body[at + 2] :]
            self._waiting[int.from_bytes(body[at : at + 2], "big")] = payload
            self.given.append(payload)
