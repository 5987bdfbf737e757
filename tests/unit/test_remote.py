"""A store elsewhere that answers no: which points are left out, and when nothing is."""

import gzip
import json
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs

import pytest
from influxdb_client import Point

from api.review.app import kept_of
from api.review.flux import Influx
from api.review.kept import KeptError
from api.review.victoria import Victoria
from controller.settings import Remote, RemoteKind
from controller.store.readings import Bucket
from controller.store.remote import RemoteError, RemoteWriter

Answer = Callable[[list[str]], int]
"""The status by which a store answers the lines of a batch."""


class Store(BaseHTTPRequestHandler):
    """Takes what it answers 204, and remembers it."""

    answer: Answer
    said: bytes
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
        self.send_header("Content-Length", str(len(kind.said)))
        self.end_headers()
        self.wfile.write(kind.said)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@contextmanager
def _elsewhere(
    answer: Answer, said: bytes = b"", scheme: str = "http", **more: Any
) -> Iterator[tuple[RemoteWriter, type[Store]]]:
    kind = type("Answering", (Store,), {"answer": staticmethod(answer), "said": said, "taken": [], "asked": 0})
    with ThreadingHTTPServer(("127.0.0.1", 0), kind) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        settings = Remote(
            kind=RemoteKind.INFLUXDB_2,
            url=f"{scheme}://127.0.0.1:{server.server_port}",
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
    with _elsewhere(lambda _: 204, organisation="nursery", token_file=tmp_path / "token") as (writer, store):
        writer.send(_points(1))
    url, _, query = store.last.partition("?")
    assert (url, parse_qs(query)) == (
        "secret /api/v2/write",
        {"bucket": ["record"], "org": ["nursery"], "precision": ["ns"]},
    )


@pytest.mark.parametrize("count", [1, 2, 4000])
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


@pytest.mark.parametrize("status", [400, 422, 500])
def test_a_store_that_has_kept_all_but_some_is_asked_once(status: int) -> None:
    """As InfluxDB says of what is older than it keeps: a year of it went point by point, with a line of log each."""
    said = b'{"code":"","message":"partial write: points beyond retention policy dropped=30"}'
    with _elsewhere(lambda _: status, said) as (writer, store):
        writer.send(_points(50))
    assert (writer.refused, store.asked) == (30, 1)


def test_the_log_has_some_of_what_is_refused_and_how_many_there_are(caplog: pytest.LogCaptureFixture) -> None:
    """A store that does not say which it was may refuse a year of points."""
    with _elsewhere(lambda _: 422) as (writer, _):
        writer.send(_points(100))
    assert len(caplog.records) == 9
    assert caplog.messages[-1].endswith("will never take 100 of 100 points")


@pytest.mark.parametrize("status", [401, 404, 429, 500, 503])
def test_any_other_answer_is_told_and_tried_again(status: int) -> None:
    """It is about us or about them, not about the points."""
    with _elsewhere(lambda _: status) as (writer, store), pytest.raises(RemoteError, match=f"answered {status}"):
        writer.send(_points(50))
    assert (writer.refused, store.asked) == (0, 1)


@pytest.mark.parametrize(
    ("status", "said", "why"),
    [
        (
            200,
            b"<html>Sign in</html>",
            r"answered 200, not 204 as a store does; see that remote\.url is the store itself",
        ),
        (201, b"", "answered 201, not 204"),
        (200, "Ung\N{LATIN SMALL LETTER U WITH DIAERESIS}ltig".encode("latin-1"), "did not answer as a store does"),
        (502, "Ung\N{LATIN SMALL LETTER U WITH DIAERESIS}ltig".encode("latin-1"), "did not answer as a store does"),
        (302, b"", r"answered 302: it sends us elsewhere; see that remote\.url is the store itself"),
    ],
)
def test_what_answers_for_the_store_has_taken_nothing(status: int, said: bytes, why: str) -> None:
    """A page to sign in on, as routers and doors show it, was taken for a store's word: what was sent then was lost.

    One in another alphabet ended the forwarder.
    """
    with _elsewhere(lambda _: status, said) as (writer, store), pytest.raises(RemoteError, match=why):
        writer.send(_points(50))
    assert (writer.refused, store.asked) == (0, 1)


class Door(BaseHTTPRequestHandler):
    """Lets in whoever says the right word, to write and to read; remembers what it was told."""

    right: str
    heard: list[str]

    def do_POST(self) -> None:
        """Answer a write, or a question in Flux."""
        self.rfile.read(int(self.headers["Content-Length"]))
        self._answer(b"" if "write" in self.path else b"\r\n", 204 if "write" in self.path else 200)

    def do_GET(self) -> None:
        """Answer a question of series."""
        self._answer(b'{"data":[]}', 200)

    def _answer(self, said: bytes, status: int) -> None:
        kind = type(self)
        kind.heard.append(self.headers["Authorization"])
        is_right = kind.heard[-1] == kind.right
        self.send_response(status if is_right else 401)
        self.send_header("Content-Length", str(len(said) if is_right else 0))
        self.end_headers()
        self.wfile.write(said if is_right else b"")

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@pytest.mark.parametrize(("kind", "scheme"), [("victoria-metrics", "Bearer"), ("influxdb-2", "Token")])
def test_a_token_put_right_lets_us_in_without_a_new_start(tmp_path: Path, kind: str, scheme: str) -> None:
    """As the message says: write the right one into its file. One that cannot be read costs no process."""
    heard: list[str] = []
    door = type("Watched", (Door,), {"right": f"{scheme} right", "heard": heard})
    token = tmp_path / "token"
    token.write_text("wrong\n")
    with ThreadingHTTPServer(("127.0.0.1", 0), door) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        url = f"http://127.0.0.1:{server.server_port}"
        remote = Remote.model_validate({"kind": kind, "url": url, "site": "hollow", "token_file": token})
        kept = kept_of(remote)
        with closing(RemoteWriter(remote)) as writer:
            for ask in (lambda: writer.send(_points(2)), kept.enclosures):
                token.write_text("wrong\n")
                with pytest.raises((RemoteError, KeptError), match="answered 401"):
                    ask()
                token.write_bytes(b"\xff\xfe")
                with pytest.raises(
                    (RemoteError, KeptError), match=r"token_file: .* cannot be read \(it is no plain text"
                ):
                    ask()
                # As an editor that marks its files saves it.
                token.write_text("\ufeffright\n", encoding="utf-8")
                ask()
        server.shutdown()
    assert set(heard) == {f"{scheme} wrong", f"{scheme} right"}


def test_a_store_without_the_certificate_it_should_have_is_told_in_words() -> None:
    """Nothing is served there that https could begin with."""
    with _elsewhere(lambda _: 204, scheme="https") as (writer, _), pytest.raises(RemoteError) as told:
        writer.send(_points(2))
    assert "cannot be reached: no secure connection; see that https is served there" in str(told.value)


FLUX_FAULT = (
    b"#datatype,string,long\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,out of memory,897\r\n\r\n"
)


@contextmanager
def _says(*said: bytes) -> Iterator[str]:
    """Give the address of a server that answers this to whatever it is asked: one after the other, then the last."""
    left = list(said)

    class Said(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"] or 0))
            answer = left.pop(0) if len(left) > 1 else left[0]
            self.send_response(200)
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        do_POST = do_GET  # noqa: N815 - the library's own word

        def log_message(self, format: str, *args: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Said) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


@contextmanager
def _influx(*said: bytes) -> Iterator[Influx]:
    with _says(*said) as url:
        yield Influx(Remote.model_validate({"kind": "influxdb-2", "url": url, "site": "hollow"}))


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (b"<html>Sign in</html>", r"did not answer as an InfluxDB 2 does; look at remote\.url"),
        (b"\xff", r"did not answer as an InfluxDB 2 does; look at remote\.url"),
        (FLUX_FAULT, "did not answer. It says: out of memory"),
    ],
)
def test_what_answers_for_an_influxdb_is_named(said: bytes, told: str) -> None:
    """Also the store itself, where it ends in the middle of an answer: each page was broken by it."""
    with _influx(said) as kept, pytest.raises(KeptError, match=told):
        kept.enclosures()


