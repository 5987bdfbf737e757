"""One probe over a time as arrays: its readings, or what its minutes, tens or hours come to. For charts and long sums.

Whatever is combined later (least of leasts, sum of sums) may come in pieces, so readings that wait to be packed only
join in.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controller.status import Grade
from controller.store import blocks, columns, packing, shelves, sums
from controller.store.blocks import Row
from controller.store.readings import MINUTE_MS
from controller.store.stretch import Stretches

Whole = NDArray[np.int64]
Real = NDArray[np.float64]

_RECORD = np.dtype([("at_ms", "<i8"), ("count", "<i4"), ("least", "<f8"), ("most", "<f8"), ("total", "<f8")])
_REFUSED = blocks.GRADES.index(Grade.REFUSED)
_CODES = {"B": "<u1", "H": "<u2", "I": "<u4", "Q": "<u8", "d": "<f8"}


@dataclass(frozen=True, slots=True)
class Rolled:
    """Pieces of time: start [ms UTC], readings, and their least, most and sum in the probe's unit; of one length."""

    at_ms: Whole
    count: Whole
    least: Real
    most: Real
    total: Real

    def __len__(self) -> int:
        return len(self.at_ms)

    def rows(self) -> Iterator[tuple[int, int, float, float, float]]:
        """Yield (start [ms UTC], readings, least, most, sum), piece by piece."""
        fields = (self.at_ms, self.count, self.least, self.most, self.total)
        return zip(*(each.tolist() for each in fields), strict=True)

    def within(self, start_ms: int, end_ms: int) -> "Rolled":
        """Return the pieces that begin in [start_ms, end_ms), of pieces in order."""
        first, end = np.searchsorted(self.at_ms, (start_ms, end_ms))
        return self.at(slice(first, end))

    def at(self, index: NDArray[Any] | slice) -> "Rolled":
        """Return the pieces that a slice, an index array or a mask chooses."""
        return Rolled(self.at_ms[index], self.count[index], self.least[index], self.most[index], self.total[index])


def joined(parts: Iterable[Rolled]) -> Rolled:
    """Return pieces one after the other."""
    all_parts = list(parts) or [_of([])]
    return Rolled(
        np.concatenate([each.at_ms for each in all_parts]),
        np.concatenate([each.count for each in all_parts]),
        np.concatenate([each.least for each in all_parts]),
        np.concatenate([each.most for each in all_parts]),
        np.concatenate([each.total for each in all_parts]),
    )


def combined(pieces: Rolled, first_ms: int, width_ms: int) -> Rolled:
    """Return pieces combined to wider ones that begin at first_ms + k * width_ms; none where there are no readings."""
    if not len(pieces):
        return pieces
    number = (pieces.at_ms - first_ms) // width_ms
    steps = np.diff(number)
    if (steps < 0).any():
        order = np.argsort(number, kind="stable")
        number, pieces = number[order], pieces.at(order)
        steps = np.diff(number)
    borders = np.concatenate(([0], np.flatnonzero(steps) + 1))
    return Rolled(
        first_ms + number[borders] * width_ms,
        np.add.reduceat(pieces.count, borders),
        np.minimum.reduceat(pieces.least, borders),
        np.maximum.reduceat(pieces.most, borders),
        np.add.reduceat(pieces.total, borders),
    )


