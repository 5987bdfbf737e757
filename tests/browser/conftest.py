"""The real demo as a program of its own, and a real browser that looks at it."""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.wire.kit import a_free_port

ROOT = Path(__file__).parents[2]
CHROMIUM = "/usr/bin/chromium"
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
_TELL_OF_POLICY = (
    "addEventListener('securitypolicyviolation', e => console.error('policy: ' + e.violatedDirective + e.blockedURI))"
)


@dataclass(slots=True)
class Demo:
    """A running `soilward demo`: where it is to be seen, where its data lie, what it has said so far."""

    address: str
    folder: Path
    process: subprocess.Popen[str]
    said: list[str]
    reader: threading.Thread

    def end(self) -> tuple[int, list[psutil.Process]]:
        """Press Ctrl-C; return the exit status and the processes it left behind."""
        family = psutil.Process(self.process.pid).children(recursive=True)
        self.process.send_signal(signal.SIGINT)
        status = self.process.wait(20)
        self.reader.join(5)
        _, left = psutil.wait_procs(family, timeout=3)
        return status, left


def start_demo(folder: Path, days: float) -> Demo:
    """Start the demo and wait until it says where its pages are: they answer from then on."""
    command = [sys.executable, "-m", "controller.cli", "demo", "--folder", str(folder)]
    command += ["--days", f"{days:g}", "--port", str(a_free_port())]
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=surroundings
    )
    said: list[str] = []
    reader = threading.Thread(target=_read, args=(process, said), daemon=True)
    reader.start()
    latest = time.monotonic() + 60
    while time.monotonic() < latest and process.poll() is None:
        address = re.search(r"^Open (http://\S+)$", "".join(said), re.MULTILINE)
        if address:
            assert _answers(address[1]), "the demo named an address before anything listened there"
            return Demo(address[1], folder, process, said, reader)
        time.sleep(0.1)
    process.kill()
    raise AssertionError("the demo did not come up:\n" + "".join(said)[-2000:])


def _read(process: subprocess.Popen[str], said: list[str]) -> None:
    assert process.stdout is not None
    with process.stdout:
        said.extend(process.stdout)


def _answers(address: str) -> bool:
    host, port = address.removeprefix("http://").split(":")
    with socket.socket() as probe:
        return probe.connect_ex((host, int(port))) == 0


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """Three days of history, then live; ended as a person ends it, and held to its word about that."""
    running = start_demo(tmp_path_factory.mktemp("demo"), 3)
    yield running
    status, left = running.end()
    said = "".join(running.said)
    for each in left:
        each.kill()
    assert status == 0, said[-2000:]
    assert not left, f"left running: {left}"
    assert f"The data are in {running.folder}" in said
    assert "Traceback" not in said


# Per module, not per session: while it is open its event loop would stand in the way of other tests' loops.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield chromium
        chromium.close()


@dataclass(slots=True)
class Reader:
    """Somebody with a browser: `faults` gathers console errors, script errors and policy violations."""

    context: BrowserContext
    address: str
    faults: list[str] = field(default_factory=list)

    def open(self, path: str = "/") -> Page:
        """Open a page in a tab of its own."""
        page = self.context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda said: self.faults.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.add_init_script(_TELL_OF_POLICY)
        page.goto(self.address + path)
        return page


@pytest.fixture
def reader(browser: Browser, demo: Demo) -> Iterator[Callable[..., Reader]]:
    """Make readers; every one of them must end without a fault in the browser's console."""
    made: list[Reader] = []

    def make(width: int = 1280, script: bool = True, scheme: str = "light") -> Reader:
        context = browser.new_context(
            viewport={"width": width, "height": 844},
            java_script_enabled=script,
            color_scheme="dark" if scheme == "dark" else "light",
        )
        made.append(Reader(context, demo.address))
        return made[-1]

    yield make
    for each in made:
        each.context.close()
    assert [fault for each in made for fault in each.faults] == []
