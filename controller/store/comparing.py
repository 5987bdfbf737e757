"""Roll-ups compared with the readings they came from, where those are still kept; and made anew from them.

A packed reading carries a check sum, a roll-up does not: a page that a card has spoilt would show as wrong figures.
"""

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from controller.errors import StoreError
from controller.store import blocks, shelves, sums
from controller.store.blocks import Row
from controller.store.connection import snapshot, transaction
from controller.store.keeping import LEAST, MOST
from controller.store.readings import HOUR_MS
from controller.store.stretch import Stretches
from controller.store.sums import DAY_MS, WIDTHS_MS, Day, Sum, Sums

_NEAR = 1e-9
"""Part of a sum by which two ways of adding it up may differ; far more than they do."""


@dataclass(frozen=True, slots=True)
class ProbeDay:
    """One closed day [its key] of one probe; `place` names enclosure and probe."""

    place: tuple[str, str]
    number: int
    day: int


@dataclass(frozen=True, slots=True)
class Compared:
    """What differs of a day: names of tables, their roll-ups as they should be, and why no reading could be read."""

    tables: tuple[str, ...]
    mended: Day
    unread: str = ""


def closed_days(connection: sqlite3.Connection) -> list[ProbeDay]:
    """Return every closed day of every probe of which something may be kept."""
    probes = {
        number: ((enclosure, name), shelves.day_id(number, closed_ms))
        for number, enclosure, name, closed_ms in connection.execute("SELECT id, enclosure, name, closed_ms FROM probe")
    }
    found = []
    for (day,) in connection.execute(_DAYS):
        number = shelves.day_probe(day)
        place, end = probes.get(number, (("", ""), 0))
        if day < end:
            found.append(ProbeDay(place, number, day))
    return found


def compare(connection: sqlite3.Connection, one: ProbeDay, since_ms: int) -> Compared:
    """Compare one day.

    Parameters
    ----------
    since_ms
        [ms UTC] From then on every reading is kept. Before, a roll-up may count more than what is left.
    """
    with snapshot(connection):
        stored = {table: _stored(connection, table, one.day) for table in WIDTHS_MS}
        try:
            hours = list(_hours(Stretches(connection), one))
        except StoreError as error:
            return Compared((), {}, str(error))
    wrong, mended = [], {}
    for table, there in stored.items():
        should_be = dict(there or {})
        for hour_ms, rows in hours:
            _correct(should_be, sums.day_of(rows)[table], hour_ms, hour_ms < since_ms)
        mended[table] = {at_ms: each for at_ms, each in sorted(should_be.items()) if _can_be(each, table, one.day)}
        if there is None or not _same(there, mended[table]):
            wrong.append(table)
    return Compared(tuple(wrong), mended)


def mend(connection: sqlite3.Connection, one: ProbeDay, found: Compared) -> None:
    """Write the roll-ups that differ as they should be; what cannot be, and has no readings left, is taken away."""
    with transaction(connection):
        for table in found.tables:
            connection.execute(f"DELETE FROM {table} WHERE id = ?", (one.day,))
            if found.mended[table]:
                packed = sums.pack(table, found.mended[table], shelves.day_start_ms(one.day))
                connection.execute(f"INSERT INTO {table} (id, packed) VALUES (?, ?)", (one.day, packed))


def _stored(connection: sqlite3.Connection, table: str, day: int) -> Sums | None:
    """Return a day's roll-ups, or None if they cannot be read."""
    row = connection.execute(f"SELECT packed FROM {table} WHERE id = ?", (day,)).fetchone()
    try:
        return sums.unpack(table, row[0], shelves.day_start_ms(day)) if row else {}
    except StoreError:
        return None


def _hours(record: Stretches, one: ProbeDay) -> Iterator[tuple[int, list[Row]]]:
    """Yield start [ms UTC] and readings of each hour that is kept."""
    start_ms = shelves.day_start_ms(one.day)
    for packed in record.blocks(one.number, start_ms, start_ms + DAY_MS):
        rows = blocks.unpack(packed)
        yield rows[0][1] - rows[0][1] % HOUR_MS, rows


def _correct(there: Sums, fresh: Sums, hour_ms: int, may_count_more: bool) -> None:
    """Put the roll-ups of an hour's readings in place of those that are there."""
    for at_ms in [at_ms for at_ms in there if hour_ms <= at_ms < hour_ms + HOUR_MS]:
        left = fresh.get(at_ms)
        if not may_count_more or (left is not None and left.count > there[at_ms].count):
            del there[at_ms]
    for at_ms, each in fresh.items():
        there.setdefault(at_ms, each)


def _can_be(one: Sum, table: str, day: int) -> bool:
    """Whether these can be the figures of a stretch of that day at all."""
    into_ms = one.start_ms - shelves.day_start_ms(day)
    if not 0 <= into_ms < DAY_MS or into_ms % WIDTHS_MS[table] or one.count < 1:
        return False
    mean, rounding = one.total / one.count, _NEAR * max(abs(one.least), abs(one.most), 1.0)
    return LEAST <= one.least <= one.most <= MOST and one.least - rounding <= mean <= one.most + rounding


def _same(there: Sums, other: Sums) -> bool:
    return there.keys() == other.keys() and all(_alike(one, other[at_ms]) for at_ms, one in there.items())


def _alike(one: Sum, other: Sum) -> bool:
    if (one.start_ms, one.count, one.least, one.most) != (other.start_ms, other.count, other.least, other.most):
        return False
    return math.isclose(one.total, other.total, rel_tol=_NEAR, abs_tol=_NEAR * one.count)


# Not every day since the first: one reading of 1970, from before a clock was set, would make fifty years of it.
_DAYS = f"""SELECT DISTINCT {shelves.BLOCK_DAY} FROM block
{"".join(f" UNION SELECT id FROM {table}" for table in WIDTHS_MS)} ORDER BY 1"""
