"""A store elsewhere that answers no: which points are left out, and when nothing is."""

import gzip
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs

import pytest
from influxdb_client import Point

from api.review.kept import KeptError
from api.review.victoria import Victoria
from controller.settings import Remote, RemoteKind
from controller.store.remote import RemoteError, RemoteWriter

Answer = Callable[[list[str]], int]
"""The status by which a store answers the lines of a batch."""


class Store(BaseHTTPRequestHandler):
    """Takes what it answers 204, and remembers it."""

    answer: Answer
    taken: list[str]
    asked: int
    last: str

    def do_POST(self) -> None:
        """Answer a write."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        lines = gzip.decompress(body).decode().splitlines()
        kind = type(self)
        kind.asked += 1
        kind.last = f"{self.headers['Authorization'].removeprefix('Token ')} {self.path}"
        status = kind.answer(lines)
        if status == 204:
            kind.taken += lines
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@contextmanager
def _elsewhere(answer: Answer, **more: Any) -> Iterator[tuple[RemoteWriter, type[Store]]]:
    kind = type("Answering", (Store,), {"answer": staticmethod(answer), "taken": [], "asked": 0})
    with ThreadingHTTPServer(("127.0.0.1", 0), kind) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        settings = Remote(
            kind=RemoteKind.INFLUXDB_2,
            url=f"http://127.0.0.1:{server.server_port}",
            site="hollow",
            bucket="record",
            **more,
        )
        with closing(RemoteWriter(settings)) as writer:
            yield writer, kind
        server.shutdown()


def _points(count: int) -> list[Point]:
    return [Point("reading").tag("probe", "bed").field("cel", float(number)).time(number) for number in range(count)]


@pytest.mark.parametrize("status", [400, 422])
@pytest.mark.parametrize("count", [2, 100])
def test_a_point_that_the_store_will_never_take_is_left_out_alone(status: int, count: int) -> None:
    """The first of them is refused, whatever batch it is in: all others arrive, and one is counted."""
    with _elsewhere(lambda lines: status if any("cel=0 " in line for line in lines) else 204) as (writer, store):
        writer.send(_points(count))
    assert len(store.taken) == count - 1
    assert writer.refused == 1


def test_many_bad_points_hold_up_none_of_those_behind_them() -> None:
    """A probe whose name the store does not like: the last of the batch is taken, so it is the store itself."""
    with _elsewhere(lambda lines: 400 if any(int(line.split()[-1]) < 20 for line in lines) else 204) as (writer, store):
        writer.send(_points(100))
    assert (len(set(store.taken)), writer.refused) == (80, 20)


def test_a_write_names_bucket_organisation_and_token(tmp_path: Path) -> None:
    """Without the first two InfluxDB takes nothing, and without the last it lets nobody in."""
    (tmp_path / "token").write_text("secret\n")
    more = {"organisation": "nursery", "token_file": tmp_path / "token"}
    with _elsewhere(lambda _: 204, **more) as (writer, store):
        writer.send(_points(1))
    url, _, query = store.last.partition("?")
    assert (url, parse_qs(query)) == (
        "secret /api/v2/write",
        {"bucket": ["record"], "org": ["nursery"], "precision": ["ns"]},
    )


@pytest.mark.parametrize("count", [2, 4000])
def test_a_store_that_calls_every_point_bad_is_itself_at_fault_and_costs_no_point(count: int) -> None:
    """A wrong address behind a proxy: nothing is counted as refused, it is told by name, and after a few tries."""
    with (
        _elsewhere(lambda _: 400) as (writer, store),
        pytest.raises(RemoteError, match=r"127\.0\.0\.1.* answered 400 .* remote\.url"),
    ):
        writer.send(_points(count))
    assert writer.refused == 0
    assert store.asked <= 40


def test_points_older_than_the_store_keeps_are_left_out_however_many() -> None:
    """InfluxDB answers 422 to those: trying again for ever would hold up all that came later."""
    with _elsewhere(lambda _: 422) as (writer, store):
        writer.send(_points(20))
    assert (writer.refused, store.taken) == (20, [])


@pytest.mark.parametrize("status", [401, 404, 429, 500, 503])
def test_any_other_answer_is_told_and_tried_again(status: int) -> None:
    """It is about us or about them, not about the points."""
    with _elsewhere(lambda _: status) as (writer, store), pytest.raises(RemoteError, match=f"answered {status}"):
        writer.send(_points(50))
    assert (writer.refused, store.asked) == (0, 1)


@pytest.mark.parametrize("said", [b"<html>Sign in</html>", b"[]", b'"ready"', b'{"metric":{}}\n{"met', b"\xff"])
def test_what_answers_for_the_store_is_named(said: bytes) -> None:
    """A door that lets nobody in unless signed in, or an answer cut short: no page is broken by it."""

    class Door(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", str(len(said)))
            self.end_headers()
            self.wfile.write(said)

        def log_message(self, format: str, *args: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Door) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        url = f"http://127.0.0.1:{server.server_port}"
        kept = Victoria(Remote.model_validate({"kind": "victoria-metrics", "url": url, "site": "hollow"}))
        for ask in (kept.enclosures, lambda: kept.journal("hollow", 0, 3_600_000, 9)):
            with pytest.raises(KeptError, match=r"did not answer as a VictoriaMetrics does; look at remote\.url"):
                ask()
        server.shutdown()
