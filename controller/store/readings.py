"""Readings: kept once each, rolled up as they come, and read back as a bounded series."""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from controller.errors import StoreError
from controller.status import Grade
from controller.store.connection import transaction

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
MOST_POINTS = 1500
"""Buckets one series may have: more than a screen is wide, few enough to send in one answer."""


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One reading as it is kept.

    Parameters
    ----------
    enclosure, probe, quantity, unit
        The probe's names in settings, what it reports, and the unit `value` is in.
    taken_ms, arrived_ms
        [ms] UTC; a probe has at most one reading per `taken_ms`.
    grade
        How far it is believed: a `controller.status.Grade` word.
    """

    enclosure: str
    probe: str
    quantity: str
    unit: str
    value: float
    taken_ms: int
    arrived_ms: int
    grade: str


@dataclass(frozen=True, slots=True)
class Bucket:
    """What one probe said from `start_ms` [ms UTC] until the next border: its extremes, mean and number of readings."""

    start_ms: int
    least: float
    mean: float
    most: float
    count: int


@dataclass(frozen=True, slots=True)
class ProbeSeries:
    """One probe over time. `rows` holds only buckets with readings, so a gap stays a gap; `bucket_ms` [ms] each."""

    probe: str
    quantity: str
    unit: str
    bucket_ms: int
    rows: list[Bucket]


@dataclass(slots=True)
class _Sum:
    count: int
    least: float
    most: float
    total: float

    def take(self, value: float) -> None:
        self.count += 1
        self.least = min(self.least, value)
        self.most = max(self.most, value)
        self.total += value


_INSERT = """INSERT INTO reading (probe_id, taken_ms, arrived_ms, value, grade) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (probe_id, taken_ms) DO NOTHING"""
# Not INSERT OR IGNORE: that would also swallow a value out of range, unseen.

_NEWEST = "SELECT max(taken_ms) FROM reading WHERE probe_id = ?"

_ROLL_UP = """INSERT INTO {table} (probe_id, start_ms, count, least, most, total) VALUES (?, ?, ?, ?, ?, ?)
ON CONFLICT (probe_id, start_ms) DO UPDATE SET count = count + excluded.count, least = min(least, excluded.least),
most = max(most, excluded.most), total = total + excluded.total"""


def add(connection: sqlite3.Connection, batch: Sequence[StoredReading]) -> int:
    """Keep a batch, all or none, and roll up what was new in the same transaction.

    A redelivered reading (same probe, same `taken_ms`) is kept once, as it was first told. A refused reading is kept
    but not rolled up: a sensor's error code is no extreme of the soil. One older than what the probe had told before is
    also noted in `late`, for whoever copies the record in order of time.

    Returns
    -------
    int
        How many were new.

    Raises
    ------
    StoreError
        If a probe now reports in another unit than it did.
    sqlite3.IntegrityError
        If a value is not finite or out of its physical range; nothing of the batch is kept.
    """
    probe_ids: dict[tuple[str, str, str, str], int] = {}
    newest_ms: dict[int, int] = {}
    sums: dict[tuple[str, int, int], _Sum] = {}
    with transaction(connection):
        rows: list[_Row] = []
        for item in batch:
            key = (item.enclosure, item.probe, item.quantity, item.unit)
            if key not in probe_ids:
                probe_ids[key] = probe_id = _probe_id(connection, item)
                newest_ms[probe_id] = connection.execute(_NEWEST, (probe_id,)).fetchone()[0] or 0
            rows.append((probe_ids[key], item.taken_ms, item.arrived_ms, item.value, item.grade))
        new = _insert(connection, rows)
        for probe_id, taken_ms, _, value, grade in new:
            _sum_up(sums, probe_id, taken_ms, value, grade)
        late = [row[:2] for row in new if row[1] < newest_ms[row[0]]]
        connection.executemany("INSERT INTO late (probe_id, taken_ms) VALUES (?, ?)", late)
        for (table, probe_id, start_ms), one in sums.items():
            values = (probe_id, start_ms, one.count, one.least, one.most, one.total)
            connection.execute(_ROLL_UP.format(table=table), values)
    return len(new)


_Row: TypeAlias = tuple[int, int, int, float, str]


def _insert(connection: sqlite3.Connection, rows: list[_Row]) -> list[_Row]:
    """Insert rows and return those that were new: all at once, or, where one is there already, one by one."""
    connection.execute("SAVEPOINT at_once")
    before, whole = connection.total_changes, False
    try:
        connection.executemany(_INSERT, rows)
        whole = connection.total_changes - before == len(rows)
    finally:
        if not whole:
            connection.execute("ROLLBACK TO at_once")
        connection.execute("RELEASE at_once")
    if whole:
        return rows
    return [row for row in rows if connection.execute(_INSERT, row).rowcount == 1]


def _sum_up(sums: dict[tuple[str, int, int], _Sum], probe_id: int, taken_ms: int, value: float, grade: str) -> None:
    if grade == Grade.REFUSED:
        return
    for table, width_ms in (("minute", MINUTE_MS), ("hour", HOUR_MS)):
        key = (table, probe_id, taken_ms - taken_ms % width_ms)
        if key in sums:
            sums[key].take(value)
        else:
            sums[key] = _Sum(1, value, value, value)


def _probe_id(connection: sqlite3.Connection, item: StoredReading) -> int:
    connection.execute(
        "INSERT INTO probe (enclosure, name, quantity, unit) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (enclosure, name) DO NOTHING",
        (item.enclosure, item.probe, item.quantity, item.unit),
    )
    probe_id, quantity, unit = connection.execute(
        "SELECT id, quantity, unit FROM probe WHERE enclosure = ? AND name = ?", (item.enclosure, item.probe)
    ).fetchone()
    if unit != item.unit:
        raise StoreError(
            f"enclosure {item.enclosure!r}, probe {item.probe!r}: kept in {unit!r} so far "
            f"and now reports {item.unit!r}; give the probe a new name"
        )
    if quantity != item.quantity:
        connection.execute("UPDATE probe SET quantity = ? WHERE id = ?", (item.quantity, probe_id))
    return int(probe_id)


def series(
    connection: sqlite3.Connection,
    enclosure: str,
    probes: Sequence[str] | None,
    start_ms: int,
    end_ms: int,
    points: int,
) -> list[ProbeSeries]:
    """Return what the probes of an enclosure said in [start_ms, end_ms), in at most `points` buckets each.

    Parameters
    ----------
    probes
        Names, or None for all; a name never heard of is left out.
    start_ms, end_ms
        [ms] UTC. Bucket k begins at exactly start_ms + k * bucket_ms.
    points
        1..1500.

    Notes
    -----
    Exact, not sampled: whole hours and minutes inside a bucket come from the roll-ups, its ragged ends from the
    readings themselves. Refused readings are left out.

    Raises
    ------
    ValueError
        If `points` is out of range or the time range is empty.
    """
    if not 1 <= points <= MOST_POINTS:
        raise ValueError(f"points {points} is outside 1..{MOST_POINTS}; ask for fewer")
    if end_ms <= start_ms:
        raise ValueError(f"end {end_ms} is not after start {start_ms}; swap them")
    bucket_ms = -(-(end_ms - start_ms) // points)
    pieces: dict[str, list[tuple[int, int, int]]] = {"hour": [], "minute": [], "reading": []}
    for bucket, low in enumerate(range(start_ms, end_ms, bucket_ms)):
        for table, piece_low, piece_high in _split(low, min(low + bucket_ms, end_ms), _UNITS):
            pieces[table].append((bucket, piece_low, piece_high))
    arguments = {table: json.dumps(rows) for table, rows in pieces.items()} | {"start": start_ms, "width": bucket_ms}
    known = connection.execute(
        "SELECT id, name, quantity, unit FROM probe WHERE enclosure = ? ORDER BY name", (enclosure,)
    ).fetchall()
    return [
        ProbeSeries(name, quantity, unit, bucket_ms, _rows(connection, arguments | {"probe": probe_id}))
        for probe_id, name, quantity, unit in known
        if probes is None or name in probes
    ]


def means(
    connection: sqlite3.Connection,
    enclosure: str,
    probe: str,
    start_ms: int,
    end_ms: int,
    width_ms: int = 10 * MINUTE_MS,
) -> list[tuple[int, float]]:
    """Return ([ms UTC] middle, mean) of what one probe said in whole stretches of `width_ms` within [start_ms, end_ms).

    Parameters
    ----------
    width_ms
        A whole number of minutes [ms]; stretches begin at multiples of it, and one without readings is left out.
    """
    found = connection.execute(_MEANS, (width_ms, enclosure, probe, start_ms, end_ms))
    return [(stretch * width_ms + width_ms // 2, mean) for stretch, mean in found]


def hours(
    connection: sqlite3.Connection, enclosure: str, probe: str, start_ms: int
) -> list[tuple[int, float, float, float]]:
    """Return (start [ms UTC], least, mean, most) of every hour of one probe from an instant on."""
    return connection.execute(_HOURS, (enclosure, probe, start_ms)).fetchall()


_HOURS = """SELECT hour.start_ms, hour.least, hour.total / hour.count, hour.most
FROM probe JOIN hour ON hour.probe_id = probe.id
WHERE probe.enclosure = ? AND probe.name = ? AND hour.start_ms >= ? ORDER BY hour.start_ms"""

_MEANS = """SELECT minute.start_ms / ? AS stretch, sum(minute.total) / sum(minute.count)
FROM probe JOIN minute ON minute.probe_id = probe.id
WHERE probe.enclosure = ? AND probe.name = ? AND minute.start_ms >= ? AND minute.start_ms < ?
GROUP BY stretch ORDER BY stretch"""

_UNITS = (("hour", HOUR_MS), ("minute", MINUTE_MS))


def _split(low: int, high: int, units: tuple[tuple[str, int], ...]) -> Iterator[tuple[str, int, int]]:
    """Cut [low, high) into whole hours, whole minutes and the readings at its ragged ends."""
    if low >= high:
        return
    if not units:
        yield "reading", low, high
        return
    (table, width_ms), *finer = units
    first, last = -(-low // width_ms) * width_ms, high // width_ms * width_ms
    if first >= last:
        yield from _split(low, high, tuple(finer))
        return
    yield from _split(low, first, tuple(finer))
    yield table, first, last
    yield from _split(last, high, tuple(finer))


_PIECE = """SELECT json_extract(piece.value, '$[0]') AS bucket, count, least, most, total
FROM json_each(:{table}) AS piece CROSS JOIN {table} AS said ON said.probe_id = :probe
AND said.start_ms >= json_extract(piece.value, '$[1]') AND said.start_ms < json_extract(piece.value, '$[2]')"""
# CROSS JOIN holds SQLite to this order: each piece is one seek in the primary key.

_RAW = """SELECT json_extract(piece.value, '$[0]'), 1, said.value, said.value, said.value
FROM json_each(:reading) AS piece CROSS JOIN reading AS said ON said.probe_id = :probe
AND said.taken_ms >= json_extract(piece.value, '$[1]') AND said.taken_ms < json_extract(piece.value, '$[2]')
AND said.grade <> 'refused'"""

_SERIES = f"""SELECT :start + bucket * :width, min(least), sum(total) / sum(count), max(most), sum(count)
FROM ({_PIECE.format(table="hour")} UNION ALL {_PIECE.format(table="minute")} UNION ALL {_RAW})
GROUP BY bucket ORDER BY bucket"""


def _rows(connection: sqlite3.Connection, arguments: dict[str, object]) -> list[Bucket]:
    found = connection.execute(_SERIES, arguments)
    # Rounding in the sum must not put a mean outside its own extremes.
    return [Bucket(at, least, min(max(mean, least), most), most, count) for at, least, mean, most, count in found]
