"""The inbox and a real broker: what there was no room for comes again, and what may not be heard is told."""

import gc
import json
import queue
import socket
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.clock import Clock
from controller.load_settings import load
from controller.settings import Settings
from controller.wire import embedded, session
from controller.wire.inbox import Inbox, Message
from tests.wire.kit import Mosquitto, Spy, a_free_port, through, throughout, until, write_site
from tests.wire.link import PUBLISH, Link, whole

TOPIC = "soilward/larch/probe/soil-10"
MANY, ROOM = 60, 40
GONE_AND_BACK = [b"offline", b"online"]


def _drained(inbox: Inbox) -> list[Message]:
    found = []
    try:
        while True:
            found.append(inbox.messages.get_nowait())
    except queue.Empty:
        return found


@contextmanager
def _reader(folder: Path) -> Iterator[tuple[Settings, Spy, Inbox]]:
    """Run a broker, somebody who listens to all, and an inbox that hears one topic."""
    broker = Mosquitto(folder / "broker")
    broker.start()
    settings = load(write_site(folder, broker.port))
    spy, inbox = Spy(settings), Inbox(settings, "reader", [TOPIC], [], Clock())
    inbox.open()
    try:
        yield settings, spy, inbox
    finally:
        inbox.close()
        spy.close()
        broker.stop()


def test_messages_that_found_no_room_come_again_by_themselves(tmp_path: Path) -> None:
    """Room for 40 and 60 sent at once: 20 dropped, counted and told; once there is room, all come, by themselves."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    settings = load(write_site(tmp_path, broker.port))
    clock = Clock()
    spy, inbox = Spy(settings), Inbox(settings, "reader", [TOPIC], [], clock, bound=ROOM)
    inbox.open()
    try:
        until("it is connected", lambda: inbox.link_now.connected and not inbox.look(clock.now()), 10.0)
        until("it hears", lambda: _hears(spy, inbox), 10.0)
        # Told in order: behind this one no question is still on its way, to take the room of what follows.
        spy.publish(TOPIC, b"!")
        until("it has heard all", lambda: b"!" in _taken(inbox), 10.0)
        for number in range(MANY):
            spy.client.publish(TOPIC, str(number), qos=1)
        until("most are dropped", lambda: inbox.dropped >= MANY - ROOM, 10.0)
        assert "broker:full" in dict(inbox.notes(time.monotonic()))
        inbox.look(clock.now())
        assert inbox.link_now.connected, "it must not reconnect while there is no room"
        seen: set[bytes] = set()

        def work() -> None:
            for message in _drained(inbox):
                seen.add(message.payload)
                inbox.acknowledge(message)

        throughout("nothing comes by itself", lambda: len(seen) <= ROOM, 1.0, work)
        until("all have come", lambda: len(seen) >= MANY or inbox.look(clock.now()), 15.0, work)
    finally:
        inbox.close()
        spy.close()
        broker.stop()


def _lines_of_tls(folder: Path) -> str:
    """Write a certificate for loopback, and return the lines that let Mosquitto use it."""
    key, name = ec.generate_private_key(ec.SECP256R1()), x509.Name([])
    here = x509.SubjectAlternativeName([x509.IPAddress(IPv4Address("127.0.0.1"))])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number(), now, now + timedelta(1))
    signed = made.add_extension(here, critical=True).sign(key, SHA256())
    (folder / "tls.crt").write_bytes(signed.public_bytes(Encoding.PEM))
    (folder / "tls.key").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return f"certfile {folder}/tls.crt\nkeyfile {folder}/tls.key\n"


def test_what_has_come_over_tls_when_we_break_the_link_is_never_read_undeciphered(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It was a protocol error, or where the link broke in the middle of a message, the rest of that message."""
    broker = Mosquitto(tmp_path / "broker", more=_lines_of_tls(tmp_path))
    broker.start()
    settings = load(write_site(tmp_path, broker.port, broker=f'ca_file = "{tmp_path}/tls.crt"\n'))
    clock = Clock()
    spy, inbox = Spy(settings), Inbox(settings, "reader", [TOPIC], [], clock)
    inbox.open()
    try:
        before: list[Message] = []
        until("it hears", lambda: spy.publish(TOPIC, b"?") or before.extend(_drained(inbox)) or before, 10.0)
        take, goes_on, link = inbox.client.on_message, threading.Event(), inbox.link_now.resumed_s
        assert take is not None

        def held_up(*came: Any) -> None:
            goes_on.wait(10.0)
            take(*came)

        inbox.client.on_message = held_up
        for number in range(MANY):
            spy.client.publish(TOPIC, str(number), qos=1)
        spy.publish(TOPIC, b"!")
        until("all of it is there", lambda: spy.heard[-1].payload == b"!", 10.0)
        inbox.drop(before[0])
        inbox.look(clock.now())
        goes_on.set()
        until("it is connected anew", lambda: inbox.link_now.resumed_s > link, 15.0)
        assert "broker connection ended: Unspecified error" in caplog.text
    finally:
        inbox.close()
        spy.close()
        broker.stop()