def readings(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the readings themselves, taken in [start_ms, end_ms) [ms UTC], each a piece; refused ones are left out.

    Those that wait to be packed come last.
    """
    if start_ms >= end_ms:
        return _of([])
    packed = [_block(each) for each in record.blocks(probe, start_ms, end_ms)]
    waiting = _of(record.tail(probe, start_ms, end_ms))
    if not packed:
        return waiting
    at_ms, values = map(np.concatenate, zip(*packed, strict=True))
    said = _said(at_ms, values).within(start_ms, end_ms)
    return joined([said, waiting]) if len(waiting) else said


def _block(packed: bytes) -> tuple[Whole, Real]:
    """Return when the readings of a block were taken, and their values, as `blocks.unpack` does."""
    one = blocks.opened(packed)
    _, steps_ms, _, steps, codes = one.laid
    at_ms = _column(one.body, steps_ms, one.count).cumsum()
    at_ms += one.first_ms
    values = _column(one.body, steps, one.count)
    if one.grid:
        values = (values.cumsum() + one.first_step) / one.grid
    if codes.code == columns.CONSTANT and codes.least != _REFUSED:
        return at_ms, values
    said = _column(one.body, codes, one.count) != _REFUSED
    return at_ms[said], values[said]


def _said(at_ms: Whole, values: Real) -> Rolled:
    return Rolled(at_ms, np.ones(len(at_ms), np.int64), values, values, values)


def _of(rows: Iterable[Row]) -> Rolled:
    said = [(row[1], row[3]) for row in rows if row[4] != Grade.REFUSED]
    at_ms = np.array([row[0] for row in said], dtype=np.int64)
    values = np.array([row[1] for row in said], dtype=np.float64)
    return _said(at_ms, values)


def hours(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the hours that begin in [start_ms, end_ms) [ms UTC], oldest first."""
    return _records(record, "hours", probe, start_ms, end_ms)


def tens(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the ten minutes that begin in [start_ms, end_ms) [ms UTC], oldest first."""
    return _records(record, "tens", probe, start_ms, end_ms)


def _records(record: Stretches, table: str, probe: int, start_ms: int, end_ms: int) -> Rolled:
    days = [packed for _, packed in _days(record, table, probe, start_ms, end_ms)]
    try:
        kept = np.frombuffer(b"".join(days), _RECORD)
    except ValueError as error:
        raise sums.damaged(table, error) from error
    closed = Rolled(kept["at_ms"], kept["count"].astype(np.int64), kept["least"], kept["most"], kept["total"])
    return _with_open(record, probe, closed.within(start_ms, end_ms), start_ms, end_ms, sums.WIDTHS_MS[table])


def minutes(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the minutes that begin in [start_ms, end_ms) [ms UTC], oldest first."""
    return _with_open(record, probe, closed_minutes(record, probe, start_ms, end_ms), start_ms, end_ms, MINUTE_MS)


def closed_minutes(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the minutes that begin in [start_ms, end_ms) [ms UTC] of days that are rolled up already."""
    days = [
        (shelves.day_start_ms(day), data, *sums.minutes_head(data))
        for day, data in _days(record, "minutes", probe, start_ms, end_ms)
    ]
    size = sum(count for *_, count in days)
    found = Rolled(np.empty(size, np.int64), np.empty(size, np.int64), np.empty(size), np.empty(size), np.empty(size))
    first = 0
    try:
        for day_ms, data, grid, count in days:
            _fill(found, slice(first, first + count), day_ms, data, grid)
            first += count
    except ValueError as error:
        raise sums.damaged("minutes", error) from error
    return found.within(start_ms, end_ms)


def are_hours_alone(record: Stretches, probe: int, start_ms: int, end_ms: int) -> bool:
    """Whether of some day that touches [start_ms, end_ms) [ms UTC] there are hours and no minutes any more."""
    span = (shelves.day_id(probe, start_ms), shelves.day_id(probe, end_ms - 1))
    return record.connection.execute(_ALONE, span).fetchone() is not None


def _days(record: Stretches, table: str, probe: int, start_ms: int, end_ms: int) -> list[tuple[int, bytes]]:
    span = (shelves.day_id(probe, start_ms), shelves.day_id(probe, end_ms - 1))
    return record.connection.execute(_DAYS.format(table=table), span).fetchall()


def _fill(found: Rolled, where: slice, day_ms: int, data: bytes, grid: int) -> None:
    """Write a day's minutes, as `sums.pack_minutes` kept them, into their place."""
    count = where.stop - where.start
    laid = columns.lay(data, sums.MINUTES.size, count, sums.MINUTE_COLUMNS)
    number, many, least, most, total = (_column(data, each, count) for each in laid)
    np.add(number * MINUTE_MS, day_ms, out=found.at_ms[where])
    found.count[where] = many
    if not grid:
        found.least[where], found.most[where], found.total[where] = least, most, total
        return
    np.divide(least, grid, out=found.least[where])
    np.divide(least + most, grid, out=found.most[where])
    np.divide(total + many * least, grid, out=found.total[where])


def _column(data: bytes, laid: columns.Laid, count: int) -> NDArray[Any]:
    """Return a column: whole numbers, or floats where it holds them."""
    if laid.code == columns.CONSTANT:
        return np.full(count, laid.least, np.int64)
    values = np.frombuffer(data, _CODES[laid.code], count, laid.offset)
    return values if laid.code == "d" else values.astype(np.int64) + laid.least


def _with_open(record: Stretches, probe: int, closed: Rolled, start_ms: int, end_ms: int, width_ms: int) -> Rolled:
    """Add days not rolled up yet, and late readings not packed yet."""
    border_ms = packing.closed_ms(record.connection, probe)
    low_ms, high_ms = -(-start_ms // width_ms) * width_ms, -(-end_ms // width_ms) * width_ms
    late = _of(record.tail(probe, low_ms, min(high_ms, border_ms)))
    recent = combined(readings(record, probe, max(low_ms, border_ms), high_ms), 0, width_ms)
    # What is late alone falls into days that are closed: without it nothing closed need be looked at again.
    return combined(joined([closed, late, recent]), 0, width_ms) if len(late) else joined([closed, recent])


_ALONE = """SELECT 1 FROM hours WHERE id BETWEEN ? AND ?
AND NOT EXISTS (SELECT 1 FROM minutes WHERE minutes.id = hours.id) LIMIT 1"""
_DAYS = "SELECT id, packed FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id"
