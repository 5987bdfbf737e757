"""What leaves in an export: rows in the order of their keys, a bounded page at a time."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import TypeAlias

from controller.store.blocks import Row as Reading
from controller.store.connection import open_reader, require_upgraded, snapshot
from controller.store.damage import named
from controller.store.migrations import READINGS
from controller.store.stretch import ThriftyStretches

PAGE_ROWS = 5000
"""Rows of one page: some 2 MB, read in a few milliseconds. Source: engineering judgement."""

Row: TypeAlias = "tuple[str | int | float | None, ...]"


class What(StrEnum):
    """Which record is exported."""

    READINGS = "readings"
    HEATER_RUNS = "heater-runs"
    JOURNAL = "journal"


COLUMNS: dict[What, tuple[str, ...]] = {
    What.READINGS: ("enclosure", "probe", "quantity", "unit", "taken", "arrived", "value", "grade"),
    What.HEATER_RUNS: ("enclosure", "start", "end", "energy_j", "ended_by"),
    What.JOURNAL: ("sequence", "at", "kind", "enclosure", "who", "why", "body", "previous_hash", "hash"),
}
TIMES = frozenset({"taken", "arrived", "start", "end", "at"})
"""Columns that hold a time: [ms] UTC in a row, RFC 3339 in text."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for: rows that begin in [start_ms, end_ms) [ms UTC], of one enclosure or of all (None)."""

    what: What
    start_ms: int
    end_ms: int
    enclosure: str | None = None


def pages(folder: Path, wanted: Wanted) -> Iterator[list[Row]]:
    """Return the pages of an export; the file is open when this returns and closed when the pages end or are closed.

    Notes
    -----
    Each page is a read transaction of its own, so a slow reader never keeps the writer's log from being folded back.
    Rows of an export are only ever added, never changed, and a page goes on after the last key of the one before; so
    none comes twice. A reading that arrives meanwhile, older than where the export stands, is in the next export.

    Raises
    ------
    StoreError
        If there is no record yet, or it cannot be read.
    """
    name = "journal.db" if wanted.what is What.JOURNAL else "readings.db"
    found = _pages(folder / name, wanted)
    next(found)
    return found  # type: ignore[return-value]


def _pages(file: Path, wanted: Wanted) -> Iterator[list[Row] | None]:
    walk = {What.READINGS: _readings, What.HEATER_RUNS: _heater_runs, What.JOURNAL: _journal}[wanted.what]
    with named(file), closing(open_reader(file)) as connection:
        if wanted.what is not What.JOURNAL:
            require_upgraded(connection, file, READINGS)
        # Stopping here once makes sure that closing an export nobody began closes the file too.
        yield None
        yield from walk(connection, wanted)


PROBES = """SELECT id, enclosure, name, quantity, unit FROM probe
WHERE :enclosure IS NULL OR enclosure = :enclosure ORDER BY enclosure, name"""


def _readings(connection: sqlite3.Connection, wanted: Wanted) -> Iterator[list[Row]]:
    """Yield readings by enclosure, probe and time; names, not our numbers, so that another store gives the same."""
    read = _Reading(connection)
    for probe, *said in connection.execute(PROBES, {"enclosure": wanted.enclosure}).fetchall():
        after_ms = wanted.start_ms
        while found := read.page(probe, after_ms, wanted.end_ms):
            yield [(*said, *row[1:]) for row in found]
            after_ms = found[-1][1] + 1


class _Reading:
    """Reads pages; what waits to be packed, of hundreds of probes at once, is unpacked anew only after a commit."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection, self._version = connection, -1
        self._record = ThriftyStretches(connection)

    def page(self, probe: int, start_ms: int, end_ms: int) -> list[Reading]:
        """Return the first readings of a probe in [start_ms, end_ms) [ms UTC]."""
        with snapshot(self._connection):
            (version,) = self._connection.execute("PRAGMA data_version").fetchone()
            if version != self._version:
                self._version, self._record = version, ThriftyStretches(self._connection)
            return list(islice(self._record.rows(probe, start_ms, end_ms), PAGE_ROWS))


_HEATER_RUNS = """SELECT enclosure, start_ms, end_ms, energy_j, ended_by, id FROM heater_run
WHERE enclosure = :name AND start_ms < :end AND (start_ms, id) > (:after, :id) ORDER BY start_ms, id LIMIT :rows"""


def _heater_runs(connection: sqlite3.Connection, wanted: Wanted) -> Iterator[list[Row]]:
    """Yield runs by enclosure and start; one still open has no end."""
    names = connection.execute("SELECT DISTINCT enclosure FROM heater_run ORDER BY enclosure").fetchall()
    for (name,) in names:
        if wanted.enclosure not in (None, name):
            continue
        asked = {"name": name, "end": wanted.end_ms, "after": wanted.start_ms, "id": -1, "rows": PAGE_ROWS}
        while found := connection.execute(_HEATER_RUNS, asked).fetchall():
            yield [row[:-1] for row in found]
            asked |= {"after": found[-1][1], "id": found[-1][-1]}


# The plus keeps SQLite from walking the index by time, which would sort all that is left again for every page.
_JOURNAL = """SELECT sequence, at_ms, kind, enclosure, who, why, body, previous_hash, hash FROM journal
WHERE sequence > :after AND +at_ms >= :start AND +at_ms < :end AND (:enclosure IS NULL OR +enclosure = :enclosure)
ORDER BY sequence LIMIT :rows"""


def _journal(connection: sqlite3.Connection, wanted: Wanted) -> Iterator[list[Row]]:
    """Yield entries in the order of their chain."""
    asked: dict[str, str | int | None] = {
        "start": wanted.start_ms, "end": wanted.end_ms, "enclosure": wanted.enclosure, "after": 0, "rows": PAGE_ROWS,
    }  # fmt: skip
    while found := connection.execute(_JOURNAL, asked).fetchall():
        yield found
        asked["after"] = found[-1][0]