def test_a_message_leaves_nothing_that_only_the_collector_finds(tmp_path: Path) -> None:
    """Else it paused the loop several times a second where a thousand enclosures speak."""
    with _reader(tmp_path) as (_, spy, inbox):
        try:
            until("it hears", lambda: _hears(spy, inbox), 10.0)
            with warnings.catch_warnings():
                # Clients of tests before this one lie in circles; paho closes their sockets only as it is collected.
                warnings.simplefilter("ignore", ResourceWarning)
                gc.collect()
            gc.disable()
            for number in range(MANY):
                spy.client.publish(TOPIC, str(number), qos=1)
            seen: list[Message] = []
            until("all have come", lambda: len(seen) >= MANY or seen.extend(_drained(inbox)), 10.0)
            assert gc.collect() < MANY
        finally:
            gc.enable()


def _presence(spy: Spy, *, retained: bool) -> list[bytes]:
    return [
        each.payload for each in spy.heard if each.topic == "soilward/presence/reader" and each.retained is retained
    ]


def _lies_there(settings: Settings, word: bytes) -> bool:
    late = Spy(settings, "late")
    try:
        late.publish("marker", b"all that is kept has come before this")
        until("all has come", lambda: any(each.topic == "marker" for each in late.heard), 10.0)
        return _presence(late, retained=True) == [word]
    finally:
        late.close()


def test_whether_we_are_there_lies_at_the_broker(tmp_path: Path) -> None:
    """For whoever comes later; told by our Will where a connection breaks, and by ourselves at an orderly end."""
    with _reader(tmp_path) as (settings, spy, inbox):
        until("it is there", lambda: _lies_there(settings, b"online"), 10.0)
        link = inbox.client.socket()
        assert isinstance(link, socket.socket)
        link.shutdown(socket.SHUT_RDWR)
        until("its Will and its return are told", lambda: _presence(spy, retained=False)[1:] == GONE_AND_BACK, 15.0)
        inbox.close()
        until("it is gone", lambda: _lies_there(settings, b"offline"), 10.0)


def _hears(spy: Spy, inbox: Inbox) -> bool:
    spy.publish(TOPIC, b"?")
    return bool(_taken(inbox))


def _taken(inbox: Inbox) -> list[bytes]:
    found = _drained(inbox)
    for message in found:
        inbox.acknowledge(message)
    return [message.payload for message in found]


def _deaf_to(topic: str) -> dict[str, Any]:
    return {"acltype": "subscribeLiteral", "topic": topic, "allow": False}


REFUSING = {
    "defaultACLAccess": dict.fromkeys(
        ("publishClientSend", "publishClientReceive", "subscribe", "unsubscribe"),
        True,
    ),
    "anonymousGroup": "all",
    "groups": [{"groupname": "all", "roles": [{"rolename": "deaf"}]}],
    "roles": [{"rolename": "deaf", "acls": [_deaf_to(TOPIC)]}],
}


def test_a_topic_the_broker_refuses_is_told_by_name(tmp_path: Path) -> None:
    """Mosquitto's dynamic security refuses the subscription itself; the others stand, and so does the session."""
    broker = Mosquitto(tmp_path / "broker", plugin=REFUSING)
    broker.start()
    inbox = Inbox(load(write_site(tmp_path, broker.port)), "reader", ["soilward/x", TOPIC], [], Clock())
    inbox.open()
    try:
        until("it is told", lambda: "broker:refuses" in dict(inbox.notes(time.monotonic())), 10.0)
        assert inbox.refused_topics == (TOPIC,)
        assert inbox.link_now.connected
    finally:
        inbox.close()
        broker.stop()


