"""`python -m api`: people by command, and serving that stops when told."""

import io
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from api import people
from api.__main__ import main
from api.writer import Writer
from controller.load_settings import load
from tests.api_site import ApiSite
from tests.wire.kit import a_free_port

SETTINGS = """
[site]
name = "Tarn Hollow"
time_zone = "Europe/Zurich"
latitude = 46.2
longitude = 7.5

[broker]
kind = "external"
port = {broker}

[web]
host = "{host}"
port = {port}

[[enclosure]]
name = "larch"

[enclosure.heater]
kind = "soil-cable"
rated_w = 450.0
depth_m = 0.15

[[enclosure.probe]]
name = "soil-10"
quantity = "soil"
depth_m = 0.1
"""


def settings_in(folder: Path, host: str = "127.0.0.1", port: int = 8460) -> str:
    """Write a settings file and return its path."""
    path = folder / "soilward.toml"
    path.write_text(SETTINGS.format(host=host, port=port, broker=a_free_port()))
    return str(path)


def test_people_are_added_listed_and_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The password comes from stdin and never appears; a token is printed once; who is gone is gone."""
    settings = ["--settings", settings_in(tmp_path)]
    monkeypatch.setattr(sys, "stdin", io.StringIO("warm roots all night\n"))
    add = ["person", "add", "keeper", "--role", "operate", "--password-stdin", *settings]
    assert main(add) == 0
    assert main(["person", "token", "keeper", *settings]) == 0
    assert main(["person", "list", *settings]) == 0
    said = capsys.readouterr().out
    assert "keeper\toperate" in said
    assert "warm roots" not in said
    assert main(["person", "remove", "keeper", *settings]) == 0
    assert main(["person", "remove", "keeper", *settings]) == 1
    assert "not known" in capsys.readouterr().err


def test_a_command_that_is_none_is_misuse(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 2, as for every command of Soilward."""
    with pytest.raises(SystemExit) as stopped:
        main(["dance"])
    assert stopped.value.code == 2


def test_serving_beyond_this_machine_without_people_fails_and_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 1 and the key to change."""
    assert main(["serve", "--settings", settings_in(tmp_path, "0.0.0.0", a_free_port())]) == 1
    assert "web.host" in capsys.readouterr().err


def test_a_taken_port_is_said_with_the_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 1; nothing was opened."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main(["serve", "--settings", settings_in(tmp_path, port=port)]) == 1
    assert "choose another port" in capsys.readouterr().err


@contextmanager
def served(settings: str) -> Iterator[subprocess.Popen[str]]:
    """Serve in a process of its own and wait until it says that it is ready."""
    command = [sys.executable, "-m", "api", "serve", "--settings", settings]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        if not process.stdout.readline().startswith("Open http://"):
            raise AssertionError(process.stderr.read())
        try:
            yield process
        finally:
            process.terminate()
            process.communicate(timeout=120)


def status_with(port: int, token: str) -> int:
    """Return what the enclosures' call answers to the holder of a token."""
    line = HTTPConnection("127.0.0.1", port, timeout=60)
    line.request("GET", "/api/enclosures", headers={"Authorization": f"Bearer {token}"})
    with closing(line):
        return line.getresponse().status


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, int]]:
    """Give the settings and the port of one program that runs: a start costs more than all that is asked of it."""
    port = a_free_port()
    file = settings_in(tmp_path_factory.mktemp("running"), port=port)
    with served(file):
        yield file, port


@pytest.mark.xdist_group("running")
@pytest.mark.parametrize("name", ["keeper", "day/night shift", "100 % José?"])
def test_people_come_and_go_while_the_program_runs(
    running: tuple[str, int], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """The command asks the running program, which alone writes the file: added, given a token, removed, at once.

    Whatever signs the name has.
    """
    file, port = running
    settings = ["--settings", file]
    other = f"{name}, who looks"
    monkeypatch.setattr(sys, "stdin", io.StringIO("warm roots all night\n" * 3))
    add = ["person", "add", name, "--role", "operate", "--password-stdin", *settings]
    assert main(add) == 0
    assert main(add) == 1
    assert main(["person", "add", other, "--password-stdin", *settings]) == 0
    assert main(["person", "token", name, *settings]) == 0
    told = capsys.readouterr()
    assert told.out.splitlines()[0] == f"{name} may operate"
    assert "there already" in told.err
    token = told.out.splitlines()[-1]
    assert status_with(port, token) == 200
    assert main(["person", "remove", name, *settings]) == 0
    assert status_with(port, token) == 401
    assert main(["person", "token", name, *settings]) == 1


def test_only_the_owner_of_the_folder_can_read_the_key(tmp_path: Path) -> None:
    """Mode 0600, new at every start; another key, or none, is refused."""
    site = ApiSite(tmp_path)
    file = tmp_path / "api.key"
    with site.client() as client:
        first = file.read_text()
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        body = {"name": "mallory", "role": "operate", "password": "let me in at once"}
        nobody: tuple[dict[str, Any], ...] = ({}, {"Authorization": "Bearer x"}, {"Authorization": "Bearer é".encode()})
        for headers in nobody:
            assert client.post("/api/people", json=body, headers=headers).status_code == 401
        assert client.delete("/api/people/keeper").status_code == 401
        assert client.post("/api/people/keeper/token").status_code == 401
        good = {"Authorization": f"Bearer {first}"}
        assert client.post("/api/people", json={**body, "role": "all"}, headers=good).status_code == 422
        assert client.post("/api/people", json={**body, "password": "short"}, headers=good).status_code == 409
    with site.client():
        assert file.read_text() != first


def test_with_the_file_held_and_nobody_answering_the_command_says_who_holds_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 1 and the process that writes the file."""
    settings = settings_in(tmp_path, port=a_free_port())
    folder = load(Path(settings)).store.folder
    folder.mkdir()
    season = Writer(folder / "season.db", people.MIGRATIONS)
    try:
        assert main(["person", "token", "keeper", "--settings", settings]) == 1
    finally:
        season.close()
    assert "is already writing it; stop that one first" in capsys.readouterr().err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_says_one_line_when_ready_and_stops_when_told(tmp_path: Path, number: signal.Signals) -> None:
    """The ready line carries the address; being told to stop is status 0 with nothing on stderr."""
    port = a_free_port()
    command = [sys.executable, "-m", "api", "serve", "--settings", settings_in(tmp_path, port=port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as served:
        assert served.stdout is not None
        assert served.stdout.readline() == f"Open http://127.0.0.1:{port}\n"
        served.send_signal(number)
        out, err = served.communicate(timeout=120)
    assert (served.returncode, out, err) == (0, "", "")


def test_the_pages_answer_though_nobody_reads_what_they_say(tmp_path: Path) -> None:
    """As under `soilward run | head -1`: their one line goes nowhere, and they are not begun again and again."""
    port = a_free_port()
    command = [sys.executable, "-m", "api", "serve", "--settings", settings_in(tmp_path, port=port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as served:
        assert served.stdout is not None
        served.stdout.close()
        line = HTTPConnection("127.0.0.1", port, timeout=60)
        with closing(line):
            end_s = time.monotonic() + 200.0
            while line.sock is None and time.monotonic() < end_s and served.poll() is None:
                with suppress(ConnectionRefusedError):
                    line.connect()
                time.sleep(0.1)
            line.request("GET", "/health")
            assert line.getresponse().status in {200, 503}
        assert served.poll() is None
        served.terminate()
