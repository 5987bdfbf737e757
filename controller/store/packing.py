"""Packing: the tail of a shelf becomes a block per probe and hour, and the days that are over are rolled up.

Each is one transaction, so a reading is always in the tail or in a block, and in one of them only. It is prepared
before, in short pieces between which commits go on: a broker that waits for acknowledgements holds back what is urgent.
"""

import logging
import sqlite3
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, TypeAlias

from controller.store import blocks, shelves, sums
from controller.store.blocks import Row
from controller.store.columns import DamagedBlockError
from controller.store.connection import transaction
from controller.store.readings import HOUR_MS
from controller.store.stretch import Stretches
from controller.store.sums import DAY_MS, Day, Sums

_log = logging.getLogger(__name__)

AHEAD_MS = 2 * HOUR_MS
"""[ms] after what is due to be packed: nothing there was heard later, but by a clock that was ahead."""
SETTLE_MS = 60_000
"""[ms] after the hour: readings of its last seconds are committed by then."""
APART_MS = 60_000
"""[ms] from one shelf's turn to the next one's, so that they do not all pack at once."""
TURNS = 32
PIECE_ROWS = 1000
"""Rows packed in one piece, some ten milliseconds."""

ByBlock: TypeAlias = dict[int, list[Row]]
Held: TypeAlias = dict[str, dict[int, int]]
"""Counts by table and start [ms UTC]."""
PackedDay: TypeAlias = tuple[str, int, bytes]
"""Table, key and what is kept."""


@dataclass(slots=True)
class Tail:
    """What waits in a shelf's tail: chunks (the next one's number, rather), rows, and when the first was heard."""

    chunks: int = 0
    rows: int = 0
    heard_ms: int | None = None

    def take(self, rows: Sequence[Row]) -> None:
        """Count one chunk more."""
        self.chunks, self.rows = self.chunks + 1, self.rows + len(rows)
        heard_ms = min(row[2] for row in rows)
        # Not the first one's: a clock that was ahead then may be right by now.
        self.heard_ms = heard_ms if self.heard_ms is None else min(self.heard_ms, heard_ms)


def tail_of(connection: sqlite3.Connection, shelf: int) -> Tail:
    """Return what waits in a shelf's tail."""
    first, last = shelves.tail_ids(shelf)
    newest, rows, heard_ms = connection.execute(_TAIL, (first, last)).fetchone()
    return Tail() if newest is None else Tail(newest - first, rows, heard_ms)


def due_before_ms(tail: Tail, shelf: int, now_ms: int) -> int | None:
    """Return before when [ms UTC] a chunk was heard that is due to be packed; None if none is."""
    hour_ms = (now_ms - SETTLE_MS - shelf % TURNS * APART_MS) // HOUR_MS * HOUR_MS
    return hour_ms if tail.heard_ms is not None and tail.heard_ms < hour_ms else None


