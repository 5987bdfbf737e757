"""A bell that is rung once, and a client that reads ahead: nothing is lost by either, and both are needed."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from functools import partial
from itertools import chain, cycle, islice
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from controller.wire.few_calls import Bell, Client
from tests.wire.kit import throughout, until
from tests.wire.link import PUBLISH, Packets, whole

WITHIN_S = 10.0
CONNACK = b"\x20\x02\x00\x00"
"""Let in, no session. Source: MQTT 3.1.1, section 3.2."""
MALFORMED = b"\x30\xff\xff\xff\xff\xff"
"""A length of more than four bytes. Source: MQTT 3.1.1, section 2.2.3."""


class Pair:
    """Stands in for the sockets; what `meanwhile` does comes just in time to be taken with what waited.

    `at_once` is done as soon as it is rung.
    """

    def __init__(self) -> None:
        self.waiting, self.rung = b"", 0
        self.meanwhile: Any = lambda: None
        self.at_once: Any = lambda: None

    def send(self, data: bytes) -> int:
        self.rung += 1
        self.waiting += data
        self.at_once()
        return len(data)

    def recv(self, _size: int) -> bytes:
        self.meanwhile()
        heard, self.waiting = self.waiting, b""
        return heard


@pytest.fixture
def pair() -> Pair:
    return Pair()


@pytest.fixture
def bell(pair: Pair) -> Bell:
    return Bell(pair, pair)  # type: ignore[arg-type]


def test_it_is_rung_once_until_it_is_heard(pair: Pair, bell: Bell) -> None:
    for _ in range(3):
        assert bell.send(b"0") == 1
    assert pair.rung == 1
    assert bell.recv(10_000) == b"0"
    bell.send(b"0")
    assert pair.rung == 2


def test_a_ring_while_it_is_being_heard_takes_no_later_one_away(pair: Pair, bell: Bell) -> None:
    """What is left then is seen by the look that follows; the next ring must wake the thread again."""
    bell.send(b"0")
    pair.meanwhile = lambda: bell.send(b"0")
    bell.recv(10_000)
    pair.meanwhile = lambda: None
    bell.send(b"0")
    assert pair.waiting


def test_a_ring_that_is_heard_before_it_is_over_is_no_lasting_one(pair: Pair, bell: Bell) -> None:
    """The other thread may be that quick: the next ring must wake it again."""
    pair.at_once = lambda: bell.recv(10_000)
    for _ in range(2):
        bell.send(b"0")
    assert pair.rung == 2


def test_one_thread_gathers_and_the_others_ring(pair: Pair, bell: Bell) -> None:
    with bell.gathering():
        bell.send(b"0")
        assert pair.rung == 0
        other = threading.Thread(target=bell.send, args=(b"0",))
        other.start()
        other.join()
        assert pair.rung == 1
        bell.recv(10_000)
        bell.let_out()
        assert pair.rung == 2
        bell.recv(10_000)
        bell.let_out()
        assert pair.rung == 2, "nothing was left since"
        bell.send(b"0")
    assert pair.rung == 3, "what was left is let out at the end"
    bell.recv(10_000)
    bell.send(b"0")
    assert pair.rung == 4


class Broker:
    """Lets in whoever connects; each connection is then given the next of `says`, and closed after all but the last."""

    def __init__(self, *says: bytes) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.heard: list[bytes] = []
        self._says, self._open = says, list[socket.socket]()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        for said in self._says:
            with suppress(OSError):
                link, _ = self._listener.accept()
                self._open.append(link)
                link.recv(1000)
                link.sendall(CONNACK + said)
        packets = Packets()
        with suppress(OSError):
            while data := link.recv(10_000):
                self.heard += [body for first, body in packets.feed(data) if first >> 4 == PUBLISH]

    def close(self) -> None:
        for link in (self._listener, *self._open):
            with suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
            link.close()
        self._thread.join(WITHIN_S)


def _has(broker: Broker, count: int) -> bool:
    return len(broker.heard) == count


def published(payload: bytes) -> bytes:
    """Return a message at QoS 0 as it goes over the wire. Source: MQTT 3.1.1, section 3.3."""
    return whole(PUBLISH << 4, b"\x00\x01a" + payload)


@pytest.fixture
def client() -> Iterator[Client]:
    one = Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    one.reconnect_delay_set(1, 1)
    yield one
    one.disconnect()
    one.loop_stop()
    one._reset_sockets()


def test_every_message_comes_whole_in_few_reads(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of all lengths, so that pieces end anywhere in a packet; bare paho reads three times for each."""
    reads, read = [0], mqtt.Client._sock_recv

    def counted(self: mqtt.Client, size: int) -> bytes:
        reads[0] += 1
        return read(self, size)

    monkeypatch.setattr(mqtt.Client, "_sock_recv", counted)
    payloads = [bytes([number % 251]) * (number * 7 % 400) for number in range(2000)]
    payloads += [b"long" * 5000, b"last"]
    got: list[bytes] = []
    client.on_message = lambda _client, _data, message: got.append(bytes(message.payload))
    with closing(Broker(b"".join(map(published, payloads)))) as broker:
        client.connect_async("127.0.0.1", broker.port)
        client.loop_start()
        until("the last has come", lambda: got[-1:] == [b"last"], WITHIN_S)
    assert got == payloads
    assert reads[0] < len(payloads) / 4


