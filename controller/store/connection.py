"""Open one database: one writer, many readers, migrated forward only."""

import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeAlias

from controller.errors import StoreError

Migration: TypeAlias = str | Callable[[sqlite3.Connection], None]
"""One step of a schema: a script, or what no script can do. Each is done whole or not at all."""

BUSY_MS = 1000
"""[ms] how long a connection waits for a locked file before it says so; engineering judgement."""


class Lock:
    """The right to write one database, held until `release` or the end of the process.

    SQLite before 3.51.3 may corrupt a WAL file that two connections write, so a second writer is refused, not queued.

    Parameters
    ----------
    path
        The database; the lock is an empty-looking file beside it that holds the writer's process id.

    Raises
    ------
    StoreError
        If another writer holds it, or the folder cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.with_name(path.name + ".lock")
        self._descriptor = -1
        try:
            descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o640)
        except OSError as error:
            raise StoreError(
                f"{path}: cannot be opened for writing ({error.strerror}); create the folder or correct its permissions"
            ) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(descriptor, 20, 0).decode("ascii", "replace") or "unknown"
            os.close(descriptor)
            raise StoreError(f"{path}: process {holder} is already writing it; stop that one first") from error
        self._descriptor, self._holder = descriptor, os.getpid()
        with suppress(OSError):  # on a full disk: it is only said to whoever is refused
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, str(self._holder).encode("ascii"), 0)

    def release(self) -> None:
        """Let the next writer in; harmless when already released."""
        if self._descriptor >= 0:
            # Closed alone, it stays locked while a child that is about to start still has it open.
            if os.getpid() == self._holder:
                fcntl.flock(self._descriptor, fcntl.LOCK_UN)
            # The file stays: removing it would let two writers lock two different files of one name.
            os.close(self._descriptor)
            self._descriptor = -1

    def __del__(self) -> None:
        self.release()


class _Writing(sqlite3.Connection):
    """A connection that gives its lock back when it is closed."""

    lock: Lock | None = None

    def close(self) -> None:
        super().close()
        if self.lock is not None:
            self.lock.release()


def open_writer(path: Path, migrations: Sequence[Migration], *, busy_ms: int = BUSY_MS) -> sqlite3.Connection:
    """Open `path` as its only writer, creating and migrating it as needed.

    Parameters
    ----------
    migrations
        Steps; step n brings the schema from version n to n + 1 (`PRAGMA user_version`).
    busy_ms
        [ms] patience with a locked file.

    Returns
    -------
    sqlite3.Connection
        In autocommit; group statements with `transaction`. May be handed to another thread, used by one at a time.

    Raises
    ------
    StoreError
        If another writer holds the file, its schema is newer than `migrations`, or it cannot be opened.
    """
    lock = Lock(path)
    try:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=_Writing)
    except sqlite3.Error as error:
        lock.release()
        raise StoreError(f"{path}: {error}; correct the file's permissions or put back a backup") from error
    connection.lock = lock
    try:
        _prepare(connection, busy_ms)
        _migrate(connection, path, migrations)
    except sqlite3.Error as error:
        connection.close()
        raise StoreError(f"{path}: {error}; free the disk, or move the file away and put back a backup") from error
    except StoreError:
        connection.close()
        raise
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """Open `path` for reading only; nothing done through it can change the file.

    A database that nobody left open may also lie where nothing can be written. Text that is no UTF-8 is read with marks
    in place of what cannot be: whoever has spoilt an entry must not hide the others.

    Raises
    ------
    StoreError
        If the file is missing or is no database.
    """
    try:
        return _reading(path, "mode=ro")
    except sqlite3.Error as error:
        if not path.exists():
            raise StoreError(f"{path}: {error}; `soilward run` makes it when it first starts") from error
        if os.access(path.parent, os.W_OK):
            raise StoreError(f"{path}: {error}; free the disk, or move the file away and put back a backup") from error
        return _reading_fixed(path)


def _reading_fixed(path: Path) -> sqlite3.Connection:
    """Open what lies where SQLite can make none of its own files; it cannot change there, so it needs none."""
    log = path.with_name(path.name + "-wal")
    if log.exists() and log.stat().st_size:
        raise StoreError(
            f"{path}: its folder is read-only, and {log.name} is not folded in; copy both where there is room"
        )
    try:
        return _reading(path, "mode=ro&immutable=1")
    except sqlite3.Error as error:
        raise StoreError(f"{path}: {error}; move the file away and put back a backup") from error


def _reading(path: Path, how: str) -> sqlite3.Connection:
    address = f"{path.resolve().as_uri()}?{how}"
    connection = sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)
    try:
        connection.text_factory = _readable
        connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        connection.execute("PRAGMA query_only = ON")
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def require_upgraded(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration]) -> None:
    """Refuse a database half way through its upgrade: tables of the new form are there, and empty.

    Raises
    ------
    StoreError
        If some of the migrations are still to be done.
    """
    if int(connection.execute("PRAGMA user_version").fetchone()[0]) < len(migrations):
        raise StoreError(f"{path}: its upgrade has not ended; start Soilward if it does not run, and try again then")


def _readable(text: bytes) -> str:
    return text.decode(errors="replace")


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """See one state of the file throughout; inside a transaction, that one's."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Do all of it or none of it; inside another transaction, be part of that one."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _prepare(connection: sqlite3.Connection, busy_ms: int) -> None:
    connection.execute(f"PRAGMA busy_timeout = {busy_ms:d}")
    connection.execute("PRAGMA journal_mode = WAL")
    # FULL: a commit is on the disk when it returns, so an acknowledged reading outlives a power cut.
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")


def _take(connection: sqlite3.Connection, step: Migration, number: int) -> None:
    if isinstance(step, str):
        connection.executescript(f"BEGIN IMMEDIATE;\n{step}\n;PRAGMA user_version = {number};\nCOMMIT;")
        return
    with transaction(connection):
        step(connection)
        connection.execute(f"PRAGMA user_version = {number}")


def _migrate(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration]) -> None:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > len(migrations):
        raise StoreError(
            f"{path}: schema version {version} is newer than this program's {len(migrations)}; "
            "install the newer program, or put back a backup from before the upgrade"
        )
    for number, step in enumerate(migrations[version:], start=version + 1):
        try:
            _take(connection, step, number)
        except sqlite3.Error as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise StoreError(
                f"{path}: migration {number} failed ({error}) and was undone; free the disk and start again"
            ) from error