FIRST, LAST = "soilward/x", "soilward/y"
MANY_TOPICS = [FIRST, *(f"soilward/tunnel-{number:04d}/probe/soil-10" for number in range(2400)), LAST]
"""Some 90 KB of them: more than any packet that the brokers below let in."""


def _hears_all(file: Path) -> None:
    settings = load(file)
    clock = Clock()
    spy, inbox = Spy(settings), Inbox(settings, "reader", MANY_TOPICS[:2000], MANY_TOPICS[2000:], clock)
    inbox.open()
    heard: set[str] = set()

    def say() -> None:
        for topic in (FIRST, LAST):
            spy.publish(topic, b"?")
        for message in _drained(inbox):
            heard.add(message.topic)
            inbox.acknowledge(message)

    try:
        until("the first and the last are heard", lambda: heard == {FIRST, LAST}, 10.0, say)
        assert not inbox.refused_topics
        assert inbox.link_now.connected
    finally:
        inbox.close()
        spy.close()


def test_thousands_of_refused_topics_are_counted_and_a_few_named(tmp_path: Path) -> None:
    """By name they were 180 kB for a thousand enclosures, in the status of each and in its entry of the journal."""
    inbox = Inbox(load(write_site(tmp_path, a_free_port())), "reader", MANY_TOPICS, [], Clock())
    for refused in (MANY_TOPICS[:2], MANY_TOPICS):
        inbox.refused_topics = tuple(refused)
        ((_, words),) = inbox.notes(0.0)
        assert refused[0] in words
        assert refused[1] in words
        assert len(words) < 1000
    assert f"and {len(MANY_TOPICS) - 5} more topics" in words


def test_why_a_broker_is_not_reached_is_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Of a certificate that had expired nothing was said but that the broker is not connected."""
    broker = Mosquitto(tmp_path / "broker")
    settings = load(write_site(tmp_path, broker.port))
    inbox = Inbox(settings, "reader", [TOPIC], [], Clock())
    words = f"the broker at 127.0.0.1:{broker.port} cannot be reached: [Errno 111] Connection refused"
    inbox.open()
    try:
        for times in (1, 2):
            until("it is told", lambda times=times: caplog.text.count(words) == times, 15.0)  # type: ignore[misc]
            throughout("it is told once", lambda times=times: caplog.text.count(words) == times, 3.0)  # type: ignore[misc]
            broker.start()
            until("it is in", lambda: inbox.link_now.connected, 15.0)
            broker.stop()
    finally:
        inbox.close()
        broker.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_thousands_of_topics_are_heard_past_a_bound_on_packets(tmp_path: Path, protocol: str) -> None:
    """The bound that `hardware-notes/broker.md` asks for: one SUBSCRIBE of them all was cut off, again and again."""
    broker = Mosquitto(tmp_path / "broker", more="max_packet_size 65536\n")
    broker.start()
    try:
        _hears_all(write_site(tmp_path, broker.port, protocol=protocol))
    finally:
        broker.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_thousands_of_topics_are_heard_over_the_embedded_broker(tmp_path: Path, protocol: str) -> None:
    """Its bound on a payload counts for a SUBSCRIBE too."""
    file = write_site(tmp_path, a_free_port(), kind="embedded", protocol=protocol)
    settings = load(file)
    settings.store.folder.mkdir()
    broker = embedded.start(settings)
    try:
        _hears_all(file)
    finally:
        broker.stop()


def test_topics_refused_in_several_pieces_are_told_by_name(tmp_path: Path) -> None:
    """Each answer speaks of its own piece; on a connection that is let hear them, none is left."""
    refusing = {**REFUSING, "roles": [{"rolename": "deaf", "acls": [_deaf_to(FIRST), _deaf_to(LAST)]}]}
    broker = Mosquitto(tmp_path / "broker", plugin=refusing)
    broker.start()
    inbox = Inbox(load(write_site(tmp_path, broker.port)), "reader", MANY_TOPICS, [], Clock())
    inbox.open()
    try:
        until("both are told", lambda: inbox.refused_topics == (FIRST, LAST), 10.0)
        broker.stop()
        (tmp_path / "broker" / "security.json").write_text(json.dumps({**REFUSING, "roles": [{"rolename": "deaf"}]}))
        broker.start()
        until("nothing is refused", lambda: not inbox.refused_topics, 15.0)
    finally:
        inbox.close()
        broker.stop()


def _properties_with_a_mark() -> Properties:
    """Return what a probe's maker may write: U+FEFF, the mark that some systems put before a text."""
    said = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    said.UserProperty = ("unit", "\ufeffCel")
    return said