def test_what_was_read_ahead_of_a_broken_connection_is_none_of_the_next_ones(client: Client) -> None:
    """A malformed packet ends a connection; what stood behind it must not be read as the next one's beginning."""
    got: list[bytes] = []
    client.on_message = lambda _client, _data, message: got.append(bytes(message.payload))
    with closing(Broker(MALFORMED + published(b"never") * 20, published(b"after"))) as broker:
        client.connect_async("127.0.0.1", broker.port)
        client.loop_start()
        until("the second connection's message comes", lambda: got == [b"after"], WITHIN_S)


def test_what_is_published_goes_out_at_once_again_and_again(client: Client) -> None:
    """Each waits for the last: a lost ring would hold one up until paho looks by itself, a second later."""
    with closing(Broker(b"")) as broker:
        client.connect_async("127.0.0.1", broker.port)
        client.loop_start()
        until("it is connected", client.is_connected, WITHIN_S)
        begun_s = time.monotonic()
        for number in range(30):
            client.publish("a", str(number))
            until("it has come", partial(_has, broker, number + 1), WITHIN_S)
        assert time.monotonic() - begun_s < 15.0


def test_the_thread_begins_with_the_bell(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the bell's ring heard by paho's own end it would never know: no other was rung, and all went out 1 s late."""
    begun = mqtt.Client.loop_start

    def held_up(self: Client) -> MQTTErrorCode:
        result = begun(self)
        throughout("it waits for the bell", lambda: client.socket() is None, 0.3)
        return result

    monkeypatch.setattr(mqtt.Client, "loop_start", held_up)
    with closing(Broker(b"")) as broker:
        client.connect_async("127.0.0.1", broker.port)
        client.loop_start()
        until("it is connected", client.is_connected, WITHIN_S)


def test_a_flood_holds_back_neither_what_goes_out_nor_the_sign_of_life(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No read ends where a packet does, so there is always more; after each message both are looked at."""
    stream = chain(published(b"odd"), cycle(published(b"x" * 59)))
    reads: list[int] = []

    def endless(_self: mqtt.Client, size: int) -> bytes:
        if len(reads) == 20:
            raise BlockingIOError
        reads.append(size)
        return bytes(islice(stream, 4096))

    done: list[str] = []
    monkeypatch.setattr(mqtt.Client, "_sock_recv", endless)
    monkeypatch.setattr(client, "want_write", lambda: True)
    monkeypatch.setattr(client, "loop_write", lambda: done.append("out") or MQTTErrorCode.MQTT_ERR_SUCCESS)
    monkeypatch.setattr(client, "loop_misc", lambda: done.append("alive") or MQTTErrorCode.MQTT_ERR_SUCCESS)
    near, far = socket.socketpair()
    client._sock = near
    client.loop_read()
    far.close()
    assert done[:4] == ["out", "alive"] * 2
    assert len(done) > 2 * 20 * 60


def test_what_is_gathered_waits_and_then_goes_out(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing goes until `let_out` sends all; paho, which looks by itself each second, looks each minute here."""
    look = mqtt.Client._loop
    monkeypatch.setattr(mqtt.Client, "_loop", lambda self, _timeout: look(self, 60.0))
    with closing(Broker(b"")) as broker:
        client.connect_async("127.0.0.1", broker.port)
        client.loop_start()
        until("it is connected", client.is_connected, WITHIN_S)
        with client.gathering():
            for number in range(10):
                client.publish("a", str(number))
            throughout("nothing has come", lambda: not broker.heard, 0.3)
            client.let_out()
            until("all have come", lambda: len(broker.heard) == 10, WITHIN_S)
            client.publish("a", "the last")
        until("the end lets out", lambda: len(broker.heard) == 11, WITHIN_S)


def test_another_paho_is_left_alone(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that wakes its thread in another way keeps that."""
    monkeypatch.setattr("paho.mqtt.client._socketpair_compat", lambda: (None, None))
    monkeypatch.setattr(client, "_thread_main", list)
    client.loop_start()
    with client.gathering():
        client.let_out()
    assert client._sockpairR is None
