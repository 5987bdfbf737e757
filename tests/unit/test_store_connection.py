"""Opening databases: one writer, read-only readers, forward-only migrations."""

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from controller.errors import StoreError
from controller.store.connection import Lock, open_reader, open_writer, transaction
from controller.store.migrations import JOURNAL, READINGS, REQUESTS

ONE = ("CREATE TABLE seen (at_ms INTEGER NOT NULL) STRICT;",)
TWO = (*ONE, "ALTER TABLE seen ADD COLUMN who TEXT; INSERT INTO seen VALUES (1, 'Ada');")


def pragma(connection: sqlite3.Connection, name: str) -> object:
    return connection.execute(f"PRAGMA {name}").fetchone()[0]


@pytest.mark.parametrize("schema", [READINGS, JOURNAL, REQUESTS])
def test_a_writer_opens_durable_and_strict(tmp_path: Path, schema: tuple[str, ...]) -> None:
    """WAL, a sync per commit, foreign keys, and every table of ours STRICT."""
    connection = open_writer(tmp_path / "a.db", schema)
    assert pragma(connection, "journal_mode") == "wal"
    assert pragma(connection, "synchronous") == 2
    assert pragma(connection, "foreign_keys") == 1
    assert pragma(connection, "user_version") == len(schema)
    tables = connection.execute("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").fetchall()
    assert all(strict for name, strict in tables if not name.startswith("sqlite_"))
    connection.close()


def test_a_second_writer_is_refused_until_the_first_closes(tmp_path: Path) -> None:
    """One writer per file; the refusal names the file and what to do."""
    path = tmp_path / "a.db"
    first = open_writer(path, ONE)
    with pytest.raises(StoreError, match=r"a\.db: process \d+ is already writing it; stop"):
        open_writer(path, ONE)
    first.close()
    open_writer(path, ONE).close()


def test_a_lock_is_given_back_once_and_for_all(tmp_path: Path) -> None:
    """Releasing twice does not take the lock from its next holder."""
    first = Lock(tmp_path / "a.db")
    first.release()
    second = Lock(tmp_path / "a.db")
    first.release()
    with pytest.raises(StoreError):
        Lock(tmp_path / "a.db")
    second.release()


def test_a_lock_given_back_is_free_though_a_child_still_has_it_open(tmp_path: Path) -> None:
    """As one does between its fork and its exec, in whatever thread it was begun."""
    lock = Lock(tmp_path / "a.db")
    opened = [each for each in Path("/proc/self/fd").iterdir() if each.is_symlink() and each.readlink() == lock.path]
    with subprocess.Popen(["sleep", "30"], pass_fds=[int(each.name) for each in opened]) as child:
        lock.release()
        Lock(tmp_path / "a.db").release()
        child.kill()
    assert opened


def test_a_lock_is_taken_though_the_disk_is_full(tmp_path: Path) -> None:
    """Whose it is cannot be noted then; it is held all the same."""
    (tmp_path / "a.db.lock").symlink_to("/dev/full")
    held = Lock(tmp_path / "a.db")
    with pytest.raises(StoreError, match="is already writing it"):
        Lock(tmp_path / "a.db")
    held.release()


FORKS = """
import os, sys
from pathlib import Path
from controller.errors import StoreError
from controller.store.connection import Lock
lock = Lock(Path(sys.argv[1]))
child = os.fork()
if child == 0:
    lock.release()
    os._exit(0)
os.waitpid(child, 0)
try:
    Lock(Path(sys.argv[1]))
except StoreError:
    print("still ours")
"""


def test_a_child_gives_back_no_lock_of_its_parent(tmp_path: Path) -> None:
    """Its own copy of the lock is none."""
    asked = [sys.executable, "-c", FORKS, str(tmp_path / "a.db")]
    assert subprocess.run(asked, capture_output=True, text=True, check=True).stdout == "still ours\n"


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    """The writer does not invent folders."""
    with pytest.raises(StoreError, match="create the folder"):
        open_writer(tmp_path / "none" / "a.db", ONE)


