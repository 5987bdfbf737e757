"""Which processes a site runs, and what it says while another has the port of its pages."""

import io
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.clock import Clock, ManualClock, Moment
from controller.settings import Remote, Store, Web
from controller.supervisor import Child, Pages, children_of, hold
from tests.core_site import settings_of

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


def test_a_process_for_which_there_is_no_room_ends_no_other(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The pages were killed for want of memory and cannot be begun again yet: the controller, and heat, go on."""
    clock, stop = ManualClock(Moment(1000.0, 0)), threading.Event()
    controller, pages = (Child(name, [sys.executable, "-c", "input()"], clock) for name in ("controller", "api"))
    controller.look()
    popen: Callable[..., subprocess.Popen[bytes]] = subprocess.Popen
    tried_s: list[float] = []

    def refuse(*_: object, **__: object) -> None:
        tried_s.append(clock.now().mono_s)
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    for _ in range(20):
        pages.look()
        clock.sleep(1.0)
    assert controller.process is not None
    assert controller.process.poll() is None
    assert tried_s == [1000.0, 1001.0, 1003.0, 1007.0, 1015.0]
    assert capsys.readouterr().err.count("api cannot be started: [Errno 12] Cannot allocate memory; trying again") == 5
    monkeypatch.setattr(subprocess, "Popen", popen)
    clock.sleep(60.0)
    pages.look()
    assert pages.process is not None
    stop.set()
    hold([controller, pages], stop, None)
    assert controller.process.poll() is not None


class Gone(io.StringIO):
    """A pipe that nobody reads any more."""

    def write(self, _text: str) -> int:
        raise BrokenPipeError(32, "Broken pipe")


def test_a_log_that_nobody_takes_any_more_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """`soilward run 2>&1 | tee log`, and tee is killed: the pages end, which cannot be told, and they begin again."""
    clock = ManualClock(Moment(1000.0, 0))
    pages = Child("api", [sys.executable, "-c", "pass"], clock)
    pages.look()
    assert pages.process is not None
    pages.process.wait(10.0)
    monkeypatch.setattr(sys, "stderr", Gone())
    clock.sleep(60.0)
    pages.look()
    assert pages.process is not None
    pages.end()
