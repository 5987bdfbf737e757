"""How long readings, orders and minutes are kept: taken away in small steps, oldest first; hours are kept for ever.

A day counts only if readings are on record for it, so a wall clock that leaps years ahead takes nothing with it. No
reading goes before its day is rolled up.
"""

import sqlite3

from controller.settings import Store
from controller.store import shelves
from controller.store.connection import transaction
from controller.store.sums import DAY_MS

STEP_ROWS = 100
"""Blocks, or days of minutes, that one step takes away: milliseconds on a memory card. Engineering judgement."""
LOOKED_AT = 10_000
"""Rows looked through for those: what a clock ahead has left before them is never old. Engineering judgement."""
EVERY_S = 10.0
"""[s] between two steps: enough for a thousand probes."""
REST_S = 3600.0
"""[s] until the next look once nothing is too old."""


class Retention:
    """Takes away what is too old, readings first. Used by the writer's thread alone.

    Parameters
    ----------
    store
        `raw_days` and `minute_days` from settings.
    """

    def __init__(self, store: Store) -> None:
        # Minutes for less time than readings would be missed by charts of days, and by `verify`.
        self._raw_days, self._minute_days = store.raw_days, max(store.raw_days, store.minute_days)
        self._stepped_s = float("-inf")
        self._probes: list[int] = []

    def step(self, connection: sqlite3.Connection, now_s: float, now_ms: int) -> int:
        """Take away at most `STEP_ROWS` rows if a step is due; returns how many.

        Raises
        ------
        sqlite3.Error
            If the disk does not take it; nothing is taken away then.
        """
        if now_s - self._stepped_s < EVERY_S:
            return 0
        self._stepped_s = now_s
        gone = self._readings(connection, now_ms)
        if not gone:
            self._probes = self._probes or [int(row[0]) for row in connection.execute("SELECT id FROM probe")]
            while self._probes and not gone:
                gone = self._minutes(connection, self._probes[-1], now_ms)
                if not gone:
                    self._probes.pop()
        if not gone:
            # Nothing is too old: the next look is an hour away.
            self._stepped_s = now_s + REST_S - EVERY_S
        return gone

    def _readings(self, connection: sqlite3.Connection, now_ms: int) -> int:
        by_days_ms = _start_of_days(connection, self._raw_days)
        (closed_ms,) = connection.execute("SELECT coalesce(min(closed_ms), 0) FROM probe").fetchone()
        limit_ms = min(now_ms - self._raw_days * DAY_MS, by_days_ms, closed_ms)
        gone = _take(connection, "block", 0, shelves.block_id(limit_ms, 0))
        # That a reading came late concerns nobody once it is gone, and what was ordered then cannot be replayed.
        gone = gone or connection.execute(_FORGET_LATE, (limit_ms,)).rowcount
        return gone or connection.execute(_FORGET_ORDERS, (limit_ms,)).rowcount

    def _minutes(self, connection: sqlite3.Connection, probe: int, now_ms: int) -> int:
        first, last = shelves.day_id(probe, 0), shelves.day_id(probe + 1, 0) - 1
        old = shelves.day_id(probe, now_ms - self._minute_days * DAY_MS)
        # Counting reads a page of nearly every day, of each probe: only where one is too old.
        if connection.execute(_MINUTES_BEFORE, (first, old)).fetchone() is None:
            return 0
        kept = connection.execute(_DAY_OF_MINUTES, (first, last, self._minute_days - 1)).fetchone()
        if kept is None:
            return 0
        border = min(kept[0], old)
        # Both at once: by its minutes a chart knows whether there are tens of a day.
        with transaction(connection):
            _take(connection, "tens", first, border)
            return _take(connection, "minutes", first, border)


def _start_of_days(connection: sqlite3.Connection, days: int) -> int:
    """Return where [ms UTC] the last `days` days with readings begin; 0 if there are fewer."""
    border = shelves.LAST_BLOCK
    day_ms = 0
    for _ in range(days):
        (newest,) = connection.execute("SELECT max(id) FROM block WHERE id < ?", (border,)).fetchone()
        if newest is None:
            return 0
        at_ms, _ = shelves.block_place(newest)
        day_ms = at_ms - at_ms % DAY_MS
        border = shelves.block_id(day_ms, 0)
    return day_ms


def _take(connection: sqlite3.Connection, table: str, first: int, border: int) -> int:
    """Take away the first rows with a key in [first, border)."""
    with transaction(connection):
        found = connection.execute(
            f"SELECT id FROM {table} WHERE id >= ? AND id < ? ORDER BY id LIMIT ?", (first, border, STEP_ROWS)
        ).fetchall()
        if found:
            connection.execute(f"DELETE FROM {table} WHERE id BETWEEN ? AND ?", (found[0][0], found[-1][0]))
    return len(found)


_FORGET_LATE = f"""DELETE FROM late WHERE id IN (
SELECT id FROM (SELECT id, taken_ms FROM late ORDER BY id LIMIT {LOOKED_AT}) WHERE taken_ms < ? LIMIT {STEP_ROWS})"""
_FORGET_ORDERS = f"""DELETE FROM order_change WHERE id IN (
SELECT id FROM (SELECT id, at_ms FROM order_change ORDER BY id LIMIT {LOOKED_AT}) WHERE at_ms < ? LIMIT {STEP_ROWS})"""
_MINUTES_BEFORE = "SELECT 1 FROM minutes WHERE id >= ? AND id < ? LIMIT 1"
_DAY_OF_MINUTES = "SELECT id FROM minutes WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1 OFFSET ?"
# The oldest of the days that are kept.
