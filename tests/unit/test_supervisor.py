"""Which processes a site runs, and what it says while another has the port of its pages."""

import os
import socket
import sys
from io import FileIO, TextIOWrapper
from pathlib import Path
from threading import Event, Thread
from time import sleep

import pytest

from controller.clock import Clock
from controller.settings import Broker, Remote, Store, Web
from controller.supervisor import Child, Pages, children_of, hold
from controller.wire import embedded
from tests.core_site import settings_of
from tests.wire.kit import a_free_port, until

ELSEWHERE = Remote.model_validate({"kind": "victoria-metrics", "url": "http://127.0.0.1:8428", "site": "tarn-hollow"})


@pytest.mark.parametrize(
    ("remote", "names"),
    [
        (None, ["controller", "api", "planner"]),
        (ELSEWHERE, ["controller", "api", "planner", "forwarder"]),
    ],
)
def test_the_forwarder_runs_only_where_there_is_a_store_elsewhere(remote: Remote | None, names: list[str]) -> None:
    """Each is a command of its own on the same settings file; the controller is ended first."""
    settings = settings_of().model_copy(update={"remote": remote})
    children = children_of(settings, Path("soilward.toml"), Clock())
    assert [each.name for each in children] == names
    assert all(each.command[-1] == "soilward.toml" for each in children)


def test_while_the_port_is_taken_no_pages_begin_and_it_is_said_once_with_the_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, however often it looks, and word for the controller; once the port is free the pages run."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = int(taken.getsockname()[1])
        where = {"web": Web(port=port), "store": Store(folder=tmp_path)}
        pages = Pages([sys.executable, "-c", "input()"], Clock(), settings_of().model_copy(update=where))
        for _ in range(3):
            pages.look()
        assert pages.process is None
    (told,) = capsys.readouterr().err.splitlines()
    for words in (f"web.port: cannot listen on 127.0.0.1:{port}", "another `soilward run`", "choose another port"):
        assert words in told
    assert "Heat goes on without pages" in told
    assert (tmp_path / "pages-away").read_text() == told
    pages.look()
    assert pages.process is not None
    assert capsys.readouterr().err == f"port {port} is free again: the pages begin\n"
    pages.end()
    assert not (tmp_path / "pages-away").exists()


def test_a_process_that_cannot_be_started_is_said_and_tried_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without memory for one more process the others are not ended; this one comes once it can be started."""
    program, clock = tmp_path / "program", Clock()
    child = Child("pages", [str(program)], clock)
    child.look()
    assert child.process is None
    assert capsys.readouterr().err.startswith("pages did not start: ")
    program.symlink_to("/bin/true")
    child._pause_s = 0.0
    child.look()
    assert child.process is not None
    child.end()


def test_whoever_read_the_log_may_leave_and_the_site_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """As under `soilward run 2>&1 | tee log`, once tee is gone: what is said goes nowhere, and all is kept running."""
    reading, writing = os.pipe()
    os.close(reading)
    child = Child("pages", ["/bin/false"], Clock())
    child._pause_s = 0.0
    child.look()
    assert child.process is not None
    child.process.wait()
    child._started_s = float("-inf")
    # Nothing is held back for a second try, which would fail again at the end.
    with TextIOWrapper(FileIO(writing, "w"), write_through=True) as nobody:
        monkeypatch.setattr(sys, "stderr", nobody)
        child.look()
        monkeypatch.undo()
    assert child.process is not None
    child.end()


def test_a_broker_that_cannot_start_again_is_told_once_and_started_once_it_can(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Two lines, not four a second for as long as something has its port: a memory card holds the log."""
    where = {"store": Store(folder=tmp_path), "broker": Broker(kind="embedded", port=a_free_port())}
    settings = settings_of().model_copy(update=where)
    broker = embedded.start(settings)
    broker.stop()
    stop = Event()
    keeping = Thread(target=hold, args=((), stop, broker))
    with socket.create_server(("127.0.0.1", settings.broker.port)):
        keeping.start()
        sleep(1.8)
    until("the broker runs again", lambda: broker.is_running, 90.0)
    stop.set()
    keeping.join()
    broker.stop()
    told = [line for line in capfd.readouterr().err.splitlines() if line.startswith("the embedded broker")]
    assert told[0] == "the embedded broker ended; starting it again"
    assert told[1].startswith("the embedded broker did not start: ")
    # A busy machine's broker may be slow to start as well, which is another word.
    assert len(set(told)) == len(told)
