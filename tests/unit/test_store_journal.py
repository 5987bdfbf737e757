"""The journal: what it tells, and every way of tampering that it must show."""

import math
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.store.connection import open_writer
from controller.store.journal import GENESIS, Entry, after, append, entry_hash, read, verify, writable
from controller.store.migrations import JOURNAL

T0 = 1_772_000_000_000
COLUMNS = "sequence, at_ms, kind, enclosure, who, why, body, previous_hash, hash"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path / "journal.db", JOURNAL)
    yield connection
    connection.close()


def entry(number: int, kind: str = "set-point", enclosure: str | None = "north") -> Entry:
    return Entry(kind, enclosure, "Ada", "frost tonight", {"asked_c": 18.5, "number": number}, T0 + number)


def test_a_chain_of_entries_holds_and_reads_back(store: sqlite3.Connection) -> None:
    """Entries come back newest first, each naming the hash before it, and the proof names the last hash."""
    assert verify(store).holds
    assert append(store, [entry(1), entry(2)]) == [1, 2]
    assert append(store, [entry(3, enclosure=None)]) == [3]
    newest, middle, oldest = read(store)
    assert (newest.sequence, newest.enclosure, newest.body) == (3, None, {"asked_c": 18.5, "number": 3})
    assert (oldest.previous_hash, middle.previous_hash, newest.previous_hash) == (GENESIS, oldest.hash, middle.hash)
    proof = verify(store)
    assert (proof.holds, proof.entries, proof.first_bad, proof.head) == (True, 3, None, newest.hash)


def test_entries_are_chosen_by_enclosure_kind_and_time(store: sqlite3.Connection) -> None:
    """Filters combine; the start is inside and the end is not; the limit keeps the newest."""
    append(store, [entry(1), entry(2, kind="trip"), entry(3, enclosure="cellar"), entry(4, kind="trip")])

    def found(**wanted: object) -> list[int]:
        return [one.sequence for one in read(store, **wanted)]  # type: ignore[arg-type]

    assert found(enclosure="north") == [4, 2, 1]
    assert found(enclosure="north", kind="trip") == [4, 2]
    assert found(start_ms=T0 + 2, end_ms=T0 + 4) == [3, 2]
    assert found(limit=1) == [4]
    assert found(limit=-1) == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET why = 'no reason' WHERE sequence = 2",
        "DELETE FROM journal WHERE sequence = 2",
        "DELETE FROM journal",
        f"INSERT OR REPLACE INTO journal ({COLUMNS}) SELECT {COLUMNS} FROM journal WHERE sequence = 2",
        f"INSERT INTO journal ({COLUMNS}) SELECT 9, at_ms, kind, enclosure, who, why, body, hash, hash FROM journal",
    ],
)
def test_the_database_itself_refuses_to_rewrite_history(store: sqlite3.Connection, statement: str) -> None:
    """Edit, delete, replace and a gap in the sequence all fail, and leave the chain whole."""
    append(store, [entry(1), entry(2), entry(3)])
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        store.execute(statement)
    assert verify(store).holds


def edit(column: str, value: object) -> Callable[[sqlite3.Connection], object]:
    return lambda store: store.execute(f"UPDATE journal SET {column} = ? WHERE sequence = 3", (value,))


def insert_between(store: sqlite3.Connection) -> None:
    store.execute("UPDATE journal SET sequence = sequence + 100 WHERE sequence > 2")
    store.execute("UPDATE journal SET sequence = sequence - 99 WHERE sequence > 100")
    previous = store.execute("SELECT hash FROM journal WHERE sequence = 2").fetchone()[0]
    own = entry_hash(3, entry(3), previous)
    store.execute(
        f"INSERT INTO journal ({COLUMNS}) VALUES (3, ?, 'set-point', 'north', 'Ada', 'frost tonight', ?, ?, ?)",
        (T0 + 3, '{"asked_c":18.5,"number":3}', previous, own),
    )


def swap(store: sqlite3.Connection) -> None:
    for old, new in ((3, 100), (4, 3), (100, 4)):
        store.execute("UPDATE journal SET sequence = ? WHERE sequence = ?", (new, old))


def rehash(store: sqlite3.Connection) -> None:
    changed = entry(77)
    (previous,) = store.execute("SELECT previous_hash FROM journal WHERE sequence = 3").fetchone()
    store.execute(
        "UPDATE journal SET at_ms = ?, body = ?, hash = ? WHERE sequence = 3",
        (changed.at_ms, '{"asked_c":18.5,"number":77}', entry_hash(3, changed, previous)),
    )


