"""A database that is no sound one any more.

The record of readings is set aside under a name that says when, never deleted, and begun anew. A journal is not: what
latched and who reset it stands there, so nothing heats until a person has looked.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from controller.errors import StoreError
from controller.store.columns import DamagedBlockError
from controller.store.connection import Lock, open_reader

_DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB")
_READ_FIRST = ("probe", "tail", "heater_run", "order_change", "late", "identity")
"""Tables that the controller reads or writes from its start on, none of them large; a page in the midst of the others
is only found when it is read."""
_NEWEST = "SELECT packed, (SELECT max(heard_most_ms) FROM block) FROM block ORDER BY id DESC LIMIT 1"
"""What each hour is packed beside, in its table and in the index."""
_ASIDE = "readings.db.damaged-"
_TOLD = "SELECT body FROM journal WHERE kind = 'alert' AND instr(body, '\"record-damaged\"')"
REMEDY = {
    "readings.db": "put back a backup, or stop Soilward and move it away: a new one is begun",
    "journal.db": "without a journal there is no heat: stop Soilward, put back a backup or move it and "
    "heads.jsonl away and keep them, see that all is well where it heats, and start again",
}


class DamagedError(StoreError):
    """A database that is no sound one; the text names it and what to do, of one block of it as that block says."""

    def __init__(self, file: str, found: BaseException | None = None) -> None:
        remedy = REMEDY.get(file, "put back a backup")
        block = isinstance(found, DamagedBlockError)
        super().__init__(f"in {file}, {found}" if block else f"{file} is damaged; {remedy}")


def is_damage(error: BaseException | None) -> bool:
    """Whether an error says that a database file itself is broken, not merely busy or out of room."""
    if isinstance(error, DamagedBlockError | DamagedError):
        return True
    if isinstance(error, StoreError):
        return is_damage(error.__cause__)
    return isinstance(error, sqlite3.DatabaseError) and getattr(error, "sqlite_errorname", "").startswith(_DAMAGE)


@contextmanager
def named(file: Path) -> Iterator[None]:
    """Say of which file it is, and what to do, where SQLite finds fault with a database.

    Raises
    ------
    StoreError
        A `DamagedError` if the file itself is broken.
    """
    try:
        yield
    except (sqlite3.Error, StoreError) as error:
        if is_damage(error):
            raise DamagedError(file.name, error) from error
        if isinstance(error, StoreError):
            raise
        raise StoreError(f"{file}: {error}; free the disk, or try again") from error


def sound_or_aside(folder: Path, utc_ms: int) -> Path | None:
    """Look at the record of readings; return where it was set aside if it is damaged, None if it is sound or not there.

    Raises
    ------
    StoreError
        If the disk does not take that.
    """
    record = folder / "readings.db"
    if not record.exists() or _is_sound(record, _READ_FIRST):
        return None
    return set_aside(record, utc_ms)


def requests_aside(folder: Path, utc_ms: int) -> Path | None:
    """Look at what people asked; return where it was set aside if it is damaged, None if it is sound or not there.

    Raises
    ------
    StoreError
        If somebody writes it, or the disk does not take that.
    """
    asked = folder / "requests.db"
    if not asked.exists() or _is_sound(asked, ("request",)):
        return None
    lock = Lock(asked)
    try:
        return set_aside(asked, utc_ms)
    finally:
        lock.release()


def untold(folder: Path) -> list[Path]:
    """Return the records set aside that the journal does not name: who did it ended before it was told."""
    asides = [each for each in sorted(folder.glob(f"{_ASIDE}*")) if each.name.removeprefix(_ASIDE).isdecimal()]
    if not asides:
        return []
    with closing(open_reader(folder / "journal.db")) as journal:
        told = [body for (body,) in journal.execute(_TOLD)]
    return [each for each in asides if not any(each.name in body for body in told)]


def require_sound_journal(folder: Path) -> None:
    """Look through the whole journal, if there is one.

    Raises
    ------
    DamagedError
        If it is no sound database.
    """
    journal = folder / "journal.db"
    if journal.exists() and not _is_sound(journal, ("journal",)):
        raise DamagedError(journal.name)


def _is_sound(file: Path, tables: tuple[str, ...]) -> bool:
    """Whether some tables and their indexes hold together; what is merely busy or newer counts as sound."""
    try:
        with closing(open_reader(file)) as connection:
            there = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
            for table in there.intersection(tables):
                if connection.execute(f"PRAGMA quick_check({table})").fetchone()[0] != "ok":
                    return False
            if "block" in there:
                connection.execute(_NEWEST).fetchone()
    except (sqlite3.DatabaseError, StoreError) as error:
        return not is_damage(error)
    return True


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
