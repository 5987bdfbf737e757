"""The forwarder: it waits for a store that is away, however long."""

import socket
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from controller.clock import ManualClock, Moment
from controller.forwarder import EVERY_S, LONGEST_PAUSE_S, Forwarder
from controller.settings import Remote
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.keeping import add
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import StoredReading
from controller.store.told import told
from tests.core_site import settings_of

T0 = 1_772_000_000_000


def forwarder_to(port: int, folder: Path) -> Forwarder:
    """Return a forwarder of a record of one entry."""
    open_writer(folder / "readings.db", READINGS).close()
    with closing(open_writer(folder / "journal.db", JOURNAL)) as book:
        journal.append(book, [Entry("answer", "larch", "keeper", "why", {}, T0)])
    settings = settings_of()
    settings = settings.model_copy(update={"store": settings.store.model_copy(update={"folder": folder})})
    url = f"http://127.0.0.1:{port}"
    remote = Remote.model_validate({"kind": "victoria-metrics", "url": url, "site": "hollow"})
    return Forwarder(settings, remote, ManualClock(Moment(1000.0, T0)))


def to_nowhere(folder: Path) -> Forwarder:
    """Return one to a store that is away."""
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = int(taken.getsockname()[1])
    return forwarder_to(port, folder)


def spoil(file: Path) -> None:
    """Spoil all of a database but its first page."""
    file.write_bytes(file.read_bytes()[:4096] + b"\xa5" * (file.stat().st_size - 4096))


def test_a_store_that_is_away_for_a_week_is_tried_all_that_time(tmp_path: Path) -> None:
    """Each try waits longer than the one before, up to five minutes; after three days and a half it ended, before."""
    with closing(to_nowhere(tmp_path)) as forwarder:
        waits_s = [0.0]
        while sum(waits_s) < 7 * 86_400:
            waits_s.append(forwarder.turn())
    assert waits_s[1:11] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, LONGEST_PAUSE_S]
    assert set(waits_s[11:]) == {LONGEST_PAUSE_S}


@pytest.mark.parametrize("name", ["readings.db", "journal.db"])
def test_a_record_that_is_damaged_is_told_and_tried_again(tmp_path: Path, name: str) -> None:
    """The controller may begin it anew at any moment; what sends it waits for that and goes on."""
    with closing(to_nowhere(tmp_path)) as forwarder:
        spoil(tmp_path / name)
        assert [forwarder.turn(), forwarder.turn()] == [1.0, 2.0]
    word = told(tmp_path)
    assert word is not None
    assert (word.at_ms, word.trouble.startswith(f"{name} is damaged; ")) == (T0, True)


class TakesAll(BaseHTTPRequestHandler):
    """A store that answers each write as one does."""

    def do_POST(self) -> None:
        """Take it."""
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


def test_a_journal_that_is_damaged_is_told_while_readings_go_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A page of entries that nobody else reads: the loop knows nothing of it, and with each look some readings came."""
    with ThreadingHTTPServer(("127.0.0.1", 0), TakesAll) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        with (
            closing(forwarder_to(server.server_port, tmp_path)) as forwarder,
            closing(open_writer(tmp_path / "readings.db", READINGS)) as record,
        ):
            spoil(tmp_path / "journal.db")
            for number in range(3):
                at_ms = T0 + 10_000 * number
                add(record, [StoredReading("larch", "soil", "soil", "Cel", 15.0, at_ms, at_ms, "good")])
                assert forwarder.turn() == EVERY_S
                word = told(tmp_path)
                assert word is not None
                assert (word.sent, word.oldest_ms) == (number + 1, None)
                assert word.trouble.startswith("journal.db is damaged; ")
        server.shutdown()
    assert len([each for each in caplog.messages if "not all is sent: journal.db" in each]) == 1
