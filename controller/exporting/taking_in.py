"""Taking readings back in from an exported CSV: the whole file or nothing of it."""

import csv
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from controller.clock import from_rfc3339
from controller.errors import SoilwardError
from controller.exporting.rows import COLUMNS, What
from controller.memory import end_left_open_runs
from controller.status import Grade
from controller.store.connection import Lock, open_writer, transaction
from controller.store.damage import named
from controller.store.keeping import LATEST_MS, LEAST, MOST, Keeping
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading

AT_ONCE = 2000
"""Rows handed to the store at a time."""

_HEADER = COLUMNS[What.READINGS]
_NUMERALS = frozenset("0123456789.+-eE")
_GRADES = frozenset(each.value for each in Grade)


class RefusedImportError(SoilwardError):
    """A file that is not taken in; says where and why. Nothing of it is kept."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many readings a file had, and how many of them were new."""

    rows: int
    new: int


def take_in(folder: Path, file: Path, told: Callable[[int], None] = lambda rows: None) -> TakenIn:
    """Keep the readings of `file` in `folder`, and roll them up, in one transaction.

    A reading that is there already (same probe, same time taken) stays as it was first told.

    Raises
    ------
    RefusedImportError
        Naming file, line, column, value and remedy.
    StoreError
        If a controller holds the folder, the record is damaged, or the disk is full.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = Lock(folder / "controller.db")
    try:
        with named(folder / "readings.db"):
            # A run that a crash left open ends by what was heard then, so before anything else is there to be heard.
            end_left_open_runs(folder)
            with closing(open_writer(folder / "readings.db", READINGS)) as connection, transaction(connection):
                return _kept(connection, file, told)
    finally:
        lock.release()


def _kept(connection: sqlite3.Connection, file: Path, told: Callable[[int], None]) -> TakenIn:
    known = connection.execute("SELECT enclosure, name, unit FROM probe").fetchall()
    lines = _readings(file, {(enclosure, name): unit for enclosure, name, unit in known})
    keeping, rows, new = Keeping(connection), 0, 0
    while batch := list(islice(lines, AT_ONCE)):
        new += keeping.add(batch)
        keeping.pack_much()
        rows += len(batch)
        told(len(batch))
    keeping.pack_all()
    return TakenIn(rows, new)


def _readings(file: Path, units: dict[tuple[str, str], str]) -> Iterator[StoredReading]:
    try:
        # A spreadsheet that saves CSV in UTF-8 puts a mark before it.
        with file.open(newline="", encoding="utf-8-sig") as text:
            lines = csv.reader(text, strict=True)
            header = next(lines, [])
            if tuple(header) != _HEADER:
                raise _refused(file, 1, "header", ",".join(header)[:80], f"write {','.join(_HEADER)}")
            for fields in lines:
                yield _reading(file, lines.line_num, fields, units)
    except OSError as error:
        raise RefusedImportError(
            f"{file}: cannot be read ({error.strerror}); name a file that `soilward export` wrote"
        ) from error
    except (csv.Error, UnicodeDecodeError) as error:
        raise RefusedImportError(
            f"{file}: is no CSV in UTF-8 ({error}); export it again. Nothing was imported"
        ) from error


def _reading(file: Path, line: int, fields: Sequence[str], units: dict[tuple[str, str], str]) -> StoredReading:
    if len(fields) != len(_HEADER):
        raise _refused(file, line, "count of columns", str(len(fields)), f"write {len(_HEADER)} columns")
    row = dict(zip(_HEADER, fields, strict=True))
    for column in ("enclosure", "probe", "quantity", "unit"):
        if not row[column].strip() or not row[column].isprintable():
            raise _refused(file, line, column, row[column], "write a name")
    unit = units.setdefault((row["enclosure"], row["probe"]), row["unit"])
    if unit != row["unit"]:
        raise _refused(file, line, "unit", row["unit"], f"this probe is kept in {unit}; convert it or rename the probe")
    if row["grade"] not in _GRADES:
        raise _refused(file, line, "grade", row["grade"], f"write one of {', '.join(sorted(_GRADES))}")
    taken_ms, arrived_ms = (_time(file, line, column, row[column]) for column in ("taken", "arrived"))
    value = _value(file, line, row["value"])
    return StoredReading(
        row["enclosure"], row["probe"], row["quantity"], unit, value, taken_ms, arrived_ms, row["grade"]
    )


def _time(file: Path, line: int, column: str, text: str) -> int:
    try:
        time_ms = from_rfc3339(text)
    except (ValueError, OverflowError):
        time_ms = -1
    if not 0 <= time_ms <= LATEST_MS:
        raise _refused(file, line, column, text, "write a time since 1970 as 2026-03-01T06:00:00.000Z")
    return time_ms


def _value(file: Path, line: int, text: str) -> float:
    try:
        # Python would take 1_8 for 18.
        value = float(text) if _NUMERALS.issuperset(text) else math.nan
    except ValueError:
        value = math.nan
    if not LEAST <= value <= MOST:
        raise _refused(file, line, "value", text, f"write a number from {LEAST} to {MOST:.0f}")
    return value


def _refused(file: Path, line: int, column: str, value: str, remedy: str) -> RefusedImportError:
    return RefusedImportError(f"{file}, line {line}, {column}: {value!r} is refused; {remedy}. Nothing was imported")
