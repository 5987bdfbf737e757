"""Memory of the demo's processes, and how long controller and API take to start."""

import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psutil

from controller.load_settings import load
from tests.bench.broker import Ear, running
from tests.bench.table import Row
from tests.wire.kit import ROOT, ControllerProcess, a_free_port, until, write_site

SETTLE_S = 20.0
CONTROLLER_MB, API_MB = 80.0, 150.0
PAGES = ("/", "/enclosures/larch", "/journal", "/api/enclosures", "/api/journal", "/health", "/metrics")


def _answers(port: int, path: str = "/health") -> bool:
    try:
        urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5.0).read()
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True


def _megabytes(parent: psutil.Process, word: str) -> float:
    for child in parent.children(recursive=True):
        with suppress(psutil.Error):
            if word in " ".join(child.cmdline()):
                return float(child.memory_info().rss) / 1e6
    raise RuntimeError(f"no process with {word!r} in its command line")


def memory(folder: Path) -> Iterator[Row]:
    """Run the demo with a day of history, look at every page several times, and weigh controller and API."""
    port = a_free_port()
    command = [sys.executable, "-m", "controller.cli", "demo", "--folder", str(folder / "demo"), "--days", "1"]
    with (folder / "demo.log").open("wb") as log:
        demo = subprocess.Popen([*command, "--port", str(port)], cwd=ROOT, stdout=log, stderr=log)
    try:
        until("the demo's pages answer", lambda: _answers(port), 60.0)
        end_s = time.monotonic() + SETTLE_S
        while time.monotonic() < end_s:
            for page in PAGES:
                _answers(port, page)
            time.sleep(1.0)
        parent = psutil.Process(demo.pid)
        for what, word, bound in (
            ("controller", "controller.cli controller", CONTROLLER_MB),
            ("api", "-m api serve", API_MB),
        ):
            weight = _megabytes(parent, word)
            yield Row(f"resident memory of {what}, demo", f"{weight:.0f} MB", "", "", f"< {bound:g} MB", weight < bound)
    finally:
        demo.terminate()
        demo.wait(30.0)


def start_up(folder: Path) -> Iterator[Row]:
    """Time a controller to its first status and an API to its first answer, each from its process's birth."""
    with running(folder / "broker") as broker:
        site = folder / "site"
        site.mkdir()
        file, port = write_site(site, broker.port), a_free_port()
        file.write_text(f"{file.read_text()}\n[web]\nport = {port}\n")
        settings = load(file)
        settings.store.folder.mkdir()
        ear = Ear(settings, "soilward/larch/status", "ear")
        controller = ControllerProcess(file, folder / "controller.log")
        born_s = time.monotonic()
        controller.start()
        until("the first status", lambda: ear.count, 20.0)
        yield Row("start-up of controller to first status", f"{ear.heard['soilward/larch/status'][0] - born_s:.2f} s")
        born_s = time.monotonic()
        with (folder / "api.log").open("wb") as log:
            command = [sys.executable, "-m", "api", "serve", "--settings", str(file)]
            api = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
        try:
            until("the api answers", lambda: _answers(port), 30.0)
            yield Row("start-up of api to first answer", f"{time.monotonic() - born_s:.2f} s")
        finally:
            api.terminate()
            api.wait(15.0)
            controller.stop()
            ear.close()
