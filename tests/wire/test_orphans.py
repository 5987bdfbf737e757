"""`soilward run` ends as a whole: killed outright, or its terminal closed, no process is left that nobody can stop."""

import os
import pty
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import psutil
import pytest

from controller import standing
from controller.clock import Clock
from controller.load_settings import load
from controller.node.simulated import SimulatedNode
from controller.standing import Kept, Standing
from controller.store import journal
from controller.store.connection import open_reader
from tests.wire.kit import ROOT, STARTS_S, ConstantPlant, a_free_port, until, write_site

PARTS = 4
"""The embedded broker, the controller, the pages, the planner."""


class Terminal:
    """`soilward run` in a terminal of its own, with an embedded broker; at its node the heater is on."""

    def __init__(self, folder: Path, web_port: int | None = None) -> None:
        file = write_site(folder, a_free_port(), kind="embedded", lease_s=15.0)
        with file.open("a") as more:
            more.write(f"[web]\nport = {web_port or a_free_port()}\n")
        self.settings = load(file)
        self.data = self.settings.store.folder
        self.data.mkdir()
        standing.save(self.data / "standing.json", Kept(0, {"larch": Standing(armed=True, override_c=25.0)}))
        self.window, inside = pty.openpty()
        # As at a login: the terminal becomes the one that controls this process and whatever it starts.
        command = ["setsid", "--ctty", sys.executable, "-m", "controller.cli", "run", "--settings", str(file)]
        self.supervisor = psutil.Popen(command, cwd=ROOT, stdin=inside, stdout=inside, stderr=inside)
        os.close(inside)
        self.parts: list[psutil.Process] = []
        self.node: SimulatedNode | None = None

    def heat(self, parts: int = PARTS) -> SimulatedNode:
        """Wait until all parts run and the heater is on; return its node."""
        until("all parts run", lambda: len(self.supervisor.children()) == parts, STARTS_S)
        self.parts = self.supervisor.children(recursive=True)
        self.node = node = SimulatedNode(self.settings, self.settings.enclosure[0], ConstantPlant(), Clock())
        node.start()
        until("the heater is on", lambda: node.heated, STARTS_S)
        return node

    @property
    def left(self) -> list[psutil.Process]:
        """Parts that still run."""
        return [each for each in self.parts if _runs(each)]

    @property
    def goodbyes(self) -> int:
        """How often the controller has written that it stopped as asked."""
        with closing(open_reader(self.data / "journal.db")) as connection:
            return int(connection.execute("SELECT count(*) FROM journal WHERE kind = 'stop'").fetchone()[0])

    def close_window(self) -> None:
        """Hang up, if that is not done yet."""
        if self.window >= 0:
            os.close(self.window)
            self.window = -1

    def end(self) -> None:
        """Make an end, whatever the test found."""
        if self.node is not None:
            self.node.stop()
        for each in (*self.left, self.supervisor):
            if _runs(each):
                each.kill()
        self.supervisor.wait(5.0)
        self.close_window()


def _runs(process: psutil.Process) -> bool:
    """Whether it is there, and more than an entry that nobody has waited for."""
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    one = Terminal(tmp_path)
    yield one
    one.end()


def test_all_parts_end_with_a_supervisor_that_is_killed(terminal: Terminal) -> None:
    """kill -9 gives it no moment to end them: they notice, the controller ends in order, and heat ends by its lease."""
    node = terminal.heat()
    os.kill(terminal.supervisor.pid, signal.SIGKILL)
    until("no orphan is left", lambda: not terminal.left, 20.0)
    assert terminal.goodbyes == 1
    until("heat ends", lambda: not node.heated, 16.0)


def _close(terminal: Terminal) -> None:
    """Close the window; a shell then passes the hang-up on to all that runs in its foreground, the broker too."""
    terminal.close_window()
    os.killpg(terminal.supervisor.pid, signal.SIGHUP)


def _ctrl_c(terminal: Terminal) -> None:
    os.write(terminal.window, b"\x03")


@pytest.mark.parametrize("tell", [_close, _ctrl_c])
def test_a_closed_terminal_and_ctrl_c_end_everything_in_order(
    terminal: Terminal, tell: Callable[[Terminal], None]
) -> None:
    """The controller goes first and its opening is delivered, so no lease must run out; nothing is left, or fails."""
    node = terminal.heat()
    tell(terminal)
    until("the supervisor ends", lambda: terminal.supervisor.poll() is not None, 30.0)
    assert not terminal.left
    assert terminal.goodbyes == 1
    until("heat ends", lambda: not node.heated, 16.0)
    assert node.core.drops == 0, "told to open, not let go by its lease"
    assert terminal.supervisor.returncode == 0


def test_a_port_that_another_has_costs_the_pages_and_no_heat(tmp_path: Path) -> None:
    """It heats without them and tells so in the journal; they begin once the port is free."""
    port = a_free_port()
    with socket.create_server(("127.0.0.1", port)) as taken:
        terminal = Terminal(tmp_path, port)
        try:
            terminal.heat(PARTS - 1)
            taken.close()
            until("the pages begin", lambda: len(terminal.supervisor.children()) == PARTS, STARTS_S)
        finally:
            terminal.end()
    with closing(open_reader(terminal.data / "journal.db")) as connection:
        (alert,) = (e for e in journal.read(connection, "larch", "alert") if e.body["alert"] == "pages-away")
    assert "there are no pages: web.port: cannot listen" in alert.why
