"""The trial of the access lists, against a real broker: made again and again, it leaves nothing behind, nor ends."""

import errno
import gc
import logging
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.clock import Clock
from controller.load_settings import load
from controller.proving import command, holder
from controller.proving.stand import Stand
from controller.settings import Settings
from controller.standing import Standing
from controller.wire import embedded, session
from controller.wire.canary import EVERY_S, MISSING
from controller.wire.reader_test import Finding, ReaderTest, Trial
from tests.wire.kit import ACCOUNTS, ROOT, Mosquitto, Spy, a_free_port, through, until, write_site
from tests.wire.link import CONNECT, PUBLISH, SUBACK, SUBSCRIBE, Link, topic_of

CANARY = "soilward/presence/soilward-controller/canary"


COMMANDS = "soilward/larch/heater/command"


@contextmanager
def _site(folder: Path, reader: str = "topic read #", protocol: str = "5") -> Iterator[Settings]:
    rights = {"soilward": "topic readwrite #", "reader": reader}
    broker = Mosquitto(folder / "broker", rights)
    for account in rights:
        (folder / f"{account}.password").write_text(account)
    broker.start()
    try:
        yield load(write_site(folder, broker.port, broker=ACCOUNTS, protocol=protocol))
    finally:
        broker.stop()


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


@pytest.fixture
def no_collector() -> Iterator[None]:
    """Let the collector look never: in the service it all but never does."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("no_collector")
def test_tries_leave_no_file_open_though_no_collector_looks(tmp_path: Path) -> None:
    """Where a broker is away they are made every eleven seconds for as long as it is: files would run out in hours."""
    with _site(tmp_path) as settings:
        Trial(settings, Clock().now(), CANARY).outcome()
        before = _open_files()
        for _ in range(3):
            assert Trial(settings, Clock().now(), CANARY).outcome() is Finding.SAFE
        assert _open_files() == before


@pytest.mark.usefixtures("no_collector")
@pytest.mark.parametrize("first", ["soilward-listener-", "soilward-reader-"])
def test_tries_for_which_no_thread_is_left_leave_no_file_open_and_name_the_cause(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, first: str
) -> None:
    """One is made each second for as long as threads are wanting: files would run out within minutes."""
    start = threading.Thread.start

    def start_with_room(thread: threading.Thread) -> None:
        if first in thread.name:
            raise RuntimeError("can't start new thread")
        start(thread)

    with _site(tmp_path) as settings:
        tested = ReaderTest(settings, Clock().now(), CANARY)
        monkeypatch.setattr(threading.Thread, "start", start_with_room)
        tested._found()
        assert "cannot be tried now: can't start new thread" in caplog.text
        before, threads = _open_files(), threading.active_count()
        # A record that is kept, as only tests do, keeps the error and with it the try.
        with caplog.at_level(logging.CRITICAL, "soilward.wire"):
            for _ in range(3):
                assert tested._found() is Finding.PENDING
        assert _open_files() == before
        assert threading.active_count() == threads


def test_a_try_for_which_no_file_is_left_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Till then there is no heat; with room again it ends well."""
    connect, tried = session.connect, threading.Event()

    def connect_with_room(*arguments: Any, **more: Any) -> None:
        if not tried.is_set():
            tried.set()
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
        connect(*arguments, **more)

    monkeypatch.setattr(session, "connect", connect_with_room)
    with _site(tmp_path) as settings:
        tested = ReaderTest(settings, Clock().now(), CANARY)
        tested.start()
        assert tried.wait(10.0)
        assert tested.fault
        until("it ends well", lambda: not tested.fault, 20.0)


@contextmanager
def _controller(settings: Settings) -> Iterator[None]:
    """Say twice a second what the controller's own session says: its canary and an order."""
    spy, ended = Spy(settings), threading.Event()

    def speak() -> None:
        while not ended.wait(0.5):
            for topic in (CANARY, COMMANDS):
                spy.client.publish(topic, b"{}", qos=1)

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        yield
    finally:
        ended.set()
        speaker.join()
        spy.close()


