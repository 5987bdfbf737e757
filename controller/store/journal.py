"""The journal: append-only, each entry bound to the one before it by a hash.

The chain shows an edit, an insertion, a removal from the middle or a new order. It cannot show entries cut off at the
end, nor a chain rewritten whole: for that, compare `Proof.head` with a copy kept elsewhere.
"""

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import rfc8785

from controller.store.connection import transaction

JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"

GENESIS = "0" * 64
"""What the first entry names as the hash before it."""

MOST_ENTRIES = 5000
"""Entries one `read` may return."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Something that happened: who did it and why, at `at_ms` [ms UTC]; `enclosure` None means the whole site."""

    kind: str
    enclosure: str | None
    who: str
    why: str
    body: dict[str, JSON]
    at_ms: int


@dataclass(frozen=True, slots=True)
class StoredEntry:
    """An entry in its place in the chain; hashes are 64 hexadecimal digits (SHA-256)."""

    sequence: int
    at_ms: int
    kind: str
    enclosure: str | None
    who: str
    why: str
    body: dict[str, JSON]
    previous_hash: str
    hash: str


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the chain holds: entries that fit, sequence of the first that does not, why, and the last good hash."""

    holds: bool
    entries: int
    first_bad: int | None
    detail: str
    head: str


def writable(entry: Entry) -> Entry:
    """Return `entry`, or, if its body is no I-JSON (NaN, too large a number), one that says it as text.

    A trip must reach the journal even when one of its values is nonsense.
    """
    try:
        rfc8785.dumps(entry.body)
    except (rfc8785.CanonicalizationError, ValueError, TypeError) as error:
        return replace(entry, body={"as_text": ascii(entry.body), "because": str(error)})
    return entry


def entry_hash(sequence: int, entry: Entry, previous_hash: str) -> str:
    """Return SHA-256 over the RFC 8785 canonical JSON of every field and the hash before it."""
    fields: dict[str, JSON] = {
        "sequence": sequence,
        "at_ms": entry.at_ms,
        "kind": entry.kind,
        "enclosure": entry.enclosure,
        "who": entry.who,
        "why": entry.why,
        "body": entry.body,
        "previous_hash": previous_hash,
    }
    return hashlib.sha256(rfc8785.dumps(fields)).hexdigest()


_COLUMNS = "sequence, at_ms, kind, enclosure, who, why, body, previous_hash, hash"
_TEXTS = ("kind", "enclosure", "who", "why", "body", "previous_hash", "hash")
_WALK = f"""SELECT sequence, at_ms, {", ".join(f"CAST({each} AS BLOB)" for each in _TEXTS)}
FROM journal WHERE sequence > ? ORDER BY sequence"""
"""As bytes: SQLite stops at text that is no UTF-8, and somebody may have written such."""


def append(connection: sqlite3.Connection, entries: Sequence[Entry]) -> list[int]:
    """Append entries in order, all or none, and return their sequence numbers.

    Raises
    ------
    ValueError
        If a body is no I-JSON; see `writable`.
    """
    sequences = []
    with transaction(connection):
        last = connection.execute("SELECT sequence, hash FROM journal ORDER BY sequence DESC LIMIT 1").fetchone()
        sequence, previous = last or (0, GENESIS)
        for entry in entries:
            sequence += 1
            own = entry_hash(sequence, entry, previous)
            body = rfc8785.dumps(entry.body).decode()
            row = (sequence, entry.at_ms, entry.kind, entry.enclosure, entry.who, entry.why, body, previous, own)
            connection.execute(f"INSERT INTO journal ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
            sequences.append(sequence)
            previous = own
    return sequences


def verify(connection: sqlite3.Connection, known: Proof | None = None) -> Proof:
    """Walk the chain, or what follows the part `known` to hold, and tell whether it holds or where it first breaks."""
    head, count = (GENESIS, 0) if known is None else (known.head, known.entries)
    (least,) = connection.execute("SELECT min(sequence) FROM journal").fetchone()
    if least is not None and least < 1:
        return Proof(False, 0, 1, f"entry {least} stands before entry 1, where none can be", GENESIS)
    for row in map(_text, connection.execute(_WALK, (count,))):
        detail = _fault(row, count + 1, head)
        if detail:
            return Proof(False, count, int(row[0]), detail, head)
        head, count = row[-1], count + 1
    return Proof(True, count, None, f"all {count} entries fit", head)


def _text(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return a row as text; bytes that are no UTF-8 become what no JSON can hold, so the entry does not fit."""
    return tuple(each.decode(errors="surrogateescape") if isinstance(each, bytes) else each for each in row)


def _fault(row: tuple[Any, ...], expected: int, head: str) -> str:
    """Return in words what is wrong with one row, or nothing."""
    sequence, body, previous_hash, own_hash = row[0], row[6], row[7], row[8]
    if sequence != expected:
        return f"entry {expected} is missing: the next one found is {sequence}"
    if previous_hash != head:
        return f"entry {sequence} does not follow from the entry before it"
    try:
        stored = _stored(row)
        entry = Entry(stored.kind, stored.enclosure, stored.who, stored.why, stored.body, stored.at_ms)
        # A body must be the canonical text itself, or a repeated key could hide from the reader what the hash covers.
        intact = entry_hash(expected, entry, head) == own_hash and rfc8785.dumps(stored.body).decode() == body
    except (ValueError, TypeError, RecursionError):
        intact = False
    return "" if intact else f"entry {sequence} was changed after it was written"


def _stored(row: Sequence[object]) -> StoredEntry:
    sequence, at_ms, kind, enclosure, who, why, body, previous_hash, own_hash = row
    return StoredEntry(sequence, at_ms, kind, enclosure, who, why, decoded(str(body)), previous_hash, own_hash)  # type: ignore[arg-type]


def decoded(body: str) -> dict[str, JSON]:
    """Return a body; one that somebody or a bad card has spoilt as the text it is, so that it hides no other entry."""
    try:
        decoded = json.loads(body)
    except (ValueError, RecursionError):
        decoded = None
    return decoded if isinstance(decoded, dict) else {"as_text": body}


def after(connection: sqlite3.Connection, sequence: int, limit: int) -> list[StoredEntry]:
    """Return the entries that follow one, oldest first, at most `limit`."""
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM journal WHERE sequence > ? ORDER BY sequence LIMIT ?", (sequence, limit)
    )
    return [_stored(row) for row in rows]


def read(
    connection: sqlite3.Connection,
    enclosure: str | None = None,
    kind: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
    limit: int = 500,
    before: int | None = None,
) -> list[StoredEntry]:
    """Return entries, newest first: those of one enclosure, of one kind, in [start_ms, end_ms) [ms UTC], as given.

    At most `limit` of them, and never more than 5000. To read on, name the sequence of the last as `before`: a clock
    may have been set back, and many entries may be of one instant.
    """
    wanted = {
        "enclosure = ?": enclosure,
        "kind = ?": kind,
        "at_ms >= ?": start_ms,
        "at_ms < ?": end_ms,
        "sequence < ?": before,
    }
    given = {clause: value for clause, value in wanted.items() if value is not None}
    where = " AND ".join(given) or "true"
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM journal WHERE {where} ORDER BY sequence DESC LIMIT ?",
        (*given.values(), max(0, min(limit, MOST_ENTRIES))),
    )
    return [_stored(row) for row in rows]