@pytest.mark.parametrize("kind", ["external", "embedded"])
def test_a_message_whose_properties_paho_refuses_is_heard_and_what_follows_too(tmp_path: Path, kind: str) -> None:
    """B10: the session ended at it, and in each new one the broker told it again, after a restart as well."""
    port = a_free_port()
    broker = Mosquitto(tmp_path / "broker")
    if kind == "external":
        broker.start()
        port = broker.port
    settings = load(write_site(tmp_path, port, kind=kind))
    settings.store.folder.mkdir()
    ours = embedded.start(settings) if kind == "embedded" else None
    probe, inbox = session.make_client(settings, "probe"), Inbox(settings, "reader", [TOPIC], [], Clock())
    session.connect(probe, settings.broker, kept=False)
    inbox.open()
    heard: list[bytes] = []

    def ask() -> None:
        probe.publish(TOPIC, b"?", qos=1)
        heard.extend(_taken(inbox))

    try:
        until("it hears", lambda: heard, 10.0, ask)
        probe.publish(TOPIC, b"!", qos=1, properties=_properties_with_a_mark())
        until("it is heard", lambda: b"!" in heard, 10.0, lambda: heard.extend(_taken(inbox)))
        heard.clear()
        until("what follows is heard", lambda: heard, 10.0, ask)
    finally:
        inbox.close()
        probe.disconnect()
        probe.loop_stop()
        broker.stop()
        if ours is not None:
            ours.stop()


def test_a_message_without_a_topic_ends_no_more_than_its_session(tmp_path: Path) -> None:
    """A broker's fault (MQTT 5.0, section 3.3.2.1): the network's thread ended at it, while all seemed connected."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    settings = load(write_site(tmp_path, broker.port))
    with closing(Link(broker.port)) as link:
        inbox = Inbox(through(settings, link.port), "reader", [TOPIC], [], Clock())
        inbox.open()
        try:
            until("it is connected", lambda: inbox.link_now.connected, 10.0)
            before_s = inbox.link_now.resumed_s
            link.say(whole(PUBLISH << 4, b"\x00\x00\x00" + b"1"))
            until("it is connected anew", lambda: inbox.link_now.resumed_s > before_s, 15.0)
        finally:
            inbox.close()
            broker.stop()


def test_a_topic_that_settings_name_no_more_is_left(tmp_path: Path) -> None:
    """The session is kept from start to start: who gives half of its enclosures away heard and weighed all for good."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    settings = load(write_site(tmp_path, broker.port))
    gone = "soilward/elder/probe/soil-10"
    spy, before = Spy(settings), Inbox(settings, "reader", [TOPIC, gone], [], Clock())
    before.open()
    until("it hears", lambda: _hears(spy, before), 10.0)
    before.close()
    inbox = Inbox(settings, "reader", [TOPIC], [], Clock())
    inbox.open()
    try:
        spy.publish(gone, b"1")
        until("it is told once, as it waited", lambda: b"1" in _taken(inbox), 10.0)
        spy.publish(gone, b"2")
        until("it hears the other", lambda: _hears(spy, inbox), 10.0)
        spy.publish(gone, b"3")
        spy.publish(TOPIC, b"!")
        heard: list[bytes] = []
        until("all has come", lambda: b"!" in heard, 10.0, lambda: heard.extend(_taken(inbox)))
        assert b"3" not in heard
    finally:
        inbox.close()
        spy.close()
        broker.stop()
