"""The demo's plants: sent once the pages listen, and only those that are not there yet."""

import json
from collections.abc import Iterator
from datetime import date
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread

import pytest

from controller.demo import season
from controller.demo.live import tell_plants
from tests.api_site import settings_of

TODAY = date(2026, 3, 1)


class Pages(BaseHTTPRequestHandler):
    """Pages of a folder in which "larch 1" is known; `sent` is what came."""

    sent: list[bytes] = []  # noqa: RUF012

    def do_GET(self) -> None:
        """Give the list."""
        self._answer({"plants": [{"name": "larch 1"}, {"name": "our own"}]})

    def do_POST(self) -> None:
        """Take the file."""
        assert self.path == "/api/season/plants.csv"
        self.sent.append(self.rfile.read(int(self.headers["Content-Length"])))
        self._answer({"plants": 1, "notes": 1})

    def _answer(self, body: object) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(json.dumps(body).encode())

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def port() -> Iterator[int]:
    Pages.sent.clear()
    with ThreadingHTTPServer(("127.0.0.1", 0), Pages) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def test_an_earlier_folder_is_told_only_of_plants_that_it_does_not_know(port: int) -> None:
    """Whoever changed or noted something on one of them keeps that."""
    settings = settings_of()
    settings = settings.model_copy(update={"web": settings.web.model_copy(update={"port": port})})
    tell_plants(settings, Event())
    (body,) = Pages.sent
    names = {line.split(b",")[0] for line in body.splitlines()[1:]}
    assert (b"larch 1" in names, b"larch 2" in names, b"cellar 1" in names) == (False, True, True)


def test_what_is_known_of_one_plant_changes_nothing_of_another() -> None:
    """Their harvests are drawn alike, whoever is left out."""
    whole = season.plants_csv(TODAY).splitlines()
    rest = season.plants_csv(TODAY, {"larch 1"}).splitlines()
    assert rest == [line for line in whole if not line.startswith("larch 1,")]
