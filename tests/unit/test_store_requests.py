"""Requests: filed once, read in order."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

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


def test_a_database_of_version_1_is_moved_with_its_rows(tmp_path: Path) -> None:
    """Version 1 knew four kinds; its rows, their ids and where counting goes on are the same after the move."""
    path = tmp_path / "old.db"
    old = open_writer(path, REQUESTS[:1])
    for kind in ("arm", "set-point", "disarm"):
        requests.file(old, T0, "north", kind, {"set_point_c": 18.5} if kind == "set-point" else {}, "Ada", "frost")
    with pytest.raises(sqlite3.IntegrityError):
        requests.file(old, T0, "north", "stop", {}, "Ada", "smoke")
    rows = requests.after(old, 0)
    old.execute("DELETE FROM request WHERE id = 3")
    old.close()
    moved = open_writer(path, REQUESTS)
    assert requests.after(moved, 0) == rows[:2]
    assert moved.execute("PRAGMA user_version").fetchone() == (3,)
    assert requests.file(moved, T0, "north", "stop", {}, "Ada", "smoke") == 4
    moved.close()


@pytest.mark.parametrize(
    "kind", ["set-point", "arm", "disarm", "reset", "stop", "shelve", "at-work", "acknowledge", "trial", "adopt"]
)
def test_every_kind_can_be_filed(store: sqlite3.Connection, kind: requests.Kind) -> None:
    """The table knows every kind of the type."""
    assert requests.file(store, T0, "north", kind, {}, "Ada", "why") == 1
    assert kind in get_args(requests.Kind)
    assert len(get_args(requests.Kind)) == 10


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


@pytest.mark.parametrize("filed", [0, 1, 3])
def test_it_counts_on_from_what_was_answered_and_never_back(store: sqlite3.Connection, filed: int) -> None:
    """Whether or not anything was filed in it before."""
    for _ in range(filed):
        requests.file(store, T0, "north", "arm", {}, "Ada", "")
    requests.count_on_from(store, 2)
    assert requests.newest(store) == max(filed, 2)
    assert requests.file(store, T0, "north", "stop", {}, "Ada", "") == max(filed, 2) + 1