def pack(connection: sqlite3.Connection, shelf: int, before_ms: int) -> Generator[None, None, ByBlock]:
    """Pack the chunks of a shelf that were heard before `before_ms` [ms UTC]; yields between pieces.

    With them goes what a clock that was ahead has left there: it would wait until then.

    The tail may grow meanwhile; nothing else may be packed, closed or taken away.

    Returns
    -------
    dict
        The rows that were packed, by block.

    Raises
    ------
    DamagedBlockError
        If the tail or a block to be added to is damaged; nothing is done then.
    """
    new = (before_ms, before_ms + AHEAD_MS)
    chunks = connection.execute(_CHUNKS, (*shelves.tail_ids(shelf), *new)).fetchall()
    by_block: ByBlock = {}
    for piece in pieces(chunks, lambda chunk: int(chunk[1])):
        for key, _ in piece:
            for row in blocks.unpack(connection.execute(_CHUNK, (key,)).fetchone()[0]):
                by_block.setdefault(shelves.block_id(row[1], row[0]), []).append(row)
        yield
    kept: list[Any] = []
    newest: dict[int, tuple[int, int]] = {}
    late = _Late(dict(connection.execute("SELECT id, closed_ms FROM probe").fetchall()))
    for piece in pieces(sorted(by_block), lambda block: len(by_block[block])):
        for block in piece:
            there = _there(connection, block)
            late.note(block, there, by_block[block])
            kept.append(_merged(block, [*by_block[block], *there]))
            _note_newest(newest, by_block[block])
        yield
    days: list[PackedDay] = []
    for day, (more, held) in late.days.items():
        days += rolled_up(connection, day, more, held)
        yield
    with transaction(connection):
        connection.executemany(KEEP, kept)
        write_days(connection, days)
        connection.executemany(_NEWEST, [(*times, probe) for probe, times in newest.items()])
        if chunks:
            # What came meanwhile has a later key. One statement: each chunk by itself asked the interpreter for leave.
            connection.execute(_PACKED, (chunks[0][0], chunks[-1][0], *new))
    return by_block


def pieces(works: Iterable[Any], rows_of: Callable[[Any], int]) -> Iterator[list[Any]]:
    """Yield some of the works at a time."""
    piece, rows = [], 0
    for work in works:
        piece.append(work)
        rows += rows_of(work)
        if rows >= PIECE_ROWS:
            yield piece
            piece, rows = [], 0
    if piece:
        yield piece


def closed_ms(connection: sqlite3.Connection, probe: int) -> int:
    """Return before when [ms UTC] all days of a probe are rolled up."""
    return int(connection.execute("SELECT closed_ms FROM probe WHERE id = ?", (probe,)).fetchone()[0])


