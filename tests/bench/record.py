"""The record, and what it costs those around it, in one table.

How fast readings come in, how soon a trip answers meanwhile, how many enclosures one controller bears; a year of one
probe read back, beside DuckDB and a plain scan; bytes per reading; bytes written.
"""

import gc
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TypeAlias

import duckdb

from controller.store import reading_back
from controller.store.connection import open_reader, open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from tests.bench import flow, many, processes, reaction
from tests.bench.table import Row, percentile

START_MS = 1_735_689_600_000
YEAR_MS = 365 * 86_400_000
PERIOD_MS = 10_000
POINTS = 1500
ZOOMS = 40
TRIES = 5
BATCH = 2000
MOST_MS = 20.0
TIMES_DUCKDB = 5.0
MOST_BYTES, MOST_WRITTEN = 14.0, 4.0

Ask: TypeAlias = Callable[[tuple[int, int]], object]


def rows(folder: Path) -> Iterator[Row]:
    """Measure all of it."""
    around = (
        ("flow", flow.rows), ("load", reaction.loaded_rows), ("many", many.rows), ("memory", processes.memory),
    )  # fmt: skip
    for name, bench in around:
        (folder / name).mkdir()
        yield from bench(folder / name)
    yield from _year(folder)
    yield from _written(folder, "a household, 24 probes, a week", 24, 7.0, 100)
    yield from _written(folder, "a nursery, 1200 probes, two hours", 1200, 1 / 12, 1000)


def _year(folder: Path) -> Iterator[Row]:
    # As for the pages; both are spared it.
    gc.freeze()
    values = _values()
    _fill(folder / "readings.db", values)
    _fill_duckdb(folder / "duck.db", values)
    zooms = _zooms()
    _fill_rows(folder / "rows.db", values)
    with (
        closing(open_reader(folder / "readings.db")) as ours,
        closing(open_reader(folder / "rows.db")) as plain,
        closing(duckdb.connect(folder / "duck.db")) as theirs,
    ):
        asked: tuple[Ask, ...] = (
            lambda zoom: reading_back.series(ours, "larch", None, *zoom, POINTS),
            lambda zoom: _duck(theirs, *zoom),
        )
        ours_ms, duck_ms = _times(asked, zooms)
        (scan_ms,) = _times((lambda zoom: _scan(plain, *zoom),), zooms[:6])
    mine, duck, scan = (percentile(each, 0.95) for each in (ours_ms, duck_ms, scan_ms))
    times = duck / mine
    what = f"a year of 10 s readings in {POINTS} points, any zoom, p95 of {ZOOMS}, {TRIES} times each"
    yield Row(what, f"{mine:.1f} ms", f"DuckDB {duck:.1f} ms", f"{times:.1f}", f"<= {MOST_MS:g} ms", mine <= MOST_MS)
    yield Row(
        "  the same, times faster than DuckDB", f"{times:.1f}", "", "", f">= {TIMES_DUCKDB:g}", times >= TIMES_DUCKDB
    )
    yield Row("  the same beside a plain scan", f"{mine:.1f} ms", f"SQLite scan {scan:.0f} ms", f"{scan / mine:.0f}")
    size = (folder / "readings.db").stat().st_size / len(values)
    yield Row(
        "bytes on disk per raw reading, roll-ups included",
        f"{size:.1f}",
        "",
        "",
        f"<= {MOST_BYTES:g}",
        size <= MOST_BYTES,
    )