def _found(settings: Settings, link: Link) -> Finding:
    """Try it through a link, the controller speaking beside it."""
    try:
        with _controller(settings):
            return Trial(through(settings, link.port), Clock().now(), CANARY).outcome()
    finally:
        link.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_reader_refused_by_closing_its_connection_is_an_answer(tmp_path: Path, protocol: str) -> None:
    """MQTT 5, section 3.1.4: a broker need not say why. Ours does not, of an account it does not know."""
    own = tmp_path / "own"
    own.mkdir()
    one_user = load(write_site(own, a_free_port(), kind="embedded", protocol=protocol))
    one_user.store.folder.mkdir()
    broker = embedded.start(one_user)
    (tmp_path / "soilward.password").write_text((session.credentials(one_user) or ("", ""))[1])
    (tmp_path / "reader.password").write_text("reader")
    settings = load(write_site(tmp_path, one_user.broker.port, broker=ACCOUNTS, protocol=protocol))
    try:
        with _controller(settings):
            assert Trial(settings, Clock().now(), CANARY).outcome() is Finding.UNKNOWN
    finally:
        broker.stop()


def test_an_order_on_its_way_to_our_listener_before_the_reader_wrote_shows_nothing(tmp_path: Path) -> None:
    """A slow listener hears it only once the broker has taken the reader's word: no sign that this got nowhere."""
    order_is_held = threading.Event()

    def hold(up: bool, first: int, body: bytes) -> bool:
        if topic_of(first, body) == COMMANDS:
            if up and b"reader-test-" in body:
                order_is_held.wait(10.0)
            elif not up:
                order_is_held.set()
                time.sleep(1.0)
        return False

    with _site(tmp_path, reader="topic readwrite #") as settings:
        link = Link(settings.broker.port)
        link.loses = hold
        assert _found(settings, link) is Finding.OPEN


