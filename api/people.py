"""Who may look and who may change: people, their passwords, sessions and tokens, and refused attempts."""

import hashlib
import secrets
import sqlite3
import threading
from dataclasses import dataclass
from enum import StrEnum

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from api.season import photographs, plant_notes, plants, sky
from controller.errors import SoilwardError
from controller.store import forecast
from controller.store.connection import transaction

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE person (
        name TEXT PRIMARY KEY NOT NULL CHECK (length(name) BETWEEN 1 AND 40),
        role TEXT NOT NULL CHECK (role IN ('view', 'operate')),
        password_hash TEXT NOT NULL
    ) STRICT;
    CREATE TABLE session (
        token_hash TEXT PRIMARY KEY NOT NULL CHECK (length(token_hash) = 64),
        person TEXT NOT NULL REFERENCES person (name) ON DELETE CASCADE,
        expires_ms INTEGER NOT NULL CHECK (expires_ms > 0)
    ) STRICT;
    CREATE INDEX session_person ON session (person);
    CREATE TABLE refusal (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL CHECK (at_ms > 0),
        who TEXT NOT NULL,
        path TEXT NOT NULL,
        why TEXT NOT NULL
    ) STRICT;
    """,
    forecast.SCHEMA,
    plants.SCHEMA + plant_notes.SCHEMA,
    forecast.HISTORY,
    plant_notes.REMARKS,
    photographs.SCHEMA,
    sky.SCHEMA,
)
"""Schema of `season.db`: people, the forecast they feed in, and the plants they watch."""

SHORTEST_PASSWORD = 10
"""Characters. Source: NIST SP 800-63B asks for at least 8; two more, since one password guards a heater."""

LONGEST_PASSWORD = 200
"""Characters; longer ones only cost time."""

SESSION_MS = 30 * 86_400_000
"""[ms] 30 days: a phone in a pocket stays signed in over a cold month. Source: engineering judgement."""

BEARER_MS = 400 * 86_400_000
"""[ms] A token for a program is renewed once a year. Source: engineering judgement."""

REFUSALS_KEPT = 10_000
"""Rows. An attacker must not be able to fill the disk."""

# Memory is small on purpose: the API stays below 150 MB on a 1 GB machine.
# Source: OWASP Password Storage Cheat Sheet, Argon2id with 19 MiB, 2 passes, 1 lane.
_HASHER = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
_NOBODY_HASH = _HASHER.hash(secrets.token_hex(16))
_ONE_AT_A_TIME = threading.Lock()


class Role(StrEnum):
    """What a person may do."""

    VIEW = "view"
    OPERATE = "operate"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody known by name."""

    name: str
    role: Role


@dataclass(frozen=True, slots=True)
class Refusal:
    """A change that was not allowed: when [ms UTC], by whom, where and why."""

    at_ms: int
    who: str
    path: str
    why: str


class PeopleError(SoilwardError):
    """A person that cannot be added, found or removed."""


def add_person(connection: sqlite3.Connection, name: str, role: Role, password: str) -> Person:
    """Add somebody.

    Raises
    ------
    PeopleError
        If the name is empty, too long, "local" or taken, or the password is too short or too long.
    """
    if not (1 <= len(name) <= 40) or not name.isprintable() or name != name.strip():
        raise PeopleError(f"name {name!r}: write 1 to 40 characters without spaces at the ends")
    if name == "local":
        raise PeopleError('name "local" stands for whoever sits at this machine; choose another')
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise PeopleError(
            f"password of {name!r}: has {len(password)} character{'s' if len(password) != 1 else ''}; "
            f"write {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}"
        )
    hashed = _HASHER.hash(password)
    try:
        with transaction(connection):
            connection.execute("INSERT INTO person VALUES (?, ?, ?)", (name, role.value, hashed))
    except sqlite3.IntegrityError as error:
        raise PeopleError(f"person {name!r} is there already; remove them first") from error
    return Person(name, role)


def remove_person(connection: sqlite3.Connection, name: str) -> None:
    """Remove somebody and end their sessions and tokens.

    Raises
    ------
    PeopleError
        If nobody has that name.
    """
    with transaction(connection):
        connection.execute("DELETE FROM session WHERE person = ?", (name,))
        gone = connection.execute("DELETE FROM person WHERE name = ?", (name,)).rowcount
    if not gone:
        raise PeopleError(f"person {name!r} is not known; `list` shows who is")