def insert_before(store: sqlite3.Connection) -> None:
    store.execute(
        f"INSERT INTO journal ({COLUMNS}) SELECT 0, at_ms, kind, enclosure, 'Eve', why, body, previous_hash, hash "
        "FROM journal WHERE sequence = 1"
    )


TAMPERING: dict[str, tuple[Callable[[sqlite3.Connection], object], int]] = {
    "time": (edit("at_ms", T0 + 4), 3),
    "kind": (edit("kind", "reset"), 3),
    "enclosure": (edit("enclosure", "cellar"), 3),
    "no enclosure": (edit("enclosure", None), 3),
    "who": (edit("who", "Eve"), 3),
    "why": (edit("why", ""), 3),
    "body": (edit("body", '{"asked_c":30,"number":3}'), 3),
    "body spacing": (edit("body", '{"asked_c": 18.5,"number":3}'), 3),
    "body with a key twice": (edit("body", '{"asked_c":30,"asked_c":18.5,"number":3}'), 3),
    "body no object": (edit("body", "[]"), 3),
    "hash": (edit("hash", "f" * 64), 3),
    "previous hash": (edit("previous_hash", "f" * 64), 3),
    "edited and hashed anew": (rehash, 4),
    "deleted in the middle": (lambda store: store.execute("DELETE FROM journal WHERE sequence = 3"), 4),
    "deleted at the start": (lambda store: store.execute("DELETE FROM journal WHERE sequence = 1"), 2),
    "inserted in the middle": (insert_between, 4),
    "inserted before the first": (insert_before, 1),
    "no UTF-8": (lambda store: store.execute("UPDATE journal SET why = CAST(x'ff' AS TEXT) WHERE sequence = 3"), 3),
    "two swapped": (swap, 3),
}


@pytest.mark.parametrize("case", TAMPERING)
def test_tampering_shows_where_it_was_done(store: sqlite3.Connection, case: str) -> None:
    """With the triggers out of the way, the chain still names the first entry that does not fit."""
    append(store, [entry(number) for number in range(1, 6)])
    for (trigger,) in store.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        store.execute(f"DROP TRIGGER {trigger}")
    tamper, first_bad = TAMPERING[case]
    tamper(store)
    proof = verify(store)
    assert (proof.holds, proof.first_bad) == (False, first_bad)
    assert str(first_bad) in proof.detail


def test_what_is_put_before_the_part_known_shows(store: sqlite3.Connection) -> None:
    """A walk that goes on from where it was looks there all the same: readers would show that entry."""
    append(store, [entry(1), entry(2)])
    known = verify(store)
    store.execute("DROP TRIGGER journal_grows_at_the_end")
    insert_before(store)
    assert verify(store, known).first_bad == 1


def test_entries_cut_off_at_the_end_show_in_the_head(store: sqlite3.Connection) -> None:
    """The rest of a shortened chain holds, so the head is what a copy kept elsewhere must be compared with."""
    append(store, [entry(1), entry(2)])
    head = verify(store).head
    store.execute("DROP TRIGGER journal_is_not_deleted")
    store.execute("DELETE FROM journal WHERE sequence = 2")
    proof = verify(store)
    assert proof.holds
    assert proof.head != head


@pytest.mark.parametrize("nonsense", [math.nan, math.inf, 2**60, "\ud800"])
def test_an_entry_with_nonsense_in_it_is_written_as_text(store: sqlite3.Connection, nonsense: float | str) -> None:
    """A trip is never lost because its value is no JSON; without `writable` nothing of the batch is kept."""
    bad = Entry("trip", "north", "controller", "too hot", {"value": nonsense}, T0)
    with pytest.raises(ValueError, match=r"."):
        append(store, [entry(1), bad])
    append(store, [writable(bad), writable(entry(2))])
    newest, oldest = read(store)
    assert "value" in str(oldest.body["as_text"])
    assert newest.body["number"] == 2
    assert verify(store).holds


@pytest.mark.parametrize("body", ['{"asked_c":18.5', "", "[]", "5", '"text"', "[" * 100_000], ids=lambda body: body[:9])
def test_a_body_that_is_spoilt_hides_no_other_entry(store: sqlite3.Connection, body: str) -> None:
    """A bad card makes of it what no JSON is, or no object: it is read as the text it is, and the proof names it."""
    append(store, [entry(1), entry(2), entry(3)])
    store.execute("DROP TRIGGER journal_is_not_edited")
    store.execute("PRAGMA ignore_check_constraints = ON")
    store.execute("UPDATE journal SET body = ? WHERE sequence = 2", (body,))
    assert [one.body for one in after(store, 0, 9)] == [entry(1).body, {"as_text": body}, entry(3).body]
    assert [one.sequence for one in read(store)] == [3, 2, 1]
    assert verify(store).first_bad == 2
