"""The trial of the access lists, against a real broker: made again and again, it leaves nothing behind, nor ends."""

import errno
import gc
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.clock import Clock
from controller.load_settings import load
from controller.settings import Settings
from controller.wire import session
from controller.wire.reader_test import Finding, ReaderTest, Trial
from tests.wire.kit import ACCOUNTS, Mosquitto, until, write_site

CANARY = "soilward/presence/soilward-controller/canary"


@contextmanager
def _site(folder: Path) -> Iterator[Settings]:
    rights = {"soilward": "topic readwrite #", "reader": "topic read #"}
    broker = Mosquitto(folder / "broker", rights)
    for account in rights:
        (folder / f"{account}.password").write_text(account)
    broker.start()
    try:
        yield load(write_site(folder, broker.port, broker=ACCOUNTS))
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
