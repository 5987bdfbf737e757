"""A record that is no database any more: set aside under a name that says when, never deleted, and begun anew."""

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.errors import StoreError
from controller.store.blocks import DamagedBlockError
from controller.store.connection import open_reader

_DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB")
_LOOK = (
    "SELECT count(*) FROM probe",
    "SELECT packed FROM tail ORDER BY id DESC LIMIT 1",
    "SELECT packed FROM block ORDER BY id DESC LIMIT 1",
    "SELECT max(id) FROM heater_run",
)
"""What the controller reads and writes first; a page in the middle is only found when it is read."""


def is_damage(error: BaseException | None) -> bool:
    """Whether an error says that a database file itself is broken, not merely busy or out of room."""
    if isinstance(error, DamagedBlockError):
        return True
    return isinstance(error, sqlite3.DatabaseError) and getattr(error, "sqlite_errorname", "").startswith(_DAMAGE)


def sound_or_aside(folder: Path, utc_ms: int) -> Path | None:
    """Look at the record of readings; return where it was set aside if it is damaged, None if it is sound or not there.

    Raises
    ------
    StoreError
        If the disk does not take that.
    """
    record = folder / "readings.db"
    if not record.exists():
        return None
    try:
        with closing(open_reader(record)) as connection:
            for query in _LOOK:
                connection.execute(query).fetchone()
    except sqlite3.DatabaseError as error:
        return set_aside(record, utc_ms) if is_damage(error) else None
    except StoreError as error:
        return set_aside(record, utc_ms) if is_damage(error.__cause__) else None
    return None


def set_aside(path: Path, utc_ms: int) -> Path:
    """Move a damaged database and its log out of the way; returns its new name.

    Raises
    ------
    StoreError
        If the disk does not take that.
    """
    aside = path.with_name(f"{path.name}.damaged-{utc_ms}")
    try:
        for ending in ("-wal", "-shm", ""):
            part = path.with_name(path.name + ending)
            if part.exists():
                part.rename(aside.with_name(aside.name + ending))
    except OSError as error:
        raise StoreError(f"{path}: damaged, and cannot be moved aside ({error.strerror}); move it yourself") from error
    return aside