def list_people(connection: sqlite3.Connection) -> tuple[Person, ...]:
    """Return everybody, by name."""
    rows = connection.execute("SELECT name, role FROM person ORDER BY name").fetchall()
    return tuple(Person(name, Role(role)) for name, role in rows)


def find_person(connection: sqlite3.Connection, name: str) -> Person:
    """Return somebody by name.

    Raises
    ------
    PeopleError
        If nobody has that name.
    """
    found = password_hash(connection, name)
    if found is None:
        raise PeopleError(f"person {name!r} is not known; `list` shows who is")
    return found[0]


def operating(connection: sqlite3.Connection, name: str) -> Person:
    """Return somebody who may change things; before anybody is set up, whoever types on this machine.

    Raises
    ------
    PeopleError
        If nobody has that name, or they may only look.
    """
    if not list_people(connection):
        return Person(name, Role.OPERATE)
    found = find_person(connection, name)
    if found.role is not Role.OPERATE:
        raise PeopleError(f"{name!r} has the role view; changing needs the role operate")
    return found


def password_hash(connection: sqlite3.Connection, name: str) -> tuple[Person, str] | None:
    """Return a person with the hash of their password, or None."""
    row = connection.execute("SELECT name, role, password_hash FROM person WHERE name = ?", (name,)).fetchone()
    return None if row is None else (Person(row[0], Role(row[1])), row[2])


def check_password(found: tuple[Person, str] | None, password: str) -> Person | None:
    """Return the person if the password is theirs; slow on purpose, and as slow for a name nobody has.

    Parameters
    ----------
    found
        As `password_hash` returned it.
    """
    hashed = _NOBODY_HASH if found is None else found[1]
    with _ONE_AT_A_TIME:
        try:
            _HASHER.verify(hashed, password[:LONGEST_PASSWORD])
        except (VerificationError, InvalidHashError):
            return None
    return None if found is None else found[0]


def new_session(connection: sqlite3.Connection, person: str, now_ms: int, lasts_ms: int = SESSION_MS) -> str:
    """Start a session of `lasts_ms` [ms] and return its token; only the token's hash is kept."""
    token = secrets.token_urlsafe(32)
    with transaction(connection):
        connection.execute("DELETE FROM session WHERE expires_ms <= ?", (now_ms,))
        connection.execute("INSERT INTO session VALUES (?, ?, ?)", (_digest(token), person, now_ms + lasts_ms))
    return token


def end_session(connection: sqlite3.Connection, token: str) -> None:
    """Forget a session; one that is not there is fine."""
    with transaction(connection):
        connection.execute("DELETE FROM session WHERE token_hash = ?", (_digest(token),))


def who(connection: sqlite3.Connection, token: str, now_ms: int) -> Person | None:
    """Return whose token this is, or None if nobody's or no longer valid at `now_ms` [ms UTC]."""
    row = connection.execute(
        "SELECT name, role FROM session JOIN person ON name = person WHERE token_hash = ? AND expires_ms > ?",
        (_digest(token), now_ms),
    ).fetchone()
    return None if row is None else Person(row[0], Role(row[1]))


def note_refusal(connection: sqlite3.Connection, refusal: Refusal) -> None:
    """Keep a refused attempt; only the newest `REFUSALS_KEPT` stay."""
    values = (refusal.at_ms, refusal.who[:60], refusal.path[:200], refusal.why[:200])
    with transaction(connection):
        new = connection.execute("INSERT INTO refusal (at_ms, who, path, why) VALUES (?, ?, ?, ?)", values).lastrowid
        connection.execute("DELETE FROM refusal WHERE id <= ?", ((new or 0) - REFUSALS_KEPT,))


def list_refusals(connection: sqlite3.Connection, limit: int = 100) -> tuple[Refusal, ...]:
    """Return the newest refused attempts, newest first."""
    rows = connection.execute("SELECT at_ms, who, path, why FROM refusal ORDER BY id DESC LIMIT ?", (limit,))
    return tuple(Refusal(*row) for row in rows.fetchall())


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
