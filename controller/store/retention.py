"""How long readings and minutes are kept: taken away in small steps, oldest first; hours are kept for ever.

A day counts only if readings are on record for it, so a wall clock that leaps years ahead takes nothing with it.
"""

import sqlite3

from controller.settings import Store
from controller.store.connection import transaction

DAY_MS = 86_400_000
STEP_ROWS = 500
"""Rows one step takes away: some milliseconds on a memory card. Source: engineering judgement."""
EVERY_S = 10.0
"""[s] between two steps: enough for forty probes that speak every second."""
LIMITS_STAND_S = 3600.0
"""[s] for which a limit once found is used."""


class Retention:
    """Takes away what is too old, one probe and one table at a time. Used by the writer's thread alone.

    Parameters
    ----------
    store
        `raw_days` and `minute_days` from settings.
    """

    def __init__(self, store: Store) -> None:
        self._kept = {"reading": ("taken_ms", store.raw_days), "minute": ("start_ms", store.minute_days)}
        self._turns: list[tuple[str, int]] = []
        self._limits: dict[tuple[str, int], tuple[float, int]] = {}
        self._stepped_s = float("-inf")

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
        if not self._turns:
            probes = [int(row[0]) for row in connection.execute("SELECT id FROM probe ORDER BY id")]
            self._turns = [(table, probe) for probe in probes for table in self._kept]
        while self._turns:
            table, probe = self._turns[-1]
            gone = self._take(connection, table, probe, self._limit_ms(connection, table, probe, now_s, now_ms))
            if gone:
                return gone
            self._turns.pop()
        # Nothing is too old: the next look is an hour away, for it asks of every probe.
        self._stepped_s = now_s + LIMITS_STAND_S - EVERY_S
        return 0

    def _take(self, connection: sqlite3.Connection, table: str, probe: int, limit_ms: int) -> int:
        time, _ = self._kept[table]
        with transaction(connection):
            oldest = connection.execute(
                f"SELECT {time} FROM {table} WHERE probe_id = ? AND {time} < ? ORDER BY {time} LIMIT ?",
                (probe, limit_ms, STEP_ROWS),
            ).fetchall()
            if oldest:
                connection.execute(f"DELETE FROM {table} WHERE probe_id = ? AND {time} <= ?", (probe, oldest[-1][0]))
        return len(oldest)

    def _limit_ms(self, connection: sqlite3.Connection, table: str, probe: int, now_s: float, now_ms: int) -> int:
        """Return the time [ms UTC] before which rows may go: too old by the calendar, and by days with readings."""
        found = self._limits.get((table, probe))
        if found is None or now_s - found[0] >= LIMITS_STAND_S:
            _, days = self._kept[table]
            first = connection.execute(_DAY_BEFORE, (probe, days)).fetchone()
            by_days_ms = 0 if first is None else (int(first[0]) + 1) * DAY_MS
            found = self._limits[table, probe] = (now_s, min(now_ms - days * DAY_MS, by_days_ms))
        return found[1]


_DAY_BEFORE = f"""SELECT start_ms / {DAY_MS} AS day FROM hour WHERE probe_id = ?
GROUP BY day ORDER BY day DESC LIMIT 1 OFFSET ?"""
# The day that as many days with readings lie after.