def test_an_old_database_is_brought_forward_with_its_rows(tmp_path: Path) -> None:
    """Each missing script runs once, in order."""
    connection = open_writer(tmp_path / "a.db", ONE)
    connection.execute("INSERT INTO seen VALUES (0)")
    connection.close()
    for _ in range(2):
        connection = open_writer(tmp_path / "a.db", TWO)
        assert connection.execute("SELECT * FROM seen ORDER BY at_ms").fetchall() == [(0, None), (1, "Ada")]
        connection.close()


def test_a_newer_schema_is_refused_untouched(tmp_path: Path) -> None:
    """The refusal names file, version and remedy, and gives the lock back."""
    open_writer(tmp_path / "a.db", TWO).close()
    with pytest.raises(StoreError, match=r"a\.db: schema version 2 is newer than this program's 1; install"):
        open_writer(tmp_path / "a.db", ONE)
    open_writer(tmp_path / "a.db", TWO).close()


def test_a_failing_migration_is_undone_whole(tmp_path: Path) -> None:
    """Neither its first statement nor its number stays."""
    broken = (*ONE, "CREATE TABLE half (x INTEGER) STRICT; CREATE TABLE seen (x INTEGER) STRICT;")
    with pytest.raises(StoreError, match="migration 2 failed"):
        open_writer(tmp_path / "a.db", broken)
    connection = open_writer(tmp_path / "a.db", ONE)
    assert pragma(connection, "user_version") == 1
    assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone() == (0,)
    connection.close()


@pytest.mark.parametrize("content", [b"this is no database, only text long enough to look like a header " * 20])
def test_a_file_that_is_no_database_is_named(tmp_path: Path, content: bytes) -> None:
    """Both doors say which file it is and what to do."""
    path = tmp_path / "a.db"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"a\.db: .*backup"):
        open_writer(path, ONE)
    with pytest.raises(StoreError, match=r"a\.db: .*backup"):
        open_reader(path)


def test_a_reader_sees_commits_and_changes_nothing(tmp_path: Path) -> None:
    """A reader follows the writer live, and cannot write even in a file name with odd characters."""
    path = tmp_path / "a b?#%.db"
    writer = open_writer(path, ONE)
    reader = open_reader(path)
    writer.execute("INSERT INTO seen VALUES (7)")
    assert reader.execute("SELECT at_ms FROM seen").fetchall() == [(7,)]
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader.execute("DELETE FROM seen")
    reader.close()
    writer.close()


def test_text_that_is_none_hides_no_other_row(tmp_path: Path) -> None:
    """What somebody spoilt is read with a mark in its place."""
    writer = open_writer(tmp_path / "a.db", TWO)
    writer.execute("INSERT INTO seen VALUES (2, CAST(x'45ff65' AS TEXT))")
    reader = open_reader(tmp_path / "a.db")
    assert reader.execute("SELECT who FROM seen").fetchall() == [("Ada",), ("E\N{REPLACEMENT CHARACTER}e",)]
    reader.close()
    writer.close()


def test_a_reader_does_not_create_a_missing_file(tmp_path: Path) -> None:
    """A missing database is said, not made."""
    with pytest.raises(StoreError, match=r"a\.db: .*makes it when it first starts"):
        open_reader(tmp_path / "a.db")
    assert not (tmp_path / "a.db").exists()


def test_a_transaction_inside_another_is_part_of_it(tmp_path: Path) -> None:
    """The outer one decides: when it fails, nothing stays."""
    connection = open_writer(tmp_path / "a.db", ONE)

    def both() -> None:
        with transaction(connection):
            with transaction(connection):
                connection.execute("INSERT INTO seen VALUES (1)")
            raise KeyError

    with pytest.raises(KeyError):
        both()
    assert connection.execute("SELECT count(*) FROM seen").fetchone() == (0,)
    connection.close()
