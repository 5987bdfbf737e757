"""What a record holds, for tests that count or look at single readings, wherever they lie by then."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

from controller.store import blocks
from controller.store.blocks import Row
from controller.store.connection import open_reader, snapshot
from controller.store.stretch import EVER_MS, Stretches


def rows(connection: sqlite3.Connection, probe: str | None = None) -> list[Row]:
    """Return every reading, or those of one probe, by probe and time."""
    with snapshot(connection):
        record = Stretches(connection)
        probes = connection.execute("SELECT id FROM probe WHERE ? IS NULL OR name = ? ORDER BY id", (probe, probe))
        return [row for (number,) in probes.fetchall() for row in record.rows(number, 0, EVER_MS)]


def rows_in(folder: Path, probe: str | None = None) -> list[Row]:
    """Return every reading kept in a folder, or those of one probe."""
    connection = open_reader(folder / "readings.db")
    try:
        return rows(connection, probe)
    finally:
        connection.close()


def alter_values(connection: sqlite3.Connection, change: Callable[[float], float]) -> None:
    """Change values on record, as somebody who forges it would."""
    for table in ("tail", "block"):
        for key, packed in connection.execute(f"SELECT id, packed FROM {table}").fetchall():
            rows = [(*row[:3], change(row[3]), row[4]) for row in blocks.unpack(packed)]
            connection.execute(f"UPDATE {table} SET packed = ? WHERE id = ?", (blocks.pack(rows), key))
