"""The first form of the record, a row for each reading, minute and hour, brought into blocks and days."""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import groupby
from typing import Any

from controller.store import blocks, packing, shelves, sums
from controller.store.readings import TEN_MS
from controller.store.sums import DAY_MS, Sum, Sums


def into_blocks(connection: sqlite3.Connection) -> None:
    """Move what the tables `reading`, `minute` and `hour` hold to where it is kept now, and drop them.

    Their room in the file is used again. Days before the newest reading's are closed: their minutes and hours stay
    as they were, whatever readings are left of them.
    """
    (newest_ms,) = connection.execute("SELECT coalesce(max(start_ms), 0) FROM hour").fetchone()
    closed_ms = newest_ms - newest_ms % DAY_MS
    for probe in [int(row[0]) for row in connection.execute("SELECT id FROM probe ORDER BY id")]:
        for block, rows in _grouped(connection, _READINGS, probe, lambda row: shelves.block_id(row[1], row[0])):
            kept = (block, *blocks.bounds(rows), len(rows), blocks.pack(rows))
            connection.execute(packing.KEEP, kept)
        minutes = dict(_days(connection, "minute", probe, closed_ms))
        for day, hours in _days(connection, "hour", probe, closed_ms):
            # Minutes too old may have been taken away while the hours stayed.
            by_minute = minutes.get(day, {})
            whole = {"minutes": by_minute, "tens": _tens(by_minute), "hours": hours}
            packing.write_days(connection, packing.rolled_up(connection, day, whole))
        connection.execute(_NEWEST, {"probe": probe, "closed": closed_ms})
    for table in ("reading", "minute", "hour"):
        connection.execute(f"DROP TABLE {table}")


def _days(connection: sqlite3.Connection, table: str, probe: int, end_ms: int) -> Iterator[tuple[int, Sums]]:
    query = _ROLLED.format(table=table, end=end_ms)
    for day, rows in _grouped(connection, query, probe, lambda row: shelves.day_id(probe, row[0])):
        yield day, {row[0]: Sum(*row) for row in rows}


def _tens(minutes: Sums) -> Sums:
    found: Sums = {}
    for one in minutes.values():
        start_ms = one.start_ms - one.start_ms % TEN_MS
        sums.add(found, {start_ms: replace(one, start_ms=start_ms)})
    return found


def _grouped(
    connection: sqlite3.Connection, query: str, probe: int, key: Callable[[Any], int]
) -> Iterator[tuple[int, list[Any]]]:
    for name, rows in groupby(connection.execute(query, (probe,)), key):
        yield name, list(rows)


_READINGS = "SELECT probe_id, taken_ms, arrived_ms, value, grade FROM reading WHERE probe_id = ? ORDER BY taken_ms"
_ROLLED = """SELECT start_ms, count, least, most, total FROM {table}
WHERE probe_id = ? AND start_ms < {end} ORDER BY start_ms"""
_NEWEST = """UPDATE probe SET newest_ms = coalesce((SELECT max(taken_ms) FROM reading WHERE probe_id = :probe), 0),
heard_ms = coalesce((SELECT max(arrived_ms) FROM reading WHERE probe_id = :probe), 0),
closed_ms = :closed WHERE id = :probe"""