def _values() -> list[tuple[int, float]]:
    draw, value, found = random.Random(7), 12.0, []
    for number in range(YEAR_MS // PERIOD_MS):
        value += draw.gauss(0.0, 0.02) + 0.001 * (12.0 - value)
        found.append((START_MS + PERIOD_MS * number + draw.randrange(40), round(value * 16) / 16))
    return found


def _fill(file: Path, values: list[tuple[int, float]]) -> None:
    """Keep them as the controller does, some thousands at a time."""
    with closing(open_writer(file, READINGS)) as record:
        keeping = Keeping(record)
        lines = (StoredReading("larch", "soil", "soil", "Cel", value, at, at + 180, "good") for at, value in values)
        while batch := list(islice(lines, BATCH)):
            keeping.add(batch)
            keeping.pack_much()
        keeping.pack_all()
    with closing(sqlite3.connect(file)) as record:
        record.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _fill_duckdb(file: Path, values: list[tuple[int, float]]) -> None:
    text = file.with_suffix(".csv")
    text.write_text("".join(f"{at_ms},{value}\n" for at_ms, value in values))
    with closing(duckdb.connect(file)) as duck:
        duck.execute(f"CREATE TABLE reading AS SELECT column0 AS taken, column1 AS value FROM read_csv('{text}')")
    text.unlink()


def _fill_rows(file: Path, values: list[tuple[int, float]]) -> None:
    """Write them as plain rows, for the plain scan."""
    with closing(sqlite3.connect(file)) as record, record:
        record.execute("CREATE TABLE reading (taken_ms INTEGER PRIMARY KEY, value REAL NOT NULL)")
        record.executemany("INSERT INTO reading VALUES (?, ?)", values)


def _zooms() -> list[tuple[int, int]]:
    """Return spans from the whole year down to an hour, anywhere within it."""
    draw = random.Random(1)
    found = [(START_MS, START_MS + YEAR_MS)]
    while len(found) < ZOOMS:
        width_ms = round(3_600_000 * (YEAR_MS / 3_600_000) ** draw.random())
        start_ms = START_MS + draw.randrange(YEAR_MS - width_ms)
        found.append((start_ms, start_ms + width_ms))
    return found


def _times(asked: Sequence[Ask], zooms: list[tuple[int, int]]) -> list[list[float]]:
    """Return how long [ms] each took, every try counted; they are asked in turns, so both meet the same load."""
    found: list[list[float]] = [[] for _ in asked]
    for zoom in zooms:
        for _ in range(TRIES):
            for ask, each in zip(asked, found, strict=True):
                begun_s = time.perf_counter()
                ask(zoom)
                each.append((time.perf_counter() - begun_s) * 1000)
    return found


def _duck(duck: "duckdb.DuckDBPyConnection", start_ms: int, end_ms: int) -> object:
    width_ms = -(-(end_ms - start_ms) // POINTS)
    return duck.execute(
        "SELECT (taken - ?) // ? AS bucket, min(value), avg(value), max(value), count(*) FROM reading "
        "WHERE taken >= ? AND taken < ? GROUP BY bucket ORDER BY bucket",
        (start_ms, width_ms, start_ms, end_ms),
    ).fetchall()


def _scan(record: sqlite3.Connection, start_ms: int, end_ms: int) -> object:
    width_ms = -(-(end_ms - start_ms) // POINTS)
    return record.execute(
        "SELECT (taken_ms - ?) / ? AS bucket, min(value), avg(value), max(value), count(*) FROM reading "
        "WHERE taken_ms >= ? AND taken_ms < ? GROUP BY bucket",
        (start_ms, width_ms, start_ms, end_ms),
    ).fetchall()


def _written(folder: Path, what: str, probes: int, days: float, window: int) -> Iterator[Row]:
    """Let a process keep some days as the controller does, and read its own counter of bytes written."""
    place = folder / what.replace(" ", "-")
    place.mkdir()
    command = [sys.executable, "-m", "tests.bench.written", str(place), str(probes), str(days), str(window)]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    written, count = int(told[0]), int(told[1])
    kept = sum(each.stat().st_size for each in place.glob("readings.db*") if "lock" not in each.name)
    per_byte, per_reading = written / kept, written / count
    sizes = f"{written / 1e6 / days:.0f} MB a day for {kept / 1e6 / days:.1f} MB, {kept / count:.1f} bytes a reading"
    yield Row(
        f"bytes written per byte kept, {what}",
        f"{per_byte:.1f}",
        sizes,
        "",
        f"<= {MOST_WRITTEN:g}",
        per_byte <= MOST_WRITTEN,
    )
    # A small record makes that ratio harder to meet, not the card's life shorter: both bounds together are this one.
    most = MOST_BYTES * MOST_WRITTEN
    yield Row(
        "  the same, bytes written per reading", f"{per_reading:.0f}", "", "", f"<= {most:g}", per_reading <= most
    )