def close(connection: sqlite3.Connection, probes: Sequence[int], today_ms: int) -> Iterator[None]:
    """Roll up some probes' days until `today_ms` [ms UTC], a midnight; yields after each probe but writes all at once.

    Once closed a day stays so, whatever the clock. As with `pack`, the tail alone may grow meanwhile.

    Raises
    ------
    DamagedBlockError
        If a block is damaged; nothing is done then.
    """
    days: list[PackedDay] = []
    for probe in probes:
        found = Stretches(connection).blocks(probe, closed_ms(connection, probe), today_ms)
        # Day by day: what was taken in at once may be a year.
        by_day = groupby((row for packed in found for row in blocks.unpack(packed)), key=lambda row: row[1] // DAY_MS)
        for day, rows in by_day:
            days += rolled_up(connection, shelves.day_id(probe, day * DAY_MS), sums.day_of(rows))
        yield
    with transaction(connection):
        write_days(connection, days)
        connection.executemany(_CLOSED, [(today_ms, probe) for probe in probes])


class _Late:
    """Readings that came for days that are closed already, of which some may be counted and taken away by now.

    Parameters
    ----------
    closed_ms
        Before when [ms UTC] the days of each probe are closed.
    """

    def __init__(self, closed_ms: dict[int, int]) -> None:
        self._closed_ms = closed_ms
        self.days: dict[int, tuple[Day, Held]] = {}

    def note(self, block: int, there: list[Row], rows: list[Row]) -> None:
        """Note the new rows of a block, and how many it held before of the minutes, tens and hour they belong to."""
        hour_ms, probe = shelves.block_place(block)
        if hour_ms >= self._closed_ms[probe]:
            return
        more, before = sums.day_of(sorted(rows)), sums.day_of(there)
        days, held = self.days.setdefault(shelves.day_id(probe, hour_ms), ({}, {}))
        for table, found in more.items():
            days.setdefault(table, {}).update(found)
            counts = {at_ms: before[table][at_ms].count for at_ms in found if at_ms in before[table]}
            held.setdefault(table, {}).update(counts)


def _there(connection: sqlite3.Connection, block: int) -> list[Row]:
    found = connection.execute("SELECT packed FROM block WHERE id = ?", (block,)).fetchone()
    return blocks.unpack(found[0]) if found else []


def _merged(block: int, rows: list[Row]) -> tuple[Any, ...]:
    """Return a block as it is kept."""
    rows = sorted(rows)
    return block, *blocks.bounds(rows), len(rows), blocks.pack(rows)


def rolled_up(connection: sqlite3.Connection, day: int, more: Day, held: Held | None = None) -> Iterator[PackedDay]:
    """Yield a day's roll-ups with more taken into what there is of them, as they are kept.

    Parameters
    ----------
    held
        How many readings lay in blocks until now of the minutes, tens and hours that `more` adds to. Where a roll-up
        counts more than those, its own readings have been taken away, and what comes may be one of them, imported
        again: it widens the extremes and counts no more.
    """
    start_ms = shelves.day_start_ms(day)
    for table, found in more.items():
        if not found:
            continue
        there = _rolled_so_far(connection, table, day, anew=held is not None)
        counts = {} if held is None else held[table]
        known = {at_ms for at_ms in found if at_ms in there and there[at_ms].count > counts.get(at_ms, 0)}
        for at_ms in known:
            there[at_ms].widen(found[at_ms])
        sums.add(there, {at_ms: one for at_ms, one in found.items() if at_ms not in known})
        yield table, day, sums.pack(table, there, start_ms)


def _rolled_so_far(connection: sqlite3.Connection, table: str, day: int, *, anew: bool) -> Sums:
    """Return the roll-ups there are of a day; what cannot be read of them `anew` from its blocks, or as none."""
    start_ms = shelves.day_start_ms(day)
    row = connection.execute(f"SELECT packed FROM {table} WHERE id = ?", (day,)).fetchone()
    try:
        return sums.unpack(table, row[0], start_ms) if row else {}
    except DamagedBlockError as error:
        _log.warning("roll-ups are made anew from their readings", extra={"error": str(error)})
    packed = Stretches(connection).blocks(shelves.day_probe(day), start_ms, start_ms + DAY_MS) if anew else ()
    return sums.day_of(row for block in packed for row in blocks.unpack(block))[table]


def write_days(connection: sqlite3.Connection, days: Iterable[PackedDay]) -> None:
    """Write roll-ups in place of what there is of them."""
    for table, day, packed in days:
        connection.execute(f"INSERT OR REPLACE INTO {table} (id, packed) VALUES (?, ?)", (day, packed))


def _note_newest(newest: dict[int, tuple[int, int]], rows: Sequence[Row]) -> None:
    probe = rows[0][0]
    taken_ms, heard_ms = newest.get(probe, (0, 0))
    _, taken_most_ms, _, heard_most_ms = blocks.bounds(rows)
    newest[probe] = (max(taken_ms, taken_most_ms), max(heard_ms, heard_most_ms))


_TAIL = "SELECT max(id), total(count), min(heard_least_ms) FROM tail WHERE id BETWEEN ? AND ?"
_CHUNKS = "SELECT id, count FROM tail WHERE id BETWEEN ? AND ? AND heard_least_ms NOT BETWEEN ? AND ? ORDER BY id"
_CHUNK = "SELECT packed FROM tail WHERE id = ?"
_PACKED = "DELETE FROM tail WHERE id BETWEEN ? AND ? AND heard_least_ms NOT BETWEEN ? AND ?"
_CLOSED = "UPDATE probe SET closed_ms = max(closed_ms, ?) WHERE id = ?"
KEEP = """INSERT OR REPLACE INTO block
(id, taken_least_ms, taken_most_ms, heard_least_ms, heard_most_ms, count, packed) VALUES (?, ?, ?, ?, ?, ?, ?)"""
_NEWEST = "UPDATE probe SET newest_ms = max(newest_ms, ?), heard_ms = max(heard_ms, ?) WHERE id = ?"
