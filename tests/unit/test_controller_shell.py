"""The shell turned by hand: real databases, a manual clock, no broker."""

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.clock import ManualClock, Moment
from controller.service import Controller
from controller.settings import Broker, Store
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.migrations import JOURNAL
from controller.wire.inbox import Message
from controller.wire.relay import encode_report
from tests.core_site import NIGHT_MS, settings_of
from tests.heat_site import CABLE
from tests.unit.test_commissioned import account


class Shell:
    """A controller that takes a turn each second of its clock, and hears what it is told."""

    def __init__(self, folder: Path, **parts: Any) -> None:
        self.folder = folder
        self.clock = ManualClock(Moment(1000.0, NIGHT_MS))
        elsewhere = {"store": Store(folder=folder), "broker": Broker(kind="external")}
        settings = settings_of(**parts).model_copy(update=elsewhere)
        self.controller = Controller(settings, self.clock)

    def hear_node(self, on: bool, amps: float | None) -> None:
        """Queue a report of the node, as the network thread would."""
        now = self.clock.now()
        payload = encode_report(on, on, self.controller.memory.epoch, 1, 10.0, amps, 0, now.mono_s)
        self.controller.inbox.messages.put(Message("soilward/larch/heater/state", payload, False, now, 0, 0, 1))

    def turn(self, seconds: int) -> None:
        """Take a turn each second."""
        for _ in range(seconds):
            self.clock.sleep(1.0)
            self.controller._turn()

    def rows(self, query: str) -> list[tuple[object, ...]]:
        """Commit what waits and read it back."""
        self.clock.sleep(5.0)
        self.controller.writer.turn()
        with closing(sqlite3.connect(f"file:{self.folder / 'readings.db'}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    one = Shell(tmp_path)
    yield one
    one.controller._end()


def test_a_run_of_a_node_that_falls_silent_ends_in_the_record_with_its_energy(shell: Shell) -> None:
    """Heard closed for 5 s and then no more: 15 s later the run is over, 20 s long and with 20 s of its power."""
    shell.turn(1)
    shell.hear_node(True, 2.0)
    shell.turn(5)
    shell.hear_node(True, 2.0)
    shell.turn(15)
    open_run = "SELECT count(*) FROM heater_run WHERE end_ms IS NULL"
    assert shell.rows(open_run) == [(1,)]
    shell.turn(2)
    ended = shell.rows("SELECT end_ms - start_ms, energy_j, ended_by FROM heater_run")
    assert ended == [(20_000, pytest.approx(2.0 * 230.0 * 20), "node silent")]


def test_a_busy_loop_hands_over_to_the_thread_that_sends(tmp_path: Path) -> None:
    """An opening is published by the loop and sent by the network thread, which waits no 5 ms for its turn."""
    before_s, controller = sys.getswitchinterval(), Shell(tmp_path).controller
    controller.stop()
    try:
        controller.run()
        assert sys.getswitchinterval() == pytest.approx(0.0005)
    finally:
        sys.setswitchinterval(before_s)


def test_what_the_last_proof_test_measured_holds_from_the_next_start_on(tmp_path: Path) -> None:
    """The window of hazard P14 is twice the measured lag."""
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [account(NIGHT_MS, 3300.0)])
    controller = Shell(tmp_path, heater=CABLE).controller
    assert controller.keepers["larch"].plan.expected.window_s == pytest.approx(6600.0)
    controller._end()
