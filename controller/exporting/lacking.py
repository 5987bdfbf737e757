"""What an export cannot have: readings that were taken away, of which there are minutes and hours alone."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

from controller.exporting.rows import PROBES, Wanted, What
from controller.store import shelves, sums
from controller.store.columns import DamagedBlockError
from controller.store.connection import open_reader, snapshot
from controller.store.damage import named
from controller.store.readings import HOUR_MS


def kept_from_ms(folder: Path, wanted: Wanted) -> int | None:
    """Return from when on [ms UTC] readings are kept, where some of those asked for are not; else None.

    Hours stay for ever and readings go oldest first, so each probe's first hour tells.

    Raises
    ------
    StoreError
        If the record cannot be read.
    """
    if wanted.what is not What.READINGS:
        return None
    file = folder / "readings.db"
    with named(file), closing(open_reader(file)) as connection, snapshot(connection):
        gone = list(_gone_ms(connection, wanted))
        if not gone:
            return None
        after = shelves.block_id(min(gone) + HOUR_MS, 0)
        (newest,) = connection.execute("SELECT min(id) FROM block WHERE id >= ?", (after,)).fetchone()
    return wanted.end_ms if newest is None else min(shelves.block_place(newest)[0], wanted.end_ms)


def _gone_ms(connection: sqlite3.Connection, wanted: Wanted) -> Iterator[int]:
    """Yield of each probe the first hour [ms UTC] of those asked for, if it is rolled up and has no readings."""
    for probe, *_ in connection.execute(PROBES, {"enclosure": wanted.enclosure}).fetchall():
        # A day that cannot be read is told by `soilward verify`, and keeps nothing from being exported.
        with suppress(DamagedBlockError):
            hour_ms = _first_hour_ms(connection, probe, max(wanted.start_ms, 0), wanted.end_ms)
            there = "SELECT 1 FROM block WHERE id = ?"
            if hour_ms is not None and not connection.execute(there, (shelves.block_id(hour_ms, probe),)).fetchone():
                yield hour_ms


def _first_hour_ms(connection: sqlite3.Connection, probe: int, start_ms: int, end_ms: int) -> int | None:
    span = (shelves.day_id(probe, start_ms), shelves.day_id(probe, end_ms - 1))
    for day, packed in connection.execute("SELECT id, packed FROM hours WHERE id BETWEEN ? AND ? ORDER BY id", span):
        for hour_ms in sorted(sums.unpack("hours", packed, shelves.day_start_ms(day))):
            if start_ms < hour_ms + HOUR_MS and hour_ms < end_ms:
                return hour_ms
    return None