def _windows(*rows: str) -> bytes:
    """Return what an InfluxDB answers of one probe: rows of table, time and value."""
    head = (
        "#datatype,string,long,dateTime:RFC3339,double,string,string,string\r\n"
        "#group,false,false,false,false,true,true,true\r\n#default,_result,,,,,,\r\n"
        ",result,table,_time,_value,probe,quantity,unit\r\n"
    )
    return (head + "".join(f",,{row},bed,soil,Cel\r\n" for row in rows) + "\r\n").encode()


def test_the_first_bucket_begins_where_the_others_make_it_begin() -> None:
    """Flux cuts its first window off where the range begins (issue 4979 of influxdata/flux: intended)."""
    day_ms, hour_ms = 86_400_000, 3_600_000
    with _influx(_windows("0,1970-01-02T00:20:00Z,2", "0,1970-01-02T02:00:00Z,2")) as kept:
        (series,) = kept.series("hollow", "larch", day_ms + hour_ms // 3, 5 * day_ms, 48)
    assert series.bucket_ms == 2 * hour_ms
    assert [row.start_ms for row in series.rows] == [day_ms, day_ms + 2 * hour_ms]


def test_what_was_doubted_lies_in_the_bucket_of_what_was_good() -> None:
    """The store answers each grade by itself."""
    answers = [
        _windows(f"0,1970-01-01T00:00:00Z,{good}", f"1,1970-01-01T00:00:00Z,{doubted}")
        for good, doubted in ((2, 1), (5, 9), (12, 10), (4, 2))
    ]
    with _influx(*answers) as kept:
        (series,) = kept.series("hollow", "larch", 0, 60_000, 1)
    assert series.rows == [Bucket(0, 1.0, 22 / 6, 9.0, 6)]


def test_a_bucket_that_begins_between_two_questions_waits_for_the_next_page() -> None:
    """Least, most, sum and count are four questions: each page asked for as one began was broken."""
    first, later = "0,1970-01-01T00:00:00Z,2", "0,1970-01-01T00:01:00Z,3"
    with _influx(_windows(first), _windows(first, later)) as kept:
        (series,) = kept.series("hollow", "larch", 0, 120_000, 2)
    assert [row.start_ms for row in series.rows] == [0]


def test_an_enclosure_is_there_before_its_first_hour_is_over() -> None:
    """No hour of it is copied yet: for that long, it was on no list, and its page was 404."""
    head = "#datatype,string,long,string,string\r\n#group,false,false,false,false\r\n#default,_result,,,\r\n"
    one = f"{head},result,table,site,enclosure\r\n,,0,hollow,larch\r\n\r\n".encode()
    with _influx(b"\r\n", one) as kept:
        assert kept.enclosures() == [("hollow", "larch")]


@pytest.mark.parametrize("body", ['{"cut sh ...', "[1]", "[" * 2000])
def test_a_body_that_is_none_hides_no_entry(body: str) -> None:
    """Cut short, or another's of the same name: it is the text it is, and the page has all the others."""
    entry = {"__name__": "journal_sequence", "site": "hollow", "kind": "trip", "body": body}
    said = json.dumps({"metric": entry, "values": [3], "timestamps": [1000]})
    with _says(said.encode()) as url:
        kept = Victoria(Remote.model_validate({"kind": "victoria-metrics", "url": url, "site": "hollow"}))
        assert [each.body for each in kept.journal("hollow", 0, 3_600_000, 9)] == [{"as_text": body}]


@pytest.mark.parametrize("said", [b"<html>Sign in</html>", b"[]", b'"ready"', b'{"metric":{}}\n{"met', b"\xff"])
def test_what_answers_for_the_store_is_named(said: bytes) -> None:
    """A door that lets nobody in unless signed in, or an answer cut short: no page is broken by it."""
    with _says(said) as url:
        kept = Victoria(Remote.model_validate({"kind": "victoria-metrics", "url": url, "site": "hollow"}))
        for ask in (kept.enclosures, lambda: kept.journal("hollow", 0, 3_600_000, 9)):
            with pytest.raises(KeptError, match=r"did not answer as a VictoriaMetrics does; look at remote\.url"):
                ask()
