"""Requests: what a person asked for, filed by the API and read by the controller, which answers in the journal."""

import sqlite3
from dataclasses import dataclass
from typing import Literal

import rfc8785

from controller.store.connection import transaction
from controller.store.journal import JSON, decoded

Kind = Literal["set-point", "arm", "disarm", "reset", "stop", "shelve", "at-work", "acknowledge", "trial", "adopt"]


@dataclass(frozen=True, slots=True)
class Request:
    """One request: `id` only ever rises; `at_ms` [ms UTC] is when it was filed."""

    id: int
    at_ms: int
    enclosure: str
    kind: Kind
    arguments: dict[str, JSON]
    who: str
    why: str


_COLUMNS = "id, at_ms, enclosure, kind, arguments, who, why"


def file(
    connection: sqlite3.Connection,
    at_ms: int,
    enclosure: str,
    kind: Kind,
    arguments: dict[str, JSON],
    who: str,
    why: str,
) -> int:
    """File a request, on disk when this returns, and return its id.

    Raises
    ------
    ValueError
        If an argument is no I-JSON, such as NaN.
    sqlite3.IntegrityError
        If the kind is unknown, or nobody is named.
    """
    # RETURNING, not last_insert_rowid: the API files from several threads over one connection.
    (request_id,) = connection.execute(
        "INSERT INTO request (at_ms, enclosure, kind, arguments, who, why) VALUES (?, ?, ?, ?, ?, ?) RETURNING id",
        (at_ms, enclosure, kind, rfc8785.dumps(arguments).decode(), who, why),
    ).fetchall()[0]
    return int(request_id)


def after(connection: sqlite3.Connection, last_id: int, limit: int = 100) -> list[Request]:
    """Return at most `limit` requests filed after `last_id`, oldest first."""
    found = connection.execute(f"SELECT {_COLUMNS} FROM request WHERE id > ? ORDER BY id LIMIT ?", (last_id, limit))
    return [_request(row) for row in found]


def newest(connection: sqlite3.Connection) -> int:
    """Return the highest id ever given; 0 before the first."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'request'").fetchone()
    return 0 if row is None else int(row[0])


def count_on_from(connection: sqlite3.Connection, last_id: int) -> None:
    """Give no id up to this one again: who has answered so far would hear nothing of it."""
    with transaction(connection):
        if newest(connection) < last_id:
            connection.execute("DELETE FROM sqlite_sequence WHERE name = 'request'")
            connection.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('request', ?)", (last_id,))


def get(connection: sqlite3.Connection, request_id: int) -> Request | None:
    """Return one request, or None if there is none of that id."""
    row = connection.execute(f"SELECT {_COLUMNS} FROM request WHERE id = ?", (request_id,)).fetchone()
    return None if row is None else _request(row)


def _request(row: tuple[int, int, str, Kind, str, str, str]) -> Request:
    number, at_ms, enclosure, kind, arguments, who, why = row
    return Request(number, at_ms, enclosure, kind, decoded(arguments), who, why)
