"""Packing: the tail of a shelf becomes a block per probe and hour, and the days that are over are rolled up.

Each is one transaction, so a reading is always in the tail or in a block, and in one of them only.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.store import blocks, shelves, sums
from controller.store.blocks import Row
from controller.store.connection import transaction
from controller.store.readings import HOUR_MS
from controller.store.stretch import Stretches
from controller.store.sums import Day

SETTLE_MS = 60_000
"""[ms] after the hour: readings of its last seconds are committed by then."""
APART_MS = 60_000
"""[ms] from one shelf's turn to the next one's, so that they do not all pack at once."""
TURNS = 32


@dataclass(slots=True)
class Tail:
    """What waits in a shelf's tail: chunks (the next one's number, rather), rows, and when the first was heard."""

    chunks: int = 0
    rows: int = 0
    heard_ms: int | None = None

    def take(self, rows: Sequence[Row]) -> None:
        """Count one chunk more."""
        self.chunks, self.rows = self.chunks + 1, self.rows + len(rows)
        if self.heard_ms is None:
            self.heard_ms = min(row[2] for row in rows)


def tail_of(connection: sqlite3.Connection, shelf: int) -> Tail:
    """Return what waits in a shelf's tail."""
    first, last = shelves.tail_ids(shelf)
    newest, rows, heard_ms = connection.execute(_TAIL, (first, last)).fetchone()
    return Tail() if newest is None else Tail(newest - first, rows, heard_ms)


def due_before_ms(tail: Tail, shelf: int, now_ms: int) -> int | None:
    """Return before when [ms UTC] a chunk was heard that is due to be packed; None if none is."""
    hour_ms = (now_ms - SETTLE_MS - shelf % TURNS * APART_MS) // HOUR_MS * HOUR_MS
    return hour_ms if tail.heard_ms is not None and tail.heard_ms < hour_ms else None


def pack(connection: sqlite3.Connection, shelf: int, before_ms: int) -> None:
    """Pack the chunks of a shelf that were heard before `before_ms` [ms UTC].

    Raises
    ------
    DamagedBlockError
        If the tail or a block to be added to is damaged; nothing is done then.
    """
    first, last = shelves.tail_ids(shelf)
    with transaction(connection):
        by_block: dict[int, list[Row]] = {}
        for (packed,) in connection.execute(_CHUNKS, (first, last, before_ms)).fetchall():
            for row in blocks.unpack(packed):
                by_block.setdefault(shelves.block_id(row[1], row[0]), []).append(row)
        for block, rows in sorted(by_block.items()):
            _merge(connection, block, rows)
        _roll_up_late(connection, by_block)
        _note_newest(connection, by_block.values())
        connection.execute(_PACKED, (first, last, before_ms))


def closed_ms(connection: sqlite3.Connection, probe: int) -> int:
    """Return before when [ms UTC] all days of a probe are rolled up."""
    return int(connection.execute("SELECT closed_ms FROM probe WHERE id = ?", (probe,)).fetchone()[0])


def close(connection: sqlite3.Connection, probe: int, today_ms: int) -> None:
    """Roll up a probe's days until `today_ms` [ms UTC], a midnight. Once closed a day stays so, whatever the clock.

    Raises
    ------
    DamagedBlockError
        If a block is damaged; nothing is done then.
    """
    with transaction(connection):
        by_day: dict[int, list[Row]] = {}
        for packed in Stretches(connection).blocks(probe, closed_ms(connection, probe), today_ms):
            for row in blocks.unpack(packed):
                by_day.setdefault(shelves.day_id(probe, row[1]), []).append(row)
        for day, rows in by_day.items():
            roll_up(connection, day, sums.day_of(rows))
        connection.execute("UPDATE probe SET closed_ms = max(closed_ms, ?) WHERE id = ?", (today_ms, probe))


def _merge(connection: sqlite3.Connection, block: int, rows: list[Row]) -> None:
    there = connection.execute("SELECT packed FROM block WHERE id = ?", (block,)).fetchone()
    merged = sorted([*rows, *(blocks.unpack(there[0]) if there else ())])
    connection.execute(KEEP, (block, *blocks.bounds(merged), len(merged), blocks.pack(merged)))


def _roll_up_late(connection: sqlite3.Connection, by_block: dict[int, list[Row]]) -> None:
    """Add readings that came for a day that is closed already; its own readings may be gone by now."""
    by_day: dict[int, list[Row]] = {}
    closed = dict(connection.execute("SELECT id, closed_ms FROM probe").fetchall())
    for block, rows in by_block.items():
        hour_ms, probe = shelves.block_place(block)
        if hour_ms < closed[probe]:
            by_day.setdefault(shelves.day_id(probe, hour_ms), []).extend(rows)
    for day, rows in by_day.items():
        roll_up(connection, day, sums.day_of(sorted(rows)))


def roll_up(connection: sqlite3.Connection, day: int, more: Day) -> None:
    """Add to a day's roll-ups."""
    start_ms = shelves.day_start_ms(day)
    for table, found in more.items():
        if not found:
            continue
        there = connection.execute(f"SELECT packed FROM {table} WHERE id = ?", (day,)).fetchone()
        if there is not None:
            sums.add(found, sums.unpack(table, there[0], start_ms))
        packed = sums.pack(table, found, start_ms)
        connection.execute(f"INSERT OR REPLACE INTO {table} (id, packed) VALUES (?, ?)", (day, packed))


def _note_newest(connection: sqlite3.Connection, packed: Iterable[Sequence[Row]]) -> None:
    newest: dict[int, tuple[int, int]] = {}
    for rows in packed:
        probe = rows[0][0]
        taken_ms, heard_ms = newest.get(probe, (0, 0))
        _, taken_most_ms, _, heard_most_ms = blocks.bounds(rows)
        newest[probe] = (max(taken_ms, taken_most_ms), max(heard_ms, heard_most_ms))
    connection.executemany(_NEWEST, [(*times, probe) for probe, times in newest.items()])


_TAIL = "SELECT max(id), total(count), min(heard_least_ms) FROM tail WHERE id BETWEEN ? AND ?"
_CHUNKS = "SELECT packed FROM tail WHERE id BETWEEN ? AND ? AND heard_least_ms < ? ORDER BY id"
_PACKED = "DELETE FROM tail WHERE id BETWEEN ? AND ? AND heard_least_ms < ?"
KEEP = """INSERT OR REPLACE INTO block
(id, taken_least_ms, taken_most_ms, heard_least_ms, heard_most_ms, count, packed) VALUES (?, ?, ?, ?, ?, ?, ?)"""
_NEWEST = "UPDATE probe SET newest_ms = max(newest_ms, ?), heard_ms = max(heard_ms, ?) WHERE id = ?"