def test_a_reader_that_is_let_in_at_last_is_tried(tmp_path: Path) -> None:
    """Turned away at first, as a broker under load does: what its lists let through is found out in the same try."""
    away: list[bytes] = []

    def turn_away(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == CONNECT and b"soilward-reader-" in body and len(away) < 3:
            away.append(body)
            raise ConnectionError
        return False

    with _site(tmp_path, reader="topic readwrite #") as settings:
        link = Link(settings.broker.port)
        link.loses = turn_away
        assert _found(settings, link) is Finding.OPEN
    assert len(away) == 3


def test_a_broker_that_is_away_refuses_nobody(tmp_path: Path) -> None:
    """A forwarder before it still takes connections, and ends them: the reader's, and our listener's too."""

    gone: list[bytes] = []

    def end_all(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == CONNECT and b"soilward-reader-" in body:
            gone.append(body)
        if gone:
            raise ConnectionError
        return False

    with _site(tmp_path) as settings:
        link = Link(settings.broker.port)
        link.loses = end_all
        assert _found(settings, link) is Finding.PENDING
    assert len(gone) >= 3


def test_a_broker_that_delivers_nothing_refuses_nobody(tmp_path: Path) -> None:
    """Our listener's connection stands and says nothing: whether it is the reader alone that is turned away is open."""

    def go_deaf(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == CONNECT and b"soilward-reader-" in body:
            raise ConnectionError
        return topic_of(first, body) == CANARY and not up

    with _site(tmp_path) as settings:
        link = Link(settings.broker.port)
        link.loses = go_deaf
        assert _found(settings, link) is Finding.PENDING


def test_what_got_through_while_the_listener_was_away_is_not_taken_for_refused(tmp_path: Path) -> None:
    """Its connection breaks as the reader writes, and lists are open; our orders are heard on the next one."""
    through_it: list[bytes] = []

    def lose_ear(up: bool, first: int, body: bytes) -> bool:
        if not up and first >> 4 == PUBLISH and b"reader-test-" in body:
            through_it.append(body)
            raise ConnectionError
        return False

    with _site(tmp_path, reader="topic readwrite #", protocol="3.1.1") as settings:
        link = Link(settings.broker.port)
        link.loses = lose_ear
        assert _found(settings, link) is Finding.PENDING
    assert through_it


def test_a_listener_that_is_lost_as_it_catches_up_was_away(tmp_path: Path) -> None:
    """What the reader wrote went with its connection."""
    asked: list[bytes] = []

    def lose(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == SUBSCRIBE:
            asked.append(body)
            if len(asked) == 2:
                raise ConnectionError
        return not up and b"reader-test-" in body

    with _site(tmp_path, reader="topic readwrite #") as settings:
        link = Link(settings.broker.port)
        link.loses = lose
        assert _found(settings, link) is Finding.PENDING
    assert len(asked) == 3


def test_a_test_that_nobody_answers_is_told_after_a_minute(tmp_path: Path) -> None:
    """There is no heat meanwhile, and a person should know what it waits for; an answer ends it."""
    (tmp_path / "reader.password").write_text("reader")
    settings = load(write_site(tmp_path, a_free_port(), broker=ACCOUNTS))
    start = Clock().now()
    tested = ReaderTest(settings, start, CANARY)
    assert not [*tested.notes(start.mono_s + 60.0)]
    assert "does not answer" in dict(tested.notes(start.mono_s + 61.0))["broker:lists"]
    tested.finding = Finding.SAFE
    assert not [*tested.notes(start.mono_s + 61.0)]
    tested.finding = Finding.PENDING
    assert not [*tested.notes(start.mono_s + 120.0)]
    assert [*tested.notes(start.mono_s + 122.0)]


@pytest.mark.parametrize("answers", [None, 1])
def test_lists_are_tried_for_a_thousand_enclosures(tmp_path: Path, answers: int | None) -> None:
    """What the listener must hear goes past a bound on packets in pieces; nothing is tried before all are answered."""
    tried: list[bytes] = []
    answered: list[bytes] = []

    def lose(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == CONNECT and b"soilward-reader-" in body:
            tried.append(body)
        if not up and first >> 4 == SUBACK:
            answered.append(body)
            return answers is not None and len(answered) > answers
        return False

    names = tuple(f"tunnel-{number:04d}" for number in range(1000))
    broker = Mosquitto(tmp_path / "broker", more="max_packet_size 32768\n")
    broker.start()
    for account in ("soilward", "reader"):
        (tmp_path / f"{account}.password").write_text(account)
    link = Link(broker.port)
    link.loses = lose
    try:
        trial = Trial(load(write_site(tmp_path, link.port, broker=ACCOUNTS, names=names)), Clock().now(), CANARY)
        assert trial.outcome() is (Finding.OPEN if answers is None else Finding.PENDING)
        assert len(answered) > 1
        assert bool(tried) is (answers is None)
    finally:
        link.close()
        broker.stop()


def _of_the_notes() -> dict[str, str]:
    """Return by account what the access list of `hardware-notes/broker.md` grants it."""
    text = (ROOT / "hardware-notes" / "broker.md").read_text(encoding="utf-8")
    lists = text.partition("```acl\n")[2].partition("```")[0]
    return {who: granted.strip() for who, _, granted in (part.partition("\n") for part in lists.split("user ")[1:])}


@pytest.mark.parametrize("client", [command.CLIENT, holder.CLIENT])
def test_the_lists_of_the_notes_let_a_proof_test_hear_its_own_word(tmp_path: Path, client: str) -> None:
    """Three canaries that do not come back, and nothing is permitted: no proof test passed under them."""
    broker = Mosquitto(tmp_path / "broker", _of_the_notes())
    broker.start()
    (tmp_path / "word").write_text("soilward-controller")
    file = write_site(tmp_path, broker.port, broker='username = "soilward-controller"\npassword_file = "word"')
    stand = Stand(load(file), "larch", Clock(), Standing(), 1, client)
    stand.open()
    try:
        assert stand.until(lambda: stand.inbox.link_now.connected, 10.0)
        stand.rest(1.0 + MISSING * EVERY_S)
        assert stand.inbox.link_now.fault == ""
    finally:
        stand.close()
        broker.stop()
