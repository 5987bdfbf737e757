"""Requests: filed once, read in order."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.store import requests
from controller.store.connection import open_reader, open_writer
from controller.store.migrations import REQUESTS

T0 = 1_772_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path / "requests.db", REQUESTS)
    yield connection
    connection.close()


def test_requests_come_back_in_order_after_the_last_one_seen(store: sqlite3.Connection, tmp_path: Path) -> None:
    """A reader follows by id, at most `limit` at a time, and sees every field."""
    first = requests.file(store, T0, "north", "set-point", {"asked_c": 18.5}, "Ada", "frost")
    second = requests.file(store, T0 - 5, "north", "arm", {}, "Ada", "")
    reader = open_reader(tmp_path / "requests.db")
    assert requests.after(reader, 0, limit=1) == [
        requests.Request(first, T0, "north", "set-point", {"asked_c": 18.5}, "Ada", "frost")
    ]
    assert [one.id for one in requests.after(reader, first)] == [second]
    assert requests.after(reader, second) == []
    found = requests.get(reader, second)
    assert found is not None
    assert found.kind == "arm"
    assert requests.get(reader, second + 1) is None
    reader.close()


def test_an_id_is_never_used_again(store: sqlite3.Connection) -> None:
    """Ids rise even when the newest request is gone, so none is answered or skipped for another."""
    first = requests.file(store, T0, "north", "arm", {}, "Ada", "")
    store.execute("DELETE FROM request")
    assert requests.file(store, T0, "north", "arm", {}, "Ada", "") > first


@pytest.mark.parametrize(("kind", "who"), [("on", "Ada"), ("ARM", "Ada"), ("arm", ""), ("arm", "  ")])
def test_an_unknown_kind_or_nobody_is_refused(store: sqlite3.Connection, kind: str, who: str) -> None:
    """There is no request to switch the relay, and none without a name."""
    with pytest.raises(sqlite3.IntegrityError):
        requests.file(store, T0, "north", kind, {}, who, "why")  # type: ignore[arg-type]


def test_an_argument_that_is_no_number_is_refused(store: sqlite3.Connection) -> None:
    """NaN does not reach the controller by way of the file."""
    with pytest.raises(ValueError, match=r"nan"):
        requests.file(store, T0, "north", "set-point", {"asked_c": math.nan}, "Ada", "why")
    assert requests.after(store, 0) == []
